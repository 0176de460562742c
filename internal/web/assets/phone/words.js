// @ts-check
// The texts of the phone pages, from the one catalogue: /internal/web/words.

/** @typedef {"en" | "de"} Lang */

const kept = "custody-lang";

/** @type {Record<string, string>} */
let texts = {};

/** @type {Lang} */
export let lang = "en";

/** The language that was chosen on this phone, else the browser's. @returns {Lang} */
function chosen() {
  let said = "";
  try {
    said = localStorage.getItem(kept) ?? "";
  } catch {
    // a browser that keeps nothing
  }
  return (said || navigator.language).toLowerCase().startsWith("de") ? "de" : "en";
}

/**
 * Loads the texts of a language; without one, of the chosen.
 * @param {Lang} [want]
 */
export async function words(want = chosen()) {
  const answer = await fetch(new URL(`./words.${want}.json`, import.meta.url));
  if (!answer.ok) throw new Error(`the words in ${want} were answered ${answer.status}`);
  texts = await answer.json();
  lang = want;
  document.documentElement.lang = want;
  for (const e of document.querySelectorAll("[data-say]")) e.textContent = t(/** @type {HTMLElement} */ (e).dataset.say ?? "");
}

/** Changes the language and keeps that. @param {Lang} want */
export async function setLang(want) {
  await words(want);
  try {
    localStorage.setItem(kept, want);
  } catch {
    // for this visit only
  }
}

/** Whether the catalogue has a text. @param {string} key */
export const has = (key) => texts[key] !== undefined;

/**
 * A text with what stands in its places. With n 1, the text of key + ".one" where there
 * is one.
 * @param {string} key
 * @param {Record<string, string | number>} [args]
 */
export function t(key, args = {}) {
  const text = (args.n === 1 ? texts[key + ".one"] : undefined) ?? texts[key] ?? key;
  return text.replace(/\{([a-z]+)\}/gi, (all, name) => (args[name] === undefined ? all : String(args[name])));
}

/**
 * A word of one of the API's closed lists in the reader's language; the word itself where the
 * catalogue doesn't know it.
 * @param {"refusal" | "doubt" | "action" | "step" | "rack" | "ending"} list
 * @param {string} word
 */
export const closed = (list, word) => (has(`api.${list}.${word}`) ? t(`api.${list}.${word}`) : word);

/** Zone of the place where the phone is; the phone's own while none is known. @type {string | undefined} */
let zone;

/** Says in which zone times are told. @param {string | undefined} name of IANA */
export function inZone(name) {
  zone = name || undefined;
}

/** Time of day at the place. @param {Date | string | number} at */
export const clockTime = (at) => new Date(at).toLocaleTimeString(lang === "de" ? "de" : "en-GB", { hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: zone });

/** The same with its offset, which every screen says once. @param {Date | string | number} at */
export const clockOffset = (at) => new Date(at).toLocaleTimeString(lang === "de" ? "de" : "en-GB", { hour: "2-digit", minute: "2-digit", hourCycle: "h23", timeZone: zone, timeZoneName: "shortOffset" });
