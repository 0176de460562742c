// @ts-check
// What the screens at the bedside share: a patient, two records beside each other, and
// words of the API's lists in the reader's language.
import { sideBySide } from "./bedside-plan.js";
import { h, shape } from "./ui.js";
import { closed, has, lang, t } from "./words.js";

/**
 * @typedef {import("./bedside-plan.js").Identity} Identity
 * @typedef {import("./bedside-plan.js").Part} Part
 */

/** @param {string} key @param {Record<string, string|number>} [args] */
export const head = (key, args) => h("h1", null, t(key, args));
/** @param {string} key @param {Record<string, string|number>} [args] */
export const para = (key, args) => h("p", null, t(key, args));

/** Microlitres as people say them. @param {number} ul */
export const ml = (ul) => `${(ul / 1000).toLocaleString(lang, { maximumFractionDigits: 1 })} ml`;

/** Minutes as people say them. @param {number} n */
export const span = (n) => (n < 120 ? t("bedside.span", { n }) : t("bedside.span-long", { h: Math.floor(n / 60), m: n % 60 }));

/** A temperature to keep a tube at. @param {string} key @param {{low: number, high: number}} keep */
export const degrees = (key, { low, high }) => t(key, { low: low.toLocaleString(lang), high: high.toLocaleString(lang) });

/** A word of a list in the reader's language, itself where the catalogue has none. @param {string} list @param {string} word */
export const word = (list, word) => (has(`bedside.${list}.${word}`) ? t(`bedside.${list}.${word}`) : word);

/** What the server refused, in words. @param {any} answer */
export const refusal = (answer) => `${closed("refusal", answer.refusal ?? "")}${lang === "en" && answer.say ? ` ${answer.say}` : ""}`;

/** @param {Part[]} parts */
const marked = (parts) => parts.map((p) => (p.differs ? h("mark", null, p.text) : p.text));

/** The patient, as on the list. @param {Identity|undefined} p */
export const person = (p) => p && h("div", { class: "person" }, h("b", null, p.name || t("bedside.no-name")),
  h("span", null, [p.birthDate && t("bedside.born", { date: p.birthDate }), p.bed && t("bedside.bed", { bed: p.bed }), p.numberEnds && t("bedside.ends", { ends: p.numberEnds })].filter(Boolean).join(" · ")),
  p.sameName && h("span", { class: "mark is-look" }, shape("look"), t("bedside.like-name")));

/**
 * Two records beside each other; differing characters are marked.
 * @param {Identity} a @param {Identity} b @param {string} [left] @param {string} [right]
 */
export function beside(a, b, left = "bedside.chosen", right = "bedside.read") {
  const cell = (/** @type {Part[]} */ parts) => h("td", null, parts.length > 0 ? marked(parts) : h("span", { class: "small" }, t("bedside.unsaid")));
  return h("div", { class: "scroll" }, h("table", { class: "beside" },
    h("thead", null, h("tr", null, h("td"), h("th", { scope: "col" }, t(left)), h("th", { scope: "col" }, t(right)))),
    h("tbody", null, sideBySide(a, b).map((f) => h("tr", null, h("th", { scope: "row" }, word("field", f.field)), cell(f.a), cell(f.b))))));
}

/** A condition as name=yes. @param {string} c */
export function condition(c) {
  const [name, value = "yes"] = c.split("=");
  const text = word("condition", name);
  return value === "yes" ? text : `${text}: ${word("value", value)}`;
}
