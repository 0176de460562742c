// @ts-check
import { AIM } from "./framing.js";
import { ask, keep, listen, prefixFault, settings, symbologyOf } from "./wedge.js";
import { advise, gaps, learn, nameOf, namesOf, pointOf, shown } from "./advice.js";

/** @typedef {import("./advice.js").Came} Came */
/** @typedef {{reading?: import("./wedge.js").Reading, refusal?: import("./wedge.js").Refusal, fault?: string}} Answer */

const MOST_BEFORE = 5;

/** @param {string} id */
function element(id) {
  const e = document.getElementById(id);
  if (!e) throw new Error(`the page has no #${id}`);
  return e;
}

/** @param {string} tag @param {string} text @param {string} [is] class */
function el(tag, text, is = "") {
  const e = document.createElement(tag);
  if (is) e.className = is;
  e.textContent = text;
  return e;
}

const on = /** @type {HTMLInputElement} */ (element("on"));
const prefix = /** @type {HTMLInputElement} */ (element("prefix"));
/** @type {Came|null} */
let came = null;
/** Whether the read that is shown is a person's number, which isn't listed later. */
let personal = false;
let turn = 0; // of the read that is shown, for answers that come late

/** @param {Came} c */
function take(c) {
  // The rest of a read that was cut belongs to it.
  if (came?.kind === "cut" && c.why === "rest" && came.why !== "rest") c = { ...c, strokes: came.strokes.concat(c.strokes), text: came.text + c.text, framed: came.framed };
  else if (came) putBefore(came);
  came = c;
  personal = false;
}

/** @param {Came} c @param {Answer} answer */
function show(c, answer) {
  const advice = advise(c, settings(), answer.refusal);
  const faults = advice.filter((a) => !a.note);
  personal = answer.reading !== undefined && /^(patient|person)$/.test(answer.reading.names);
  const level = c.kind === "cut" ? "past" : faults.length > 0 ? "soon" : "none";
  const head = c.kind === "cut" ? "Incomplete read, not taken" : faults.length > 0 ? "Whole read, with something to change" : "Whole read";
  element("came").className = `came is-${level}`;
  element("came-head").replaceChildren(shape(level), ` ${head}`);
  element("came-say").replaceChildren(...advice.map((a) => {
    const p = el("p", "", a.note ? "advice" : "advice change");
    p.append(el("b", a.head + "."), " " + a.do);
    return p;
  }));
  element("came-text").replaceChildren(...c.strokes.map((s) => {
    const li = el("li", "", s.text > " " && s.text !== "\x7f" ? "" : "unseen");
    li.append(el("b", s.text === "" ? s.how : nameOf(s.text).split(",")[0]), el("span", s.text === "" ? "no character" : pointOf(s.text)));
    if (s.text !== "" && s.how) li.append(el("span", s.how));
    return li;
  }));
  element("came-facts").replaceChildren(...facts(c, answer).flatMap(([name, say]) => {
    const div = el("div", "");
    div.append(el("dt", name), el("dd", say));
    return [div];
  }));
  const rests = gaps(c.strokes);
  element("came-keys").replaceChildren(...c.strokes.map((s, i) => {
    const row = el("tr", "");
    const th = el("th", s.text === "" ? "none" : nameOf(s.text));
    th.setAttribute("scope", "row");
    row.append(th, el("td", s.text === "" ? "" : pointOf(s.text)), el("td", s.how || "its key"), el("td", i === 0 ? "" : `${Math.round(rests[i - 1])} ms`));
    return row;
  }));
  element("came").hidden = false;
  element("first").hidden = true;
  const listening = element("listening");
  listening.textContent = "Listening for the next read.";
  listening.className = "listening heard";
  element("said").textContent = `${head}. ${advice[0].head}.`;
}

/** @param {Came} c @param {Answer} answer @returns {[string, string][]} */
function facts(c, answer) {
  const { prefix: own } = settings();
  const id = symbologyOf(c.text);
  const row = document.querySelector(`#symbologies tr[data-id="${CSS.escape(id)}"]`);
  const says = row ? `${id}, ${row.children[1].textContent}, ${row.children[2].textContent} data` : "";
  /** @type {[string, string][]} */
  const all = named(answer);
  all.push(["In front", says || (c.framed && own === AIM ? `${c.text.slice(0, 3)}, not known here` : "no symbology identifier")]);
  if (own !== AIM) all.push(["Prefix", c.framed ? `${own} came` : `${own} did not come`]);
  all.push(["Behind", c.end === "" ? "no end came" : c.end]);
  const spelled = [...new Set(c.strokes.filter((s) => s.text === "\x1d").map((s) => s.how))];
  all.push(["GS", spelled.length > 0 ? `as ${spelled.join(" and ")}` : settings().separator && c.text.includes(settings().separator) ? `as ${settings().separator}` : "none came"]);
  const rests = gaps(c.strokes).sort((a, b) => a - b);
  if (rests.length > 0) all.push(["Between keys", `${Math.round(rests[rests.length >> 1])} ms mostly, ${Math.round(rests[rests.length - 1])} ms at most; ${c.strokes.length} keys`]);
  return all;
}

/** What the label says. @param {Answer} answer @returns {[string, string][]} */
function named(answer) {
  /** @type {[string, string][]} */
  const all = [];
  if (answer.reading) all.push(["Names", namesOf(answer.reading) + (answer.reading.word ? ` (${answer.reading.word})` : "")]);
  if (answer.reading?.elements?.length) all.push(["Parts", answer.reading.elements.map((e) => `(${e.ai})${e.value}`).join(" ")]);
  if (answer.refusal) all.push(["The label", sentence(answer.refusal.say) + " To do: " + sentence(answer.refusal.remedy, false)]);
  if (answer.refusal?.ways?.length) all.push(["It could be", answer.refusal.ways.join(" or ")]);
  if (answer.fault) all.push(["The label", answer.fault]);
  return all;
}

/** @param {string} text @param {boolean} [capital] */
function sentence(text, capital = true) {
  return (capital ? text.charAt(0).toUpperCase() : text.charAt(0)) + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".");
}

/** @param {string} level */
function shape(level) {
  const t = /** @type {HTMLTemplateElement} */ (element(`shape-${level}`));
  return document.importNode(t.content, true);
}

/** @param {Came} c */
function putBefore(c) {
  const list = element("before-list");
  const li = el("li", "");
  li.append(personal ? "a person's number," : el("code", c.text === "" ? "no character" : shown(c.text)), ` ${c.kind === "cut" ? "incomplete" : "whole"}`);
  list.prepend(li);
  while (list.children.length > MOST_BEFORE) list.lastElementChild?.remove();
  element("before").hidden = false;
}

/** What a read of the test code taught. @param {string} text */
function teach(text) {
  const lesson = learn(text);
  if (lesson === null) return;
  if (lesson.how === "gs") keep({ separator: "", separates: true });
  else if (lesson.how === "replaced") keep({ separator: lesson.separator, separates: true });
  else keep({ separator: "", separates: false });
}

function standing() {
  const s = settings();
  on.checked = s.on;
  prefix.value = s.prefix;
  element("learned").textContent = !s.separates ? "Not known yet." : s.separator === "" ? "Known: the reader sends GS itself." : `Known: the reader sends ${s.separator} for GS.`;
  element("forget").hidden = !s.separates;
  const listening = element("listening");
  listening.hidden = false;
  if (came && s.on) return;
  listening.className = "listening";
  listening.textContent = s.on ? "Listening. Scan a label." : "Not listening: reads are switched off in this browser, below.";
}

listen({
  async read(r) {
    const mine = ++turn;
    take({ ...r, kind: "read" });
    teach(r.text);
    const c = /** @type {Came} */ (came);
    /** @type {Answer} */
    let answer = {};
    try {
      answer = await ask({ ...r, separator: settings().separator, separates: settings().separates });
    } catch (e) {
      answer = { fault: e instanceof Error ? e.message : String(e) };
    }
    if (mine === turn) show(c, answer);
  },
  incomplete(cut) {
    turn++;
    take(cut);
    show(/** @type {Came} */ (came), {});
  },
}, { bare: true });

element("set").addEventListener("submit", (e) => {
  e.preventDefault();
  const fault = prefixFault(prefix.value);
  const say = element("kept");
  prefix.toggleAttribute("aria-invalid", fault !== "");
  if (fault !== "") {
    say.textContent = fault;
    say.className = "fault";
    prefix.focus();
    return;
  }
  say.className = "";
  say.textContent = keep({ on: on.checked, prefix: prefix.value }) ? "Kept." : "This browser keeps nothing; it counts until the page is left.";
});
element("forget").addEventListener("click", () => {
  keep({ separator: "", separates: false });
  element("learn-head").scrollIntoView({ block: "nearest" });
});
addEventListener("reader-settings", standing);
addEventListener("storage", standing);
standing();
