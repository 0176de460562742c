// @ts-check
// The courier's screens, drawn from a state. One screen is one question; the main key is
// the last, where the thumb is.
import { action, acts, again, fold, h, help, shape } from "./ui.js";
import { clockOffset, clockTime, has, inZone, t } from "./words.js";
import { boxOf, dueOf, dues, inside, nested, reading, stopName, stopOf, tubeOf } from "./road-world.js";
import { allSent, count } from "./road-flow.js";
import { byDue, held, load, stops, told, tubesOf, waiting, world } from "./road-round.js";

/**
 * @typedef {import("./road-flow.js").State} State
 * @typedef {import("./road-flow.js").Screen} Screen
 * @typedef {import("./road-flow.js").Counted} Counted
 * @typedef {import("./road-world.js").Due} Due
 * @typedef {import("./road-world.js").World} World
 * @typedef {import("./ui.js").Child} Child
 *
 * What a drawing needs of the page. press: a key of the flow. scan: the scanner, for what
 * is wanted. paper: the address of a page that prints. state: as it is now.
 * @typedef {{press: (what: string, arg?: string) => unknown, scan: (wanted: string) => Node, paper: (page: string) => string, state: () => State}} Page
 *
 * kind: what the shape and the colour say.
 * @typedef {"good"|"note"|"look"|"stop"} Kind
 */

const MINUTE = 60_000;

/** A length of time: minutes, from two hours on with hours. @param {number} ms */
export function span(ms) {
  const all = Math.floor(Math.abs(ms) / MINUTE);
  return all < 120 ? t("road.minutes", { m: all }) : t("road.hours", { h: Math.floor(all / 60), m: all % 60 });
}

/** "spin by 08:45, 34 min": the earliest bound first. @param {Due} d @param {number} now @returns {string} */
export function dueText(d, now) {
  if (d.over === "unknown") return t("road.due-unknown");
  const key = `road.by-${d.until}`;
  const by = (/** @type {number} */ at) => t(has(key) ? key : "road.by", { at: clockTime(at) });
  if (d.over === "yes") return t("road.due-over", { by: by(d.latest || d.earliest), left: span(now - (d.latest || d.earliest)) });
  if (d.over === "maybe") return t("road.due-maybe", { by: by(d.earliest), last: clockTime(d.latest), left: span(d.latest - now) });
  return t(d.latest ? "road.due-span" : "road.due", { by: by(d.earliest), left: span(d.left), last: clockTime(d.latest || d.earliest) });
}

/** Whether this round makes it, in words. @param {Due} d @returns {string} */
export const makesText = (d) => t(d.makes === "unsaid" && d.arrives === 0 ? "road.makes-unsaid-ever" : `road.makes-${d.makes}`, { at: d.arrives ? clockTime(d.arrives) : "" });

/** @param {Due} d @returns {Kind} */
export function kindOf(d) {
  if (d.over === "yes") return "stop";
  if (d.over === "maybe" || d.makes === "no") return "look";
  return d.over === "unknown" || d.makes === "unsaid" ? "note" : "good";
}

/** Shape and word. @param {Kind} kind @param {...Child} text */
const mark = (kind, ...text) => h("span", { class: `mark is-${kind}` }, shape(kind), h("span", null, ...text));

/** Keys side by side where there is room. @param {...Node} keys */
const tools = (...keys) => h("div", { class: "acts road-tools" }, ...keys);

/** What is drawn anew when time passes. @type {(() => void)[]} */
let ticking = [];

/** @template {HTMLElement} E @param {E} e @param {() => (Node|string)[]} fill @returns {E} */
function living(e, fill) {
  const put = () => e.replaceChildren(...fill());
  put();
  ticking.push(put);
  return e;
}

/** Time has passed: what says how much is left is put right, and nothing else moves. */
export const tick = () => ticking.forEach((put) => put());

/**
 * The nodes of a screen.
 * @param {State} s @param {() => number} clock in ms since 1970 @param {Page} page @returns {Node[]}
 */
export function draw(s, clock, page) {
  ticking = [];
  const w = world(s);
  const sc = s.screen;
  inZone((stopOf(w, s.here) ?? w.stops.find((p) => p.zone))?.zone);
  const d = new Drawing(s, w, clock, page);
  if (sc.name === "moving") return d.moving();
  return [...d.notices(), ...d[sc.name](/** @type {never} */ (sc))];
}

class Drawing {
  /** @param {State} s @param {World} w @param {() => number} clock @param {Page} page */
  constructor(s, w, clock, page) {
    this.s = s;
    this.w = w;
    this.clock = clock;
    this.page = page;
    this.told = told(s);
  }

  /** @param {string} key @param {string} what @param {string} [arg] @param {import("./ui.js").ActionOptions} [options] */
  key(key, what, arg = "", options = {}) {
    return action(key, () => this.page.press(what, arg), options);
  }

  back() {
    return this.key("road.back", "back", "", { kind: "quiet" });
  }

  /** What must be understood before it goes away. */
  notices() {
    const n = this.s.notices[0];
    if (!n) return [];
    return [h("section", { class: `road-notice is-${n.kind}`, role: "alert" },
      h("p", { class: "big" }, shape(n.kind), " ", t(n.key, n.args)),
      h("div", { class: "acts pair" }, action("ui.sound-again", again, { kind: "quiet" }), this.key("road.understood", "understood")))];
  }

  /** The first that is due of some. @param {string[]} ids @param {boolean} [large] */
  first(ids, large = false) {
    return living(h("div", { class: large ? "road-first" : "" }), () => {
      const now = this.clock();
      const all = dues(this.w, this.told, ids.flatMap((id) => tubesOf(this.w, id)), now);
      if (all.length === 0) return [];
      const d = all[0];
      const none = all.filter((o) => o.over === "unknown").length;
      return [
        h("p", { class: large ? "big" : "road-due" }, mark(kindOf(d), dueText(d, now))),
        h("p", null, d.over === "yes" ? "" : makesText(d)),
        ...(d.over !== "unknown" && none > 0 ? [h("p", null, t("road.untimed", { n: none }))] : []),
      ];
    });
  }

  /** @param {string} id */
  label(id) {
    return h("b", { class: "code" }, id);
  }

  /** How many tubes, and which other boxes. @param {string} id */
  size(id) {
    const n = inside(this.w, id).length;
    const boxes = nested(this.w, id).length;
    const b = boxOf(this.w, id);
    return [t("road.tubes", { n }), boxes > 0 && t("road.boxes-inside", { n: boxes }), b?.own && t("road.own-climate"), b?.seal && t("road.sealed", { seal: b.seal })].filter(Boolean).join(" · ");
  }

  /** A box or a loose tube as a key. @param {string} id @param {string} what */
  row(id, what) {
    const b = boxOf(this.w, id);
    return h("li", null, this.rowKey(what, id, h("span", null, this.label(id), " ", b ? this.size(id) : t("road.loose")), this.first([id])));
  }

  /** A key with more than a word on it. @param {string} what @param {string} id @param {...(Node|false)} on */
  rowKey(what, id, ...on) {
    const key = this.key("road.count", what, id);
    key.classList.add("row-act");
    key.dataset.id = id;
    delete key.dataset.act;
    key.replaceChildren(...on.filter((n) => n !== false));
    return key;
  }

  round() {
    const { s, w } = this;
    const ids = load(s, this.clock()).ids;
    const rows = stops(s, this.clock()).filter((r) => r.ids.length > 0 || r.departs.length > 0 || r.end);
    return [
      h("h1", null, t("road.round")),
      h("p", null, s.here === "" ? t("road.where") : t("road.here", { stop: stopName(w, s.here) })),
      ids.length > 0 ? h("section", null, h("h2", null, t("road.with-you")), h("ul", { class: "rows" }, ...ids.map((id) => this.row(id, "box")))) : h("p", null, t("road.nothing-with-you")),
      h("section", null, h("h2", null, t("road.stops")), rows.length === 0 && h("p", null, t(s.round ? "road.no-stops" : "road.no-round")),
        h("ol", { class: "rows road-stops" }, ...rows.map((r) => h("li", null, this.rowKey("stop", r.stop.id, h("b", null, r.stop.name), r.stop.id === s.here && h("span", null, t("road.you-are-here")),
          h("span", null, r.ids.length === 0 ? t(r.end ? "road.the-end" : "road.nothing-waits") : this.waits(r.ids)),
          r.ids.length > 0 && this.first(r.ids), ...this.departures(r.departs)))))),
      this.age(), this.paper(), this.page.scan("any"), help("road.help"),
      ids.length > 0 && acts(this.key("road.leave", "leave", "", { kind: "main" })),
    ].filter((x) => x instanceof Node);
  }

  /** @param {string[]} ids */
  waits(ids) {
    const boxes = ids.filter((id) => boxOf(this.w, id)).length;
    const tubes = ids.flatMap((id) => tubesOf(this.w, id)).length;
    return t("road.waits", { boxes: t("road.boxes", { n: boxes }), tubes: t("road.tubes", { n: tubes }) });
  }

  /** @param {{to: string, at: number[]}[]} departs */
  departures(departs) {
    return departs.filter((d) => d.at.length > 0).map((d) => h("span", null, t("road.departs", { to: stopName(this.w, d.to), at: d.at.map((x) => clockTime(x)).join(", ") })));
  }

  /** How old the server's word is. */
  age() {
    return living(h("p", { class: "small" }), () => (this.s.round ? [t("road.as-of", { at: clockOffset(this.told.asOf), ago: span(this.clock() - this.told.asOf) })] : []));
  }

  paper() {
    const link = (/** @type {string} */ page, /** @type {string} */ key) => h("p", null, h("a", { class: "road-link", href: this.page.paper(page) }, t(key)));
    return fold("road.paper", link("packing", "road.paper-packing"), link("downtime", "road.paper-downtime"));
  }

  /** @param {Extract<Screen, {name: "stop"}>} sc */
  stop(sc) {
    const { s, w } = this;
    const ids = byDue(s, w, waiting(w, sc.stop, s.by), this.clock());
    const mine = load(s, this.clock()).ids;
    const here = s.here === sc.stop;
    const departs = w.routes.filter((r) => r.from === sc.stop).map((r) => ({ to: r.to, at: r.departs.filter((x) => x >= this.clock()) }));
    const end = stopOf(w, sc.stop)?.kind === "reception";
    const way = w.routes.some((r) => r.from === sc.stop);
    return [
      h("h1", null, stopName(w, sc.stop)), h("p", null, ...this.departures(departs)),
      h("h2", null, t("road.waits-here")),
      ids.length === 0 ? h("p", null, t("road.nothing-waits")) : h("ul", { class: "rows" }, ...ids.map((id) => this.row(id, "take"))),
      mine.length > 0 && h("h2", null, t("road.with-you")), mine.length > 0 && h("ul", { class: "rows" }, ...mine.map((id) => this.row(id, "box"))),
      here ? this.page.scan("any") : h("p", null, t("road.not-here")), !here && this.page.scan("place"),
      acts(this.key("road.round", "round", "", { kind: "quiet" }),
        here && mine.length > 0 && way && this.key("road.give", "give"),
        here && mine.length > 0 && (way && !end ? this.key("road.leave", "leave", "", { kind: "main" }) : this.key("road.give", "give", "", { kind: "main" }))),
    ].filter((x) => x instanceof Node);
  }

  /** @param {Extract<Screen, {name: "box"}>} sc */
  box(sc) {
    const { w } = this;
    const b = boxOf(w, sc.box);
    const own = held(w, this.s.by).includes(sc.box) || b?.holder === "";
    return [
      h("h1", null, this.label(sc.box)), h("p", null, this.size(sc.box)), this.first([sc.box], true), this.inBox(sc.box), this.temperature(sc.box),
      this.contents(sc.box), this.page.scan("any"),
      tools(this.key("road.count", "count", sc.box), this.key("road.pack", "pack", sc.box), this.key("road.unpack", "unpack", sc.box), this.key("road.nest", "nest", sc.box),
        b?.seal ? this.key("road.open", "open", sc.box) : this.key("road.seal", "seal", sc.box), this.key("road.logger", "logger", sc.box),
        this.key("road.handling", "handling", sc.box)), acts(this.back(), this.key(own ? "road.give" : "road.take", own ? "give" : "take", sc.box, { kind: "main" })),
    ];
  }

  /** @param {string} id */
  inBox(id) {
    const b = boxOf(this.w, id);
    return h("p", null, b?.in ? t("road.lies-in", { box: b.in }) : "");
  }

  /** Never a line across a gap: what isn't known is said. @param {string} id */
  temperature(id) {
    return living(h("div", null), () => [boxOf(this.w, id), ...nested(this.w, id).filter((b) => b.own)].flatMap((b) => {
      if (!b) return [];
      const r = reading(b, this.clock());
      const args = { box: b.id, celsius: r.celsius.replace(".", t("road.point")), at: r.since ? clockTime(r.since) : "", loggers: b.loggers.join(", ") };
      return [h("p", null, mark(r.kind === "now" ? "good" : "note", t(`road.reading-${r.kind}`, args)))];
    }));
  }

  /** What is inside, the first due on top. @param {string} id */
  contents(id) {
    const now = this.clock();
    const all = dues(this.w, this.told, inside(this.w, id), now);
    if (all.length === 0) return h("p", null, t("road.empty"));
    return fold("road.contents", h("ul", { class: "rows" }, ...all.map((d) => h("li", { class: "row" },
      this.label(d.tube.id), " ", d.tube.name, d.tube.in !== id && h("span", null, t("road.lies-in", { box: d.tube.in })),
      living(h("span", null), () => {
        const fresh = dueOf(this.w, this.told, d.tube, this.clock());
        return [mark(kindOf(fresh), dueText(fresh, this.clock()))];
      })))));
  }

  /** @param {Extract<Screen, {name: "pack"|"unpack"}>} sc */
  pack(sc) {
    return this.packing(sc);
  }

  /** @param {Extract<Screen, {name: "pack"|"unpack"}>} sc */
  unpack(sc) {
    return this.packing(sc);
  }

  /** @param {Extract<Screen, {name: "pack"|"unpack"}>} sc */
  packing(sc) {
    const out = sc.name === "unpack";
    const ask = sc.tube !== "" && sc.box === "" ? "box" : sc.box !== "" ? "tube" : "either";
    return [
      h("h1", null, t(out ? "road.unpack" : "road.pack")),
      sc.tube !== "" && h("p", { class: "big" }, t("road.tube-in-hand", { tube: sc.tube })),
      sc.box !== "" && h("p", { class: "big" }, t(out ? "road.out-of" : "road.into", { box: sc.box })), sc.box !== "" && h("p", null, this.size(sc.box)),
      sc.box !== "" && this.first([sc.box]),
      h("p", null, t(`road.ask-${sc.name}-${ask}`)),
      sc.done.length > 0 && h("p", null, t(out ? "road.out-now" : "road.in-now", { n: sc.done.length, list: sc.done.join(", ") })),
      this.page.scan(ask),
      acts(this.key(out ? "road.turn-pack" : "road.turn-unpack", "turn"), sc.tube !== "" && sc.box === "" && this.key("road.take-tube", "take", sc.tube),
        sc.tube !== "" && this.key("road.handling", "handling", sc.tube), this.key(sc.done.length > 0 ? "road.done" : "road.back", "back", "", { kind: "main" })),
    ].filter((x) => x instanceof Node);
  }

  /** Labels one under the other. @param {string} key @param {string[]} ids @param {Kind} kind */
  differing(key, ids, kind) {
    if (ids.length === 0) return null;
    return h("section", { class: `road-differs is-${kind}` }, h("h2", null, shape(kind), " ", t(key, { n: ids.length })),
      h("ul", null, ...ids.map((id) => h("li", null, this.label(id), " ", tubeOf(this.w, id)?.name ?? ""))));
  }

  /** @param {Extract<Screen, {name: "count"}>} sc */
  count(sc) {
    const c = count(this.w, sc);
    return [
      h("h1", null, t("road.counting", { box: sc.box })),
      h("p", { class: "huge" }, t("road.n-of", { n: c.n - c.extra.length, of: c.of })),
      this.differing("road.not-yet", c.missing, "note"), this.differing("road.extra", c.extra, "look"), this.page.scan("tube"),
      acts(this.back(), this.key(c.missing.length === 0 ? "road.counted" : "road.counted-less", "counted", "", { kind: "main", args: { n: c.missing.length } })),
    ].filter((x) => x instanceof Node);
  }

  /** @param {string} id of a person or a place */
  party(id) {
    return stopName(this.w, id);
  }

  /** @param {Extract<Screen, {name: "take"|"give"}>} sc */
  take(sc) {
    return this.handing(sc);
  }

  /** @param {Extract<Screen, {name: "take"|"give"}>} sc */
  give(sc) {
    return this.handing(sc);
  }

  /** @param {Extract<Screen, {name: "take"|"give"}>} sc */
  handing(sc) {
    const { w } = this;
    const taking = sc.name === "take";
    const holder = taking ? (boxOf(w, sc.items[0] ?? "") ?? tubeOf(w, sc.items[0] ?? ""))?.holder ?? "" : "";
    const ready = sc.items.length > 0 && sc.party !== "";
    const ask = sc.items.length === 0 ? "scan-what" : sc.party === "" ? (taking ? "from-whom" : "to-whom") : "again";
    return [
      h("h1", null, t(taking ? "road.take" : "road.give")),
      ...sc.items.map((id) => this.item(id, sc)),
      h("p", { class: "big" }, sc.party !== "" ? t(taking ? "road.from" : "road.to", { who: this.party(sc.party) }) : ""),
      h("p", null, t(`road.ask-${ask}`)),
      sc.items.length > 0 && taking && fold("road.condition", ...["damaged", "leaking", "wet"].map((word) => {
        const b = this.key(`road.condition-${word}`, "condition", word);
        b.setAttribute("aria-pressed", String(sc.condition === word));
        return h("p", null, b);
      })),
      this.page.scan(sc.items.length === 0 ? "either" : sc.party === "" ? "place" : "any"),
      acts(this.back(), taking && sc.party === "" && holder !== "" && this.key("road.from-holder", "party", holder, { args: { who: this.party(holder) } }),
        ...sc.items.filter((id) => boxOf(w, id) && !sc.counts[id]).map((id) => this.key("road.count-box", "count", id, { args: { box: id } })),
        ready && this.key(taking ? "road.take-now" : "road.give-now", "handed", "", { kind: "main", args: { n: sc.items.length, who: this.party(sc.party) } })),
    ].filter((x) => x instanceof Node);
  }

  /** @param {string} id @param {{counts: Record<string, Counted>, seals?: Record<string, string>}} sc */
  item(id, sc) {
    const c = sc.counts[id];
    return h("section", { class: "row" }, h("p", { class: "big" }, this.label(id)), h("p", null, boxOf(this.w, id) ? this.size(id) : t("road.loose")),
      c && this.counted(c), sc.seals?.[id] && h("p", null, t("road.seal-read", { seal: sc.seals[id] })), this.first([id]),
      (boxOf(this.w, id)?.loggers.length ?? 0) > 0 && this.temperature(id));
  }

  /** @param {Counted} c */
  counted(c) {
    const same = c.missing.length + c.extra.length === 0;
    return h("div", null, h("p", { class: "big" }, mark(same ? "good" : "look", t("road.n-of", { n: c.n - c.extra.length, of: c.of }))),
      this.differing("road.missing", c.missing, "look"), this.differing("road.extra", c.extra, "look"));
  }

  /** @param {Extract<Screen, {name: "seal"|"open"}>} sc */
  seal(sc) {
    return [h("h1", null, t("road.seal-which", { box: sc.box })), h("p", null, t("road.ask-seal")), this.page.scan("any"), acts(this.back())];
  }

  /** @param {Extract<Screen, {name: "seal"|"open"}>} sc */
  open(sc) {
    const seal = boxOf(this.w, sc.box)?.seal ?? "";
    return [h("h1", null, t("road.open-which", { box: sc.box })), h("p", { class: "big" }, t("road.sealed", { seal })), h("p", null, t("road.ask-open")),
      this.page.scan("any"), acts(this.back(), this.key("road.open-unread", "opened", "", { kind: "main" }))];
  }

  /** @param {Extract<Screen, {name: "logger"}>} sc */
  logger(sc) {
    const ask = sc.logger === "" ? "logger" : "box";
    return [h("h1", null, t("road.logger")), sc.logger !== "" && h("p", { class: "big" }, this.label(sc.logger)), sc.box !== "" && h("p", { class: "big" }, this.label(sc.box)),
      sc.box !== "" && this.temperature(sc.box), h("p", null, t(`road.ask-logger-${ask}`)), this.page.scan(ask), acts(this.back())].filter((x) => x instanceof Node);
  }

  /** @param {Extract<Screen, {name: "handling"}>} sc */
  handling(sc) {
    return [h("h1", null, t("road.handling-which", { thing: sc.thing })), h("p", null, t("road.ask-handling")),
      tools(...["on-ice", "in-foil", "flask-37", "upright"].map((x) => this.key(`road.handling-${x}`, "attest", x))), this.page.scan("either"), acts(this.back())];
  }

  leave() {
    const { s, w } = this;
    const ways = w.routes.filter((r) => r.from === s.here);
    const others = w.stops.filter((p) => p.kind !== "vehicle" && p.id !== s.here);
    return [h("h1", null, t("road.leave-where")),
      acts(...(ways.length > 0
        ? ways.map((r) => this.key("road.leave-by", "depart", r.id, { kind: "main", args: { to: stopName(w, r.to), at: r.departs.filter((d) => d >= this.clock()).slice(0, 2).map((d) => clockTime(d)).join(", ") || t("road.any-time") } }))
        : others.map((p) => this.key("road.leave-to", "depart", p.id, { args: { to: p.name } }))), this.back())];
  }

  /** Only the next stop, and how the worst tube stands. */
  moving() {
    const { s, w } = this;
    const to = s.leg?.to ?? "";
    return [
      h("div", { class: "road-moving" }, h("h1", null, t("road.next-stop")), h("p", { class: "huge" }, stopName(w, to)),
        living(h("div", null), () => {
          const now = this.clock();
          const d = load(s, now).dues[0];
          return d ? [h("p", { class: "big" }, mark(kindOf(d), dueText(d, now))), h("p", { class: "big" }, d.over === "yes" ? "" : makesText(d))] : [];
        })),
      acts(this.key("road.arrived", "arrive", to, { kind: "main", args: { stop: stopName(w, to) } })),
    ];
  }

  /** @param {Extract<Screen, {name: "what"}>} sc */
  what(sc) {
    return [h("h1", null, t("road.what-is", { label: sc.text })), h("p", null, t("road.ask-what")),
      tools(...["tube", "box", "stop", "logger"].map((k) => this.key(`road.is-${k}`, "is", k))), this.page.scan("any"), acts(this.back())];
  }

  /** @param {Extract<Screen, {name: "receipt"}>} sc */
  receipt(sc) {
    const taking = sc.what === "take";
    return [
      h("h1", null, t(taking ? "road.taken" : "road.given")),
      ...sc.items.map((id) => this.item(id, sc)),
      h("dl", { class: "road-parties" }, h("dt", null, t("road.party-from")), h("dd", null, taking ? this.party(sc.party) : this.s.by),
        h("dt", null, t("road.party-to")), h("dd", null, taking ? this.s.by : this.party(sc.party)), h("dt", null, t("road.party-at")), h("dd", null, clockTime(sc.at))),
      living(h("p", { class: "big" }), () => (allSent(this.page.state(), sc.ids) ? [mark("good", t("road.sent"))] : [mark("note", t("road.kept"))])),
      this.page.scan("any"),
      acts(this.key("road.go-on", "back", "", { kind: "main" })),
    ];
  }
}
