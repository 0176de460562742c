// @ts-check
// The desk's questions: a dialog with a list of which a letter chooses, or with fields.
// A letter counts only while no field is being filled in.
import { element } from "./board.js";
import { h } from "./phone/ui.js";

/**
 * @typedef {{key: string, code: string, say: string}} Choice
 * @typedef {{name: string, say: string, hint?: string, kind?: "text"|"time"|"file"|"choice", list?: Choice[], people?: boolean, value?: string, must?: string}} Field
 * @typedef {Record<string, string>} Values
 */

const dialog = /** @type {HTMLDialogElement} */ (element("ask"));
const form = /** @type {HTMLFormElement} */ (dialog.querySelector("form"));
const head = element("ask-head");
const body = element("ask-body");

/** @type {((v: Values | null) => void) | null} */
let answer = null;
/** @type {Choice[]} */
let letters = [];
/** @type {(code: string) => void} */
let choose = () => {};

/** Somebody is being asked: no key means anything else. */
export const asking = () => dialog.open;

/** A closed list of the page. @param {string} name @returns {Choice[]} */
export function choices(name) {
  return [...document.querySelectorAll(`#choices [data-list="${name}"] > li`)].map((e) => {
    const li = /** @type {HTMLElement} */ (e);
    return { key: li.dataset.key ?? "", code: li.dataset.code ?? "", say: li.textContent ?? "" };
  });
}

/** @param {Values | null} v */
function done(v) {
  const f = answer;
  answer = null;
  letters = [];
  if (dialog.open) dialog.close();
  f?.(v);
}

dialog.addEventListener("close", () => done(null));
dialog.addEventListener("keydown", (e) => {
  if (e.ctrlKey || e.altKey || e.metaKey || e.target instanceof HTMLInputElement) return;
  const hit = letters.find((c) => c.key === e.key.toLowerCase());
  if (!hit) return;
  e.preventDefault();
  choose(hit.code);
});

/** @param {string} title @param {(Node | string)[]} content @returns {Promise<Values | null>} */
function open(title, content) {
  done(null);
  head.textContent = title;
  body.replaceChildren(...content);
  return new Promise((f) => {
    answer = f;
    dialog.showModal();
  });
}

const cancel = () => h("button", { type: "button", class: "plain", "data-act": "cancel", click: () => done(null) }, "Cancel ", h("kbd", null, "Esc"));

/**
 * One of a list, by a press or a letter.
 * @param {string} title
 * @param {Choice[]} list
 * @param {string} act data-act of each is act-letter
 * @returns {Promise<string | null>} its code
 */
export async function pick(title, list, act) {
  letters = [];
  const made = open(title, [
    h("ul", { class: "pick" }, list.map((c) => h("li", null, h("button", { type: "button", class: "plain", "data-act": `${act}-${c.key || c.code}`, "data-code": c.code, click: () => done({ code: c.code }) }, c.key ? h("kbd", null, c.key) : null, " ", c.say)))),
    h("p", { class: "acts" }, cancel()),
  ]);
  letters = list.filter((c) => c.key !== "");
  choose = (code) => done({ code });
  return (await made)?.code ?? null;
}

/**
 * Fields to fill in. What must be said is asked for in words, and nothing is lost.
 * @param {string} title
 * @param {string[]} words paragraphs above
 * @param {Field[]} fields
 * @param {string} yes what the button says
 * @param {string} act its data-act
 * @returns {Promise<Values | null>}
 */
export function fill(title, words, fields, yes, act) {
  letters = [];
  const fault = h("p", { class: "fault", role: "alert" });
  const rows = fields.map((f) => {
    const id = `ask-${f.name}`;
    if (f.kind === "choice") {
      return h("fieldset", { class: "ask-choice" }, h("legend", null, f.say), (f.list ?? []).map((c, i) =>
        h("label", { class: "tick" }, h("input", { type: "radio", name: f.name, value: c.code, checked: f.value === undefined ? i === 0 : f.value === c.code }), h("span", null, c.say))));
    }
    return h("p", { class: "field" }, h("label", { for: id }, f.say, f.hint ? h("span", { class: "small" }, " " + f.hint) : null),
      h("input", { id, name: f.name, type: f.kind ?? "text", value: f.value ?? false, autocomplete: "off", spellcheck: "false", maxlength: f.kind === "text" || !f.kind ? "200" : false, list: f.people ? "people" : false }));
  });
  const send = () => {
    /** @type {Values} */
    const out = {};
    for (const f of fields) {
      const chosen = /** @type {HTMLInputElement | null} */ (form.querySelector(f.kind === "choice" ? `[name="${f.name}"]:checked` : `[name="${f.name}"]`));
      out[f.name] = chosen?.value.trim() ?? "";
      if (f.must && out[f.name] === "") {
        fault.textContent = f.must;
        chosen?.focus();
        return;
      }
    }
    done(out);
  };
  form.onsubmit = (e) => {
    e.preventDefault();
    send();
  };
  return open(title, [...words.map((w) => h("p", null, w)), ...rows, fault, h("p", { class: "acts" }, h("button", { type: "submit", "data-act": act }, yes), " ", cancel())]);
}

/** The file that was chosen in the question that is open. @returns {File | undefined} */
export const chosenFile = () => /** @type {HTMLInputElement | null} */ (form.querySelector("input[type=file]"))?.files?.[0];
