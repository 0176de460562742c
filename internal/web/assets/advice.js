// @ts-check
// Decides what to change on a reader by what came from it. It sees the read alone.
import { AIM, LIMIT_MS } from "./framing.js";

/** @typedef {import("./framing.js").Stroke} Stroke */
/** @typedef {import("./wedge.js").Reading} Reading */
/** @typedef {import("./wedge.js").Refusal} Refusal */
/**
 * @typedef {{kind: "read"|"cut", text: string, strokes: Stroke[], framed: boolean, end: "Enter"|"Tab"|"", why?: import("./framing.js").Why, what?: string}} Came
 * fault names what is wrong, for tests; note tells what works and is good to know.
 * @typedef {{fault: string, note: boolean, head: string, do: string}} Advice
 */

/** The test code: a lot, which has no fixed length, with something behind it. Its
 * numbers are GS1's own for examples. */
export const TEST = { text: "(01)09521234000174(10)K7Q2(21)998877", before: "010952123400017410K7Q2", after: "21998877" };

/** A rest between two keys that is still taken and near enough to the limit to change
 * something. No source. */
const SLOW_MS = 300;

const ID = /^\][ACEFILQdez][0-9A-C]/;
const REPLACE = "or let it replace GS by a character that no label holds, such as |, ~ or ^";

/**
 * What a read of the test code says of GS: it came, a character came in its place,
 * nothing came, or a character came that labels hold themselves. null: another code.
 * @param {string} text with or without symbology identifier
 * @returns {{how: "gs"|"replaced"|"lost"|"unfit", separator: string}|null}
 */
export function learn(text) {
  const data = text.replace(/^\][A-Za-z][0-9A-Za-z]/, "").replace(/^\x1d/, "");
  if (!data.toUpperCase().startsWith(TEST.before) || !data.endsWith(TEST.after)) return null;
  const between = data.slice(TEST.before.length, data.length - TEST.after.length);
  if (data.length < TEST.before.length + TEST.after.length || [...between].length > 1) return null;
  if (between === "") return { how: "lost", separator: "" };
  if (between === "\x1d") return { how: "gs", separator: "" };
  return { how: /^[#$@[\\^`{|}~]$/.test(between) ? "replaced" : "unfit", separator: between };
}

/**
 * @param {Came} c @param {{prefix: string, separator: string, separates: boolean}} settings
 * @param {Refusal} [refusal] what the label said, when it was asked
 * @returns {Advice[]} the most important first; never empty
 */
export function advise(c, settings, refusal) {
  /** @type {Advice[]} */
  const all = [];
  const add = (/** @type {string} */ fault, /** @type {string} */ head, /** @type {string} */ remedy) => all.push({ fault, note: false, head, do: remedy });
  const note = (/** @type {string} */ fault, /** @type {string} */ head, /** @type {string} */ say) => all.push({ fault, note: true, head, do: say });

  const layout = wrongLayout(c);
  const caps = c.strokes.some((s) => s.caps) || (!ID.test(c.text) && ID.test(swapped(c.text)));
  if (layout) {
    add("layout", "The reader's keyboard language does not match this computer", "Set both to the same keyboard language. The reader's manual calls it country or keyboard layout." +
      (layout === " " ? "" : ` The reader probably sent ${layout}`) + (layout === " " ? "" : "; scan again to be sure."));
  }
  if (caps) add("caps", "Caps lock is on", "Switch it off on this computer. Small and capital letters arrive exchanged.");
  if (c.kind === "cut") incomplete(c, add, layout !== "");

  const known = ID.test(c.text);
  if (!layout && !caps && !known && c.why !== "rest" && c.why !== "start") {
    if (!c.framed || settings.prefix !== AIM) {
      add("prefix", "No symbology identifier came in front", "Switch on its transmission: manuals call it AIM identifier, or symbology identifier of ISO/IEC 15424. It looks like ]d2. By it a scan is told from typing, and GS1 from plain numbers." +
        (settings.prefix === AIM ? " Without it, scans land wherever the cursor is." : ""));
    } else {
      add("identifier", `${c.text.slice(0, 3)} is no symbology identifier that is known here`, "Reset the reader's identifiers to those of ISO/IEC 15424. Some readers can send a maker's own instead.");
    }
  }
  if (c.framed === false && settings.prefix !== AIM && c.kind === "read") {
    add("own-prefix", `The prefix ${settings.prefix} did not come`, "Set the reader to send it in front of each read, or put the prefix below back to ].");
  }
  if (c.text.slice(3).search(/\][ACEFILQdez][0-9A-C]/) >= 0) {
    add("together", "Two reads came as one", "Set the reader to send Enter behind each read.");
  }
  const test = learn(c.text);
  if (c.kind === "read" && (test?.how === "lost" || (refusal?.ways?.length ?? 0) > 0)) {
    add("separator", "GS did not come: the reader drops separators", `Set the reader to send GS (ASCII 29) as Ctrl+] or F8, ${REPLACE}. Then scan the test code below.`);
  }
  if (test?.how === "unfit") {
    add("separator-unfit", `The reader sends ${test.separator} for GS, which labels hold themselves`, "Choose another character on the reader: |, ~ or ^.");
  }
  const slowest = Math.max(0, ...gaps(c.strokes));
  if (c.kind === "read" && slowest > SLOW_MS) {
    add("slow", `It comes slowly: up to ${Math.round(slowest)} ms between two keys`, "Set the reader's delay between characters to nothing. At 600 ms a read counts as cut.");
  }
  if (all.length === 0) note("none", "Nothing needs to be changed", "The read came whole, with its identifier in front and an end behind.");
  const spelled = [...new Set(c.strokes.filter((s) => s.text === "\x1d").map((s) => s.how))];
  if (spelled.length > 0) note("gs", `GS comes as ${spelled.join(" and ")}`, "That is understood here. Other programs may want another spelling.");
  if (c.end === "Tab") note("tab", "It ends with Tab", "That is understood here, as Enter is.");
  return all;
}

/** @param {Came} c @param {(fault: string, head: string, remedy: string) => void} add @param {boolean} layout */
function incomplete(c, add, layout) {
  switch (c.why) {
    case "end":
      return add("end", "No end came behind the read", "Set the reader to send Enter behind each read. Manuals call it suffix, terminator or carriage return. Without an end nobody knows whether all has come.");
    case "start":
      return add("start", "Only the beginning of a read came", "Scan again. If it comes again: look at the cable or the radio link, and at what keeps this computer busy.");
    case "rest":
      // Its keys were in time: a timer that fired while the computer did something else.
      if (Math.max(0, ...gaps(c.strokes)) <= LIMIT_MS) return add("busy", "This computer was too busy to take the read in one piece", "Scan again. If it comes again: look at what keeps it busy.");
      return add("pieces", "The read came in pieces, with more than 600 ms between", "Scan again. If it comes again: set the reader's delay between characters to nothing, and look at what keeps this computer busy.");
    case "repeat":
      return add("repeat", `The key ${c.what} repeated itself, so characters may be doubled`, "Scan again. If it comes again: plug the reader in without a hub, and set its delay between characters to nothing.");
    case "long":
      return add("long", "More came than a label holds", "Scan one label, and see that nothing lies on the keyboard.");
    default:
      if (!layout) {
        add("key", `The reader sent ${c.what}, which is no character`, `If the label holds GS, the reader sends it so: set it to send GS (ASCII 29) as Ctrl+] or F8, ${REPLACE}.`);
      }
  }
}

/**
 * What the reader probably sent when the keyboard changed it: " " when that can't be
 * told, "" when nothing shows a change. Readers type for a US keyboard unless they are
 * told otherwise, and each key's place says which character that was.
 * @param {Came} c
 */
function wrongLayout(c) {
  const damaged = c.strokes.some((s) => (s.text >= "\x80" && s.text !== "") || /(^|\+)(Dead|Process)$/.test(s.how));
  const us = c.strokes.map((s) => s.us).join("");
  const known = c.strokes.length > 0 && c.strokes.every((s) => s.us !== "");
  if (known && us !== c.text && ((ID.test(us) && !ID.test(c.text) && swapped(us) !== c.text) || damaged)) return us;
  return damaged ? " " : "";
}

/** @param {string} text @returns {string} with small and capital letters exchanged */
function swapped(text) {
  return [...text].map((c) => (c === c.toLowerCase() ? c.toUpperCase() : c.toLowerCase())).join("");
}

/** @param {Stroke[]} strokes @returns {number[]} ms between each key and the one before */
export function gaps(strokes) {
  return strokes.slice(1).map((s, i) => s.at - strokes[i].at);
}

const CONTROLS = "NUL SOH STX ETX EOT ENQ ACK BEL BS HT LF VT FF CR SO SI DLE DC1 DC2 DC3 DC4 NAK SYN ETB CAN EM SUB ESC FS GS RS US".split(" ");
/** @type {Record<string, string>} */
const NAMES = { "\x1d": "GS, separator", "\x1e": "RS", "\x04": "EOT", " ": "space" };

/** A character for people: itself, or the name of what can't be seen. @param {string} c @returns {string} */
export function nameOf(c) {
  const n = c.codePointAt(0) ?? 0;
  return NAMES[c] ?? (n < 0x20 ? CONTROLS[n] : n === 0x7f ? "DEL" : c);
}

/** @param {string} c @returns {string} as U+001D */
export function pointOf(c) {
  return "U+" + (c.codePointAt(0) ?? 0).toString(16).toUpperCase().padStart(4, "0");
}

/** A text for people, with names in brackets for what can't be seen. @param {string} text */
export function shown(text) {
  return [...text].map((c) => (/^[\x00-\x1f\x7f]$/.test(c) ? `⟨${nameOf(c).split(",")[0]}⟩` : c)).join("");
}

/** @param {Reading} r @returns {string} what the label names, for people */
export function namesOf(r) {
  return r.says + (r.number ? ", " + r.number : "");
}
