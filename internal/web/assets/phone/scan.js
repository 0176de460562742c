// @ts-check
// One way to scan on every phone screen: a hand-held reader wherever the cursor is, the
// camera, a reader that types through the soft keyboard, and what is printed, typed.
import { allowSound } from "../signals.js";
import { base64, listen, symbologyOf } from "../wedge.js";
import { action, h, onLeave, tell } from "./ui.js";
import { t } from "./words.js";

/**
 * What was read. text has no symbology identifier and GS as 0x1D; raw are the bytes as
 * they came, in base64.
 * @typedef {{text: string, raw: string, symbology: string, how: "camera"|"reader"|"typed"}} Read
 * wanted: what is to be scanned, a key of the catalogue behind "scan.". checked: patterns
 * of numbers with a check character, of which one look of the camera is enough.
 * @typedef {{wanted: string, onRead: (read: Read) => unknown, args?: Record<string, string|number>, checked?: RegExp[], quiet?: boolean}} Options
 */

const KEPT = "scan-way"; // in localStorage: how the last read on this phone came
const GS1 = /^\](C1|d2|d5|Q3|Q4|e0)$/;

/** @returns {string} */
function way() {
  try {
    return localStorage.getItem(KEPT) ?? "";
  } catch {
    return "";
  }
}

/** @param {string} is */
function keepWay(is) {
  try {
    localStorage.setItem(KEPT, is);
  } catch {
    // The next screen begins without camera.
  }
}

/** @param {import("../wedge.js").Read} r @returns {Read} */
function byReader(r) {
  // A reader may be set to send another sign for GS; it stands for GS in GS1 data only.
  const text = r.separator && GS1.test(r.symbology) ? r.text.replaceAll(r.separator, "\x1d") : r.text;
  return { text: text.slice(symbologyOf(text).length), raw: base64(new TextEncoder().encode(text)), symbology: r.symbology, how: "reader" };
}

/** @param {string} text @returns {Read} */
const byHand = (text) => ({ text, raw: base64(new TextEncoder().encode(text)), symbology: symbologyOf(text), how: "typed" });

/** Who is given what is read, the newest last. @type {{read: (r: import("../wedge.js").Read) => void}[]} */
const hearers = [];
/** What was read while one screen made way for the next, which gets it. @type {{r: import("../wedge.js").Read, at: number}|null} */
let between = null;
/** How long such a read waits, in ms; a screen that asks nothing by then doesn't want it. */
const BETWEEN_MS = 700;
/** @type {{stop: () => void} | null} */
let ears = null;

/**
 * The page listens as long as it is open, whatever screen is shown: a read that begins on
 * one and ends on the next is whole, and its Enter presses no key of a screen that asks
 * for nothing.
 */
function hear() {
  ears ??= listen({
    read(r) {
      const last = hearers.at(-1);
      if (last) return last.read(r);
      const mine = (between = { r, at: performance.now() });
      setTimeout(() => {
        if (between !== mine) return;
        between = null;
        tell("note", t("scan.not-now"), { sound: true });
      }, BETWEEN_MS);
    },
    incomplete: () => tell("stop", t("scan.incomplete")),
  });
}

/**
 * The scanner of a screen. It ends with the screen. quiet: only readers are listened to,
 * nothing is drawn.
 * @param {Options} options
 * @returns {{node: HTMLElement, stop: () => void}}
 */
export function scanner({ wanted, onRead, args, checked = [], quiet = false }) {
  /** @type {{stop: () => void} | null} */
  let camera = null;
  let over = false;
  const give = (/** @type {Read} */ read) => {
    if (!over) onRead(read);
  };
  hear();
  const hearer = { read(/** @type {import("../wedge.js").Read} */ r) {
    allowSound(); // a reader's keys let a page sound as a finger does
    keepWay(document.activeElement === field ? "field" : "reader");
    give(byReader(r));
  } };
  hearers.push(hearer);
  if (between) {
    const { r } = between;
    between = null;
    queueMicrotask(() => hearer.read(r)); // when the screen is drawn
  }
  const stop = () => {
    if (over) return;
    over = true;
    hearers.splice(hearers.indexOf(hearer), 1);
    camera?.stop();
  };
  onLeave(stop);
  const field = h("input", { "data-wedge": true, inputmode: "none", autocomplete: "off", autocapitalize: "none", spellcheck: "false", "aria-label": t("scan.field"), placeholder: t("scan.ready") });
  if (quiet) return { node: h("div"), stop };

  const stage = h("div", { class: "scan-stage" });
  const typed = h("input", { autocomplete: "off", autocapitalize: "characters", spellcheck: "false", maxlength: "3200", id: "scan-typed" });
  const open = action("scan.open", async () => {
    if (camera) return shut();
    await see();
  });
  function shut() {
    camera?.stop();
    camera = null;
    stage.replaceChildren();
    open.textContent = t("scan.open");
  }
  async function see() {
    const { cameraStage } = await import("./scan-camera.js");
    if (over || camera) return;
    camera = cameraStage(stage, { checked, trouble: shut, read: (bytes, symbology) => {
      keepWay("camera");
      give({ text: new TextDecoder().decode(bytes), raw: base64(bytes), symbology, how: "camera" });
    } });
    open.textContent = t("scan.close");
  }
  const node = h("section", { class: "scan", "aria-label": t("scan.part") },
    h("p", { class: "scan-what" }, t(`scan.${wanted}`, args)), stage, h("div", { class: "scan-line" }, field, open),
    h("form", { class: "scan-type", onsubmit: (/** @type {Event} */ e) => {
      e.preventDefault();
      allowSound();
      const text = typed.value.trim();
      typed.value = ""; // it may be a person's number
      if (text) give(byHand(text));
    } }, h("label", { for: "scan-typed" }, t("scan.typed")), h("div", { class: "scan-line" }, typed, h("button", { class: "act" }, t("scan.take")))));
  // A screen opens ready for how this phone scanned last.
  if (way() === "camera") see().catch(() => tell("look", t("scan.no-camera")));
  if (way() === "field") requestAnimationFrame(() => over || field.focus({ preventScroll: true }));
  return { node, stop };
}
