// @ts-check
// Decides which keys are a read by a hand-held reader that types, and where a read
// ends. It sees keys with their times and nothing else: no clock, no page. What it
// takes is given back as one whole read, or reported as cut; never as a shorter read.

/** A read rests at most this long between two keys, by the keys' own times. The longest
 * rest seen in a whole read on a busy machine was 246 ms. */
export const LIMIT_MS = 600;
/** After a cut read its rest is swallowed up to its end, and given up after this long
 * without a key. No source: a person has then turned to something else. */
export const SWALLOW_MS = 5000;
/** The longest read in characters; a GS1 Data Matrix holds less. As label.MaxRaw. */
export const MOST = 3200;
/** The prefix that every reader can be set to send: the symbology identifier of
 * ISO/IEC 15424, a bracket, a letter and a modifier. A person who types just these
 * three, with less than LIMIT_MS between, is taken for a reader and told so. */
export const AIM = "]";

/**
 * A key event as far as it matters here.
 * @typedef {{type: "keydown"|"keyup", key: string, code: string, timeStamp: number,
 *   ctrl?: boolean, alt?: boolean, meta?: boolean, shift?: boolean, altGraph?: boolean, caps?: boolean,
 *   repeat?: boolean, composing?: boolean, editable?: boolean}} Key
 * What a key gave: text is "" where it gave no character; how is the spelling of a
 * separator or of a key that nothing is known of, else "". us is the character of the
 * same key on a US keyboard, "" when that is not known.
 * @typedef {{text: string, how: string, at: number, us: string, caps: boolean}} Stroke
 * @typedef {"end"|"start"|"rest"|"key"|"repeat"|"long"} Why
 * end: no end came. start: not even the prefix was whole. rest: what came behind a read
 * that was cut before. key: a key that means no character. repeat: a key that repeated
 * itself. long: more than a label holds.
 * @typedef {{kind: "read", text: string, strokes: Stroke[], framed: boolean, end: "Enter"|"Tab"}} Read
 * @typedef {{kind: "cut", text: string, strokes: Stroke[], framed: boolean, end: "Enter"|"Tab"|"", why: Why, what: string}} Cut
 * take: the page must not see this key. put: held characters that a person typed, to be
 * put where the cursor is before this key does anything.
 * @typedef {{take: boolean, put: string, out: (Read|Cut)[]}} Step
 * @typedef {{kind: "text"|"gs"|"end"|"strange", text: string, how: string}} Meaning
 */

const GS = "\x1d";
const MODIFIERS = new Set(["Shift", "Control", "Alt", "AltGraph", "Meta", "CapsLock", "NumLock", "ScrollLock", "Fn", "FnLock", "Hyper", "Super", "OS"]);

/** The US keyboard: by a key's place, what it types without and with shift. @type {Record<string, string>} */
const US = { Space: "  ", Backquote: "`~", Minus: "-_", Equal: "=+", BracketLeft: "[{", BracketRight: "]}", Backslash: "\\|", Semicolon: ";:", Quote: "'\"", Comma: ",<", Period: ".>", Slash: "/?" };
for (const c of "ABCDEFGHIJKLMNOPQRSTUVWXYZ") US["Key" + c] = c.toLowerCase() + c;
")!@#$%^&*(".split("").forEach((c, n) => (US["Digit" + n] = n + c));

/** @param {string} text @returns {boolean} */
const isOne = (text) => [...text].length === 1;

/** The framing of one keyboard. */
export class Framing {
  /** @type {"idle"|"held"|"reading"|"swallowing"} */
  #state = "idle";
  /** @type {Stroke[]} */
  #strokes = [];
  #last = 0; // time of the last key
  #fresh = false; // swallowing: a rest has passed, so a whole prefix begins another read
  #framed = false;
  /** @type {{why: Why, what: string}|null} */
  #spoiled = null;
  /** @type {string|null} */
  #alt = null; // digits of a character that is typed by its number, Alt held down
  /** @type {Set<string>} */
  #down = new Set(); // keys whose release the page must not see either
  #prefix;
  #bare;

  /**
   * bare takes reads without prefix too, where the cursor is in no text: for a page
   * that only looks at readers.
   * @param {{prefix?: string, bare?: boolean}} [options]
   */
  constructor({ prefix = AIM, bare = false } = {}) {
    this.#prefix = prefix;
    this.#bare = bare;
  }

  /** Whether keys are on their way, so that quiet must be told. @returns {boolean} */
  get waiting() {
    return this.#state !== "idle";
  }

  /** Whether a read is under way. @returns {boolean} */
  get reading() {
    return this.#state === "reading";
  }

  /** How long no key may come before quiet is told, in ms. @returns {number} */
  get patience() {
    return this.#state === "swallowing" && this.#fresh && this.#strokes.length === 0 ? SWALLOW_MS : LIMIT_MS;
  }

  /** A key. @param {Key} k @returns {Step} */
  press(k) {
    /** @type {Step} */
    const step = { take: false, put: "", out: [] };
    const id = k.code || k.key;
    if (k.type === "keyup") {
      step.take = this.#down.delete(id);
      if (k.key === "Alt" && this.#alt !== null) this.#typedByNumber(k, step);
      return step;
    }
    if (this.#state !== "idle") this.#rest(k.timeStamp - this.#last, step);
    if (this.#state === "idle") {
      if (k.repeat && this.#down.has(id)) return { ...step, take: true }; // the end of a read, held down
      this.#down.delete(id);
    }
    this.#last = k.timeStamp;
    const open = this.#state === "reading" || this.#state === "swallowing";
    if (MODIFIERS.has(k.key)) {
      if (open && k.key === "Alt") {
        this.#alt = "";
        step.take = true;
        this.#down.add(id);
      }
      return step;
    }
    if (open && k.alt && !k.ctrl && /^Numpad\d$/.test(k.code)) {
      this.#alt = (this.#alt ?? "") + k.code.slice(-1);
      step.take = true;
    } else {
      this.#mean(meaning(k), k, step);
    }
    if (step.take) this.#down.add(id);
    return step;
  }

  /** No key came for patience ms. @returns {Step} */
  quiet() {
    /** @type {Step} */
    const step = { take: false, put: "", out: [] };
    if (this.#state !== "idle") this.#rest(this.patience + 1, step);
    return step;
  }

  /**
   * A person points at something: what was held goes where the cursor still is, and
   * nothing is swallowed any more. A read that is under way goes on.
   * @returns {Step}
   */
  touch() {
    if (this.#state === "held") return this.quiet();
    /** @type {Step} */
    const step = { take: false, put: "", out: [] };
    if (this.#state === "swallowing" && this.#fresh && this.#strokes.length === 0) this.#reset();
    return step;
  }

  /** @param {number} gap ms since the last key @param {Step} step */
  #rest(gap, step) {
    if (!(gap > LIMIT_MS)) return;
    if (this.#state === "held") {
      this.#putBack(step);
      return;
    }
    if (this.#state === "reading") {
      this.#cut(this.#spoiled?.why ?? (this.#framed || this.#fits(this.#text()) === "no" ? "end" : "start"), this.#spoiled?.what ?? "", "", step);
    } else if (this.#strokes.length > 0) {
      this.#cut("rest", "", "", step);
    }
    this.#swallow(true);
    if (gap > SWALLOW_MS) this.#reset();
  }

  /** What was held is a person's. @param {Step} step */
  #putBack(step) {
    step.put += this.#text();
    this.#down.clear();
    this.#reset();
  }

  /** @param {Meaning} m @param {Key} k @param {Step} step @returns {void} */
  #mean(m, k, step) {
    switch (this.#state) {
      case "idle":
        if (m.kind === "text") this.#begin(m, k, step);
        return;
      case "held": {
        const fits = m.kind === "text" && !k.repeat ? this.#fits(this.#text() + m.text) : "no";
        if (fits === "no") {
          this.#putBack(step);
          return this.#mean(m, k, step);
        }
        this.#push(m, k);
        if (fits === "whole") this.#open(true);
        step.take = true;
        return;
      }
      case "reading":
        step.take = true;
        return this.#inside(m, k, step);
      case "swallowing":
        step.take = true;
        return this.#swallowed(m, k, step);
    }
  }

  /** @param {Meaning} m @param {Key} k @param {Step} step */
  #begin(m, k, step) {
    const fits = this.#fits(m.text);
    // A key that is held down is a person's.
    if (k.repeat || (fits === "no" && !(this.#bare && !k.editable && m.text !== " "))) return;
    this.#push(m, k);
    step.take = true;
    if (fits === "part" && k.editable) this.#state = "held";
    else this.#open(fits === "whole");
  }

  /** @param {Meaning} m @param {Key} k @param {Step} step */
  #inside(m, k, step) {
    if (m.kind === "end") return this.#end(m, step);
    if (this.#alt) this.#spoiled ??= { why: "key", what: "Alt+" + this.#alt };
    if (k.repeat) this.#spoiled ??= { why: "repeat", what: k.key };
    if (m.kind === "strange") this.#spoiled ??= { why: "key", what: m.how };
    this.#push(m, k);
    if (!this.#framed) {
      const fits = this.#fits(this.#text());
      if (fits === "whole") this.#framed = true;
      else if (fits === "no" && !this.#bare) {
        this.#cut("start", "", "", step);
        return this.#swallow(false);
      }
    }
    if (this.#strokes.length > MOST) {
      this.#cut("long", "", "", step);
      this.#swallow(false);
    }
  }

  /** @param {Meaning} m @param {Step} step */
  #end(m, step) {
    const end = m.how === "Tab" ? "Tab" : "Enter";
    if (this.#alt) this.#spoiled ??= { why: "key", what: "Alt+" + this.#alt };
    if (!this.#framed && !this.#bare) this.#spoiled ??= { why: "start", what: "" };
    if (this.#spoiled) this.#cut(this.#spoiled.why, this.#spoiled.what, end, step);
    else step.out.push({ kind: "read", text: this.#text(), strokes: this.#strokes, framed: this.#framed, end });
    this.#reset();
  }

  /** @param {Meaning} m @param {Key} k @param {Step} step */
  #swallowed(m, k, step) {
    if (m.kind === "end" || m.how === "Escape") {
      if (this.#strokes.length > 0) this.#cut("rest", "", m.kind !== "end" ? "" : m.how === "Tab" ? "Tab" : "Enter", step);
      return this.#reset();
    }
    this.#push(m, k);
    if (this.#strokes.length > MOST) { // something lies on the keyboard
      this.#cut("rest", "", "", step);
      return this.#swallow(false);
    }
    // No label that can be read here holds a prefix (label.Read takes it for two reads),
    // so behind a rest it is the next read, of which nothing is missing.
    if (!this.#fresh) return;
    const fits = m.kind === "text" && !k.repeat ? this.#fits(this.#text()) : "no";
    if (fits === "whole") this.#open(true);
    if (fits === "no") this.#fresh = false;
  }

  /** A character typed by its number is ready when Alt goes up. @param {Key} k @param {Step} step */
  #typedByNumber(k, step) {
    const digits = this.#alt ?? "";
    this.#alt = null;
    if (digits === "" || (this.#state !== "reading" && this.#state !== "swallowing")) return;
    this.#rest(k.timeStamp - this.#last, step);
    this.#last = k.timeStamp;
    const how = "Alt+" + digits, n = Number(digits);
    /** @type {Meaning} */
    let m = { kind: "strange", text: "", how };
    if (n === 29) m = { kind: "gs", text: GS, how };
    else if (n === 13 || n === 10) m = { kind: "end", text: "", how: "Enter" };
    else if (n === 9) m = { kind: "end", text: "", how: "Tab" };
    else if (n >= 32 && n < 127) m = { kind: "text", text: String.fromCharCode(n), how: "" };
    this.#mean(m, { ...k, code: "" }, step);
  }

  /** @param {Meaning} m @param {Key} k */
  #push(m, k) {
    this.#strokes.push({ text: m.text, how: m.how, at: k.timeStamp, us: (US[k.code] ?? "")[k.shift ? 1 : 0] ?? "", caps: k.caps === true });
  }

  #text() {
    return this.#strokes.map((s) => s.text).join("");
  }

  /** Whether text is a prefix, the beginning of one, or no prefix. @param {string} text @returns {"whole"|"part"|"no"} */
  #fits(text) {
    if (this.#prefix === AIM) {
      return /^\][A-Za-z][0-9A-Za-z]$/.test(text) ? "whole" : /^\][A-Za-z]?$/.test(text) ? "part" : "no";
    }
    return text === this.#prefix ? "whole" : this.#prefix.startsWith(text) ? "part" : "no";
  }

  /** @param {boolean} framed */
  #open(framed) {
    this.#state = "reading";
    this.#framed = framed;
    this.#spoiled = null;
  }

  /** @param {Why} why @param {string} what @param {"Enter"|"Tab"|""} end @param {Step} step */
  #cut(why, what, end, step) {
    step.out.push({ kind: "cut", text: this.#text(), strokes: this.#strokes, framed: this.#framed, end, why, what });
  }

  /** @param {boolean} fresh */
  #swallow(fresh) {
    this.#reset();
    this.#state = "swallowing";
    this.#fresh = fresh;
  }

  #reset() {
    this.#state = "idle";
    this.#strokes = [];
    this.#framed = false;
    this.#fresh = false;
    this.#spoiled = null;
    this.#alt = null;
  }
}

/** What a key means in a read. @param {Key} k @returns {Meaning} */
function meaning(k) {
  const name = (k.ctrl ? "Ctrl+" : "") + (k.alt ? "Alt+" : "") + (k.meta ? "Meta+" : "") + k.key;
  if (k.composing || k.key === "Dead" || k.key === "Process" || k.key === "Unidentified") return { kind: "strange", text: "", how: name };
  if (k.key === GS) return { kind: "gs", text: GS, how: "U+001D" };
  if (k.key === "F8" && !k.ctrl && !k.alt) return { kind: "gs", text: GS, how: "F8" };
  const typesWithAlt = k.altGraph || (k.ctrl && k.alt && isOne(k.key)); // as Windows tells AltGr
  if (k.ctrl && !typesWithAlt) {
    if (k.key === "]" || k.code === "BracketRight") return { kind: "gs", text: GS, how: "Ctrl+]" };
    if (/^[mjMJ]$/.test(k.key)) return { kind: "end", text: "", how: "Enter" };
    if (/^[iI]$/.test(k.key)) return { kind: "end", text: "", how: "Tab" };
  }
  if (((k.ctrl || k.alt) && !typesWithAlt) || k.meta) return { kind: "strange", text: "", how: name };
  if (k.key === "Enter" || k.key === "Tab") return { kind: "end", text: "", how: k.key };
  if (isOne(k.key)) return { kind: "text", text: k.key, how: "" };
  return { kind: "strange", text: "", how: name };
}
