// @ts-check
// What every phone screen is made of. One screen is shown at a time; what is said about a
// scan stands above it in regions that stay, so that it is read out and not lost.
import { allowSound, signal } from "../signals.js";
import { t } from "./words.js";

/**
 * @typedef {Node | string | number | false | null | undefined | readonly Child[]} Child
 * @typedef {{[name: string]: any}} Props
 * good: done. note: worth knowing. look: go on, but look. stop: not taken.
 * @typedef {"good"|"note"|"look"|"stop"} Kind
 * @typedef {{kind?: "main"|"quiet"|"danger", args?: Record<string, string|number>, describe?: string}} ActionOptions
 */

/** A second press of one key, or of what came up under the same finger, counts for nothing so long. No source. */
const TWICE_MS = 500;
/** How near to the last press another one is the same finger, in CSS px. */
const SAME_PX = 48;
const SVG = "http://www.w3.org/2000/svg";

/**
 * An element. A property that is a function listens, one that is false or null is left out.
 * @template {keyof HTMLElementTagNameMap} K
 * @param {K} tag @param {Props | null} [props] @param {...Child} children
 * @returns {HTMLElementTagNameMap[K]}
 */
export function h(tag, props, ...children) {
  const e = document.createElement(tag);
  for (const [name, value] of Object.entries(props ?? {})) {
    if (value === false || value === null || value === undefined) continue;
    if (typeof value === "function") e.addEventListener(name.replace(/^on/, ""), value);
    else e.setAttribute(name, value === true ? "" : String(value));
  }
  e.append(...kids(children));
  return e;
}

/** @param {readonly Child[]} children @returns {(Node | string)[]} */
const kids = (children) => children.flatMap((c) => (Array.isArray(c) ? kids(c) : c === false || c === null || c === undefined || c === "" ? [] : [c instanceof Node ? c : String(c)]));

/** Outlines that are told apart without colour. @type {Record<Kind, string>} */
const SHAPES = {
  good: "M4 4h16v16H4z M8 12h8",
  note: "M12 3a9 9 0 1 0 0 18a9 9 0 1 0 0-18z M12 11v5 M12 7.5v.5",
  look: "M12 3 22 20H2z M12 10v4 M12 16.5v.5",
  stop: "M12 1.5 22.5 12 12 22.5 1.5 12z M12 7v6 M12 16.5v.5",
};

/** @param {Kind} kind */
export function shape(kind) {
  const svg = document.createElementNS(SVG, "svg");
  for (const [k, v] of [["class", "shape"], ["viewBox", "0 0 24 24"], ["aria-hidden", "true"]]) svg.setAttribute(k, v);
  const path = document.createElementNS(SVG, "path");
  path.setAttribute("d", SHAPES[kind]);
  svg.append(path);
  return svg;
}

/** The element of the shell, made where the page has none. @param {string} id @param {() => HTMLElement} make */
function part(id, make) {
  const there = document.getElementById(id);
  if (there) return there;
  const made = make();
  made.id = id;
  return made;
}

/** Where screens are drawn: the shell's #screen, else its main. */
function ground() {
  return document.getElementById("screen") ?? document.querySelector("main") ?? document.body;
}

/** The regions that are read out. @param {"said"|"refused"} id */
function region(id) {
  return part(id, () => {
    const e = h("div", { class: "phone-tell", role: id === "said" ? "status" : "alert", "aria-atomic": "true" });
    ground().before(e);
    return e;
  });
}

let shown = 0; // screens so far
let toldAt = 0; // the screen on which something was said last

/**
 * Shows one screen and puts the focus on its heading. What was said before it stays for
 * this one screen. Keys of the screen before end with it.
 * @param {...Child} nodes
 */
export function show(...nodes) {
  shown++;
  if (shown > toldAt + 1) hush();
  region("said"), region("refused"); // before anything is said in them, or it isn't read out
  leave.forEach((f) => f());
  [leave, coming] = [coming, []];
  const at = ground();
  at.replaceChildren(...kids(nodes));
  const head = /** @type {HTMLElement | null} */ (at.querySelector("h1, h2"));
  if (head) {
    head.tabIndex = -1;
    head.focus({ preventScroll: true });
    document.title = head.textContent ?? "";
  }
  scrollTo(0, 0);
}

/** What ends with the screen that is shown, and with the one that is being drawn. @type {(() => void)[][]} */
let [leave, coming] = [[], []];
/** Calls f when the screen that is being drawn is left; to be said before it is shown. @param {() => void} f */
export function onLeave(f) {
  coming.push(f);
}

/** @type {{at: number, x: number, y: number}} */
let last = { at: -TWICE_MS, x: 0, y: 0 };

/** Whether a press is the second of a doubled one, which may land on what came after. @param {MouseEvent} e */
function doubled(e) {
  const finger = e.detail > 0; // 0: by keyboard
  const same = finger && Math.hypot(e.clientX - last.x, e.clientY - last.y) < SAME_PX && e.timeStamp - last.at < TWICE_MS;
  if (finger && !same) last = { at: e.timeStamp, x: e.clientX, y: e.clientY };
  return same;
}

/**
 * A key: it acts on release, and once. Its text is said by the caller.
 * @param {Child} text @param {() => unknown} fn @param {string} [kind] classes @param {Props} [props]
 * @returns {HTMLButtonElement}
 */
export function press(text, fn, kind = "act", props = {}) {
  let at = -TWICE_MS;
  let busy = false;
  const button = h("button", { type: "button", class: kind, ...props, onclick: async (/** @type {MouseEvent} */ e) => {
    if (busy || e.timeStamp - at < TWICE_MS || doubled(e)) return;
    at = e.timeStamp;
    allowSound();
    busy = true;
    button.setAttribute("aria-busy", "true");
    try {
      await fn();
    } catch (fault) {
      tell("stop", t("ui.fault", { what: fault instanceof Error ? fault.message : String(fault) }));
    } finally {
      busy = false;
      button.removeAttribute("aria-busy");
    }
  } }, text);
  return button;
}

/**
 * A key whose text is of the catalogue.
 * @param {string} key @param {() => unknown} fn @param {ActionOptions} [options]
 * @returns {HTMLButtonElement}
 */
export const action = (key, fn, { kind, args, describe } = {}) => press(t(key, args), fn, `act ${kind ?? ""}`.trim(), { "data-act": key, "aria-describedby": describe });

/** Keys one under the other, the main one last, where the thumb is. @param {...Child} buttons */
export const acts = (...buttons) => h("div", { class: "acts" }, ...buttons);

/** @type {boolean | null} */
let heard = null;

/**
 * Says something in words, shape, sound and vibration, without moving the focus. A
 * refusal stays until the next thing is said or the next screen but one.
 * @param {Kind} kind @param {Child} text @param {{sound?: boolean, repeat?: boolean}} [options] repeat: with a key that sounds again
 */
export function tell(kind, text, { sound = kind !== "note", repeat = false } = {}) {
  hush();
  toldAt = shown;
  const good = kind === "good" || kind === "note";
  const at = region(good ? "said" : "refused");
  at.append(h("div", { class: `tell is-${kind}` }, shape(kind), h("div", null, h("strong", null, t(`ui.${kind}`)), " ", ...kids([text])), repeat && action("ui.sound-again", again, { kind: "quiet" })));
  if (at.getBoundingClientRect().top < 0) at.scrollIntoView({ block: "nearest" });
  if (!sound) return;
  heard = good;
  signal(good);
}

/** Sounds and shakes as the last time: engines and corridors are loud. */
export function again() {
  if (heard !== null) signal(heard);
}

/** Takes back what was said. */
export function hush() {
  region("said").replaceChildren();
  region("refused").replaceChildren();
}

/**
 * The last step with a key to take it back; taking back is a step of its own.
 * @param {Child} text @param {() => unknown} undo
 */
export const undoBar = (text, undo) => h("div", { class: "undo" }, h("span", null, text), action("ui.undo", undo));

/** A text that is folded until it is asked for. @param {string} key @param {...Child} nodes */
export const fold = (key, ...nodes) => h("details", null, h("summary", null, t(key)), h("div", null, ...nodes));

/** Help of a screen, folded. That local procedure decides stands below every screen. @param {string} key */
export const help = (key) => h("div", { class: "help" }, fold("ui.help", h("p", null, t(key))));

/**
 * Digits by large keys, or by any keyboard. done gets the text, with a point where a
 * decimal sign is allowed.
 * @param {{label: string, unit?: string, value?: string, most?: number, decimal?: boolean, done: (text: string) => unknown, key?: string}} options
 */
export function bigKeys({ label, unit = "", value = "", most = 6, decimal = false, done, key = "ui.take" }) {
  const id = `keys-${shown}`;
  const ok = (/** @type {string} */ s) => s.length <= most && (decimal ? /^\d*[.,]?\d*$/ : /^\d*$/).test(s);
  const field = h("input", { id, inputmode: "none", autocomplete: "off", value, oninput: () => {
    if (!ok(field.value)) field.value = kept;
    kept = field.value;
  } });
  let kept = value;
  const press = (/** @type {string} */ c) => {
    const next = c === "" ? kept.slice(0, -1) : kept + c;
    if (ok(next)) field.value = kept = next;
  };
  const digit = (/** @type {string} */ c, /** @type {string} */ name) => h("button", { type: "button", "aria-label": name, onclick: () => (allowSound(), press(c)) }, c || "⌫");
  const sign = decimal ? [digit(",", t("ui.decimal"))] : [h("span")];
  return h("form", { class: "keys", onsubmit: (/** @type {Event} */ e) => {
    e.preventDefault();
    if (kept !== "") done(kept.replace(",", "."));
  } },
    h("label", { for: id }, label), h("div", { class: "keys-line" }, field, unit && h("span", null, unit)),
    h("div", { class: "pad" }, ..."123456789".split("").map((c) => digit(c, c)), ...sign, digit("0", "0"), digit("", t("ui.delete"))),
    acts(h("button", { class: "act main" }, t(key))));
}
