// @ts-check
// The round as a courier asks of it: what is with me, what waits where, in which order I
// drive, and what is due first. Pure, as all of the flow.
import { after, boxOf, dues, inside, spelled, stopOf, tubeOf, worldOf } from "./road-world.js";

/**
 * @typedef {import("./road-flow.js").State} State
 * @typedef {import("./road-world.js").World} World
 */

/** Where things are: the server's round, and over it what was done here since. @param {State} s @returns {World} */
export const world = (s) => after(worldOf(s.round), s.deeds);

/** Where the server alone says they are. @param {State} s */
export const told = (s) => worldOf(s.round);

/** Boxes and tubes that somebody holds and that lie in no other box of theirs. @param {World} w @param {string} by @returns {string[]} */
export function held(w, by) {
  const own = (/** @type {{holder: string, in: string}} */ x) => spelled(x.holder) === by && spelled(boxOf(w, x.in)?.holder ?? "") !== by;
  return [...w.boxes.filter(own), ...w.tubes.filter(own)].map((x) => x.id);
}

/** What waits at a place for somebody to take it. @param {World} w @param {string} stop @param {string} by @returns {string[]} */
export function waiting(w, stop, by) {
  if (stopOf(w, stop)?.kind === "reception") return []; // it is there
  const waits = (/** @type {{holder: string, in: string, place: string}} */ x) => x.in === "" && x.place === stop && spelled(x.holder) !== by;
  return [...w.boxes.filter((b) => waits(b) && b.departed === 0 && inside(w, b.id).length > 0), ...w.tubes.filter(waits)].map((x) => x.id);
}

/** The tubes of a box, or the one tube. @param {World} w @param {string} id */
export function tubesOf(w, id) {
  const tube = boxOf(w, id) ? undefined : tubeOf(w, id);
  return tube ? [tube] : inside(w, id);
}

/**
 * The stops in the order in which they are driven: the farther from the end of its
 * routes, the earlier; among equals, where the first thing is due.
 * @param {State} s @param {number} now
 */
export function stops(s, now) {
  const w = world(s);
  /** @type {Map<string, number>} */
  const depth = new Map();
  /** @param {string} id @param {string[]} path @returns {number} */
  const far = (id, path) => {
    const known = depth.get(id);
    if (known !== undefined) return known;
    let most = 0;
    for (const r of w.routes) if (r.from === id && !path.includes(r.to)) most = Math.max(most, 1 + far(r.to, [...path, id]));
    depth.set(id, most);
    return most;
  };
  const rows = w.stops.filter((p) => p.kind !== "vehicle").map((stop) => {
    const ids = waiting(w, stop.id, s.by);
    const all = dues(w, told(s), ids.flatMap((id) => tubesOf(w, id)), now);
    return {
      stop, ids, first: all[0], tubes: all.length, far: far(stop.id, []), end: stop.kind === "reception",
      departs: w.routes.filter((r) => r.from === stop.id).map((r) => ({ route: r.id, to: r.to, at: r.departs.filter((d) => d >= now) })),
    };
  });
  const due = (/** @type {{first?: {earliest: number}}} */ r) => r.first?.earliest || Infinity;
  return rows.sort((a, b) => Number(a.end) - Number(b.end) || b.far - a.far || (due(a) === due(b) ? 0 : due(a) - due(b)));
}

/** What the courier has, and how its time stands: the worst first. @param {State} s @param {number} now */
export function load(s, now) {
  const w = world(s);
  const ids = byDue(s, w, held(w, s.by), now);
  return { ids, dues: dues(w, told(s), ids.flatMap((id) => tubesOf(w, id)), now) };
}

/** Boxes and tubes by what in them is due first. @param {State} s @param {World} w @param {string[]} ids @param {number} now */
export function byDue(s, w, ids, now) {
  const first = new Map(ids.map((id) => [id, dues(w, told(s), tubesOf(w, id), now)[0]?.earliest || Infinity]));
  const at = (/** @type {string} */ id) => first.get(id) ?? Infinity;
  return [...ids].sort((a, b) => (at(a) === at(b) ? 0 : at(a) - at(b)));
}
