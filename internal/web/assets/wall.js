// @ts-check
import { morph } from "./morph.js";

/**
 * What the server sends: markup it rendered, by the id of its element.
 * @typedef {{order: string[], rows?: Record<string, string>}} ListEdit
 * @typedef {{seq: string, now: number, zone: number, offset: string, notLive: string, build: string,
 *   head?: string, lists?: Record<string, ListEdit>, full?: boolean}} Board
 */

const BEAT_MS = 10_000; // the server's heartbeat
const STALE_MS = 2 * BEAT_MS + 2_000; // two missed, and the time they may take
const NEW_MS = 60_000; // how long a row says "new"
const HOLD_MS = 120_000; // a wall held still and forgotten would be a stale wall

/** @param {string} id */
function element(id) {
  const e = document.getElementById(id);
  if (!e) throw new Error(`the page has no #${id}`);
  return e;
}

const main = element("main");
const clock = element("clock");
const offset = element("offset");
const live = element("live");
const stale = element("stale");
const staleWhy = element("stale-why");
const hold = /** @type {HTMLButtonElement} */ (element("hold"));
const title = document.title;
const start = main.dataset.seq ?? "0";

let zone = Number(main.dataset.zone);
let ahead = Number(main.dataset.now) - Date.now(); // server's clock minus ours, as far as known
let behind = main.dataset.behind === "yes";
let heard = performance.now(); // when the last message came
let pointers = 0;
let heldSince = 0; // performance time, 0: not held
/** @type {Board[]} */
let waiting = [];
let frame = 0;
/** @type {Map<string, string[]>} */
const orders = new Map();

/** @param {number} ms since 1970 UTC */
function localTime(ms) {
  // The zone is the place's, not this computer's: shift, then read as UTC.
  return new Date(ms + zone).toISOString().slice(11, 16);
}

const serverNow = () => Date.now() + ahead;

/** @param {Node} node @param {string} text */
function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** @param {string} html */
function build(html) {
  const t = document.createElement("template");
  t.innerHTML = html;
  return /** @type {HTMLElement} */ (t.content.firstElementChild);
}

/** @param {Board} b */
function apply(b) {
  if (b.head !== undefined) {
    const fresh = document.createElement("div");
    fresh.innerHTML = b.head;
    morph(element("head"), fresh, true);
  }
  for (const [name, edit] of Object.entries(b.lists ?? {})) {
    const list = element(name);
    for (const [id, html] of Object.entries(edit.rows ?? {})) {
      const fresh = build(html);
      const old = document.getElementById(id);
      if (old) morph(old, fresh);
      else list.append(fresh);
    }
    orders.set(name, edit.order);
  }
  arrange();
  mark();
}

/** Puts rows in the server's order and drops those that are gone; never under a finger. */
function arrange() {
  if (pointers > 0) return;
  for (const [name, order] of orders) {
    const list = element(name);
    const keep = new Set(order);
    for (const row of [...list.children]) if (!keep.has(row.id)) row.remove();
    order.forEach((id, i) => {
      const row = document.getElementById(id);
      if (row && list.children[i] !== row) list.insertBefore(row, list.children[i] ?? null);
    });
  }
  orders.clear();
}

/** Says "new" for a minute on rows raised just now. */
function mark() {
  for (const row of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll("#flags > [data-since]"))) {
    const word = /** @type {HTMLElement | null} */ (row.querySelector(".fresh"));
    const age = serverNow() - Number(row.dataset.since);
    if (word) word.hidden = !(age < NEW_MS);
  }
}

function flush() {
  frame = 0;
  if (heldSince) {
    say(hold, `Held still: ${waiting.length} changes wait. Go on`);
    return;
  }
  for (const b of waiting.splice(0)) apply(b);
}

/** @param {Board} b */
function take(b) {
  if (b.build !== main.dataset.build) return reload();
  heard = performance.now();
  ahead = b.now - Date.now();
  zone = b.zone;
  say(offset, b.offset);
  behind = b.notLive !== "";
  main.dataset.behind = behind ? "yes" : "no";
  if (behind) say(staleWhy, b.notLive);
  if (b.full) waiting = []; // it holds everything that waits
  if (b.head !== undefined || Object.keys(b.lists ?? {}).length > 0) {
    waiting.push(b);
    frame ||= requestAnimationFrame(flush);
  }
  look();
}

/** A page of an older program draws itself anew, but not in circles. */
function reload() {
  const last = Number(sessionStorage.getItem("reloaded"));
  if (Date.now() - last < NEW_MS) return;
  sessionStorage.setItem("reloaded", String(Date.now()));
  location.reload();
}

function look() {
  const silent = performance.now() - heard;
  const lost = silent > STALE_MS;
  const old = lost || behind;
  document.body.classList.toggle("is-stale", old);
  stale.hidden = !old;
  if (lost) {
    const last = localTime(serverNow() - silent);
    say(staleWhy, `Nothing heard since ${last}.`);
    say(live, `not live since ${last}`);
  } else {
    say(live, behind ? "not live" : "live");
  }
  document.title = old ? `NOT LIVE · ${title}` : title;
  say(clock, localTime(serverNow()));
  mark();
  if (heldSince && performance.now() - heldSince > HOLD_MS) release();
}

function release() {
  heldSince = 0;
  hold.setAttribute("aria-pressed", "false");
  say(hold, "Hold still");
  flush();
}

hold.hidden = false;
hold.addEventListener("click", () => {
  if (heldSince) return release();
  heldSince = performance.now();
  hold.setAttribute("aria-pressed", "true");
  say(hold, "Held still. Go on");
});
addEventListener("pointerdown", () => pointers++);
for (const kind of ["pointerup", "pointercancel"]) {
  addEventListener(kind, () => {
    pointers = Math.max(0, pointers - 1);
    arrange();
  });
}

/** @type {EventSource} */
let stream;
function follow() {
  stream = new EventSource(`${main.dataset.stream}?since=${start}`);
  stream.addEventListener("board", (e) => take(JSON.parse(e.data)));
  // A refused stream stays closed; the browser only repeats a broken one.
  stream.addEventListener("error", () => {
    if (stream.readyState === EventSource.CLOSED) setTimeout(follow, 5_000);
  });
}

follow();
setInterval(look, 1_000);
look();
