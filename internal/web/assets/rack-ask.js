// @ts-check
// A question before the centrifuges, answered with one key and Enter. Keys count only
// while the question is open; a reader that types without frame would press many at
// once, so a digit counts only when it comes alone.

/**
 * @typedef {{word: string, say: string, more?: string, off?: boolean}} Choice
 * @typedef {{name: string, label: string, value: string, unit: string}} Field
 * once: a choice is the answer; otherwise it is confirmed. danger: the button that does
 * it stands out.
 * @typedef {{head: string, say?: string[], choices?: Choice[], chosen?: string, fields?: Field[], verb: string, once?: boolean,
 *   told?: (chosen: string, values: Record<string, string>) => string}} Question
 * @typedef {{chosen: string, values: Record<string, string>}} Said
 */

/** A key of a reader follows the last within this time, in ms; the fastest typist is slower. No source. */
const ALONE_MS = 120;

/** @param {string} id */
function element(id) {
  const e = document.getElementById(id);
  if (!e) throw new Error(`the page has no #${id}`);
  return e;
}

/** @param {string} tag @param {Record<string, string>} set @param {(Node|string)[]} kids */
export function make(tag, set, ...kids) {
  const e = document.createElement(tag);
  for (const [k, v] of Object.entries(set)) e.setAttribute(k, v);
  e.append(...kids);
  return e;
}

/** @type {((said: Said | null) => void) | null} */
let answer = null;
/** @type {Question | null} */
let asked = null;
let chosen = "";

const dialog = () => /** @type {HTMLDialogElement} */ (element("ask"));

export const open = () => answer !== null;

/** Closes the question without an answer. */
export const cancel = () => settle(null);

/** @param {Said | null} said */
function settle(said) {
  const to = answer;
  answer = asked = null;
  dialog().close();
  to?.(said);
}

/** @returns {Record<string, string>} */
function values() {
  return Object.fromEntries([...dialog().querySelectorAll("input")].map((i) => [i.name, i.value.trim()]));
}

function tell() {
  const line = document.getElementById("ask-told");
  if (line && asked?.told) line.textContent = asked.told(chosen, values());
}

/** @param {string} word */
export function choose(word) {
  const choice = asked?.choices?.find((c) => c.word === word);
  if (!asked || !choice || choice.off) return;
  chosen = word;
  for (const b of dialog().querySelectorAll("[data-word]")) b.setAttribute("aria-pressed", String(/** @type {HTMLElement} */ (b).dataset.word === word));
  if (asked.once) return settle({ chosen, values: values() });
  tell();
  element("ask-do").focus();
}

/** Answers as it stands. */
export function confirm() {
  if (!asked) return;
  if (asked.choices && asked.choices.length > 0 && chosen === "") {
    const line = document.getElementById("ask-told");
    if (line) line.textContent = "Choose one first.";
    return;
  }
  settle({ chosen, values: values() });
}

/**
 * Asks. It resolves with null when the question was closed without an answer.
 * @param {Question} q @returns {Promise<Said | null>}
 */
export function ask(q) {
  if (answer) settle(null);
  asked = q;
  chosen = q.chosen ?? "";
  element("ask-head").textContent = q.head;
  const go = /** @type {HTMLButtonElement} */ (element("ask-do"));
  go.textContent = q.verb;
  go.hidden = q.once === true;
  element("ask-body").replaceChildren(
    ...(q.say ?? []).map((text) => make("p", {}, text)),
    ...(q.choices ? [make("ol", { class: "ask-choices" }, ...q.choices.map((c, i) => make("li", {},
      make("button", { type: "button", "data-act": "choose", "data-word": c.word, "aria-pressed": String(c.word === chosen), ...(c.off ? { disabled: "" } : {}) },
        make("kbd", {}, String(i + 1)), ` ${c.say}`, ...(c.more ? [make("span", { class: "small" }, ` ${c.more}`)] : [])))))] : []),
    ...(q.fields ?? []).map((f) => make("p", { class: "ask-field" }, make("label", { for: `ask-${f.name}` }, f.label),
      make("input", { id: `ask-${f.name}`, name: f.name, value: f.value, autocomplete: "off", spellcheck: "false", maxlength: "40", ...(f.unit ? { inputmode: "numeric" } : {}) }), ` ${f.unit}`)),
    make("p", { id: "ask-told", class: "ask-told", role: "status" }, ""),
  );
  tell();
  dialog().showModal();
  // Where nothing is chosen yet, an Enter that somebody didn't mean leaves all as it is.
  const field = q.choices ? null : /** @type {HTMLElement | null} */ (dialog().querySelector("input"));
  (field ?? (q.once || (q.choices && chosen === "") ? element("ask-not") : go)).focus();
  return new Promise((done) => {
    answer = done;
  });
}

let before = -Infinity; // when the last key came, by the page's counter
let pending = 0;

/**
 * Whether a key came alone. An Enter that doesn't is the end of a read by a reader that
 * sends no frame, and presses nothing.
 * @param {KeyboardEvent} e
 */
function alone(e) {
  const lone = e.timeStamp - before > ALONE_MS;
  before = e.timeStamp;
  if (!lone && e.key === "Enter" && e.target instanceof HTMLButtonElement) e.preventDefault();
  return lone;
}

let lone = true;

/** @param {KeyboardEvent} e */
function key(e) {
  clearTimeout(pending);
  if (!asked?.choices || e.ctrlKey || e.altKey || e.metaKey || e.target instanceof HTMLInputElement || !/^[1-9]$/.test(e.key)) return;
  const choice = asked.choices[Number(e.key) - 1];
  if (choice && lone) pending = setTimeout(() => choose(choice.word), ALONE_MS);
}

/** Listens for keys, once for the page. */
export function listen() {
  const box = dialog();
  addEventListener("keydown", (e) => (lone = alone(e)), { capture: true });
  box.addEventListener("keydown", key);
  box.addEventListener("input", tell);
  box.addEventListener("cancel", (e) => {
    e.preventDefault();
    settle(null);
  });
  box.querySelector("form")?.addEventListener("submit", (e) => {
    e.preventDefault();
    confirm();
  });
}
