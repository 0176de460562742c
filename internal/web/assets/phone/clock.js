// @ts-check
// How this phone's clock stands against the server's, and whether it was moved.
//
// The offset is device minus true time, measured by eight fast answers of /v1/me, which
// says the server's time in milliseconds (the head Date knows only seconds): of those the
// one with the smallest way there and back, which is off by at most half of it. The
// browser's own counter goes on whatever the clock is set to; a page is one run of it.
import { call, fact, keepFact, letters } from "./store.js";

/**
 * @typedef {{wall: number, mono: number, boot: string}} Moment wall: the device's clock, ms; mono: ms since the page began
 * @typedef {{offset: number, error: number, wall: number, mono: number, boot: string}} Measured
 */

/** This run of the page. */
export const boot = letters(12);

/** Steps smaller than this are network time at work, or the end of a measurement. */
const steady = 2000; // ms

/** How long a measurement counts as fresh. */
const fresh = 10 * 60_000; // ms

/** @type {Measured | undefined} */
let last;

/** @type {Promise<Measured | undefined> | undefined} */
let measuring;

/** @returns {Moment} */
export const moment = () => ({ wall: Date.now(), mono: Math.max(1, Math.round(performance.now())), boot });

/** By how much the clock went on more than the counter between two moments of one run. @param {Moment} a @param {Moment} b */
const drift = (a, b) => b.wall - a.wall - (b.mono - a.mono);

/** The newest measurement, also of an earlier run. */
export const known = () => last;

/** Whether the clock must be measured before anything is sent. */
export const stale = () => !last || last.boot !== boot || Math.abs(drift(last, moment())) > steady || moment().mono - last.mono > fresh;

/** What was measured before this page began. */
export async function recall() {
  const kept = await fact("clock");
  last ??= kept; // a measurement that came meanwhile is the newer one
  return last;
}

/**
 * Measures; undefined where the server doesn't answer even once: on a bad network few of
 * eight questions in a row are all answered.
 * @param {(ask: string, path: string) => Promise<{status: number, body: any}>} [ask]
 * @returns {Promise<Measured | undefined>}
 */
export function measure(ask = (method, path) => call(method, path, undefined, 4000)) {
  measuring ??= (async () => {
    /** @type {Measured | undefined} */
    let best;
    for (let i = 0; i < 8; i++) {
      const before = moment();
      const sent = performance.now();
      const answer = await ask("GET", "v1/me").catch(() => undefined);
      const way = performance.now() - sent;
      const server = Date.parse(answer?.body.now);
      if (Number.isNaN(server)) break;
      const offset = before.wall + way / 2 - server;
      // The server says whole milliseconds, and so does this clock.
      if (!best || way / 2 + 1 < best.error) best = { offset: Math.round(offset), error: Math.ceil(way / 2 + 1), ...before };
    }
    if (best) {
      last = best;
      await keepFact("clock", best);
    }
    return best;
  })()
    .catch(() => undefined)
    .finally(() => {
      measuring = undefined;
    });
  return measuring;
}

/**
 * Whether what is known holds now, measured where it doesn't. Another measurement may have
 * been under way when the clock was moved; it says nothing of the clock as it is now.
 */
export async function sure() {
  for (let i = 0; i < 2 && stale(); i++) await measure();
  return !stale();
}

/**
 * The offset that a moment's clock had, as well as it can be known now. It is worked out
 * anew each time a scan is sent: what was measured after it may say more.
 * @param {Moment & {then?: Measured}} at with what was known then
 * @param {Measured | undefined} [now]
 * @returns {{offset: number, error: number} | undefined}
 */
export function offsetAt(at, now = last) {
  const then = at.then;
  if (!now) return then && { offset: then.offset, error: then.error };
  if (now.boot === at.boot) {
    const moved = drift(at, now);
    if (Math.abs(moved) <= steady) return { offset: now.offset, error: now.error };
    // The counter stands still while the phone sleeps, which looks like a clock that
    // was set ahead. One that went back was set back.
    if (moved < 0) return { offset: now.offset - moved, error: now.error };
    if (then && then.boot === at.boot && Math.abs(drift(then, at)) <= steady) return { offset: then.offset, error: then.error };
    return { offset: now.offset, error: now.error + moved };
  }
  if (!then) return { offset: now.offset, error: now.error };
  return { offset: then.offset, error: then.error + Math.max(0, Math.abs(then.offset - now.offset) - steady) };
}

/** The time now as it truly is, ms; the phone's own where nothing was measured. */
export function trueNow() {
  const at = moment();
  return at.wall - (offsetAt({ ...at, then: last })?.offset ?? 0);
}

/** RFC 3339 with milliseconds and the offset of the phone's zone. @param {number} wall ms @returns {string} */
export function stamp(wall) {
  const d = new Date(wall);
  const two = (/** @type {number} */ n) => String(Math.trunc(Math.abs(n))).padStart(2, "0");
  const zone = -d.getTimezoneOffset();
  const local = new Date(wall + zone * 60_000).toISOString().slice(0, -1);
  return zone === 0 ? local + "Z" : `${local}${zone < 0 ? "-" : "+"}${two(zone / 60)}:${two(zone % 60)}`;
}
