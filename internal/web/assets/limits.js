// @ts-check
import { morph } from "./morph.js";

const PAUSE_MS = 250; // after the last key, so that a word is one question

/** @param {string} id */
function element(id) {
  const e = document.getElementById(id);
  if (!e) throw new Error(`the page has no #${id}`);
  return e;
}

const form = /** @type {HTMLFormElement} */ (element("limits-find"));
const text = /** @type {HTMLInputElement} */ (element("q"));
const slash = /** @type {HTMLInputElement} */ (element("slash"));
let timer = 0;
let asking = new AbortController();

/** The address of what the form asks; what is empty is left out. */
function address() {
  const url = new URL(form.action, location.href);
  for (const [name, value] of new FormData(form)) if (value !== "") url.searchParams.set(name, String(value));
  return url;
}

async function search() {
  asking.abort();
  asking = new AbortController();
  const url = address();
  if (url.href === location.href) return;
  try {
    const answer = await fetch(url, { signal: asking.signal });
    if (!answer.ok) return form.submit(); // the server's own words about it
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const fresh = page.getElementById("found");
    if (!fresh) return form.submit();
    morph(element("found"), fresh);
    document.title = page.title;
    history.replaceState(null, "", url);
  } catch (e) {
    if (!(e instanceof DOMException && e.name === "AbortError")) form.submit();
  }
}

// The page of one limit has no place for results: there the form goes to the register.
if (document.getElementById("count")) {
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    clearTimeout(timer);
    search();
  });
  form.addEventListener("input", (e) => {
    if (e.target === slash) return;
    clearTimeout(timer);
    timer = setTimeout(search, PAUSE_MS);
  });
}

// WCAG 2.1.4: a key of one character can be switched off; the choice stays on this
// computer.
/** @type {HTMLElement} */ (slash.closest("[hidden]")).hidden = false;
slash.checked = localStorage.getItem("limits-slash") !== "off";
slash.addEventListener("change", () => localStorage.setItem("limits-slash", slash.checked ? "on" : "off"));
addEventListener("keydown", (e) => {
  const t = e.target;
  const typing = t instanceof HTMLElement && (t.isContentEditable || /^(INPUT|TEXTAREA|SELECT)$/.test(t.tagName));
  if (e.key !== "/" || !slash.checked || typing || e.ctrlKey || e.metaKey || e.altKey) return;
  e.preventDefault();
  text.focus();
  text.select();
});
