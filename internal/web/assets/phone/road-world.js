// @ts-check
// What lies where on the round: the server's last word, and over it what this phone
// has done since. Pure: no clock, no page; instants are milliseconds since 1970 UTC.

/**
 * One thing in the world; the boxes around it are found by "in".
 * @typedef {{id: string, type: string, name: string, in: string, holder: string, place: string, earliest: number, latest: number,
 *   until: string, flagged: boolean, action: string, to: string, arrives: number}} Tube
 * @typedef {{id: string, kind: string, holder: string, place: string, own: boolean, loggers: string[], in: string, to: string,
 *   departed: number, due: number, seal: string, read: number, celsius: string, arrives: number}} Box
 * @typedef {{id: string, name: string, kind: string, zone: string}} Stop
 * @typedef {{id: string, from: string, to: string, departs: number[], takes: number}} Route
 * takes: in ms, 0 when nobody says.
 * @typedef {{asOf: number, stops: Stop[], routes: Route[], boxes: Box[], tubes: Tube[], schemes: object[]}} World
 *
 * What was done on this phone, in the words of the API's Scan. thing: what the label
 * names, as this phone knows it; it isn't sent. sent: the server has it.
 * @typedef {{text: string, raw?: string, symbology?: string, how?: string}} Label
 * @typedef {{step: string, thing: string, label?: Label, carrier?: string, from?: string, to?: string, place?: string,
 *   details?: Record<string, string>}} Scan
 * @typedef {{id: string, at: number, by: string, scan: Scan, sent: boolean}} Deed
 *
 * Whether the round brings it there in time: yes, no, nobody can say, or it is there.
 * @typedef {"yes"|"no"|"unsaid"|"there"} Makes
 */

/** A reading older than this says nothing of now. Design choice. */
export const STALE_MS = 15 * 60_000;

/** How the server spells names and numbers. @param {string} text */
export const spelled = (text) => text.trim().toUpperCase();

/** @param {unknown} text RFC 3339 @returns {number} 0 for none */
export function instant(text) {
  const at = typeof text === "string" && text !== "" ? Date.parse(text) : 0;
  return Number.isNaN(at) ? 0 : at;
}

/** @param {any} list @returns {any[]} */
const list = (list) => (Array.isArray(list) ? list : []);
/** @param {any} value @returns {string} */
const text = (value) => (typeof value === "string" ? value : "");

/**
 * Reads the API's Round; what isn't said is absent there.
 * @param {any} round
 * @returns {World}
 */
export function worldOf(round) {
  /** @type {Map<string, Tube>} */
  const tubes = new Map();
  /** @param {any} t @param {string} inside */
  const tube = (t, inside) => {
    const id = text(t.tube);
    if (id === "" || tubes.has(id)) return;
    tubes.set(id, {
      id, type: text(t.type), name: text(t.typeName), in: text(t.in) || inside, holder: text(t.holder), place: text(t.place),
      earliest: instant(t.dueEarliest), latest: instant(t.dueLatest), until: text(t.dueUntil), flagged: t.flagged === true,
      action: text(t.action), to: text(t.to), arrives: instant(t.arrives),
    });
  };
  // The tubes of a box also stand with the boxes around it; each says itself what it lies in.
  for (const b of list(round?.boxes)) for (const t of list(b.tubes)) if (text(t.in)) tube(t, "");
  for (const b of list(round?.boxes)) for (const t of list(b.tubes)) tube(t, text(b.id));
  for (const t of list(round?.tubes)) tube(t, "");
  return {
    asOf: instant(round?.asOf),
    stops: list(round?.stops).map((s) => ({ id: text(s.id), name: text(s.name) || text(s.id), kind: text(s.kind), zone: text(s.zone) })),
    routes: list(round?.routes).map((r) => ({
      id: text(r.id), from: text(r.from), to: text(r.to), takes: Number(r.takesMinutes ?? 0) * 60_000,
      departs: list(r.departs).map(instant).filter((at) => at > 0),
    })),
    boxes: list(round?.boxes).map((b) => ({
      id: text(b.id), kind: text(b.kind) || "box", holder: text(b.holder), place: text(b.place), own: b.ownClimate === true,
      loggers: list(b.loggers).map(text), in: text(b.in), to: text(b.to), departed: instant(b.departedAt), due: instant(b.dueAt),
      seal: text(b.seal), read: instant(b.readAt), celsius: text(b.celsius), arrives: instant(b.arrives),
    })),
    tubes: [...tubes.values()],
    schemes: list(round?.schemes),
  };
}

/** @param {World} w @param {string} id */
export const boxOf = (w, id) => w.boxes.find((b) => b.id === id);
/** @param {World} w @param {string} id */
export const tubeOf = (w, id) => w.tubes.find((t) => t.id === id);
/** @param {World} w @param {string} id */
export const stopOf = (w, id) => w.stops.find((s) => s.id === id);
/** @param {World} w @param {string} id */
export const stopName = (w, id) => stopOf(w, id)?.name ?? id;

/** Boxes within a box, and boxes within those. @param {World} w @param {string} id @returns {Box[]} */
export function nested(w, id) {
  /** @type {Box[]} */
  const found = [];
  const ids = new Set([id]);
  for (let grew = true; grew; ) {
    grew = false;
    for (const b of w.boxes) {
      if (!ids.has(b.id) && ids.has(b.in)) {
        ids.add(b.id);
        found.push(b);
        grew = true;
      }
    }
  }
  return found;
}

/** Tubes in a box, also through other boxes. @param {World} w @param {string} id @returns {Tube[]} */
export function inside(w, id) {
  const ids = new Set([id, ...nested(w, id).map((b) => b.id)]);
  return w.tubes.filter((t) => ids.has(t.in));
}

/**
 * The world with what was done on this phone since. Each deed only says where things
 * are, so doing it twice over, on a world that has it already, changes nothing.
 * @param {World} world
 * @param {Deed[]} deeds in the order in which they were done
 * @returns {World}
 */
export function after(world, deeds) {
  const w = { ...world, boxes: world.boxes.map((b) => ({ ...b })), tubes: world.tubes.map((t) => ({ ...t })) };
  for (const d of deeds) apply(w, d);
  return w;
}

/** @param {World} w @param {Deed} d */
function apply(w, d) {
  const { scan } = d;
  const { step, thing: id } = scan;
  const place = scan.place ?? "";
  if (step === "pack" && scan.carrier) ensure(w, scan.carrier, d);
  if (step === "attach") return attach(w, id, scan.carrier ?? "", d);
  if (["note", "attest", "see"].includes(step)) return;
  let box = boxOf(w, id);
  let tube = box ? undefined : tubeOf(w, id);
  if (!box && !tube) {
    // Not on the server's list. What is packed or handed over is a tube; what is sealed is a box.
    if (["seal", "open"].includes(step)) box = ensure(w, id, d);
    else if (["pack", "unpack", "take", "release"].includes(step)) w.tubes.push(tube = blankTube(id));
    else return;
  }
  const thing = /** @type {Box|Tube} */ (box ?? tube);
  /** @type {(Box|Tube)[]} */
  const all = box ? [box, ...nested(w, id), ...inside(w, id)] : [thing];
  switch (step) {
    case "pack": {
      const into = boxOf(w, scan.carrier ?? "");
      if (!into || into.id === id || (box && nested(w, id).some((b) => b.id === into.id))) return;
      thing.in = into.id;
      for (const x of all) [x.holder, x.place] = [into.holder, into.place];
      break;
    }
    case "unpack":
      thing.in = "";
      for (const x of all) [x.holder, x.place] = [d.by, place];
      break;
    case "seal":
      if (box) box.seal = scan.details?.seal ?? "";
      break;
    case "open":
      if (box) box.seal = "";
      break;
    case "take":
      // Taken together with the box around it, it stays inside.
      if (thing.in !== "" && boxOf(w, thing.in)?.holder !== d.by) thing.in = "";
      for (const x of all) [x.holder, x.place] = [d.by, place];
      break;
    case "release": {
      const to = scan.to ?? "";
      for (const x of all) [x.holder, x.place] = [to, stopOf(w, to) ? to : place];
      break;
    }
    case "depart": {
      const route = w.routes.find((r) => r.id === scan.details?.route);
      for (const x of all) {
        if (!("kind" in x)) continue;
        x.departed = d.at;
        x.due = route?.takes ? d.at + route.takes : 0;
        x.to = route?.to ?? scan.to ?? x.to;
      }
      break;
    }
    case "arrive":
      for (const x of all) {
        x.place = place;
        if ("kind" in x) [x.departed, x.due] = [0, 0];
      }
      break;
  }
}

/** @param {World} w @param {string} logger @param {string} carrier @param {Deed} d */
function attach(w, logger, carrier, d) {
  if (carrier === "") return;
  for (const b of w.boxes) b.loggers = b.loggers.filter((l) => l !== logger);
  const box = ensure(w, carrier, d);
  box.loggers = [...box.loggers, logger];
}

/** @param {World} w @param {string} id @param {Deed} d @returns {Box} */
function ensure(w, id, d) {
  const known = boxOf(w, id);
  if (known) return known;
  const fresh = {
    id, kind: "box", holder: d.by, place: d.scan.place ?? "", own: false, loggers: [], in: "", to: "", departed: 0, due: 0, seal: "",
    read: 0, celsius: "", arrives: 0,
  };
  w.boxes.push(fresh);
  return fresh;
}

/** @param {string} id @returns {Tube} */
const blankTube = (id) => ({
  id, type: "", name: "", in: "", holder: "", place: "", earliest: 0, latest: 0, until: "", flagged: false, action: "", to: "", arrives: 0,
});

/** Where the laboratory is: the first stop of that kind. @param {World} w */
const laboratory = (w) => w.stops.find((s) => s.kind === "reception")?.id ?? "";

/**
 * When the timetable lets something at a place be at another, by changing wherever
 * routes meet. A route that says no departures leaves at once; one that doesn't say how
 * long it takes says nothing.
 * @param {World} w
 * @param {string} from
 * @param {string} to
 * @param {number} now
 * @returns {number} 0 when no timetable says
 */
export function arrival(w, from, to, now) {
  if (from === "" || to === "") return 0;
  /** @type {Map<string, number>} */
  const reach = new Map([[from, now]]);
  for (let i = 0; i < w.stops.length + w.routes.length; i++) {
    let better = false;
    for (const r of w.routes) {
      const at = reach.get(r.from);
      if (at === undefined || r.takes <= 0) continue;
      const leaves = r.departs.length === 0 ? at : Math.min(...r.departs.filter((d) => d >= at));
      const there = leaves + r.takes;
      if (Number.isFinite(there) && there < (reach.get(r.to) ?? Infinity)) {
        reach.set(r.to, there);
        better = true;
      }
    }
    if (!better) break;
  }
  return reach.get(to) ?? 0;
}

/**
 * When a tube is at the laboratory by this round. The server's word holds while the
 * tube is where the server knew it and the word isn't past; else the phone reckons.
 * @param {World} w with the phone's deeds
 * @param {World} told by the server alone
 * @param {Tube} t
 * @param {number} now
 */
export function arrivesOf(w, told, t, now) {
  const around = boxesAround(w, t);
  const outer = around[around.length - 1];
  const place = outer?.place || t.place;
  const was = tubeOf(told, t.id);
  const wasAround = was ? boxesAround(told, was) : [];
  const before = wasAround[wasAround.length - 1];
  const same = was && (before?.id ?? "") === (outer?.id ?? "") && (before?.place || was.place) === place && (before?.departed ?? 0) === (outer?.departed ?? 0);
  const word = (outer?.arrives || t.arrives) ?? 0;
  if (same && word > now) return word;
  const to = goal(w, t);
  if (outer && outer.departed > 0) {
    // On the way: what is late arrives now at the earliest, and nobody can promise that.
    if (outer.due <= now) return 0;
    return outer.to === to ? outer.due : arrival(w, outer.to, to, outer.due);
  }
  return place === to && place !== "" ? now : arrival(w, place, to, now);
}

/** Where a tube is to be brought. @param {World} w @param {Tube} t */
const goal = (w, t) => (stopOf(w, t.to) ? t.to : laboratory(w));

/** Whether it is where it was to be brought. @param {World} w @param {Tube} t */
function isThere(w, t) {
  const outer = boxesAround(w, t).at(-1);
  return goal(w, t) !== "" && (outer?.place || t.place) === goal(w, t) && !outer?.departed;
}

/** The boxes around a tube, innermost first. @param {World} w @param {Tube} t @returns {Box[]} */
function boxesAround(w, t) {
  /** @type {Box[]} */
  const out = [];
  for (let b = boxOf(w, t.in); b && !out.includes(b); b = boxOf(w, b.in)) out.push(b);
  return out;
}

/**
 * How a tube's time stands. earliest: the first bound, 0 for unknown. left: ms until it,
 * negative when it is past. sure: false while the earliest bound is past and the latest isn't.
 * @typedef {{tube: Tube, until: string, earliest: number, latest: number, left: number, over: "no"|"maybe"|"yes"|"unknown", arrives: number, makes: Makes}} Due
 */

/**
 * @param {World} w with the phone's deeds
 * @param {World} told by the server alone
 * @param {Tube} t
 * @param {number} now
 * @returns {Due}
 */
export function dueOf(w, told, t, now) {
  const first = t.earliest || t.latest;
  const last = t.latest || t.earliest;
  const arrives = arrivesOf(w, told, t, now);
  // Over means strictly more than the limit.
  const over = first === 0 ? "unknown" : now > last ? "yes" : now > first ? "maybe" : "no";
  /** @type {Makes} */
  let makes = "unsaid";
  if (over === "yes") makes = "no";
  else if (isThere(w, t)) makes = "there";
  else if (first > 0 && arrives > last) makes = "no";
  else if (first > 0 && arrives > 0 && arrives <= first) makes = "yes";
  return { tube: t, until: t.until, earliest: first, latest: last === first ? 0 : last, left: first - now, over, arrives, makes };
}

/**
 * Due times, the worst first: the earliest bound decides. What has none comes last, but
 * is never left out.
 * @param {World} w
 * @param {World} told
 * @param {Tube[]} tubes
 * @param {number} now
 * @returns {Due[]}
 */
export function dues(w, told, tubes, now) {
  return tubes.map((t) => dueOf(w, told, t, now)).sort((a, b) =>
    (a.earliest || Infinity) - (b.earliest || Infinity) || (a.tube.id < b.tube.id ? -1 : 1));
}

/**
 * What a box's loggers say of its temperature. since: of the last reading, 0 for none.
 * @param {Box} b
 * @param {number} now
 * @returns {{kind: "now"|"gap"|"never"|"none", celsius: string, since: number}}
 */
export function reading(b, now) {
  if (b.loggers.length === 0) return { kind: "none", celsius: "", since: 0 };
  if (b.read === 0) return { kind: "never", celsius: "", since: 0 };
  if (b.celsius === "" || now - b.read > STALE_MS) return { kind: "gap", celsius: "", since: b.read };
  return { kind: "now", celsius: b.celsius, since: b.read };
}
