// @ts-check
// A page where people write: a scan has no place in their words. One that is framed is
// taken out of the way, one that isn't is asked about before it is sent.
import { listen, looksLikeScan } from "./wedge.js";

/** Says something beside a field, and where the field is. @param {HTMLInputElement|HTMLTextAreaElement} field @param {string} text */
function say(field, text) {
  const id = field.id + "-scan";
  let note = document.getElementById(id);
  if (!note) {
    note = document.createElement("span");
    note.id = id;
    note.className = "fault";
    note.setAttribute("role", "alert");
    field.after(note);
    field.setAttribute("aria-describedby", `${field.getAttribute("aria-describedby") ?? ""} ${id}`.trim());
  }
  note.textContent = text;
}

/** @type {NodeListOf<HTMLInputElement|HTMLTextAreaElement>} */
const fields = document.querySelectorAll("[data-remark]");
/** What was asked about and sent again is meant so. @type {Map<Element, string>} */
const meant = new Map();

addEventListener("submit", (e) => {
  for (const field of fields) {
    const word = looksLikeScan(field.value, JSON.parse(field.dataset.remark || "[]"));
    if (field.form !== e.target || word === "" || meant.get(field) === field.value) continue;
    e.preventDefault();
    e.stopImmediatePropagation();
    meant.set(field, field.value);
    say(field, `${word} looks like a number off a label. Take it out; or send again if it belongs there.`);
    field.focus();
    return;
  }
}, { capture: true });

const told = () => fields.forEach((f) => say(f, "A label was scanned. This page takes none, and your words are as they were."));
listen({ read: told, incomplete: told });
