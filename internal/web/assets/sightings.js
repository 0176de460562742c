// @ts-check

/**
 * One symbol that was decoded: its bytes as they stand in it, a separator as 0x1D,
 * and the symbology identifier of ISO/IEC 15424 beside them.
 * @typedef {{bytes: Uint8Array, symbology: string, name: string, how: "camera", at: {x: number, y: number}}} Read
 * name: the symbology in words; at: the middle of the symbol, in parts of what was looked at.
 *
 * What to do after a look: take one read, or ask which of several is meant.
 * @typedef {{take?: Read, choose?: Read[]}} Verdict
 *
 * What is said between the page and the worker that decodes.
 * @typedef {import("./vendor/zxing/reader/index.js").Format} Format
 * @typedef {{picture: ImageBitmap, look: number, formats: Format[]}} Question
 * @typedef {{ready?: true, failed?: string, look?: number, reads?: Read[], turned?: number, part?: boolean}} Answer
 * turned: by how many degrees the picture was turned for these reads; part: a symbol was left out that is one of a chain.
 */

/** Identifiers of ISO/IEC 15424 whose data begin with FNC1: GS1 element strings. */
const GS1 = new Set(["]C1", "]d2", "]d5", "]Q3", "]Q4", "]e0"]);

/** A value that isn't seen again within so many looks is forgotten: one more than from one full effort to the next. */
const LOOKS = 6;

/** How long a value that was taken is ignored after it was last seen, in ms. Design choice. */
const MUTE_MS = 2_000;

/** @param {string} symbology */
export const isGS1 = (symbology) => GS1.has(symbology);

/**
 * Linear symbols whose check is weak or may be left out want two equal reads: Code
 * 128 has one check of 103 values over all. EAN and the matrix symbols want one.
 * Design choice.
 * @param {string} symbology
 */
export const linear = (symbology) => /^\][ACFI]/.test(symbology);

/**
 * linear, but one read of a Code 128 is enough where it looks like a number that has a
 * check character: a misread is then refused by whoever reads the number.
 * @param {RegExp[]} checked such numbers, whole
 * @returns {(symbology: string, bytes: Uint8Array) => boolean}
 */
export const linearBut = (checked) => (symbology, bytes) => {
  if (!linear(symbology)) return false;
  const text = new TextDecoder().decode(bytes);
  return symbology !== "]C0" || !checked.some((p) => p.test(text));
};

/** Two symbols of one label with the same data are one value. @param {Read} r */
const keyOf = (r) => (isGS1(r.symbology) ? "1" : "0") + r.bytes.join();

/**
 * Decides from what successive looks found whether a value may be taken. It has no
 * clock of its own.
 */
export class Sightings {
  /** @type {Map<string, {read: Read, needs: number, times: number, first: number, last: number}>} */
  #seen = new Map();
  /**
   * Until when a value is ignored, in ms of the caller's clock; holds: for as long as it stays in view.
   * @type {Map<string, {until: number, holds: boolean}>}
   */
  #muted = new Map();
  #look = 0;
  #needsTwo;
  #muteMs;

  /** @param {{needsTwo?: (symbology: string, bytes: Uint8Array) => boolean, muteMs?: number}} [options] */
  constructor({ needsTwo = linear, muteMs = MUTE_MS } = {}) {
    this.#needsTwo = needsTwo;
    this.#muteMs = muteMs;
  }

  /**
   * Takes in one look. Nothing is taken at first sight: the next look may find a
   * second symbol beside it, and then a person has to say which is meant.
   * @param {Read[]} reads what was found
   * @param {number} now in ms; never goes back
   * @returns {Verdict}
   */
  look(reads, now) {
    this.#look++;
    /** @type {Map<string, Read>} */
    const beside = new Map(); // in view now and taken before
    for (const read of reads) {
      const key = keyOf(read);
      const muted = this.#muted.get(key);
      if (muted && now < muted.until) {
        if (muted.holds) muted.until = now + this.#muteMs;
        beside.set(key, read);
        continue;
      }
      this.#note(key, read);
    }
    for (const [key, s] of this.#seen) if (this.#look - s.last >= LOOKS) this.#seen.delete(key);
    const fresh = [...this.#seen.values()];
    const sure = fresh.every((s) => s.times >= s.needs && this.#look > s.first);
    if (fresh.length === 0 || !sure) return {};
    const all = [...fresh.map((s) => s.read), ...beside.values()];
    for (const read of all) this.#muted.set(keyOf(read), { until: now + this.#muteMs, holds: true });
    this.#seen.clear();
    return all.length > 1 ? { choose: all } : { take: all[0] };
  }

  /**
   * Somebody has answered what was asked; meanwhile nothing was looked at. If one was
   * meant, all stay ignored while they are in view. If none was, they count again in
   * a moment, also if one of them stays there.
   * @param {number} now in ms
   * @param {boolean} meant one of them
   */
  answered(now, meant) {
    for (const muted of this.#muted.values()) {
      muted.until = now + this.#muteMs;
      muted.holds = meant;
    }
  }

  /** @param {string} key @param {Read} read */
  #note(key, read) {
    const needs = this.#needsTwo(read.symbology, read.bytes) ? 2 : 1;
    const s = this.#seen.get(key);
    if (!s) {
      this.#seen.set(key, { read, needs, times: 1, first: this.#look, last: this.#look });
      return;
    }
    if (s.last !== this.#look) s.times++;
    s.last = this.#look;
    // Of two symbols with the same data the one that needs less proof counts.
    if (needs <= s.needs) [s.read, s.needs] = [read, needs];
  }
}
