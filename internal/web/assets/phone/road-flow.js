// @ts-check
// The courier's round as a flow: a state, what was read or pressed, and what follows.
// Pure: nothing here draws, asks a clock or stores; what is to be recorded is given back,
// and counts only when it was kept.
import { held, tubesOf, world } from "./road-round.js";
import { boxOf, inside, nested, spelled, stopOf, tubeOf } from "./road-world.js";

/**
 * @typedef {import("./road-world.js").World} World
 * @typedef {import("./road-world.js").Scan} Scan
 * @typedef {import("./road-world.js").Deed} Deed
 * @typedef {import("./road-world.js").Label} Label
 *
 * What a count by scanning found. n: tubes that are there; of: that were expected.
 * @typedef {{n: number, of: number, missing: string[], extra: string[]}} Counted
 *
 * boxes are those that were scanned shut: what is in them counts with them.
 * @typedef {{name: "count", box: string, expected: string[], seen: string[], boxes: string[], extra: string[], back: Screen}} Counting
 * @typedef {{name: "take"|"give", items: string[], party: string, counts: Record<string, Counted>, seals: Record<string, string>, condition: string}} Handing
 * One screen is one question.
 * @typedef {{name: "round"} | {name: "stop", stop: string} | {name: "box", box: string}
 *   | {name: "pack"|"unpack", box: string, tube: string, tubeLabel?: Label, done: string[]} | Counting | Handing
 *   | {name: "seal"|"open", box: string, back: Screen} | {name: "logger", box: string, logger: string, loggerLabel?: Label, back: Screen}
 *   | {name: "handling", thing: string, back: Screen} | {name: "leave"} | {name: "moving"}
 *   | {name: "what", text: string, label: Label, back: Screen}
 *   | {name: "receipt", what: string, items: string[], party: string, counts: Record<string, Counted>, ids: string[], at: number}} Screen
 *
 * The leg that lasts.
 * @typedef {{route: string, from: string, to: string, departed: number, due: number}} Leg
 *
 * What stays on the screen until somebody says that it is understood.
 * @typedef {{key: string, args: Record<string, string|number>, kind: "look"|"stop"}} Notice
 *
 * by: the courier's staff code. here: the place that was scanned last, "" on the way.
 * undo: what was recorded last and can be taken back.
 * @typedef {{by: string, here: string, round: any, deeds: Deed[], leg: Leg|null, screen: Screen, notices: Notice[], undo: Deed[]}} State
 *
 * @typedef {{key: string, args?: Record<string, string|number>, kind: "good"|"note"|"look"|"stop"}} Said
 * What follows: the state when all scans were kept, and what is said then.
 * @typedef {{state: State, scans: Scan[], said?: Said}} Plan
 *
 * What was read, as far as the phone knows it.
 * @typedef {{id: string, kind: "box"|"tube"|"stop"|"logger"|"person"|"unknown", label: Label}} Thing
 */

/** What a flag may propose that a courier can do; the rest is no alarm on the road. */
const MAY_DO = ["hurry", "move-temperature"];
/** Kinds of place that answer for what is left there. */
const ANSWERS = ["hatch", "reception", "ward", "clinic", "bench", "store"];

/** @type {Screen} */
const ROUND = { name: "round" };

/** @param {string} by @param {string} here @returns {State} */
export const begin = (by, here) => ({ by: spelled(by), here, round: null, deeds: [], leg: null, screen: ROUND, notices: [], undo: [] });

/**
 * A fresh round from the server. had: ids of deeds that the server had before it was
 * asked, so they are in it.
 * @param {State} s @param {any} round @param {string[]} had @returns {State}
 */
export const renewed = (s, round, had) => ({ ...s, round, deeds: s.deeds.filter((d) => !had.includes(d.id)) });

/** The server has these. @param {State} s @param {string[]} ids @returns {State} */
export const sent = (s, ids) => ({ ...s, deeds: s.deeds.map((d) => (ids.includes(d.id) && !d.sent ? { ...d, sent: true } : d)) });

/** The server will not have this one: it counts no more. @param {State} s @param {string} id @returns {State} */
export const dropped = (s, id) => ({ ...s, deeds: s.deeds.filter((d) => d.id !== id), undo: s.undo.filter((d) => d.id !== id) });

/** The answer of a place or person for what is left there. @param {World} w @param {string} id */
const answers = (w, id) => ANSWERS.includes(stopOf(w, id)?.kind ?? "");

/**
 * What a label names. names: what the site's number schemes say it is, "" for nothing.
 * @param {State} s @param {string} number @param {string} names @param {Label} label @returns {Thing}
 */
export function thingOf(s, number, names, label) {
  const w = world(s);
  const id = spelled(number);
  const by = /** @type {[Thing["kind"], {id: string}[]][]} */ ([
    ["box", w.boxes], ["tube", w.tubes], ["stop", w.stops], ["logger", w.boxes.flatMap((b) => b.loggers.map((l) => ({ id: l })))]]);
  for (const [kind, list] of by) {
    const found = list.find((x) => x.id === number) ?? list.find((x) => spelled(x.id) === id);
    if (found) return { id: found.id, kind, label };
  }
  /** @type {Record<string, Thing["kind"]>} */
  const kinds = { tube: "tube", carrier: "box", place: "stop", logger: "logger", person: "person" };
  return { id, kind: kinds[names] ?? "unknown", label };
}

/** @param {State} s @param {Said} [said] @returns {Plan} */
const stay = (s, said) => ({ state: s, scans: [], said });

/** @param {State} s @param {Screen} screen @param {Scan[]} [scans] @param {Said} [said] @returns {Plan} */
const go = (s, screen, scans = [], said) => ({ state: { ...s, screen }, scans, said });

/** @param {State} s @param {string} step @param {string} thing @param {Partial<Scan>} [more] @returns {Scan} */
const scan = (s, step, thing, more = {}) => ({ step, thing, place: s.here, ...more });

/** @param {"good"|"note"|"look"|"stop"} kind @param {string} key @param {Record<string, string|number>} [args] @returns {Said} */
const say = (kind, key, args = {}) => ({ kind, key, args });

/** @param {"take"|"give"} name @param {string[]} items @param {string} party @returns {Handing} */
const handing = (name, items, party) => ({ name, items, party, counts: {}, seals: {}, condition: "" });

/**
 * Something was read. It means what this screen asks for; where it can't, what it is.
 * @param {State} s @param {Thing} thing @param {number} now @returns {Plan}
 */
export function read(s, thing, now) {
  const w = world(s);
  const sc = s.screen;
  const is = meant(s, w, thing);
  const x = { ...thing, kind: is };
  switch (sc.name) {
    case "moving":
      return is === "stop" && !isVehicle(w, x.id) ? arrive(s, x.id, now) : stay(s, say("look", "road.say-arrive-first"));
    case "pack":
    case "unpack":
      if (is === "box") return packBox(s, sc, x.id, w);
      if (is === "tube") return packTube(s, sc, x, w);
      break;
    case "count":
      if (is === "tube") return countTube(s, sc, x);
      if (is === "box") return countBox(s, sc, x, w);
      break;
    case "take":
    case "give":
      return hand(s, sc, x, w, now);
    case "seal":
      if (is === "unknown") return sealed(s, sc.box, x.id, sc.back);
      return stay(s, say("look", "road.say-not-a-seal", { label: x.id }));
    case "open":
      if (is === "unknown") return opened(s, sc.box, x.id, sc.back, w);
      if (is === "box" && x.id === sc.box) return opened(s, sc.box, "", sc.back, w);
      return stay(s, say("look", "road.say-not-a-seal", { label: x.id }));
    case "logger":
      if (is === "logger") return logger(s, { ...sc, logger: x.id, loggerLabel: x.label }, w);
      if (is === "box") return logger(s, { ...sc, box: x.id }, w);
      break;
    case "handling":
      if (is === "tube" || is === "box") return go(s, { ...sc, thing: x.id });
      break;
  }
  if (is === "unknown" || is === "person") return go(s, { name: "what", text: x.id, label: x.label, back: sc.name === "what" ? sc.back : sc });
  return open(s, x, w, now);
}

/** What an unknown label is where only one thing is asked for. @param {State} s @param {World} w @param {Thing} t @returns {Thing["kind"]} */
function meant(s, w, t) {
  if (t.kind !== "unknown") return t.kind;
  const sc = s.screen;
  if (sc.name === "pack" || sc.name === "unpack") return sc.box === "" && sc.tube !== "" ? "box" : sc.box !== "" ? "tube" : "unknown";
  if (sc.name === "count") return "tube";
  if (sc.name === "logger") return sc.logger === "" ? "logger" : "box";
  return "unknown";
}

/** Opens what was read. @param {State} s @param {Thing} x @param {World} w @param {number} now @returns {Plan} */
function open(s, x, w, now) {
  switch (x.kind) {
    case "stop":
      // Who scans the van leaves with it, and needs no key for that.
      if (isVehicle(w, x.id) && s.here !== "" && held(w, s.by).length > 0) return leave(s, w, now);
      if (s.leg) return arrive(s, x.id, now);
      if (s.screen.name === "box" && held(w, s.by).includes(s.screen.box)) return go({ ...s, here: x.id }, handing("give", [s.screen.box], x.id));
      return go({ ...s, here: x.id }, { name: "stop", stop: x.id });
    case "box":
      return mine(w, s, x.id) || !boxOf(w, x.id)?.holder ? go(s, { name: "box", box: x.id }) : take(s, [x.id], w);
    case "tube":
      return go(s, { name: "pack", box: "", tube: x.id, tubeLabel: x.label, done: [] });
    case "logger":
      return logger(s, { name: "logger", box: s.screen.name === "box" ? s.screen.box : "", logger: x.id, loggerLabel: x.label, back: s.screen }, w);
    default:
      return stay(s);
  }
}

/** @param {World} w @param {string} id */
const isVehicle = (w, id) => stopOf(w, id)?.kind === "vehicle";

/** @param {World} w @param {State} s @param {string} id */
const mine = (w, s, id) => spelled((boxOf(w, id) ?? tubeOf(w, id))?.holder ?? "") === s.by;

/** @param {State} s @param {string[]} items @param {World} w @returns {Plan} */
function take(s, items, w) {
  const holder = (boxOf(w, items[0] ?? "") ?? tubeOf(w, items[0] ?? ""))?.holder ?? "";
  // Where the place itself answers for it, both sides are known by the place that was scanned.
  return go(s, handing("take", items, s.here !== "" && holder === s.here ? s.here : ""));
}

/** @param {State} s @param {Extract<Screen, {name: "pack"|"unpack"}>} sc @param {string} box @param {World} w @returns {Plan} */
function packBox(s, sc, box, w) {
  if (sc.box !== "" && sc.box !== box && sc.tube === "") {
    // Bags and flasks go into the box that is open; a box is the next to pack.
    const b = boxOf(w, box);
    if (sc.name === "unpack" || (b && (b.own || b.kind !== "box"))) return packed(s, { ...sc, tube: box, tubeLabel: undefined }, w);
    return go(s, { ...sc, box });
  }
  const next = { ...sc, box };
  const seal = boxOf(w, box)?.seal ?? "";
  if (seal !== "") return go(s, { name: "open", box, back: next }, [], say("look", "road.say-sealed", { box, seal }));
  return sc.tube === "" ? go(s, next) : packed(s, next, w);
}

/** @param {State} s @param {Extract<Screen, {name: "pack"|"unpack"}>} sc @param {Thing} tube @param {World} w @returns {Plan} */
function packTube(s, sc, tube, w) {
  const next = { ...sc, tube: tube.id, tubeLabel: tube.label };
  // What it comes out of is known; what it goes into has to be scanned.
  if (sc.name === "unpack" && sc.box === "") next.box = tubeOf(w, tube.id)?.in ?? "";
  const seal = boxOf(w, next.box)?.seal ?? "";
  if (next.box !== "" && seal !== "") return go(s, { name: "open", box: next.box, back: next }, [], say("look", "road.say-sealed", { box: next.box, seal }));
  return next.box === "" ? go(s, next) : packed(s, next, w);
}

/** Both sides are known. @param {State} s @param {Extract<Screen, {name: "pack"|"unpack"}>} sc @param {World} w @returns {Plan} */
function packed(s, sc, w) {
  const { tube, box } = sc;
  const next = { ...sc, tube: "", tubeLabel: undefined, done: sc.done.includes(tube) ? sc.done : [...sc.done, tube] };
  const at = boxOf(w, tube)?.in ?? tubeOf(w, tube)?.in ?? "";
  if (sc.name === "pack" && at === box) return go(s, next, [], say("note", "road.say-is-in", { tube, box }));
  return go(s, next, [scan(s, sc.name, tube, { label: sc.tubeLabel, carrier: box })],
    say("good", sc.name === "pack" ? "road.say-packed" : "road.say-unpacked", { tube, box, n: next.done.length }));
}

/** @param {State} s @param {string} box @param {Screen} back @param {World} w @returns {Plan} */
function counting(s, box, back, w) {
  const expected = inside(w, box).map((t) => t.id);
  /** @type {Counting} */
  const next = { name: "count", box, expected, seen: [], boxes: [], extra: [], back };
  const seal = boxOf(w, box)?.seal ?? "";
  return seal === "" ? go(s, next) : go(s, { name: "open", box, back: next }, [], say("look", "road.say-sealed", { box, seal }));
}

/** How a count stands. @param {World} w @param {Counting} sc @returns {Counted} */
export function count(w, sc) {
  const shut = new Set(sc.boxes.flatMap((b) => inside(w, b).map((t) => t.id)));
  const there = sc.expected.filter((id) => sc.seen.includes(id) || shut.has(id));
  return { n: there.length + sc.extra.length, of: sc.expected.length, missing: sc.expected.filter((id) => !there.includes(id)), extra: sc.extra };
}

/** @param {State} s @param {Counting} sc @param {Thing} x @returns {Plan} */
function countTube(s, sc, x) {
  if (sc.seen.includes(x.id) || sc.extra.includes(x.id)) return stay(s, say("note", "road.say-counted", { tube: x.id }));
  if (sc.expected.includes(x.id)) {
    const next = { ...sc, seen: [...sc.seen, x.id] };
    const c = count(world(s), next);
    return go(s, next, [scan(s, "see", x.id, { label: x.label })], say("good", c.missing.length === 0 ? "road.say-all" : "road.say-count", { n: c.n - c.extra.length, of: c.of }));
  }
  // It lies in the box, whatever the list says.
  return go(s, { ...sc, extra: [...sc.extra, x.id] }, [scan(s, "pack", x.id, { label: x.label, carrier: sc.box })], say("look", "road.say-extra", { tube: x.id, box: sc.box }));
}

/** @param {State} s @param {Counting} sc @param {Thing} x @param {World} w @returns {Plan} */
function countBox(s, sc, x, w) {
  if (x.id === sc.box) return counted(s, sc, w);
  if (sc.boxes.includes(x.id)) return stay(s, say("note", "road.say-counted", { tube: x.id }));
  if (nested(w, sc.box).some((b) => b.id === x.id)) {
    const next = { ...sc, boxes: [...sc.boxes, x.id] };
    const c = count(w, next);
    return go(s, next, [scan(s, "see", x.id, { label: x.label })], say("good", c.missing.length === 0 ? "road.say-all" : "road.say-count", { n: c.n - c.extra.length, of: c.of }));
  }
  return go(s, { ...sc, boxes: [...sc.boxes, x.id], extra: [...sc.extra, ...inside(w, x.id).map((t) => t.id)] },
    [scan(s, "pack", x.id, { label: x.label, carrier: sc.box })], say("look", "road.say-extra", { tube: x.id, box: sc.box }));
}

/** The count is over; what wasn't there is said by its label. @param {State} s @param {Counting} sc @param {World} w @returns {Plan} */
function counted(s, sc, w) {
  const c = count(w, sc);
  const scans = c.missing.map((id) => scan(s, "note", id, { details: { defect: "not-in-box" } }));
  const said = c.missing.length + c.extra.length === 0 ? say("good", "road.say-all", { n: c.n, of: c.of }) : say("look", "road.say-differs", { n: c.n - c.extra.length, of: c.of });
  const back = sc.back.name === "take" || sc.back.name === "give" ? { ...sc.back, counts: { ...sc.back.counts, [sc.box]: c } } : sc.back;
  return go(s, back, scans, said);
}

/** @param {State} s @param {Handing} sc @param {Thing} x @param {World} w @param {number} now @returns {Plan} */
function hand(s, sc, x, w, now) {
  if (x.kind === "box" || (x.kind === "tube" && !sc.items.some((id) => inside(w, id).some((t) => t.id === x.id)))) {
    if (!sc.items.includes(x.id)) return go(s, { ...sc, items: [...sc.items, x.id] });
    if (sc.party !== "") return handed(s, sc, w, now); // scanned again: yes
    return stay(s, say("note", sc.name === "take" ? "road.say-from-whom" : "road.say-to-whom"));
  }
  if (x.kind === "tube") {
    // A tube of a box that is at hand begins the count.
    const box = sc.items.find((id) => inside(w, id).some((t) => t.id === x.id)) ?? "";
    const begun = counting(s, box, sc, w);
    return begun.state.screen.name === "count" ? countTube(begun.state, begun.state.screen, x) : begun;
  }
  if (x.kind === "logger") return logger(s, { name: "logger", box: sc.items.length === 1 ? sc.items[0] : "", logger: x.id, loggerLabel: x.label, back: sc }, w);
  if (x.kind === "stop") {
    const here = { ...s, here: x.id };
    return go(here, { ...sc, party: x.id });
  }
  // A code that nothing else has: the other person's. Behind that, the number of a seal.
  if (sc.party === "" || x.kind === "person") {
    if (x.id === s.by) return stay(s, say("stop", "road.say-same-party"));
    return go(s, { ...sc, party: x.id });
  }
  const box = sc.items.find((id) => (boxOf(w, id)?.seal ?? "") !== "" && !sc.seals[id]);
  if (!box) return go(s, { name: "what", text: x.id, label: x.label, back: sc });
  const seal = boxOf(w, box)?.seal ?? "";
  return go(s, { ...sc, seals: { ...sc.seals, [box]: x.id } }, [],
    spelled(seal) === x.id ? say("good", "road.say-seal-right", { seal }) : say("look", "road.say-seal-other", { seal: x.id, was: seal }));
}

/** Both parties are named: it changes hands. @param {State} s @param {Handing} sc @param {World} w @param {number} now @returns {Plan} */
function handed(s, sc, w, now) {
  const taking = sc.name === "take";
  if (sc.items.length === 0) return stay(s, say("look", "road.say-scan-what"));
  if (sc.party === "") return stay(s, say("look", taking ? "road.say-from-whom" : "road.say-to-whom"));
  if (sc.party === s.by) return stay(s, say("stop", "road.say-same-party"));
  const scans = sc.items.map((id) => {
    /** @type {Record<string, string>} */
    const details = {};
    const c = sc.counts[id];
    if (c && boxOf(w, id)) details.count = String(c.n);
    if (sc.seals[id]) details.seal = sc.seals[id];
    if (taking && sc.condition) details.condition = sc.condition;
    return scan(s, taking ? "take" : "release", id, { ...(taking ? { from: sc.party } : { to: sc.party }), details });
  });
  const notices = [...s.notices];
  if (taking) for (const n of worries(s, w, sc.items)) if (!notices.some((o) => o.key === n.key && o.args.thing === n.args.thing)) notices.push(n);
  /** @type {Screen} */
  const receipt = { name: "receipt", what: sc.name, items: sc.items, party: sc.party, counts: sc.counts, ids: [], at: now };
  return { ...go({ ...s, notices }, receipt, scans), said: say("good", taking ? "road.say-taken" : "road.say-given", { list: sc.items.join(", ") }) };
}

/** What a courier can do something about, a line for each box or loose tube. @param {State} s @param {World} w @param {string[]} ids @returns {Notice[]} */
function worries(s, w, ids) {
  return ids.flatMap((id) => {
    const list = tubesOf(w, id).filter((t) => t.flagged && MAY_DO.includes(t.action));
    return MAY_DO.flatMap((action) => {
      const n = list.filter((t) => t.action === action).length;
      return n === 0 ? [] : [/** @type {Notice} */ ({ key: `road.do-${action}`, args: { thing: id, n }, kind: "look" })];
    });
  });
}

/** @param {State} s @param {string} box @param {string} seal @param {Screen} back @returns {Plan} */
function sealed(s, box, seal, back) {
  const c = back.name === "take" || back.name === "give" ? back.counts[box] : undefined;
  return go(s, back, [scan(s, "seal", box, { details: { seal, ...(c ? { count: String(c.n) } : {}) } })], say("good", "road.say-seal-on", { box, seal }));
}

/** @param {State} s @param {string} box @param {string} seal as read, "" when it wasn't @param {Screen} back @param {World} w @returns {Plan} */
function opened(s, box, seal, back, w) {
  const was = boxOf(w, box)?.seal ?? "";
  const right = seal === "" || seal === spelled(was);
  const plan = go(s, back, [scan(s, "open", box, seal === "" ? {} : { details: { seal } })],
    right ? say("good", "road.say-opened", { box }) : say("look", "road.say-seal-other", { seal, was }));
  // The tube in hand goes in, now that the box is open.
  if ((back.name !== "pack" && back.name !== "unpack") || back.tube === "") return plan;
  const on = packed(s, back, w);
  return { state: on.state, scans: [...plan.scans, ...on.scans], said: right ? on.said : plan.said };
}

/** @param {State} s @param {Extract<Screen, {name: "logger"}>} sc @param {World} w @returns {Plan} */
function logger(s, sc, w) {
  if (sc.box === "" || sc.logger === "") return go(s, sc);
  if (boxOf(w, sc.box)?.loggers.includes(sc.logger)) // it is known to be there: the box was seen with it
    return go(s, sc.back, [scan(s, "see", sc.box)], say("good", "road.say-logger-seen", { logger: sc.logger, box: sc.box }));
  return go(s, sc.back, [scan(s, "attach", sc.logger, { label: sc.loggerLabel, carrier: sc.box })], say("good", "road.say-logger-on", { logger: sc.logger, box: sc.box }));
}

/** @param {State} s @param {string} stop @param {number} now @returns {Plan} */
function arrive(s, stop, now) {
  const w = world(s);
  const here = { ...s, here: stop, leg: null };
  const ids = held(w, s.by);
  const notices = [...s.notices, ...worries(s, w, ids).filter((n) => !s.notices.some((o) => o.key === n.key && o.args.thing === n.args.thing))];
  return go({ ...here, notices }, { name: "stop", stop }, ids.map((id) => scan(here, "arrive", id)), say("good", "road.say-arrived", { stop: stopOf(w, stop)?.name ?? stop, n: ids.length }));
}

/** @param {State} s @param {string} id of a route, or of a place where no route leads there @param {number} now @returns {Plan} */
function depart(s, id, now) {
  const w = world(s);
  const route = w.routes.find((r) => r.id === id);
  const ids = held(w, s.by);
  const to = route?.to ?? id;
  const scans = ids.map((x) => scan(s, "depart", x, route ? { details: { route: route.id } } : { to }));
  const leg = { route: route?.id ?? "", from: s.here, to, departed: now, due: route?.takes ? now + route.takes : 0 };
  return go({ ...s, here: "", leg }, { name: "moving" }, scans);
}

/**
 * A key was pressed. what: its name, with what it is about.
 * @param {State} s @param {string} what @param {string} arg @param {number} now @returns {Plan}
 */
export function press(s, what, arg, now) {
  const w = world(s);
  const sc = s.screen;
  const box = "box" in sc ? sc.box : "";
  switch (what) {
    case "round": return go(s, s.leg ? { name: "moving" } : ROUND);
    case "back": return go(s, home(s));
    case "stop": return go(s, { name: "stop", stop: arg });
    case "box": return boxOf(w, arg) ? go(s, { name: "box", box: arg }) : go(s, { name: "handling", thing: arg, back: sc });
    case "take": return take(s, arg === "" ? [] : [arg], w);
    case "give": return go(s, handing("give", arg === "" ? [] : [arg], s.here !== "" && answers(w, s.here) ? s.here : ""));
    case "pack":
    case "unpack": {
      /** @type {Extract<Screen, {name: "pack"|"unpack"}>} */
      const next = { name: what, box: "", tube: "", done: [] };
      return arg === "" ? go(s, next) : packBox(s, next, arg, w);
    }
    case "nest": return go(s, { name: "pack", box: "", tube: arg, done: [] });
    case "turn": return sc.name === "pack" || sc.name === "unpack" ? go(s, { ...sc, name: sc.name === "pack" ? "unpack" : "pack", done: [] }) : stay(s);
    case "count": return counting(s, arg || box, sc, w);
    case "counted": return sc.name === "count" ? counted(s, sc, w) : stay(s);
    case "party": return sc.name === "take" || sc.name === "give" ? go(s, { ...sc, party: arg }) : stay(s);
    case "condition": return sc.name === "take" ? go(s, { ...sc, condition: sc.condition === arg ? "" : arg }) : stay(s);
    case "handed": return sc.name === "take" || sc.name === "give" ? handed(s, sc, w, now) : stay(s);
    case "seal": return go(s, { name: "seal", box: arg, back: sc });
    case "open": return go(s, { name: "open", box: arg, back: sc });
    case "opened": return sc.name === "open" ? opened(s, sc.box, "", sc.back, w) : stay(s);
    case "logger": return go(s, { name: "logger", box: arg, logger: "", back: sc });
    case "handling": return go(s, { name: "handling", thing: arg, back: sc });
    case "attest":
      return sc.name === "handling" ? go(s, sc.back, [scan(s, "attest", sc.thing, { details: { handling: arg } })], say("good", "road.say-attested", { thing: sc.thing })) : stay(s);
    case "is": return sc.name === "what" ? is(s, sc, arg, now) : stay(s);
    case "leave": return leave(s, w, now);
    case "depart": return depart(s, arg, now);
    case "arrive": return arrive(s, arg || (s.leg?.to ?? ""), now);
    case "understood": return stay({ ...s, notices: s.notices.slice(1) });
    case "undo": return { ...stay({ ...s, undo: [] }, say("good", "road.say-undone")), scans: [...s.undo].reverse().map((d) => scan(s, "void", d.scan.thing, { label: d.scan.label, details: { scan: d.id } })) };
  }
  throw new Error(`no key is called ${what}`);
}

/** Where one goes on after something is done. @param {State} s @returns {Screen} */
function home(s) {
  if (s.leg) return { name: "moving" };
  const sc = s.screen;
  // A box that stays sealed takes nothing, and isn't counted.
  if (sc.name === "open" && (sc.back.name === "pack" || sc.back.name === "unpack")) return { ...sc.back, box: "" };
  if (sc.name === "open" && sc.back.name === "count") return sc.back.back;
  if ("back" in sc) return sc.back;
  if ((sc.name === "pack" || sc.name === "unpack") && sc.box !== "") return { name: "box", box: sc.box };
  if (sc.name === "stop" || s.here === "") return ROUND;
  return { name: "stop", stop: s.here };
}

/** One way leads on: it is taken at once. @param {State} s @param {World} w @param {number} now @returns {Plan} */
function leave(s, w, now) {
  const ways = w.routes.filter((r) => r.from === s.here);
  return ways.length === 1 ? depart(s, ways[0].id, now) : go(s, { name: "leave" });
}

/** A person said what an unknown label is. @param {State} s @param {Extract<Screen, {name: "what"}>} sc @param {string} kind @param {number} now @returns {Plan} */
const is = (s, sc, kind, now) => read({ ...s, screen: sc.back }, { id: sc.text, kind: /** @type {Thing["kind"]} */ (kind), label: sc.label }, now);

/**
 * What became of a plan's scans: those that were kept count, and the screen goes on when
 * none was refused.
 * @param {State} s before @param {Plan} plan @param {Deed[]} kept @param {boolean} refused @returns {State}
 */
export function settled(s, plan, kept, refused) {
  const next = refused ? s : plan.state;
  const voided = kept.filter((d) => d.scan.step === "void").map((d) => d.scan.details?.scan);
  const fresh = kept.filter((d) => d.scan.step !== "void");
  const deeds = [...s.deeds.filter((d) => !voided.includes(d.id)), ...fresh];
  const undo = fresh.length > 0 ? fresh : next.undo;
  const screen = next.screen.name === "receipt" && next.screen.ids.length === 0 ? { ...next.screen, ids: fresh.map((d) => d.id) } : next.screen;
  return { ...next, round: s.round, deeds, undo: voided.length > 0 ? [] : undo, screen };
}

/** Whether all that a receipt tells of was sent. A deed that the round holds already was. @param {State} s @param {string[]} ids */
export const allSent = (s, ids) => ids.every((id) => s.deeds.find((d) => d.id === id)?.sent ?? true);
