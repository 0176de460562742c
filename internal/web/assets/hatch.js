// @ts-check
// The reception's desk. The server draws and follows; this records what a person scans
// and presses, by the same queue as the phones, so that work goes on when nothing answers.
//
// data-act names, for whoever drives the page:
//   page      number (form #scan), unlabelled, sound, silence, keys, print, undo-last, other-place
//   box       open (a row of #boxes), close-box, undo-arrival, read-logger, without-logger, condition, finish
//   a tube    choose, receive, accept, deviate, reject, defect, undo (rows #tube-NUMBER)
//   a line    take, act, aside, override, undo (rows of #hands), back (rows of #aside), take-all (rows of #held)
//   a draw    sample-ask, sample-decline, sample-done (rows of #samples)
//   dialog    cancel; letters: defect-<letter>, condition-<letter>, reject-<letter>, act-<letter>, ask-<letter>, decline-<letter>;
//             buttons that send: deviate-send, aside-send, override-send, finish-send, unlabelled-send, reject-send,
//             logger-send, logger-answer, who-send
// Keys, while no field is being filled in: a d r f t x p o u z j k (see the page's help).
import { element, follow, say } from "./board.js";
import { choices, fill, pick, asking } from "./hatch-ask.js";
import { desk } from "./hatch-desk.js";
import { readFile } from "./hatch-logger.js";
import { sounds } from "./hatch-sound.js";
import { letters } from "./phone/store.js";
import { ask, base64, listen } from "./wedge.js";

/**
 * @typedef {import("./phone/outbox.js").Scan} Scan
 * @typedef {import("./phone/outbox.js").Outcome} Outcome
 * @typedef {{id: string, episode?: number, scan?: string}} Flagged
 */

const main = element("main");
const keysOn = /** @type {HTMLInputElement} */ (element("keys"));
const number = /** @type {HTMLInputElement} */ (element("number"));
const KEYS = "hatch-keys"; // name in localStorage
const WITHOUT = "hatch-without"; // name in sessionStorage: loggers without which this desk goes on

const d = desk();
const board = follow({ fresh: "#hands > [data-since]", changed, busy: () => asking() || d.waiting() > 0 });
const sound = sounds(board);
let box = main.dataset.box ?? "";
/** The tube in hand, by its number. */
let hand = "";

/** The rows of a list. @param {string} id @returns {HTMLElement[]} */
const rows = (id) => /** @type {HTMLElement[]} */ ([...element(id).children]);
/** @param {Element | null | undefined} row @returns {Flagged[]} */
const flagged = (row) => JSON.parse((row instanceof HTMLElement && row.dataset.tubes) || "[]");
/** @param {string} tube @returns {HTMLElement | null} */
const rowOf = (tube) => document.getElementById("tube-" + tube);
const openBox = () => /** @type {HTMLElement | undefined} */ (rows("box")[0]);

/** What follows from a new drawing. */
function changed() {
  const lines = rows("hands").map((r) => ({
    cause: r.dataset.cause ?? "", level: r.dataset.level ?? "", waits: r.dataset.state === "",
    words: r.querySelector("h3")?.textContent?.replace(/\s+/g, " ").replace(/ new$/, "").trim() ?? "",
  }));
  const news = sound.hear(lines);
  if (news) say(element(news.level === "past" ? "alarm" : "news"), `New: ${news.words}`);
  say(element("aside-count"), String(rows("aside").length));
  say(element("untouched"), document.querySelector("#head .untouched")?.textContent ?? "Nothing is untouched.");
  point();
  count();
  goOnWithout();
}

/** Marks the tube in hand. */
function point() {
  for (const t of document.querySelectorAll(".box-tube")) {
    if (/** @type {HTMLElement} */ (t).dataset.tube === hand) t.setAttribute("aria-current", "true");
    else t.removeAttribute("aria-current");
  }
}

/** Counts down to the clock time at which a tube has clotted. */
function count() {
  for (const e of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(".countdown"))) {
    const left = Math.ceil((Number(e.dataset.until) - board.now()) / 1000);
    say(e, left > 0 ? `${Math.floor(left / 60)}:${String(left % 60).padStart(2, "0")}` : "now");
  }
}

/** @returns {string[]} */
function without() {
  try {
    return JSON.parse(sessionStorage.getItem(WITHOUT) ?? "[]");
  } catch {
    return [];
  }
}

/** A logger without which this desk goes on asks no more; its flags still say provisional. */
function goOnWithout() {
  const names = without();
  for (const e of /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(".logger.is-behind"))) {
    const acts = /** @type {HTMLElement | null} */ (e.querySelector(".acts"));
    if (acts) acts.hidden = names.includes(`${box} ${e.dataset.logger}`);
  }
}

// Recording.

/** @type {{scans: {target: Partial<Scan>, id: string}[], words: string} | null} */
let last = null;

/**
 * Keeps scans of one act, says what became of them, and offers to take them back.
 * @param {Scan[]} scans
 * @param {string} words what was done
 * @param {string} [thing] number of what was scanned, where its label holds what a reader sent
 * @returns {Promise<boolean>} all of them count
 */
async function record(scans, words, thing = "") {
  if (scans.length === 0) return false;
  if (!(await d.ready())) return false;
  d.say("");
  const out = await d.record(scans);
  if (!out) return false;
  /** @type {string[]} */
  const no = [];
  /** @type {string[]} */
  const notes = [];
  let later = 0;
  /** @type {{target: Partial<Scan>, id: string}[]} */
  const kept = [];
  out.forEach((o, i) => {
    const scan = /** @type {Scan} */ (scans[i]);
    const name = thing || (scan.label?.text ?? "");
    const a = o.answer;
    if (!a) later++;
    else if (a.answer === "repeated") notes.push(a.say || "This step was recorded before.");
    else if (a.answer !== "recorded") return void no.push(`${name || scan.draw || ""}: ${a.say || a.refusal || a.answer}`);
    for (const doubt of a?.doubts ?? []) if (doubt.say) notes.push(doubt.say);
    // What repeats a step is no step of its own: the log has nothing by its id to take back.
    if (scan.step !== "void" && a?.answer !== "repeated") kept.push({ target: name ? { label: label(name) } : { draw: scan.draw }, id: o.id });
  });
  const some = no.length < out.length;
  if (no.length > 0) d.refuse([...new Set(no)].slice(0, 5).join(" "), out.length > 1 ? `${no.length} of ${out.length} not taken. ` : "Not taken. ");
  if (some) {
    last = kept.length > 0 ? { scans: kept, words } : null;
    element("undo-bar").hidden = !last;
    d.say([words + (later > 0 ? ". Kept here, sent as soon as the system answers." : "."), ...new Set(notes)].join(" "), no.length === 0);
  }
  return no.length === 0;
}

/** Takes scans back by their ids. @param {{target: Partial<Scan>, id: string}[]} what @param {string} words */
function takeBack(what, words) {
  return record(what.filter((w) => w.id).map((w) => ({ ...w.target, step: "void", details: { scan: w.id }, reason: "typing-mistake" })), words);
}

/** @param {string} text @returns {{text: string}} */
const label = (text) => ({ text });

/**
 * One step for every tube of a line, as one act.
 * @param {Element | null | undefined} row
 * @param {string} step
 * @param {Partial<Scan>} more
 * @param {string} words
 */
function flagStep(row, step, more, words) {
  const tubes = flagged(row);
  if (tubes.length === 0) return;
  const what = tubes.length === 1 ? tubes[0]?.id : `${tubes.length} tubes`;
  return record(tubes.map((t) => ({ step, label: label(t.id), ...more, details: { ...(t.episode ? { episode: String(t.episode) } : {}), ...more.details } })), `${what} ${words}`);
}

// Scans.

/**
 * What was read. A box is opened, a tube received; the rest says what it is.
 * @param {{bytes: Uint8Array, symbology: string, how: any, separator: string, separates: boolean, text: string}} r
 */
async function read(r) {
  const typed = r.how === "typed";
  /** @type {Scan["label"]} */
  const read = typed ? { text: r.text, how: "typed" } : { raw: base64(r.bytes), symbology: r.symbology, how: r.how };
  let what;
  try {
    what = await ask(/** @type {any} */ (r));
  } catch {
    // Nobody can say what it is: by what stands on this page it may be a box, else it is a tube.
    const known = rows("boxes").some((b) => b.dataset.box === r.text);
    return known ? take(r.text, read) : receive(r.text, read);
  }
  if (what.refusal) return d.refuse(`${what.refusal.say}. ${what.refusal.remedy}.`, "");
  const named = what.reading;
  const id = named?.id || named?.number || r.text;
  switch (named?.names) {
    case "carrier":
      return take(id, read);
    case "tube":
    case "":
      return receive(id, read);
    case "logger":
      return logger(id);
    default:
      return d.refuse(`This label names ${named?.says ?? "nothing known here"}. Scan a box or a tube.`, "");
  }
}

/** Opens a box; its arrival is noted if that is outstanding. @param {string} id @param {Scan["label"]} [read] */
async function take(id, read) {
  const row = rows("boxes").find((b) => b.dataset.box === id) ?? (openBox()?.dataset.box === id ? openBox() : undefined);
  show(id);
  if (row?.dataset.here) return d.say(`${id} is open. It was here already.`, true);
  await record([{ step: "receive", label: read ?? label(id), from: row?.dataset.from }], `${id} is here, taken over by this desk`, id);
}

/** Shows a box, or none. @param {string} id */
function show(id) {
  box = id;
  hand = "";
  const at = new URL(location.href);
  at.searchParams.set("place", d.place);
  if (id) at.searchParams.set("box", id);
  else at.searchParams.delete("box");
  history.replaceState(null, "", at);
  const stream = new URL(main.dataset.stream ?? "", location.href);
  if (id) stream.searchParams.set("box", id);
  else stream.searchParams.delete("box");
  main.dataset.stream = stream.pathname + stream.search;
  main.dataset.box = id;
  board.follow(main.dataset.stream);
}

/** Receives a tube, out of the open box if there is one. @param {string} id @param {Scan["label"]} read */
async function receive(id, read) {
  const row = rowOf(id);
  const before = row && row.dataset.state !== "missing" ? row.querySelector(".tube-state")?.textContent?.trim() : "";
  hand = id;
  point();
  row?.scrollIntoView({ block: "nearest" });
  if (before) return d.refuse(`${id} was scanned before: ${before}. It counts once.`, "");
  const done = await record([{ step: "receive", label: read, carrier: box || undefined }], `${id} received`, id);
  if (!done || !box || row) return;
  d.say(`${id} received. By the log it was not in ${box}: extra.`, false);
}

/** A tube without a label gets a temporary number. */
async function unlabelled() {
  const as = "TMP-" + letters(5);
  const v = await fill("A tube without a label", [`It is received under ${as}. Write this number on the tube now, and ask where it came from.`], [], `Receive it as ${as}`, "unlabelled-send");
  if (!v) return;
  hand = as;
  await record([{ step: "receive", carrier: box || undefined, details: { as } }], `Received without a label, as ${as}`, as);
}

// What is done with the tube in hand.

/** @param {string} tube */
const accept = (tube) => record([{ step: "accept", label: label(tube) }], `${tube} accepted`);

/** @param {string} tube */
async function deviate(tube) {
  const v = await fill(`Accept ${tube} with a deviation`, [], [
    { name: "authoriser", say: "Who allows it", hint: "staff code", people: true, must: "Name who allows the deviation." },
    { name: "reason", say: "Why", kind: "choice", list: choices("deviation") },
    { name: "report", say: "Code of the report's comment", hint: "what the report will say; may stay empty" },
  ], "Accept with this deviation", "deviate-send");
  if (!v) return;
  await record([{ step: "accept", label: label(tube), reason: v.reason, details: { deviation: "yes", authoriser: v.authoriser ?? "", ...(v.report ? { report: v.report } : {}) } }], `${tube} accepted with a deviation allowed by ${v.authoriser}`);
}

/** @param {string} tube */
async function reject(tube) {
  const reason = await pick(`Reject ${tube}: why?`, choices("reject"), "reject");
  if (!reason) return;
  const said = choices("reject").find((c) => c.code === reason)?.say;
  await record([{ step: "reject", label: label(tube), reason }], `${tube} rejected: ${said}`);
}

/** @param {string} tube */
async function defect(tube) {
  const code = await pick(`What is wrong with ${tube}?`, choices("defect"), "defect");
  if (!code) return;
  await record([{ step: "note", label: label(tube), details: { defect: code } }], `${tube}: ${choices("defect").find((c) => c.code === code)?.say} noted`);
}

/** What a person sees on the box, by HL7 table 0544. */
async function condition() {
  const name = box;
  const code = await pick(`What is wrong with ${name} itself?`, choices("condition"), "condition");
  if (code) await record([{ step: "note", label: label(name), details: { defect: code } }], `${name}: ${choices("condition").find((c) => c.code === code)?.say} noted`);
}

// What is done with flags.

/** @param {Element | null | undefined} row */
const takeFlags = (row) => flagStep(row, "take-flag", {}, "taken");

/** @param {Element | null | undefined} row */
async function act(row) {
  const action = await pick("What was done?", choices("act"), "act");
  if (action) await flagStep(row, "act-flag", { details: { action } }, `: ${choices("act").find((c) => c.code === action)?.say}. The flag stays up until the facts clear it`);
}

/** @param {Element | null | undefined} row */
async function aside(row) {
  const soon = new Date(board.now() + 30 * 60_000);
  const v = await fill("Put aside until", ["It is counted and listed meanwhile, and comes back by itself."], [
    { name: "until", say: "Until", hint: "time of the clock above", kind: "time", value: board.clock(soon.getTime()), must: "Say when it shall come back." },
    { name: "reason", say: "Why", kind: "choice", list: choices("aside") },
  ], "Put it aside", "aside-send");
  if (!v) return;
  const until = nextAt(v.until ?? "");
  await flagStep(row, "put-aside", { reason: v.reason, details: { until: new Date(until).toISOString() } }, `put aside until ${board.clock(until)}`);
}

/** The next instant at which the place's clock shows a time. @param {string} hhmm */
function nextAt(hhmm) {
  const now = board.now();
  const [h, m] = hhmm.split(":").map(Number);
  const [nowH, nowM] = board.clock(now).split(":").map(Number);
  let minutes = ((h ?? 0) - (nowH ?? 0)) * 60 + (m ?? 0) - (nowM ?? 0);
  if (minutes <= 0) minutes += 24 * 60;
  return Math.floor(now / 60_000) * 60_000 + minutes * 60_000;
}

/** @param {Element | null | undefined} row */
async function override(row) {
  const v = await fill("Let it pass in spite of its flag", ["For scientists. The reason stands in the log beside your name."], [
    { name: "reason", say: "Why", kind: "choice", list: choices("deviation") },
  ], "Let it pass", "override-send");
  if (v) await flagStep(row, "override", { reason: v.reason }, "let pass");
}

/** Takes back what was last said of a line or a tube. @param {HTMLElement | null | undefined} row */
function undo(row) {
  if (row?.dataset.tube) return takeBack([{ target: { label: label(row.dataset.tube) }, id: row.dataset.scan ?? "" }], `${row.dataset.tube}: the last step is taken back`);
  return takeBack(flagged(row).map((t) => ({ target: { label: label(t.id) }, id: t.scan ?? "" })), "Taken back");
}

// Boxes, loggers, samples.

async function finish() {
  const row = openBox();
  if (!row) return;
  const missing = (row.dataset.missing ?? "").trim().split(" ").filter(Boolean);
  const [of, got] = [Number(row.dataset.of), Number(row.dataset.got)];
  const extra = document.querySelectorAll("#tubes .box-tube").length - of;
  const words = [`${got} of ${of} received${extra > 0 ? `, and ${extra} that the log did not have in it` : ""}.`];
  if (missing.length > 0) words.push(`Missing: ${missing.join(", ")}. Look into the box once more. What stays missing is noted as a doubt of each tube, and its place of origin sees it.`);
  const v = await fill(`Finish ${box}`, words, [{ name: "count", say: "Tubes that you took out", hint: "counted by hand", value: String(got + Math.max(0, extra)), must: "Count the tubes that you took out." }], missing.length > 0 ? `Finish it with ${missing.length} missing` : "Finish it", "finish-send");
  if (!v) return;
  if (!/^\d{1,4}$/.test(v.count ?? "")) return d.refuse("The count is a whole number. Nothing was noted.", "");
  const name = box;
  if (await record([{ step: "empty", label: label(name), details: { count: v.count ?? "" } }], `${name} finished${missing.length > 0 ? `, ${missing.length} missing noted` : ""}`)) element("boxes").scrollIntoView({ block: "nearest" });
}

/** @param {string} id */
async function logger(id) {
  const row = /** @type {HTMLElement | null} */ (document.querySelector(`.logger[data-logger="${CSS.escape(id)}"]`));
  if (!(await d.ready())) return;
  const said = await readFile(id, { by: d.by, carrier: box, zone: row?.dataset.zone ?? "" });
  if (said) d.say(said, true);
}

/** @param {HTMLElement} row @returns {{draw: string, tubes: string[], whole: boolean}} */
const sampleOf = (row) => JSON.parse(row.dataset.sample ?? "{}");

/** @param {HTMLElement} row */
async function sampleAsk(row) {
  const s = sampleOf(row);
  const reason = await pick("Ask for a new sample: why?", choices("ask"), "ask");
  if (!reason) return;
  // One needle: the draw is asked for once; single tubes of it are named where not all are lost.
  /** @type {Scan[]} */
  const scans = s.whole ? [{ step: "ask-sample", draw: s.draw, reason }] : s.tubes.map((t) => ({ step: "ask-sample", label: label(t), reason }));
  await record(scans, "A new sample is asked for");
}

/** @param {HTMLElement} row */
async function sampleDecline(row) {
  const reason = await pick("No new sample: why?", choices("decline"), "decline");
  if (reason) await record([{ step: "decline-sample", draw: sampleOf(row).draw, reason }], "No new sample: noted");
}

// Presses and keys.

/** @type {Record<string, (row: HTMLElement | null, tube: string) => unknown>} */
const deeds = {
  take: (row) => takeFlags(row),
  act: (row) => act(row),
  aside: (row) => aside(row),
  override: (row) => override(row),
  undo: (row) => undo(row),
  back: (row) => takeBack(flagged(row).map((t) => ({ target: { label: label(t.id) }, id: t.scan ?? "" })), "Brought back"),
  "take-all": (row) => flagStep(row, "take-flag", {}, `taken over from ${row?.dataset.by}`),
  choose: (_, tube) => ((hand = tube), point()),
  receive: (_, tube) => receive(tube, { text: tube, how: "typed" }),
  accept: (_, tube) => accept(tube),
  deviate: (_, tube) => deviate(tube),
  reject: (_, tube) => reject(tube),
  defect: (_, tube) => defect(tube),
  open: (row) => take(row?.dataset.box ?? ""),
  "close-box": () => show(""),
  "undo-arrival": (row) => takeBack([{ target: { label: label(box) }, id: row?.dataset.scan ?? "" }], `The arrival of ${box} is taken back`),
  "read-logger": (row) => logger(row?.dataset.logger ?? ""),
  "without-logger": (row) => goWithout(row?.dataset.logger ?? ""),
  finish,
  condition,
  unlabelled,
  "sample-ask": (row) => row && sampleAsk(row),
  "sample-decline": (row) => row && sampleDecline(row),
  "sample-done": (row) => row && record([{ step: "sample-done", draw: sampleOf(row).draw }], "Drawn again: noted"),
  "undo-last": () => last && takeBack(last.scans, `Taken back: ${last.words}`),
  print: () => print(),
};

/** @param {string} id */
function goWithout(id) {
  try {
    sessionStorage.setItem(WITHOUT, JSON.stringify([...without(), `${box} ${id}`]));
  } catch {
    // It asks again after the page is loaded anew.
  }
  d.say(`You go on without ${id}. What its minutes say is provisional until it is read.`, false);
  goOnWithout();
}

/** One deed after the other: each means what it does once the one before is done. */
let busy = Promise.resolve();
/** @param {() => unknown} deed */
function run(deed) {
  busy = busy.then(async () => void (await deed())).catch((e) => d.refuse(String(e instanceof Error ? e.message : e), ""));
}

let pressed = { at: 0, what: "" };
addEventListener("click", (e) => {
  const button = e.target instanceof Element ? e.target.closest("[data-act]") : null;
  if (!(button instanceof HTMLElement) || button.closest("#ask") || button.closest("#scan")?.contains(button) && button.dataset.act === "number") return;
  const deed = deeds[button.dataset.act ?? ""];
  if (!deed) return;
  const row = /** @type {HTMLElement | null} */ (button.closest(".logger, .box-tube, [data-tubes], [data-box]:not(main), [data-sample], [data-by]"));
  // A second press of the same key within half a second is the same finger.
  const what = button.dataset.act + (row?.id ?? "");
  if (pressed.what === what && performance.now() - pressed.at < 500) return;
  pressed = { at: performance.now(), what };
  const tube = row?.dataset.tube ?? "";
  if (tube) {
    hand = tube;
    point();
  }
  run(() => deed(row, tube));
});

/** @param {EventTarget | null} t */
const typing = (t) => t instanceof Element && t.matches("input:not([type=checkbox]), textarea, select, [contenteditable]");

/** The line or tube where the cursor is. @returns {HTMLElement | null} */
const here = () => document.activeElement?.closest("#hands > li, .box-tube") ?? null;

/** @type {Record<string, string>} */
const byKey = { a: "accept", d: "deviate", r: "reject", f: "defect", t: "take", x: "act", p: "aside", o: "override", u: "unlabelled", z: "undo-last" };

addEventListener("keydown", (e) => {
  // A letter that answered a question has closed it, and means nothing more.
  if (e.defaultPrevented || !keysOn.checked || asking() || typing(e.target) || e.ctrlKey || e.altKey || e.metaKey || e.repeat) return;
  if (e.key === "j" || e.key === "k") return step(e.key === "j" ? 1 : -1);
  const name = byKey[e.key];
  if (!name) return;
  let row = here();
  if (["accept", "deviate", "reject", "defect"].includes(name)) {
    row = row?.dataset.tube ? row : rowOf(hand);
    if (!row || row.dataset.state === "missing") return;
  } else if (["take", "act"].includes(name)) {
    row ??= rowOf(hand);
  }
  if (["take", "act", "aside", "override"].includes(name) && flagged(row).length === 0) return;
  e.preventDefault();
  const deed = deeds[name];
  if (deed) run(() => deed(row, row?.dataset.tube ?? hand));
});

/** Goes to the next line. @param {1 | -1} by */
function step(by) {
  const all = /** @type {HTMLElement[]} */ ([...document.querySelectorAll("#hands > li, .box-tube")]);
  const at = all.findIndex((r) => r === here());
  const next = all[at < 0 ? (by > 0 ? 0 : all.length - 1) : Math.min(all.length - 1, Math.max(0, at + by))];
  next?.focus();
}

element("scan").addEventListener("submit", (e) => {
  e.preventDefault();
  const text = number.value.trim();
  number.value = "";
  if (text) run(() => read({ bytes: new TextEncoder().encode(text), symbology: "", how: "typed", separator: "", separates: false, text }));
});

listen({
  read: (r) => {
    if (asking()) return d.refuse("A question is open. Answer it, then scan again.", "Not taken. ");
    run(() => read({ ...r, text: new TextDecoder().decode(r.bytes) }));
  },
  incomplete: () => d.refuse("Incomplete read. Scan again.", "Not taken. "),
});

try {
  keysOn.checked = localStorage.getItem(KEYS) !== "off";
} catch {
  keysOn.checked = true;
}
keysOn.addEventListener("change", () => {
  try {
    localStorage.setItem(KEYS, keysOn.checked ? "on" : "off");
  } catch {
    // It holds until the page is left.
  }
});

setInterval(count, 1_000);
changed();
d.open(main.dataset.place ?? "").catch((e) => d.refuse(`This browser can't keep scans: ${e instanceof Error ? e.message : e}. Use another browser.`, ""));
