// @ts-check
// Follows what the server draws: stream.go sends the rows that changed, this puts
// them into the page. It keeps what a person is doing: focus, open details, the row
// under a finger; and it says in words when what stands here is old.
import { morph } from "./morph.js";

/**
 * What the server sends: markup it rendered, by the id of its element.
 * @typedef {{order: string[], rows?: Record<string, string>}} ListEdit
 * @typedef {{seq: string, now: number, zone: number, offset: string, notLive: string, build: string,
 *   head?: string, lists?: Record<string, ListEdit>, full?: boolean}} Board
 *
 * @typedef {object} Hooks
 * @property {string} [fresh] selects the rows that say "new" for a minute, by data-since
 * @property {() => void} [changed] the page shows something else now
 * @property {(old: boolean) => void} [stale] the page became not live, or live again
 * @property {() => boolean} [busy] true: a new program may not load the page anew just now
 *
 * @typedef {object} Following
 * @property {() => number} now server's clock in ms since 1970
 * @property {(ms: number) => string} clock hh:mm in the place's zone
 * @property {(address?: string) => void} follow asks anew, from another address if given
 * @property {() => boolean} live what stands here is not old
 */

const BEAT_MS = 10_000; // the server's heartbeat
const STALE_MS = 2 * BEAT_MS + 2_000; // two missed, and the time they may take
const NEW_MS = 60_000; // how long a row says "new"
const HOLD_MS = 120_000; // a page held still and forgotten would be a stale page

/** @param {string} id */
export function element(id) {
  const e = document.getElementById(id);
  if (!e) throw new Error(`the page has no #${id}`);
  return e;
}

/** Writes only what differs, so that nothing is announced twice. @param {Node} node @param {string} text */
export function say(node, text) {
  if (node.textContent !== text) node.textContent = text;
}

/** @param {string} html */
function build(html) {
  const t = document.createElement("template");
  t.innerHTML = html;
  return /** @type {HTMLElement} */ (t.content.firstElementChild);
}

/**
 * Follows the stream named by #main. The page has #main (data-seq, -now, -zone,
 * -stream, -build, -behind), #head, #clock, #offset, #live, #stale, #stale-why, #hold
 * and an element for each list.
 * @param {Hooks} [hooks]
 * @returns {Following}
 */
export function follow(hooks = {}) {
  const main = element("main");
  const clock = element("clock");
  const offset = element("offset");
  const live = element("live");
  const stale = element("stale");
  const staleWhy = element("stale-why");
  const hold = /** @type {HTMLButtonElement} */ (element("hold"));
  const title = document.title;
  let start = main.dataset.seq ?? "0";
  let address = main.dataset.stream ?? "";

  let zone = Number(main.dataset.zone);
  let ahead = Number(main.dataset.now) - Date.now(); // server's clock minus ours, as far as known
  let behind = main.dataset.behind === "yes";
  let heard = performance.now(); // when the last message came
  let pointers = 0;
  let heldSince = 0; // performance time, 0: not held
  let old = false;
  /** @type {Board[]} */
  let waiting = [];
  let frame = 0;
  /** @type {Map<string, string[]>} */
  const orders = new Map();
  /** Rows that were there when the focus came into a list. @type {Map<string, Set<string>>} */
  const shown = new Map();

  // The zone is the place's, not this computer's: shift, then read as UTC.
  const localTime = (/** @type {number} */ ms) => new Date(ms + zone).toISOString().slice(11, 16);
  const serverNow = () => Date.now() + ahead;

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
        const had = document.getElementById(id);
        if (had) morph(had, fresh);
        else list.append(fresh);
      }
      orders.set(name, edit.order);
    }
    arrange();
    mark();
    hooks.changed?.();
  }

  /** Puts rows in the server's order and drops those that are gone; never under a finger. */
  function arrange() {
    if (pointers > 0) return;
    for (const [name, order] of orders) {
      const list = element(name);
      const held = list.contains(document.activeElement);
      const keep = new Set(order);
      for (const row of [...list.children]) {
        if (keep.has(row.id)) continue;
        if (row.contains(document.activeElement)) handOver(list, /** @type {HTMLElement} */ (row), keep);
        row.remove(); // it would go on saying what is no longer so
      }
      if (held) {
        insert(list, order);
        continue; // what is left is done when the focus leaves the list
      }
      order.forEach((id, i) => {
        const row = document.getElementById(id);
        if (row && list.children[i] !== row) list.insertBefore(row, list.children[i] ?? null);
      });
      orders.delete(name);
    }
  }

  /**
   * The row that has the focus is gone: what stands for the same cause gets it, else the
   * row behind it, else the one before. The row itself, none of its keys: a press that was
   * on its way must not do to one row what was meant for another.
   * @param {Element} list @param {HTMLElement} row @param {Set<string>} keep
   */
  function handOver(list, row, keep) {
    const rows = /** @type {HTMLElement[]} */ ([...list.children]);
    const at = rows.indexOf(row);
    const stands = (/** @type {HTMLElement} */ r) => keep.has(r.id);
    const next = (row.dataset.cause && rows.find((r) => stands(r) && r.dataset.cause === row.dataset.cause)) || rows.slice(at).find(stands) || rows.slice(0, at).reverse().find(stands);
    if (!next) return;
    if (!next.hasAttribute("tabindex")) next.tabIndex = -1;
    next.focus({ preventScroll: true });
  }

  /**
   * Somebody works in this list: rows that stood keep their order, since a row that is
   * moved loses the focus. New ones come where they belong, so no new worst is hidden.
   * @param {Element} list
   * @param {string[]} order
   */
  function insert(list, order) {
    const stood = shown.get(list.id) ?? new Set();
    for (let i = order.length - 1; i >= 0; i--) {
      const id = order[i] ?? "";
      const row = document.getElementById(id);
      if (!row || stood.has(id)) continue;
      const next = document.getElementById(order[i + 1] ?? "");
      if (row.nextElementSibling !== next) list.insertBefore(row, next);
    }
    shown.set(list.id, new Set(order));
  }

  addEventListener("focusin", (e) => {
    for (let at = /** @type {Element | null} */ (e.target); at && at !== main; at = at.parentElement) {
      if (at.id && !shown.has(at.id)) shown.set(at.id, new Set([...at.children].map((row) => row.id)));
    }
  });
  addEventListener("focusout", () => {
    setTimeout(() => {
      for (const id of shown.keys()) {
        if (!document.getElementById(id)?.contains(document.activeElement)) shown.delete(id);
      }
      arrange();
    });
  });

  /** Says "new" for a minute on rows raised just now. */
  function mark() {
    for (const row of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(hooks.fresh ?? "#flags > [data-since]"))) {
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
    start = b.seq;
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

  /** A page of an older program draws itself anew, but not in circles, nor under somebody's hands. */
  function reload() {
    const last = Number(sessionStorage.getItem("reloaded"));
    if (Date.now() - last < NEW_MS || hooks.busy?.()) return;
    sessionStorage.setItem("reloaded", String(Date.now()));
    location.reload();
  }

  function look() {
    const silent = performance.now() - heard;
    const lost = silent > STALE_MS;
    const was = old;
    old = lost || behind;
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
    if (old !== was) hooks.stale?.(old);
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

  /** @type {EventSource | undefined} */
  let stream;
  let again = 0;
  function open() {
    clearTimeout(again);
    stream?.close();
    const mine = new EventSource(`${address}${address.includes("?") ? "&" : "?"}since=${start}`);
    stream = mine;
    mine.addEventListener("board", (e) => {
      if (mine === stream) take(JSON.parse(e.data));
    });
    // A refused stream stays closed; the browser only repeats a broken one.
    mine.addEventListener("error", () => {
      if (mine === stream && mine.readyState === EventSource.CLOSED) again = setTimeout(open, 5_000);
    });
  }

  open();
  setInterval(look, 1_000);
  look();
  return {
    now: serverNow,
    clock: localTime,
    follow: (to) => {
      if (to) address = to;
      open();
    },
    live: () => !old,
  };
}
