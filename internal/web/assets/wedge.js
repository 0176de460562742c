// @ts-check
// A hand-held reader that is a keyboard, wherever the cursor is. What is a read is
// decided in framing.js; this gives it the page's keys and the page its reads.
import { AIM, Framing } from "./framing.js";
import { expression } from "./patterns.js";

/** @typedef {import("./framing.js").Key} Key */
/** @typedef {import("./framing.js").Cut} Cut */
/** @typedef {import("./framing.js").Step} Step */
/** @typedef {import("./framing.js").Stroke} Stroke */
/**
 * A whole read. bytes begin with the symbology identifier where the reader sent one,
 * hold GS (0x1D) however it was spelled, and end before the end of the read. separator
 * and separates are this computer's calibration, as label.Input has them.
 * @typedef {{bytes: Uint8Array, symbology: string, how: "reader", separator: string, separates: boolean,
 *   text: string, strokes: Stroke[], framed: boolean, end: "Enter"|"Tab"}} Read
 * What this browser keeps: whether reads are taken anywhere, what each begins with, and
 * what the reader sends for GS ("" for GS itself).
 * @typedef {{on: boolean, prefix: string, separator: string, separates: boolean}} Settings
 * @typedef {{read: (r: Read) => void, incomplete: (c: Cut) => void}} Listener
 */

const KEPT = "reader"; // name in localStorage
/** How long a timer waits beyond the limit: keys that waited for a busy page come before
 * it, and are judged by their own times. */
const GRACE_MS = 150;
const MOST_PREFIX = 8;

/** Settings of a browser that keeps nothing, until the page is left. @type {Settings|null} */
let unkept = null;

/** @returns {Settings} */
export function settings() {
  if (unkept) return { ...unkept };
  /** @type {Settings} */
  const s = { on: true, prefix: AIM, separator: "", separates: false };
  try {
    const kept = JSON.parse(localStorage.getItem(KEPT) ?? "{}");
    if (kept.on === false) s.on = false;
    if (typeof kept.prefix === "string" && prefixFault(kept.prefix) === "") s.prefix = kept.prefix;
    if (typeof kept.separator === "string" && /^[!-~]?$/.test(kept.separator)) s.separator = kept.separator;
    s.separates = kept.separates === true;
  } catch {
    // Nothing can be kept in this browser, or somebody wrote nonsense: as delivered.
  }
  return s;
}

/** Keeps settings for this browser. @param {Partial<Settings>} changes @returns {boolean} whether they could be kept */
export function keep(changes) {
  const next = { ...settings(), ...changes };
  try {
    localStorage.setItem(KEPT, JSON.stringify(next));
    unkept = null;
  } catch {
    unkept = next;
  }
  dispatchEvent(new Event("reader-settings"));
  return unkept === null;
}

/** What is wrong with a prefix, "" for nothing. @param {string} prefix @returns {string} */
export function prefixFault(prefix) {
  if (prefix === "") return "Give at least one character; ] is what a reader sends with the symbology identifier.";
  if (prefix.length > MOST_PREFIX) return `Give at most ${MOST_PREFIX} characters.`;
  if (!/^[!-~]+$/.test(prefix)) return "Use characters of a US keyboard, without spaces.";
  if (/^[0-9A-Za-z]/.test(prefix)) return "Begin with a sign such as ] or ~. A letter or digit would be taken from everything that is typed.";
  return "";
}

/** @param {string} text @returns {string} the identifier in front, "" without one that may be real */
export function symbologyOf(text) {
  return /^\][ACEFILQdez][0-9A-C]/.test(text) ? text.slice(0, 3) : "";
}

/**
 * Listens for reads until stop is called. bare takes reads without prefix too where the
 * cursor is in no text, for a page that only looks at readers.
 * @param {Listener} to @param {{bare?: boolean}} [options]
 * @returns {{stop: () => void}}
 */
export function listen(to, { bare = false } = {}) {
  const over = new AbortController();
  const capture = { capture: true, signal: over.signal };
  let now = settings();
  let keys = new Framing({ prefix: now.prefix, bare });
  let putting = false;
  const timer = alarm(() => act(keys, keys.quiet(), timer));

  /** @param {Framing} framing @param {Step} step @param {ReturnType<typeof alarm>} clock */
  function act(framing, step, clock) {
    if (step.put !== "") {
      putting = true;
      put(step.put);
      putting = false;
    }
    for (const o of step.out) {
      if (o.kind === "cut") to.incomplete({ ...o, text: unprefixed(o, now) });
      else to.read(made(o, now));
    }
    clock.set(framing.waiting ? framing.patience : 0);
  }

  /** @param {KeyboardEvent} e */
  function key(e) {
    if (!now.on) return;
    const field = e.type === "keydown" ? fieldOf(e.target) : null;
    if (field && (e.key === "Unidentified" || e.keyCode === 229)) return; // its text comes as input
    const ends = e.key === "Enter" || e.key === "Tab" ? field : null;
    if (ends && soft.reading && soft.end(ends, e)) return stop(e);
    const step = keys.press(pressed(e));
    if (step.take || (ends && soft.end(ends, e))) stop(e);
    act(keys, step, timer);
  }
  addEventListener("keydown", key, capture);
  addEventListener("keyup", key, capture);
  // A character that is typed by its number may come after its keys.
  addEventListener("beforeinput", (e) => {
    if (keys.waiting && !putting && e instanceof InputEvent && e.data === "\x1d") stop(e);
  }, capture);
  addEventListener("pointerdown", () => act(keys, keys.touch(), timer), capture);
  const renew = () => {
    act(keys, keys.quiet(), timer);
    now = settings();
    keys = new Framing({ prefix: now.prefix, bare });
    timer.set(0);
  };
  addEventListener("storage", (e) => e.key === KEPT && renew(), { signal: over.signal });
  addEventListener("reader-settings", renew, { signal: over.signal });

  const soft = softKeys({ read: (r) => to.read(made(r, now)), incomplete: to.incomplete }, () => now, over.signal);
  return {
    stop() {
      act(keys, keys.quiet(), timer);
      timer.set(0);
      over.abort();
    },
  };
}

/**
 * Readers on a phone type through its soft keyboard: keys have no names, only text comes.
 * A field with data-wedge takes it; everything there up to Enter is a read.
 * @param {{read: (r: import("./framing.js").Read) => void, incomplete: (c: Cut) => void}} to
 * @param {() => Settings} now @param {AbortSignal} signal
 */
function softKeys(to, now, signal) {
  let framing = new Framing({ prefix: now().prefix, bare: true });
  let seen = ""; // of the field's text
  /** @type {HTMLInputElement|null} */
  let last = null;
  const timer = alarm(() => act(framing.quiet()));

  /** @param {Step} step */
  function act(step) {
    for (const o of step.out) o.kind === "read" ? to.read(o) : to.incomplete(o);
    if (step.out.length > 0) clear();
    timer.set(framing.waiting ? framing.patience : 0);
  }
  function clear() {
    if (last) last.value = "";
    seen = "";
  }
  /** @param {string} text @param {number} at */
  function feed(text, at) {
    for (const c of text) {
      const key = c === "\n" || c === "\r" ? "Enter" : c === "\t" ? "Tab" : c;
      for (const type of /** @type {const} */ (["keydown", "keyup"])) act(framing.press({ type, key, code: "", timeStamp: at }));
    }
  }
  addEventListener("beforeinput", (e) => {
    const field = fieldOf(e.target);
    if (!field || !(e instanceof InputEvent) || !/^insert(LineBreak|Paragraph)$/.test(e.inputType)) return;
    if (end(field, e)) stop(e);
  }, { capture: true, signal });
  addEventListener("input", (e) => {
    const field = fieldOf(e.target);
    if (!field || !now().on) return;
    last = field;
    // Text that was changed and not only added to is not what a reader sent: it is
    // taken as a key without meaning, which makes the read incomplete.
    if (field.value.startsWith(seen)) feed(field.value.slice(seen.length), e.timeStamp);
    else if (field.value !== "") act(framing.press({ type: "keydown", key: "Unidentified", code: "", timeStamp: e.timeStamp }));
    if (framing.waiting) seen = field.value;
    else clear();
  }, { capture: true, signal });

  /** @param {HTMLInputElement} field @param {Event} e */
  function end(field, e) {
    if (!framing.waiting || !now().on) return false;
    last = field;
    const key = e instanceof KeyboardEvent ? e.key : "Enter";
    act(framing.press({ type: "keydown", key, code: "", timeStamp: e.timeStamp }));
    return true;
  }
  addEventListener("reader-settings", () => {
    framing = new Framing({ prefix: now().prefix, bare: true });
    clear();
  }, { signal });
  return {
    end,
    get reading() {
      return framing.reading;
    },
  };
}

/** @param {() => void} ring */
function alarm(ring) {
  let id = 0;
  return {
    /** @param {number} ms 0 for never */
    set(ms) {
      clearTimeout(id);
      if (ms > 0) id = setTimeout(() => (id = setTimeout(ring, GRACE_MS)), ms);
    },
  };
}

/** @param {Event} e */
function stop(e) {
  e.preventDefault();
  e.stopImmediatePropagation();
}

/** @param {EventTarget|null} target @returns {HTMLInputElement|null} */
function fieldOf(target) {
  return target instanceof HTMLInputElement && target.dataset.wedge !== undefined ? target : null;
}

const NO_TEXT = /^(button|checkbox|color|file|hidden|image|radio|range|reset|submit)$/;

/** @param {EventTarget|null} t @returns {boolean} whether a person may be typing there */
function isText(t) {
  if (t instanceof HTMLInputElement) return !NO_TEXT.test(t.type) && !t.readOnly && !t.disabled;
  if (t instanceof HTMLTextAreaElement) return !t.readOnly && !t.disabled;
  return t instanceof HTMLElement && t.isContentEditable;
}

/** @param {KeyboardEvent} e @returns {Key} */
function pressed(e) {
  return {
    type: e.type === "keyup" ? "keyup" : "keydown", key: e.key, code: e.code, timeStamp: e.timeStamp,
    ctrl: e.ctrlKey, alt: e.altKey, meta: e.metaKey, shift: e.shiftKey,
    altGraph: e.getModifierState("AltGraph"), caps: e.getModifierState("CapsLock"),
    repeat: e.repeat, composing: e.isComposing, editable: isText(e.target),
  };
}

/** Puts what a person typed where the cursor is. @param {string} text */
function put(text) {
  const e = document.activeElement;
  if (!isText(e)) return;
  // The only way that keeps undo and tells the page as typing does.
  if (document.execCommand("insertText", false, text)) return;
  if (!(e instanceof HTMLInputElement || e instanceof HTMLTextAreaElement)) return;
  e.setRangeText(text, e.selectionStart ?? e.value.length, e.selectionEnd ?? e.value.length, "end");
  e.dispatchEvent(new InputEvent("input", { bubbles: true, inputType: "insertText", data: text }));
}

/** @param {{text: string, framed: boolean}} o @param {Settings} s */
function unprefixed(o, s) {
  return o.framed && s.prefix !== AIM ? o.text.slice(s.prefix.length) : o.text;
}

/** @param {import("./framing.js").Read} r @param {Settings} s @returns {Read} */
function made(r, s) {
  const text = unprefixed(r, s);
  return {
    bytes: new TextEncoder().encode(text), symbology: symbologyOf(text), how: "reader",
    separator: s.separator, separates: s.separates, text, strokes: r.strokes, framed: r.framed, end: r.end,
  };
}

/**
 * What the label says, by the server: label.Read. An answer that isn't one throws an
 * Error with words for people.
 * @param {Read} r
 * @returns {Promise<{reading?: Reading, refusal?: Refusal}>}
 * @typedef {{names: string, says: string, number?: string, word: string, symbology?: {id: string, name: string}, id?: string, standard: string, elements?: {ai: string, value: string}[]}} Reading
 * @typedef {{field: string, say: string, remedy: string, ways?: string[], proposal?: string}} Refusal
 */
export async function ask(r) {
  let answer;
  try {
    answer = await fetch(new URL("../../labels/read", import.meta.url), {
      method: "POST", headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ raw: base64(r.bytes), symbology: r.symbology, how: r.how, separator: r.separator, separates: r.separates }),
    });
    const said = await answer.json();
    if (said.reading || said.refusal) return said;
  } catch {
    // Said below in words.
  }
  throw new Error(answer ? "The program could not read the label. Scan it again." : "The program does not answer. Scan again when this computer is connected.");
}

/** @param {Uint8Array} bytes */
export function base64(bytes) {
  let text = "";
  for (const b of bytes) text += String.fromCharCode(b);
  return btoa(text);
}

/**
 * Whether a text that a person wrote holds what looks like a number off a label: a
 * remark is no place for a scan. Patterns are the site's, as label.Scheme has them;
 * without any, eight capital letters and digits with four digits among them count.
 * @param {string} text @param {string[]} [patterns] @returns {string} what looks like one, else ""
 */
export function looksLikeScan(text, patterns = []) {
  const all = patterns.map(expression);
  for (const word of text.split(/[\s,;]+/)) {
    const bare = word.replace(/^\][A-Za-z][0-9A-Za-z]/, "");
    if (bare !== "" && (bare !== word || all.some((p) => p.test(bare)))) return word;
    if (all.length === 0 && /^[A-Z0-9-]{8,}$/.test(bare) && (bare.match(/\d/g) ?? []).length >= 4) return word;
  }
  return "";
}
