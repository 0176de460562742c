// @ts-check
// One draw on the screen: from identification to what is due first. What comes next is
// decided in bedside-flow.js; this draws it and sends what was done.
import { ASKS, amountDue, band, mismatch, planned, screen } from "./bedside-ask.js";
import * as flow from "./bedside-flow.js";
import { dues, isCitrate } from "./bedside-plan.js";
import { head, para, person, refusal, word } from "./bedside-show.js";
import { scanner } from "./scan.js";
import { marks, run as runTimers } from "./timers.js";
import { action, acts, h, help, onLeave, press, shape, show, tell, undoBar } from "./ui.js";
import { closed, t } from "./words.js";

/**
 * @typedef {import("./bedside-flow.js").State} State
 * @typedef {import("./bedside-flow.js").About} About
 * @typedef {import("./bedside-flow.js").Tube} Tube
 * @typedef {import("./bedside-plan.js").Row} Row
 * @typedef {import("./bedside-plan.js").Work} Work
 * @typedef {import("./scan.js").Read} Read
 * What a screen needs of the phone, so that it can be tried without one. number is a
 * tube's number as its label says it, or a refusal in words.
 * @typedef {{number?: string, refusal?: string}} Named
 * @typedef {{work: Work, by: string, today: string, now: () => number, clock: (ms: number) => string, newDraw: () => string, spins: boolean, checked: RegExp[],
 *   staff: (read: Read) => {code?: string, not?: string}, record: (scan: any, how?: {live?: boolean, wait?: number}) => Promise<{id: string, answer?: any}>, online: () => boolean,
 *   matches: (read: Read) => Promise<Row|null>, tube: (read: Read) => Named, types: () => {type: string, typeName: string}[],
 *   packs: Record<string, {lot?: string, expiry?: string}>, keep: (draw: {state: State, row: Row|null}|null) => Promise<unknown>,
 *   done: (state: State, row: Row|null) => Promise<unknown>, leave: () => unknown, spin: () => unknown}} Context
 */

/** A draw that goes on. */
export class Run {
  /** @type {Promise<unknown>} */
  #last = Promise.resolve();
  /** The label whose type is being asked. @type {{read: Read, number: string}|null} */
  pending = null;
  /** The one draw of this page; what another one still hears is too late. @type {Run|null} */
  static now = null;

  /** @param {Context} at @param {Row|null} row @param {State} [state] where it goes on */
  constructor(at, row, state) {
    this.at = at;
    this.work = at.work;
    this.by = at.by;
    this.checked = at.checked;
    /** @type {About} */
    this.about = { place: at.work.place, row, today: at.today };
    this.s = state ?? flow.begin(at.newDraw(), row, at.work.place);
    this.record = at.record;
    this.matches = at.matches;
    Run.now = this;
  }

  /** Goes to a state; it is kept before it is shown. @param {State} next */
  async put(next) {
    if (this.over) return; // an answer that came after the draw was left
    this.s = next;
    // What was done was done, also where the phone can't keep it over a reload.
    const kept = await this.at.keep({ state: next, row: this.about.row }).then(() => true, () => false);
    this.again();
    if (!kept && !this.over) tell("look", t("bedside.not-kept"));
  }

  /** It was left, or another one was begun. */
  get over() {
    return Run.now !== this;
  }

  again() {
    if (this.over) return;
    this.pending = null;
    (ASKS[this.s.at] ?? TUBES[this.s.at])(this);
  }

  /** Another draw number: what was said under the last one is somebody else's. */
  renew() {
    this.s = { ...this.s, draw: this.at.newDraw() };
  }

  /** Tells what has happened; it can't be stopped. @param {any} scan */
  send(scan) {
    return this.record(scan, { live: false });
  }

  /** Scans come faster than answers: one after the other. @param {() => unknown} f */
  queue(f) {
    this.#last = this.#last.then(f).catch((fault) => tell("stop", t("ui.fault", { what: String(fault) })));
    return this.#last;
  }

  /** The draw is over for this page. */
  async end() {
    Run.now = null;
    await this.at.keep(null);
  }

  async leave() {
    if (this.over) return;
    await this.end();
    await this.at.leave();
  }
}

/**
 * Begins a draw: of a row that was touched, of one whose band was read, or of somebody
 * who is on no list.
 * @param {Context} at @param {Row|null} row @param {Read} [read] of the band
 */
export async function begin(at, row, read) {
  const run = new Run(at, row);
  await run.put(read ? { ...run.s, way: "band" } : run.s);
  if (read && !run.over) await run.queue(() => band(run, read));
}

/** The hands are full: what is seen is large, and nothing is touched. @param {Run} run */
function draw(run) {
  const { s, about } = run;
  const mark = h("p", { class: "huge", role: "timer" });
  const left = h("p", { class: "huge count", "aria-hidden": "true" });
  const all = marks(s.method);
  const begun = performance.now() - (Date.now() - Number(s.said.begun || Date.now()));
  let last = "";
  const timers = runTimers(all, begun, (now) => {
    if (now.mark !== last) mark.textContent = t(`bedside.timer.${now.mark}`);
    last = now.mark;
    left.textContent = now.mark === "done" ? "" : String(now.left);
  });
  onLeave(timers.stop);
  const on = () => run.put(flow.forward(run.s, about));
  scanner({ wanted: "tube", quiet: true, onRead: (r) => run.queue(async () => {
    await on();
    await label(run, r);
  }) });
  const tubes = flow.planOf(about);
  show(person(about.row?.identity), head("bedside.draw"), h("div", { class: "timer" }, mark, left),
    h("ol", { class: "rows large" }, tubes.map((p, i) => planned(run, p, i + 1, true))), para("bedside.draw-say"),
    acts(action("bedside.sharps", on, { kind: "main" })), help("bedside.draw-help"));
}

/**
 * A tube's label was read at the bedside.
 * @param {Run} run @param {Read} read
 */
async function label(run, read) {
  const named = run.at.tube(read);
  if (named.refusal || !named.number) return tell("stop", named.refusal ?? t("bedside.no-number"));
  const number = named.number;
  if (run.pending?.number === number) return taken(run, run.pending.read, number, flow.meaning(run.s, run.about, run.work, number).choices[0]);
  const m = flow.meaning(run.s, run.about, run.work, number);
  if (m.kind === "planned") return taken(run, read, number, m.choices[0]);
  if (m.kind === "other") return others(run, read, m.row ?? null);
  if (m.kind !== "blank") return tell("stop", t(`bedside.label-${m.kind}`, { label: number }));
  if (m.choices.length === 1) return taken(run, read, number, m.choices[0]);
  run.pending = { read, number };
  const plan = flow.planOf(run.about);
  // Of keys that are pressed while the first is being recorded, only the first counts.
  const chosen = (/** @type {() => unknown} */ take) => run.queue(() => (run.pending?.number === number ? take() : undefined));
  const choice = (/** @type {number} */ i, /** @type {boolean} */ main) => press(`${i + 1}. ${plan[i].typeName || plan[i].type}`, () => chosen(() => taken(run, read, number, i)), main ? "act main" : "act");
  const [next, ...rest] = m.choices;
  const kinds = about(run) ? [] : run.at.types();
  screen(run, "type", h("p", { class: "huge code" }, number), scanner({ wanted: "tube", quiet: true, onRead: (r) => run.queue(() => label(run, r)) }).node,
    acts(...rest.map((i) => choice(i, false)), ...kinds.map((k) => press(k.typeName, () => chosen(() => taken(run, read, number, -1, k)))),
      !about(run) && action("bedside.type-unsaid", () => chosen(() => taken(run, read, number, -1))), next !== undefined && choice(next, true), action("bedside.type-not", () => drop(run), { kind: "quiet" })));
}

/** @param {Run} run */
const about = (run) => run.about.row !== null;

/** @param {Run} run */
function drop(run) {
  run.pending = null;
  run.again();
}

/**
 * @param {Run} run @param {Read} read @param {string} number @param {number} index in the plan, -1 for none
 * @param {{type: string, typeName: string}} [kind] where there is no plan
 */
async function taken(run, read, number, index, kind) {
  run.pending = null;
  // It was taken while the key for it was still there.
  if (run.s.tubes.some((x) => x.label === number && x.index === index)) return;
  const p = flow.planOf(run.about)[index];
  const type = p?.type ?? kind?.type ?? "";
  const at = run.at.now();
  const { id, answer } = await run.record(flow.collectScan(run.s, run.about, read, index, type, run.at.packs[type]));
  if (answer?.answer === "refused") {
    run.again();
    const [chosen, other] = answer.identities ?? [];
    return answer.refusal === "identity-mismatch" ? mismatch(run, other ?? null, chosen, "bedside.on-label") : tell("stop", refusal(answer));
  }
  await run.put(flow.collected(run.s, run.about, {
    label: number, index, type, typeName: p?.typeName ?? kind?.typeName ?? type, order: p?.order ?? 0, additive: p?.additive ?? "", at, scan: id, verdicts: answer?.tube?.verdicts,
  }));
  tell(answer?.doubts?.length ? "look" : "good", [t("bedside.taken", { label: number, type: p?.typeName ?? kind?.typeName ?? type }), (answer?.doubts ?? []).map((/** @type {any} */ d) => h("p", null, closed("doubt", d.doubt ?? "")))]);
}

/**
 * A label that was made for another patient. With network the server refuses and counts
 * it; without, it is noted, and the tube has no collection.
 * @param {Run} run @param {Read} read @param {Row|null} row
 */
async function others(run, read, row) {
  let answer;
  if (run.at.online()) {
    const out = await run.record(flow.collectScan(run.s, run.about, read, -1));
    answer = out.answer;
    if (answer?.answer !== "refused") await run.send({ step: "void", label: { text: read.text, how: read.how }, details: { scan: out.id }, reason: "wrong-patient" });
  }
  if (answer?.answer !== "refused") await run.send(flow.noteScan(run.s, "identity-mismatch"));
  const [chosen, other] = answer?.identities ?? [];
  mismatch(run, other ?? row?.identity ?? null, chosen, "bedside.on-label");
}

/** Takes back what the key said, unless something came after it. @param {Run} run @param {string} scan */
async function takeBack(run, scan) {
  const back = flow.undo(run.s);
  if (!back || run.s.last?.scan !== scan) return;
  await run.send(back.scan);
  await run.put(back.state);
  tell("note", t("bedside.taken-back"), { sound: true });
}

/** @param {Run} run */
const bar = (run, scan = run.s.last?.scan ?? "") => run.s.last && undoBar(t(`bedside.last-${run.s.last.what}`, { label: run.s.last.label }), () => run.queue(() => takeBack(run, scan)));

/** @param {Run} run */
function labelling(run) {
  const { s } = run;
  const plan = flow.planOf(run.about);
  const next = flow.leftOf(s, run.about)[0];
  const rows = plan.map((p, i) => {
    const tube = s.tubes.find((x) => x.index === i);
    return h("li", { class: tube ? "row is-good" : "row" }, h("b", null, `${i + 1}. ${p.typeName || p.type || t("bedside.no-tube")}`),
      tube ? h("span", { class: "mark is-good" }, shape("good"), tube.label) : h("span", null, p.tube ? t("bedside.label-made", { label: p.tube }) : t("bedside.label-blank")));
  });
  const extra = s.tubes.filter((x) => x.index < 0).map((x) => h("li", { class: "row is-good" }, h("b", null, x.typeName), h("span", { class: "mark is-good" }, shape("good"), x.label)));
  screen(run, "label", plan.length > 0 && h("p", { class: "huge" }, t("bedside.label-count", { n: s.tubes.length, all: plan.length })), next && h("p", { class: "big" }, t("bedside.label-next", { type: next.typeName || next.type || "" })),
    scanner({ wanted: "tube", onRead: (r) => run.queue(() => label(run, r)), checked: run.checked }).node, bar(run), h("ol", { class: "rows" }, rows, extra),
    acts(s.tubes.length === 0 ? action("bedside.no-blood", () => noBlood(run)) : plan.length === 0 ? action("bedside.all-scanned", () => run.put(flow.forward(s, run.about)), { kind: "main" }) : action("bedside.rest-not", () => rest(run))));
}

/** A try without blood. @param {Run} run */
function noBlood(run) {
  const { s } = run;
  const lost = (/** @type {string} */ reason) => action(`bedside.failure.${reason}`, async () => {
    await run.send(flow.noteScan(s, "failed-attempt", "", reason));
    tried(reason);
  });
  const tried = (/** @type {string} */ reason) => screen(run, "tried", h("p", { class: "big" }, t("bedside.tries", { n: s.attempts })), s.attempts >= flow.MOST_TRIES && h("p", { class: "mark is-look" }, shape("look"), t("bedside.tries-most")), acts(
    action("bedside.try-give-up", async () => {
      await run.send(flow.failScan(s, reason));
      await run.leave();
      tell("note", t("bedside.fail-kept"));
    }),
    action("bedside.try-again", () => run.put({ ...s, at: "site", attempts: s.attempts + 1 }), { kind: "main" })));
  screen(run, "no-blood", acts(lost("no-vein"), lost("vein-collapsed"), lost("patient-refused"), action("bedside.fail-not", () => run.again(), { kind: "quiet" })));
}

/** Some tubes were drawn, the others weren't. @param {Run} run */
function rest(run) {
  screen(run, "rest", h("ul", { class: "rows" }, flow.leftOf(run.s, run.about).map((p) => h("li", { class: "row" }, h("b", null, p.typeName || p.type || t("bedside.no-tube"))))),
    acts(...["vein-collapsed", "no-vein", "patient-refused"].map((reason) => action(`bedside.failure.${reason}`, async () => {
      await run.send(flow.noteScan(run.s, "not-all-drawn", "", reason));
      await run.put(flow.forward(run.s, run.about));
    })), action("bedside.rest-more", () => run.again(), { kind: "quiet" })));
}

/** Tubes to pick, one under the other. @param {Run} run @param {string} key @param {(labels: string[]) => unknown} done @param {boolean} [numbered] in the order of touching */
function pick(run, key, done, numbered = false) {
  /** @type {string[]} */
  const picked = [];
  const all = flow.tubesOf(run.s, run.about);
  const keys = all.map((x) => {
    const text = () => `${numbered && picked.includes(x.label) ? `${picked.indexOf(x.label) + 1}. ` : ""}${x.typeName} · ${x.label}`;
    const b = h("button", { type: "button", class: "act", "aria-pressed": "false", onclick: () => {
      const i = picked.indexOf(x.label);
      if (i < 0) picked.push(x.label);
      else picked.splice(i, 1);
      keys.forEach((k) => k.again());
    } }, text());
    return { b, again: () => (b.setAttribute("aria-pressed", String(picked.includes(x.label))), (b.textContent = text())) };
  });
  screen(run, key, acts(...keys.map((k) => k.b), action("bedside.pick-done", () => {
    if (picked.length < (numbered ? all.length : 1)) return tell("look", t(numbered ? "bedside.pick-all" : "bedside.pick-one"));
    return done(picked);
  }, { kind: "main" }), action("bedside.fail-not", () => run.again(), { kind: "quiet" })));
}

/** Scanning a tube of this draw once more says yes: hands and screen may be wet. @param {Run} run @param {() => unknown} yes */
function yesByTube(run, yes) {
  const from = performance.now();
  scanner({ wanted: "tube", quiet: true, onRead: (r) => run.queue(() => {
    // A trigger that bounces is no answer to what has only just been asked.
    if (performance.now() - from < 1500) return;
    const number = run.at.tube(r).number ?? "";
    return run.s.tubes.some((x) => x.label === number) ? yes() : tell("stop", t("bedside.label-late", { label: number }));
  }) });
  return h("p", { class: "small" }, t("bedside.yes-by-tube"));
}

/** @param {(import("./bedside-plan.js").Planned & Tube)[]} tubes */
const list = (tubes) => h("ol", { class: "rows" }, tubes.map((x, i) => h("li", { class: "row" }, h("b", null, `${i + 1}. ${x.typeName}`), h("span", { class: "code" }, x.label))));

/** @param {Run} run */
function order(run) {
  const { planned: plan, scanned, differ } = flow.orders(run.s, run.about);
  const as = async (/** @type {string[]} */ labels) => {
    const { state, risks } = flow.drawnAs(run.s, run.about, labels);
    for (const r of risks) await run.send(flow.noteScan(run.s, "out-of-order", r.tube.label));
    if (risks.length === 0) await run.send(flow.checksScan(state));
    await run.put(state);
    if (risks.length > 0) tell("look", risks.map((r) => h("p", null, t(`bedside.risk.${flow.riskOf(r)}`, { tube: r.tube.typeName, after: r.after.typeName }))));
  };
  const yes = () => as(plan.map((x) => x.label));
  // What was scanned in another order is asked about, not taken for granted.
  const hint = differ ? h("p", { class: "mark is-look" }, shape("look"), t("bedside.order-differs", { order: scanned.map((x) => x.typeName).join(", ") })) : yesByTube(run, yes);
  screen(run, "order", list(plan), bar(run), differ && hint, acts(
    action("bedside.order-other", () => pick(run, "order-pick", as, true), { kind: "danger" }), differ && action("bedside.order-scanned", () => as(scanned.map((x) => x.label))),
    action("bedside.order-yes", yes, { kind: differ ? undefined : "main" })), !differ && hint);
}

/** @param {Run} run */
function discard(run) {
  const first = flow.orders(run.s, run.about).planned[0];
  screen(run, "discard", acts(action("bedside.discard-no", async () => {
    await run.send(flow.noteScan(run.s, "no-discard-tube", first.label));
    await run.put(flow.answered(run.s, run.about, "no"));
    tell("look", t("bedside.discard-risk"));
  }, { kind: "danger" }), action("bedside.discard-yes", () => run.put(flow.answered(run.s, run.about, "yes")), { kind: "main" })));
}

/** A yes for all, or which not. @param {Run} run @param {"fill"|"mix"} key @param {string} defect @param {any} nodes */
function each(run, key, defect, nodes) {
  const yes = () => run.put(flow.answered(run.s, run.about, "yes"));
  const hint = yesByTube(run, yes);
  screen(run, key, nodes, acts(action(`bedside.${key}-no`, () => pick(run, `${key}-pick`, async (labels) => {
    for (const l of labels) await run.send(flow.noteScan(run.s, defect, l));
    await run.put(flow.answered(run.s, run.about, "no"));
    tell("look", t(`bedside.${key}-risk`));
  }), { kind: "danger" }), action(`bedside.${key}-yes`, yes, { kind: "main" })), hint);
}

/** @param {Run} run */
const fill = (run) => each(run, "fill", "short-fill", [list(flow.tubesOf(run.s, run.about)), flow.tubesOf(run.s, run.about).some(isCitrate) && para("bedside.fill-say")]);

/** @param {Run} run */
const mix = (run) => each(run, "mix", "not-mixed", h("ul", { class: "rows" }, flow.tubesOf(run.s, run.about).map((x) => h("li", { class: "row" }, h("b", null, x.typeName), h("span", null, x.inversions ? t("bedside.inversions", { n: x.inversions }) : t("bedside.inversions-unsaid"))))));

/** @param {Run} run */
function handling(run) {
  const todo = flow.attestScans(run.s, run.about);
  const name = (/** @type {string} */ label) => run.s.tubes.find((x) => x.label === label)?.typeName ?? "";
  screen(run, "handling", h("ul", { class: "rows" }, todo.map((x) => h("li", { class: "row is-look" }, h("b", null, word("attest", x.details.handling)), h("span", null, `${name(x.label.text)} · ${x.label.text}`)))),
    acts(action("bedside.handling-no", async () => {
      await run.put(flow.answered(run.s, run.about, "no"));
      tell("look", t("bedside.handling-risk"));
    }, { kind: "danger" }), action("bedside.handling-yes", async () => {
      for (const x of todo) await run.send(x);
      await run.put(flow.answered(run.s, run.about, "yes"));
    }, { kind: "main" })));
}

/** @param {Run} run */
function after(run) {
  const { s } = run;
  if (!s.said.care) return screen(run, "care", acts(...flow.AFTER_CARE.map((c) => action(`bedside.care.${c}`, () => run.put({ ...s, said: { ...s.said, care: c } }), { kind: c === "pressed-dressing" ? "main" : undefined }))));
  const said = (/** @type {string} */ a) => action(`bedside.adverse.${a}`, async () => {
    const { id } = await run.send(flow.endScan(s, s.said.care, a));
    const { care: _, ...rest } = s.said;
    await run.put({ ...flow.answered(s, run.about, a), last: { scan: id, label: "", what: "end", before: { ...s, said: rest, last: null } } });
    await run.at.done(run.s, run.about.row);
  }, { kind: a === "none" ? "main" : undefined });
  screen(run, "adverse", h("div", { class: "grid" }, flow.ADVERSE.filter((a) => a !== "none").map(said)), acts(said("none")));
}

/** What is due first, when, and what to do about it. @param {Run} run */
function due(run) {
  const all = dues(flow.tubesOf(run.s, run.about), run.about.place);
  const now = run.at.now();
  const first = all.find((d) => d.at < Infinity);
  const nodes = first ? amountDue(run, first, now, true) : h("p", { class: "big" }, t(all.length > 0 ? "bedside.due-none" : "bedside.due-nothing"));
  const others = all.filter((d) => d !== first);
  screen(run, "due", nodes, others.length > 0 && [h("h2", null, t("bedside.due-others")), h("ul", { class: "rows" }, others.map((d) => h("li", { class: "row" }, amountDue(run, d, now, false))))], bar(run),
    acts(run.at.spins && action("bedside.to-spin", async () => {
      await run.end();
      await run.at.spin();
    }), action("bedside.next-patient", () => run.leave(), { kind: "main" })));
}

/** @type {Record<string, (run: Run) => void>} */
const TUBES = { draw, label: labelling, order, discard, fill, mix, handling, after, due };
