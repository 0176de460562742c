// @ts-check
// The desk before the centrifuges. What stands here the server draws (board.js follows
// it); this takes what is scanned, tells the answer at once, and records. Every control
// has its name in data-act:
//
//   hold         holds the page still                 who          says who scans here
//   typed        takes the number that was typed      override     lets pass what was stopped (F2)
//   undo         takes back the last record (F8)      choose-rack  fills the rack in data-rack
//   leave-rack   fills no rack any more               start        starts a rack: data-rack, else the one being filled (F4)
//   start-list   starts data-tubes in data-machine, not scanned
//   end-spin     the run of data-load ended           fail-spin    it failed, with a reason
//   dismiss      what could not be taken was seen to (data-id)     help    opens the help
//   choose       a choice of a question, data-word    do, cancel   answers or leaves a question
//
// main[data-state] is "ready" when scans are taken, #answer[data-answer] the last answer.
import { element, follow, say } from "./board.js";
import { known as enrolled } from "./devicekey.js";
import { openOutbox } from "./phone/outbox.js";
import { call, fact, keepFact, letters } from "./phone/store.js";
import * as clock from "./phone/clock.js";
import { ask, cancel, choose, confirm, listen as listenToKeys, make, open as asking } from "./rack-ask.js";
import { meaning, misfit, ofLine, perMin, same, sentence, shown, span } from "./rack-flow.js";
import { bench, choices, words } from "./rack-page.js";
import { rackSignal } from "./rack-sound.js";
import { settings } from "./rack-start.js";
import { allowSound } from "./signals.js";
import { base64, listen, symbologyOf } from "./wedge.js";

/**
 * @typedef {import("./rack-flow.js").Shown} Shown
 * @typedef {import("./phone/labels.js").Label} Label
 * @typedef {import("./phone/outbox.js").Outbox} Outbox
 * @typedef {{number: string, label: Label}} Named
 * What can be taken back: what it is about, its scans, and in words what is so again.
 * @typedef {{what: string, scans: {id: string, label: Label}[], again: string}} Step
 */

const main = element("main");
const place = main.dataset.place ?? "";
const CURRENT = `rack-current ${place}`; // in sessionStorage: the rack that is being filled
const MOST_STEPS = 50; // that can be taken back
const CHOSEN = "chosen"; // how a label came that was pressed on the page and not read again

/** @type {Outbox} */
let outbox;
/** @type {import("./phone/labels.js").Scheme[]} */
let schemes = [];
let by = main.dataset.by ?? "";
let device = "";
/** The rack that is being filled, with what was put in here: the program may not answer. @type {(Named & {tubes: string[]}) | null} */
let rack = null;
/** What was stopped last and may be let pass. @type {Named | null} */
let stopped = null;
/** @type {Step[]} */
const steps = [];
/** Runs whose minutes are over, by the ids of their elements. @type {Set<string>} */
let ended = new Set();
/** @type {Shown | null} */
let last = null;
let turn = Promise.resolve(); // reads are taken in their order

/** What is shown big and heard. @param {Shown} what @param {string} tube @param {string} [fit] */
function tell(what, tube, fit = "") {
  last = what;
  const box = element("answer");
  box.className = `answer is-${what.level}`;
  box.dataset.answer = what.key;
  box.dataset.tube = tube;
  const shape = document.querySelector(`[data-answer-of="${what.key || "none"}"] svg`) ?? document.querySelector(".answer-plain svg");
  if (shape) element("answer-shape").replaceChildren(shape.cloneNode(true));
  element("answer-shape").hidden = !shape;
  say(element("answer-tube"), tube);
  say(element("answer-word"), what.word);
  say(element("answer-more"), what.more);
  const misfits = element("answer-fit");
  say(misfits, fit);
  misfits.hidden = fit === "";
  const may = what.stops && main.dataset.mayPass === "yes";
  element("pass").hidden = !may;
  if (what.stops && !may) say(element("answer-more"), `${what.more} A scientist may let it pass; ask one.`);
  // Read out without moving the focus: what stops as an alarm, the rest as news.
  const loud = what.stops || what.level === "past" || fit !== "";
  say(element(loud ? "said" : "alarm"), "");
  say(element(loud ? "alarm" : "said"), [tube, what.word, what.more, fit].filter((t) => t !== "").join(". "));
  rackSignal(fit !== "" && !what.stops ? "nothing-left" : what.key === "" && what.level !== "past" ? "spin" : what.key);
  tick();
  draw();
}

/** News that is no answer of the rack. @param {string} word @param {string} more @param {string} [about] @param {boolean} [bad] */
const news = (word, more, about = "", bad = false) => tell({ key: "", level: bad ? "past" : "quiet", word, more, stops: false, until: 0 }, about);

/** The time that is left of a wait. */
function tick() {
  if (!last || last.until === 0) return;
  const left = last.until - board.now();
  say(element("answer-more"), left > 0 ? `${span(left)} left. It is not in the rack; it comes back by itself.` : "Its time is over: scan it again.");
}

function draw() {
  const now = rack ? bench().racks.find((r) => same(r.id, rack?.number ?? "")) : undefined;
  const held = rack ? holds(rack.number).length : 0;
  say(element("current"), rack ? `${rack.number} is being filled: ${held > 0 ? `${held} in it${now?.programme ? `, ${now.programme}` : ""}` : "nothing in it yet"}.` : "No rack is being filled.");
  const due = [...document.querySelectorAll("#machines .run.is-soon")].map((e) => e.id);
  if (due.some((id) => !ended.has(id))) rackSignal("over"); // once for each run
  ended = new Set(due);
  for (const li of document.querySelectorAll("#racks > [data-rack]")) li.classList.toggle("is-current", same(/** @type {HTMLElement} */ (li).dataset.rack ?? "", rack?.number ?? ""));
  /** @type {HTMLButtonElement} */ (element("start")).disabled = held === 0;
  /** @type {HTMLButtonElement} */ (element("leave")).disabled = !rack;
  element("undo").hidden = steps.length === 0;
  say(element("undo-what"), steps.at(-1)?.what ?? "");
  say(element("who"), by ? `${by} scans here.` : "Nobody has said who scans here.");
  element("be").hidden = main.dataset.signIn === "yes";
  if (!outbox) return;
  const n = outbox.waiting;
  const why = outbox.state === "signed-out" ? " Sign in, and they are sent." : outbox.state === "offline" ? " The program doesn’t answer." : outbox.state === "busy" ? " They aren’t taken just now." : "";
  say(element("unsent"), n === 0 ? (why === "" ? "Everything is sent." : why.trim()) : `Not sent yet: ${n}.${why} They are kept in this browser.`);
  element("unsent").className = n > 0 || why !== "" ? "is-soon" : "";
  document.documentElement.dataset.waiting = String(n);
}

/** What could not be taken, until somebody has seen to it. */
async function drawAside() {
  const list = element("set-aside");
  const rows = await Promise.all(outbox.aside.map(async (item) => {
    const scan = await outbox.read(item).catch(() => undefined);
    return make("li", {}, make("b", {}, `${scan?.step ?? "a scan"} ${scan?.label?.text ?? ""}`.trim()), ` was not taken: ${sentence(item.say || item.why)} `,
      make("button", { type: "button", class: "plain", "data-act": "dismiss", "data-id": item.id }, "Seen to"));
  }));
  list.replaceChildren(...rows);
  list.hidden = rows.length === 0;
}

/** Keeps a scan and sends it. @param {import("./phone/outbox.js").Scan} scan */
async function record(scan) {
  try {
    return await outbox.record(scan);
  } catch {
    news("Not kept", "This browser could not keep the scan. Scan it again, or write it down.", scan.label?.text ?? "", true);
    return undefined;
  }
}

const taken = (/** @type {any} */ out) => out !== undefined && (!out.answer || out.answer.answer === "recorded" || out.answer.answer === "repeated");
/** It can be taken back. What repeats a step is none of its own: the log has nothing by its id. */
const own = (/** @type {any} */ out) => taken(out) && out.answer?.answer !== "repeated";

/** @param {Step} step */
function keep(step) {
  steps.push(step);
  if (steps.length > MOST_STEPS) steps.shift();
}

/** The tubes of a rack: as the program says, and those of this page that it was not told of. @param {string} number */
function holds(number) {
  const mine = rack && same(rack.number, number) ? rack.tubes : [];
  const told = bench().racks.find((r) => same(r.id, number))?.tubes ?? [];
  return outbox?.waiting > 0 ? [...new Set([...told, ...mine])] : told;
}

/** @param {Named | null} to @param {string[]} [tubes] that are in it already */
function fill(to, tubes = []) {
  rack = to && { ...to, tubes };
  try {
    if (rack) sessionStorage.setItem(CURRENT, JSON.stringify(rack));
    else sessionStorage.removeItem(CURRENT);
  } catch {
    // for this visit only
  }
}

/** Whoever scans says so, once. */
async function someone() {
  if (by === "" && main.dataset.signIn !== "yes") {
    const said = await ask({ head: "Who scans here?", say: ["Your staff code stands beside every scan in the log."], fields: [{ name: "by", label: "Staff code", value: "", unit: "" }], verb: "That’s me" });
    by = (said?.values.by ?? "").toUpperCase();
    if (by !== "") await keepFact("staff", by);
    draw();
  }
  if (by === "") news("Nothing was taken", main.dataset.signIn === "yes" ? "Nobody is signed in here. Sign in, then scan again." : "Say who you are, then scan again.", "", true);
  return by !== "";
}

/** @param {Label} label */
async function take(label) {
  if (asking()) cancel(); // a scan goes before a question, which changes nothing
  const m = meaning(label, schemes, bench(), rack?.number ?? "");
  switch (m.kind) {
    case "wrong":
      return news("Not taken", m.say ?? "", "", true);
    case "machine":
      return rack ? start(rack, m.number) : news("Scan a rack first", "Then its tubes, then the centrifuge.", m.number, true);
    case "rack":
      return begin({ number: m.number, label });
    case "tube":
      return rack ? put({ number: m.number, label }) : alone(m.number);
    case "ask": {
      const said = await ask({ head: `${m.number}: what is it?`, say: ["No scheme says which numbers are racks."], choices: [{ word: "rack", say: "a rack" }, { word: "tube", say: "a tube" }], verb: "", once: true });
      if (said?.chosen === "rack") begin({ number: m.number, label });
      else if (said?.chosen === "tube") alone(m.number);
    }
  }
}

/** @param {Named} to */
function begin(to) {
  if (!rack || !same(rack.number, to.number)) fill(to);
  stopped = null;
  const there = bench().racks.find((r) => same(r.id, to.number));
  news(`Fill ${to.number}`, there ? `${there.tubes.length} in it already${there.programme ? `, to be spun by ${there.programme}` : ""}. Scan the tubes that go into it.` : "Scan the tubes that go into it.", to.number);
}

/** A tube that goes into no rack: what the page knows of it, and nothing is recorded. @param {string} number */
async function alone(number) {
  const line = bench().tubes.find((t) => same(t.id, number));
  if (line) return tell(ofLine(line), line.id);
  const resp = await call("GET", "v1/tubes/" + encodeURIComponent(number), undefined, 4000).catch(() => undefined);
  const more = "Nothing was recorded. Scan the rack that it goes into first.";
  if (resp?.status !== 200) return news("Scan a rack first", resp?.status === 404 ? `Nothing is known of this tube here. ${more}` : more, number, true);
  const what = shown({ answer: "recorded", tube: resp.body }, board.clock);
  tell({ ...what, more, until: 0 }, number);
}

/** Puts a tube into the rack. @param {Named} tube @param {string} [override] a reason */
async function put(tube, override = "") {
  if (!rack || !(await someone())) return;
  const into = rack;
  const before = bench();
  const line = before.tubes.find((t) => same(t.id, tube.number));
  if (line && same(line.rack, into.number) && override === "") {
    return tell({ ...ofLine(line), more: `It is in ${into.number} already.`, until: 0 }, line.id, misfit(before, into.number, line.type, line.id));
  }
  const out = await record({ step: "rack", label: tube.label, carrier: into.number, ...(override ? { details: { override } } : {}) });
  if (!out) return;
  const what = shown(out.answer, board.clock);
  const type = out.answer?.tube?.type || line?.type || "";
  stopped = what.stops ? tube : null;
  if (taken(out) && rack && same(rack.number, into.number)) fill(into, [...rack.tubes, tube.number]);
  if (own(out)) keep({ what: tube.number, scans: [{ id: out.id, label: tube.label }], again: `${tube.number} is out of ${into.number} again` });
  tell(override && taken(out) ? { ...what, level: "soon", word: "Let pass", more: `It is in the rack. The reason stands in the log. Without it: ${what.word}.` } : what, tube.number, taken(out) ? misfit(before, into.number, type, tube.number) : "");
}

async function pass() {
  if (!stopped || !last?.stops) return;
  if (main.dataset.mayPass !== "yes") return news("Not taken", "A scientist may let it pass; ask one.", stopped.number, true);
  const tube = stopped;
  const said = await ask({ head: `Let ${tube.number} pass: why?`, say: [`The rack says: ${last.word}. The reason stands in the log with your name.`], choices: choices("passes"), verb: "", once: true });
  if (said) await put(tube, said.chosen);
}

async function undo() {
  const step = steps.pop();
  if (!step || !(await someone())) return;
  const outs = await Promise.all(step.scans.map((s) => record({ step: "void", label: s.label, how: CHOSEN, reason: "wrong-step", details: { scan: s.id } })));
  const bad = outs.find((out) => !taken(out));
  if (bad) {
    steps.push(step);
    return news("Not taken back", sentence(bad.answer?.say ?? "It was refused."), "", true);
  }
  news("Taken back", `${sentence(step.again)} The log says that it was taken back.`);
}

/** @param {Record<string, string>} values @returns {Record<string, string> | null} details of a spin; null when they can't be */
function details(values) {
  for (const [name, unit] of [["g", "the force in g"], ["minutes", "the minutes"]]) {
    if (!/^\d{0,7}$/.test(values[name] ?? "")) {
      news("Not started", `Give ${unit} as a whole number.`, "", true);
      return null;
    }
  }
  return Object.fromEntries(["programme", "g", "minutes"].flatMap((k) => (values[k] ? [[k, /** @type {string} */ (values[k])]] : [])));
}

/** Starts a rack. @param {Named} load @param {string} [machine] */
async function start(load, machine) {
  const tubes = holds(load.number);
  const now = bench();
  // Without an answer a rack is what its tubes are, as far as the page knows them.
  const likely = now.programmes.find((p) => now.tubes.some((t) => t.programme === p.name && tubes.includes(t.id)));
  const row = now.racks.find((r) => same(r.id, load.number)) ?? { programme: likely?.name ?? "", g: likely?.g ?? 0, minutes: likely?.minutes ?? 0 };
  if (tubes.length === 0) return news("Not started", "No tube is in this rack, as far as the program knows.", load.number, true);
  if (!(await someone())) return;
  const said = await settings(`Start ${load.number}: where?`, [`${tubes.length} ${tubes.length === 1 ? "tube" : "tubes"}${row.programme ? `, ${row.programme}` : ""}.`], row, tubes.length, machine);
  const set = said && details(said.values);
  if (!said || !set) return;
  const at = bench().machines.find((m) => m.id === said.chosen);
  const out = await record({ step: "spin", label: load.label, place: said.chosen || place, how: CHOSEN, details: set });
  if (!out) return;
  if (!taken(out)) return news("Not started", sentence(out.answer?.say ?? ""), load.number, true);
  if (own(out)) keep({ what: `start of ${load.number}`, scans: [{ id: out.id, label: load.label }], again: `${load.number} doesn’t turn` });
  if (rack && same(rack.number, load.number)) fill(null);
  const n = at ? perMin(at.radius, Number(set.g ?? 0)) : 0;
  news(`${load.number} turns`, `${at ? `In ${at.name}` : "It is started"}${n > 0 ? `, ${n} per minute` : ""}${set.minutes ? `, until ${board.clock(board.now() + Number(set.minutes) * 60_000)}` : ""}.${out.answer ? "" : " Kept here, not sent yet."}`, load.number);
}

/** Starts the tubes of a list that nobody scanned. @param {DOMStringMap} of */
async function startList(of) {
  const tubes = words("tubes", of);
  if (tubes.length === 0 || !(await someone())) return;
  const said = await settings(`Start ${tubes.length} tubes that were not scanned?`, ["Look that they are the ones in the rotor. Each tube’s page says that it was started by a list."], { programme: of.programme ?? "", g: Number(of.g), minutes: Number(of.minutes) }, tubes.length, of.machine);
  const set = said && details(said.values);
  if (!said || !set) return;
  const load = "RUN-" + letters(8);
  const outs = await Promise.all(tubes.map(async (text) => {
    const label = /** @type {Label} */ ({ text, how: "typed" });
    return { text, label, out: await record({ step: "spin", label, place: said.chosen || place, how: "list", details: { ...set, load } }) };
  }));
  const went = outs.filter((o) => taken(o.out));
  const mine = went.filter((o) => own(o.out));
  if (mine.length > 0) keep({ what: `start of ${load}`, scans: mine.map((o) => ({ id: o.out?.id ?? "", label: o.label })), again: `${went.length} tubes don’t turn` });
  const not = outs.filter((o) => !taken(o.out));
  const why = not.map((o) => `${o.text}: ${o.out?.answer?.say ?? "not kept"}`).join("; ");
  news(went.length === 0 ? "Nothing was started" : `${went.length} tubes turn`, not.length === 0 ? "Their pages say that they were started by a list." : `Take out what was stopped. ${sentence(why)}`, load, not.length > 0);
}

/** A run ended, or failed with a reason. @param {"end-spin" | "fail-spin"} step @param {DOMStringMap} of */
async function over(step, of) {
  const load = of.load ?? "";
  if (!(await someone())) return;
  let reason = "";
  if (step === "fail-spin") {
    const said = await ask({ head: `${load} failed: why?`, say: ["The tubes come back to be spun."], choices: choices("failures"), verb: "", once: true });
    if (!said) return;
    reason = said.chosen;
  }
  // Tubes of a run are told one by one: more of them may have come while the question stood.
  const run = /** @type {HTMLElement[]} */ ([...document.querySelectorAll(`#machines [data-act="${step}"]`)]).find((b) => b.dataset.load === load);
  const tubes = words("tubes", run?.dataset ?? of);
  // What failed stands at the bench again; what ended was in the centrifuge until now.
  const at = { place: step === "fail-spin" ? place : of.machine || place, ...(reason ? { reason } : {}) };
  const labels = (tubes.length > 0 ? tubes : [load]).map((text) => /** @type {Label} */ ({ text, how: "typed" }));
  const outs = await Promise.all(labels.map(async (label) => ({ label, out: await record({ step, label, ...at, ...(tubes.length > 0 ? { details: { load }, how: "list" } : { how: CHOSEN }) }) })));
  const went = outs.filter((o) => taken(o.out));
  const mine = went.filter((o) => own(o.out));
  if (mine.length > 0) keep({ what: `end of ${load}`, scans: mine.map((o) => ({ id: o.out?.id ?? "", label: o.label })), again: `${load} still turns` });
  if (went.length < outs.length) return news("Not recorded", sentence(outs.find((o) => !taken(o.out))?.out?.answer?.say ?? ""), load, true);
  news(step === "end-spin" ? `${load} ended` : `${load} failed`, step === "end-spin" ? "Take the tubes out; they don’t stand here any more." : "Its tubes are to be spun again.", load);
}

/** @param {import("./wedge.js").Read} r @returns {Label} */
function labelOf(r) {
  const symbology = symbologyOf(r.text);
  const text = r.separator && /^\](C1|d2|d5|Q3|Q4|e0)$/.test(symbology) ? r.text.replaceAll(r.separator, "\x1d") : r.text;
  return { raw: base64(new TextEncoder().encode(text)), symbology, how: "reader" };
}

/** @param {() => unknown} what done after everything before it */
const next = (what) => (turn = turn.then(what).then(() => {}, (err) => news("Something went wrong", `${err instanceof Error ? err.message : err}. Look whether it was recorded.`, "", true)));

/** @type {Record<string, (of: DOMStringMap) => unknown>} */
const acts = {
  who: async () => {
    by = "";
    await someone();
  },
  override: pass,
  undo,
  "choose-rack": (of) => begin({ number: of.rack ?? "", label: { text: of.rack ?? "", how: "typed" } }),
  "leave-rack": () => {
    fill(null);
    news("Scan a rack", "Then the tubes that go into it.");
  },
  start: (of) => {
    const load = of.rack ? { number: of.rack, label: /** @type {Label} */ ({ text: of.rack, how: "typed" }) } : rack;
    return load ? start(load) : news("Scan a rack first", "Then its tubes.", "", true);
  },
  "start-list": startList,
  "end-spin": (of) => over("end-spin", of),
  "fail-spin": (of) => over("fail-spin", of),
  dismiss: (of) => outbox.dismiss(of.id ?? ""),
};

function listenToPage() {
  listenToKeys();
  addEventListener("click", (e) => {
    allowSound();
    const button = e.target instanceof Element ? /** @type {HTMLElement | null} */ (e.target.closest("[data-act]")) : null;
    const act = button?.dataset.act ?? "";
    if (act === "choose") return choose(button?.dataset.word ?? "");
    if (act === "do") return confirm();
    if (act === "cancel") return cancel();
    const todo = acts[act];
    if (todo && button) void next(() => todo({ ...button.dataset }));
  });
  addEventListener("keydown", (e) => {
    if (e.repeat || e.ctrlKey || e.altKey || e.metaKey || e.shiftKey) return;
    const act = { F2: "override", F4: "start", F8: "undo" }[e.key];
    if (e.key === "F9") rackSignal(last?.key ?? "");
    else if (!act) return;
    e.preventDefault();
    allowSound();
    if (act && !asking()) void next(() => acts[act]?.({}));
  });
  element("typed").addEventListener("submit", (e) => {
    e.preventDefault();
    const box = /** @type {HTMLInputElement} */ (element("number"));
    const text = box.value.trim();
    box.value = "";
    if (text !== "") void next(() => take({ text, how: "typed" }));
  });
  listen({
    read: (r) => {
      allowSound();
      if (asking()) cancel(); // what it holds up would hold up the read
      void next(() => take(labelOf(r)));
    },
    incomplete: () => news("Incomplete read", "The label was cut off. Scan it again.", "", true),
  });
}

/** The program is heard: what waits need not wait for its next try, which may be a minute off. */
function heard() {
  draw();
  if (outbox?.waiting > 0 && outbox.state === "offline") void outbox.flush();
}

const board = follow({ changed: heard, busy: () => asking() || (outbox?.waiting ?? 0) > 0 });

async function begun() {
  if (!isSecureContext) return news("This page can’t keep scans", "A browser keeps nothing on an address without TLS. Open the page by https.", "", true);
  device = (await enrolled().catch(() => undefined))?.device ?? (await fact("device")) ?? "";
  if (device === "") await keepFact("device", (device = "DESK-" + letters(8)));
  by ||= main.dataset.signIn === "yes" ? "" : ((await fact("staff")) ?? "");
  outbox = await openOutbox(() => ({ by, place, device }));
  for (const type of ["waiting", "state", "aside"]) outbox.addEventListener(type, draw);
  outbox.addEventListener("aside", () => void drawAside());
  outbox.addEventListener("late", () => void outbox.refresh().then(drawAside));
  const kept = (await call("GET", "v1/schemes", undefined, 4000).catch(() => undefined))?.body?.schemes;
  schemes = kept ?? [];
  try {
    rack = JSON.parse(sessionStorage.getItem(CURRENT) ?? "null");
  } catch {
    // nothing was being filled
  }
  listenToPage();
  setInterval(tick, 1000);
  addEventListener("visibilitychange", () => document.visibilityState === "visible" && clock.stale() && void clock.measure());
  void clock.measure();
  void outbox.flush();
  await drawAside();
  if (rack) begin(rack); // what it holds is kept with it
  draw();
  main.dataset.state = "ready";
}

begun().catch(() => news("This page can’t keep scans", "The browser keeps nothing, perhaps in a private window. Open it in an ordinary one.", "", true));
