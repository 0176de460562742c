// @ts-check
// Spinning, measuring and freezing where blood was drawn, for places that do. What may be
// spun the server decides at the scan; without network the list says it as it last was.
import { head, para, refusal, span } from "./bedside-show.js";
import { scanner } from "./scan.js";
import { action, acts, bigKeys, h, help, onLeave, shape, show, tell, undoBar } from "./ui.js";
import { closed, t } from "./words.js";

/**
 * @typedef {import("./bedside-plan.js").Here} Here
 * @typedef {import("./scan.js").Read} Read
 * A load of the centrifuge. begun is in ms of the true time, 0 before.
 * @typedef {{id: string, rack: string, tubes: string[], g: number, minutes: number, begun: number}} Load
 * @typedef {{work: import("./bedside-plan.js").Work, now: () => number, clock: (ms: number) => string, online: () => boolean, checked: RegExp[], may: (step: string) => boolean, newLoad: () => string,
 *   record: (scan: any, how?: {live?: boolean, wait?: number}) => Promise<{id: string, answer?: any}>, tube: (read: Read) => {number?: string, refusal?: string, carrier?: boolean},
 *   keepLoad: (load: Load|null) => Promise<unknown>, load: Load|null, go: (screen: "tray"|"patients"|"spin") => unknown, changed: (tube: Here) => Promise<unknown>}} Context
 * @typedef {"waits"|"ready"|"first"|"lost"|"spun"|"frozen"|"unjudged"} Stand
 */

/**
 * Where a tube stands. A wait that the list gives ends by waiting, also without network.
 * @param {Here} tube @param {number} now ms @returns {Stand}
 */
export function standOf(tube, now) {
  if (tube.frozen) return "frozen";
  if (tube.spun) return "spun";
  if (tube.rack === "wait") return Date.parse(tube.rackUntil ?? "") > now ? "waits" : "ready";
  if (tube.rack === "run-first") return "first";
  if (tube.rack === "nothing-left") return "lost";
  return tube.rack ? "ready" : "unjudged"; // drawn here, and the server hasn't said anything yet
}

/** Minutes up to an instant, begun ones counted. @param {number} at ms @param {number} now ms */
export const minutesTo = (at, now) => Math.max(0, Math.ceil((at - now) / 60_000));

/** @type {Stand[]} */
const ORDER = ["ready", "first", "waits", "unjudged", "lost", "spun", "frozen"];
/** Which scan stops before it is sent, since the answer is known. @type {Stand[]} */
const STOPS = ["waits", "first", "lost", "spun"];

/** @param {string|undefined} a @param {string} b */
const same = (a, b) => (a ?? "").trim().toUpperCase() === b.trim().toUpperCase();

/** @param {Context} at @param {Here} tube */
function line(at, tube) {
  const stand = standOf(tube, at.now());
  const kind = stand === "ready" ? "hold" : stand === "spun" || stand === "frozen" ? "good" : "look";
  const until = Date.parse(tube.rackUntil ?? "");
  return h("li", { class: `row is-${kind === "hold" ? "good" : kind}` }, h("b", null, tube.typeName || tube.type || ""), h("span", { class: "code" }, tube.tube),
    h("span", { class: `mark is-${kind === "look" ? "look" : "good"}` }, shape(kind === "look" ? "look" : "good"), stand === "waits" ? t("bedside.spin-waits", { time: at.clock(until), span: span(minutesTo(until, at.now())) }) : t(`bedside.stand.${stand}`)),
    tube.rack === "spin-hold" && stand === "ready" && h("span", null, t("bedside.spin-hold")),
    tube.dueEarliest && stand !== "frozen" && h("span", null, t("bedside.due-short", { time: at.clock(Date.parse(tube.dueEarliest)), what: closed("ending", tube.dueUntil ?? "") })));
}

/** @param {Context} at */
export function spin(at) {
  const here = [...(at.work.here ?? [])].sort((a, b) => ORDER.indexOf(standOf(a, at.now())) - ORDER.indexOf(standOf(b, at.now())) || Date.parse(a.dueEarliest ?? "9999-01-01") - Date.parse(b.dueEarliest ?? "9999-01-01"));
  const load = at.load;
  if (load?.begun) return running(at, load);
  const others = [at.may("measure") && action("bedside.measure", () => single(at, "measure")), at.may("freeze") && action("bedside.freeze", () => single(at, "freeze"))];
  const away = [action("bedside.to-patients", () => at.go("patients"), { kind: "quiet" })];
  if (here.length === 0 && !load) return show(head("bedside.spin"), h("p", { class: "big" }, t("bedside.spin-empty")), acts(...away), help("bedside.spin-help"));
  // A wait that ends is shown without anybody touching the screen.
  const next = Math.min(...here.map((x) => (standOf(x, at.now()) === "waits" ? Date.parse(x.rackUntil ?? "") : Infinity)));
  if (next < Infinity) {
    const timer = setInterval(() => list.replaceChildren(...here.map((x) => line(at, x))), 15_000);
    onLeave(() => clearInterval(timer));
  }
  const list = h("ul", { class: "rows" }, here.map((x) => line(at, x)));
  const scan = at.may("spin") ? scanner({ wanted: "spin", onRead: (r) => add(at, r), checked: at.checked }).node : para("bedside.spin-not-you");
  const loaded = load && h("section", { "aria-labelledby": "load" }, h("h2", { id: "load" }, t("bedside.load", { n: load.tubes.length })), load.rack && h("p", null, t("bedside.load-rack", { rack: load.rack })),
    h("p", { class: "code" }, load.tubes.join(" ")), undoBar(t("bedside.load-last", { label: load.tubes.at(-1) ?? load.rack }), () => out(at, load)), acts(load.tubes.length > 0 && action("bedside.load-go", () => programme(at, load), { kind: "main" })));
  show(head("bedside.spin"), scan, loaded, list, acts(...others, ...away), help("bedside.spin-help"));
}

/** @param {Context} at @param {Load|null} load */
async function put(at, load) {
  await at.keepLoad(load);
  at.load = load;
  spin(at);
}

/** A tube or a rack for the load. @param {Context} at @param {Read} read */
async function add(at, read) {
  const named = at.tube(read);
  if (named.refusal || !named.number) return tell("stop", named.refusal ?? t("bedside.no-number"));
  const load = at.load ?? { id: at.newLoad(), rack: "", tubes: [], g: 0, minutes: 0, begun: 0 };
  if (named.carrier) {
    await put(at, { ...load, rack: named.number });
    return tell("good", t("bedside.load-rack", { rack: named.number }));
  }
  const number = named.number;
  if (load.tubes.some((x) => same(x, number))) return tell("stop", t("bedside.load-twice", { label: number }));
  const tube = at.work.here?.find((x) => same(x.tube, number));
  const stand = tube ? standOf(tube, at.now()) : "unjudged";
  // With network the server's answer is newer than the list's.
  if (STOPS.includes(stand) && (!at.online() || !load.rack)) return tell("stop", stand === "waits" ? t("bedside.spin-waits", { time: at.clock(Date.parse(tube?.rackUntil ?? "")), span: span(minutesTo(Date.parse(tube?.rackUntil ?? ""), at.now())) }) : t(`bedside.stop.${stand}`));
  if (load.rack) {
    const { answer } = await at.record({ step: "rack", label: read, carrier: load.rack });
    if (answer?.answer === "refused") return tell("stop", refusal(answer));
  }
  await put(at, { ...load, tubes: [...load.tubes, number] });
  const more = !tube ? "bedside.load-unknown" : tube.rack === "spin-hold" ? "bedside.spin-hold" : stand === "unjudged" ? "bedside.stand.unjudged" : "";
  tell(tube && stand !== "unjudged" ? "good" : "look", [t("bedside.loaded", { label: number }), more ? ` ${t(more)}` : ""]);
}

/** Takes the last tube out of the load again. @param {Context} at @param {Load} load */
async function out(at, load) {
  const last = load.tubes.at(-1);
  if (last && load.rack) await at.record({ step: "unpack", label: { text: last, how: "typed" }, carrier: load.rack }, { live: false });
  await put(at, last && (load.tubes.length > 1 || load.rack) ? { ...load, tubes: load.tubes.slice(0, -1) } : null);
}

const KEPT = "spin-programme"; // in localStorage: g and minutes of the last load on this phone

/** @param {Context} at @param {Load} load */
function programme(at, load) {
  let [g, minutes] = ["", ""];
  try {
    [g = "", minutes = ""] = (localStorage.getItem(KEPT) ?? "").split(" ");
  } catch {
    // They are typed each time.
  }
  const ask = (/** @type {"g"|"minutes"} */ what, /** @type {string} */ value, /** @type {(n: number) => unknown} */ done) =>
    show(head(`bedside.programme-${what}`), para("bedside.programme-say"), bigKeys({ label: t(`bedside.programme-${what}-label`), unit: what === "g" ? "× g" : t("bedside.minutes"), value, most: what === "g" ? 5 : 3, done: (x) => (Number(x) > 0 ? done(Number(x)) : tell("stop", t("bedside.programme-zero"))) }),
      acts(action("bedside.fail-not", () => spin(at), { kind: "quiet" })), help("bedside.spin-help"));
  ask("g", g, (force) => ask("minutes", minutes, async (long) => {
    try {
      localStorage.setItem(KEPT, `${force} ${long}`);
    } catch {
      // As above.
    }
    await start(at, { ...load, g: force, minutes: long });
  }));
}

/** @param {Context} at @param {Load} load */
async function start(at, load) {
  const details = { load: load.id, g: String(load.g), minutes: String(load.minutes) };
  /** @type {[string, any][]} */
  const refused = [];
  for (const tube of load.tubes) {
    const { answer } = await at.record({ step: "spin", label: { text: tube, how: "typed" }, ...(load.rack ? { carrier: load.rack } : {}), details });
    if (answer?.answer === "refused") refused.push([tube, answer]);
  }
  const tubes = load.tubes.filter((x) => !refused.some(([y]) => x === y));
  await put(at, tubes.length > 0 ? { ...load, tubes, begun: at.now() } : null);
  if (refused.length > 0) tell("stop", [t("bedside.spin-take-out"), refused.map(([tube, answer]) => h("p", null, `${tube}: ${refusal(answer)}`))]);
}

/** @param {Context} at @param {Load} load */
function running(at, load) {
  const end = load.begun + load.minutes * 60_000;
  const left = h("p", { class: "huge", role: "timer" });
  let told = at.now() >= end;
  const beat = () => {
    const n = minutesTo(end, at.now());
    left.textContent = n > 0 ? t("bedside.spin-left", { span: span(n), time: at.clock(end) }) : t("bedside.spin-over");
    if (n === 0 && !told) tell("note", t("bedside.spin-over"), { sound: true, repeat: true });
    told ||= n === 0;
  };
  const timer = setInterval(beat, 1000);
  onLeave(() => clearInterval(timer));
  const all = async (/** @type {string} */ step, /** @type {string} */ reason = "") => {
    for (const tube of load.tubes) {
      await at.record({ step, label: { text: tube, how: "typed" }, details: { load: load.id }, ...(reason ? { reason } : {}) }, { live: false });
      const here = at.work.here?.find((x) => same(x.tube, tube));
      if (here && step === "end-spin") await at.changed({ ...here, spun: true });
    }
    await put(at, null);
    tell(reason ? "look" : "good", t(reason ? "bedside.spin-failed" : "bedside.spin-ended", { n: load.tubes.length }));
  };
  show(head("bedside.spinning"), left, h("p", null, t("bedside.spin-programme", { g: load.g, n: load.minutes })), h("p", { class: "code" }, load.tubes.join(" ")),
    acts(action("bedside.spin-fail", () => show(head("bedside.spin-why"), acts(...["machine-stopped", "imbalance", "broken"].map((r) => action(`bedside.failure.${r}`, () => all("fail-spin", r))), action("bedside.fail-not", () => spin(at), { kind: "quiet" })), help("bedside.spin-help"))),
      action("bedside.spin-end", () => all("end-spin"), { kind: "main" })), help("bedside.spin-help"));
  beat();
}

/** Each scan is one step. @param {Context} at @param {"measure"|"freeze"} step @param {{id: string, label: string}} [last] */
function single(at, step, last) {
  const read = async (/** @type {Read} */ r) => {
    const named = at.tube(r);
    if (named.refusal || !named.number) return tell("stop", named.refusal ?? t("bedside.no-number"));
    const { id, answer } = await at.record({ step, label: r, details: step === "measure" ? { what: "measured" } : {} });
    if (answer?.answer === "refused") return tell("stop", refusal(answer));
    const tube = at.work.here?.find((x) => same(x.tube, named.number ?? ""));
    if (tube && step === "freeze") await at.changed({ ...tube, frozen: true });
    single(at, step, { id, label: named.number });
    tell(tube ? "good" : "look", [t(`bedside.${step}-done`, { label: named.number }), tube ? "" : ` ${t("bedside.load-unknown")}`]);
  };
  show(head(`bedside.${step}`), para(`bedside.${step}-say`), scanner({ wanted: "tube", onRead: read, checked: at.checked }).node,
    last && undoBar(t(`bedside.${step}-done`, { label: last.label }), async () => {
      await at.record({ step: "void", label: { text: last.label, how: "typed" }, details: { scan: last.id }, reason: "wrong-step" }, { live: false });
      single(at, step);
      tell("note", t("bedside.taken-back"), { sound: true });
    }), acts(action("bedside.to-spin", () => spin(at))), help(`bedside.${step}-help`));
}
