// @ts-check
// The page at the bedside: who scans and what there is to do, and which screen is shown.
// Screens are loaded when they are first needed; all of them lie on the phone.
import { alone } from "./alone.js";
import { start } from "./bar.js";
import { trueNow } from "./clock.js";
import { matches, read, staff } from "./labels.js";
import { call, letters } from "./store.js";
import { action, acts, h, help, show, tell } from "./ui.js";
import { keepWork, readWork } from "./vault.js";
import { closed, inZone, lang, t } from "./words.js";

/**
 * @typedef {import("./bedside-plan.js").Work} Work
 * @typedef {import("./bedside-plan.js").Row} Row
 * @typedef {import("./bedside-plan.js").Here} Here
 * @typedef {import("./bedside-flow.js").State} State
 * What was drawn here and the server's list may not know yet.
 * @typedef {{row: string, tests: string, type: string, here: Here}} Mine
 */

const TYPES = "pack-types"; // in localStorage: the tube type of a maker's product number

const { outbox, session } = await start();
await alone("bedside");

/** Which roles a step is for, where people sign in; the server decides. @type {Record<string, string[]>} */
const MAY = { spin: ["collector", "reception", "scientist"], freeze: ["collector", "reception", "scientist"], measure: ["reception", "scientist"] };

/** @param {string} step */
function may(step) {
  if (session.me.kind === "anyone") return true;
  const roles = [...session.me.roles, ...session.me.rolesAt.filter((r) => r.place === session.place).map((r) => r.role)];
  return roles.some((r) => MAY[step]?.includes(r));
}

/** @type {Work} */
let work = { place: { id: session.place }, rows: [], here: [] };
/** @type {Mine[]} */
let mine = [];
/** @type {"" | "none" | "denied"} */
let lacking = "";
let screen = "";

/** The list from the server, else the one that was kept. */
async function load() {
  const sent = outbox.waiting === 0;
  const resp = await call("POST", "v1/work:get", { place: session.place, by: session.by }, outbox.state === "sent" ? 8000 : 3000).catch(() => undefined);
  mine = (await readWork("mine")) ?? [];
  if (resp?.status === 200) {
    work = resp.body;
    if (sent) mine = [];
    await keepWork("work", work);
    await keepWork("mine", mine);
    lacking = "";
  } else {
    const kept = await readWork("work");
    if (kept?.place?.id === session.place) work = kept;
    lacking = kept?.place?.id === session.place ? "" : resp?.status === 403 ? "denied" : "none";
  }
  for (const m of mine) put(m);
  inZone(work.place.zone);
}

/** Puts what was drawn here into the list. @param {Mine} m */
function put(m) {
  const planned = work.rows?.find((r) => r.identity.reference === m.row)?.plan?.find((p) => !p.collected && p.type === m.type && (p.tests ?? []).join() === m.tests);
  if (planned) planned.collected = true;
  work.here ??= [];
  const i = work.here.findIndex((x) => x.tube === m.here.tube);
  if (i < 0) work.here.push(m.here);
  else work.here[i] = { ...work.here[i], spun: work.here[i].spun || m.here.spun, frozen: work.here[i].frozen || m.here.frozen };
}

/** Day at the place, year-month-day. */
const today = () => new Date(trueNow()).toLocaleDateString("sv", { timeZone: work.place.zone || undefined });

/** Time of day at the place, with its offset, and the day where it isn't today. @param {number} ms */
function clock(ms) {
  const timeZone = work.place.zone || undefined;
  const other = new Date(ms).toLocaleDateString("sv", { timeZone }) !== today();
  return new Intl.DateTimeFormat(lang === "de" ? "de" : "en-GB", { hour: "2-digit", minute: "2-digit", hour12: false, timeZone, timeZoneName: "shortOffset", ...(other ? { weekday: "short" } : {}) }).format(ms);
}

const tubeSchemes = () => (work.schemes ?? []).filter((s) => s.names === "tube");

/** @param {import("./scan.js").Read} label @returns {{number?: string, refusal?: string, carrier?: boolean}} */
function tube(label) {
  const said = read(label, work.schemes ?? []);
  if (said.wrong) return { refusal: closed("refusal", "short-read") };
  if (said.names === "product") return { refusal: closed("refusal", "product-code") };
  if (said.names === "carrier") return { number: said.number, carrier: true };
  if (said.names === "tube" || said.names === "request" || (said.names === "" && tubeSchemes().length === 0)) return { number: said.number };
  return { refusal: closed("refusal", said.names === "" ? "unknown-label" : "wrong-scheme") };
}

/** @param {import("./scan.js").Read} label */
function pack(label) {
  const said = read(label, work.schemes ?? []);
  if (said.names === "patient") return { band: true };
  return said.wrong ? { refusal: closed("refusal", "short-read") } : { product: said.elements.find((e) => e.ai === "01")?.value, lot: said.lot, expiry: said.expiry };
}

/** @returns {Record<string, string>} */
function types() {
  try {
    return JSON.parse(localStorage.getItem(TYPES) ?? "{}");
  } catch {
    return {};
  }
}

/** @param {string} type @param {{product?: string, lot?: string, expiry?: string}} p */
async function keepPack(type, p) {
  packs[type] = { lot: p.lot, expiry: p.expiry };
  await keepWork("packs", packs);
  try {
    if (p.product) localStorage.setItem(TYPES, JSON.stringify({ ...types(), [p.product]: type }));
  } catch {
    // It is asked again next time.
  }
}

/** @param {State} s @param {Row|null} row */
async function done(s, row) {
  for (const x of s.tubes) {
    const p = row ? (await import("./bedside-plan.js")).toDraw(row)[x.index] : undefined;
    mine.push({ row: s.row, type: x.type, tests: (p?.tests ?? []).join(), here: {
      tube: x.label, type: x.type, typeName: x.typeName, testNames: p?.testNames ?? [], collected: new Date(x.at).toISOString(), dueUntil: p?.dueUntil,
      ...(Number(p?.dueMinutes ?? 0) > 0 ? { dueEarliest: new Date(x.at + Number(p?.dueMinutes) * 60_000).toISOString() } : {}),
      ...(Number(p?.waitMinutes ?? 0) > 0 ? { rack: "wait", rackUntil: new Date(x.at + Number(p?.waitMinutes) * 60_000).toISOString() } : {}),
    } });
    put(mine[mine.length - 1]);
  }
  await keepWork("mine", mine);
  if (row && work.samples?.length) await (await import("./bedside-samples.js")).drawn(context(), s, row);
}

// The laboratory asks for new samples, and may take that back: this place is told.
setInterval(async () => screen !== "draw" && outbox.state === "sent" && (await import("./bedside-samples.js")).ask(context(), session.place, () => screen, load), 60_000);

/** @param {Here} here */
async function changed(here) {
  mine.push({ row: "", type: "", tests: "", here });
  put(mine[mine.length - 1]);
  await keepWork("mine", mine);
}

/** What screens need of this phone. */
function context() {
  const here = { get work() { return work; }, get today() { return today(); }, get asOf() { return work.asOf ?? ""; } };
  return Object.assign(Object.create(here), {
    by: session.by, now: trueNow, clock, newDraw: () => "D-" + letters(10), newLoad: () => "L-" + letters(8), spins: Boolean(work.place.spins) && may("spin"), may,
    checked: [], record: outbox.record.bind(outbox), online: () => outbox.state === "sent",
    matches: async (/** @type {any} */ r) => (work.salt ? (await matches(r, /** @type {any} */ (work))).row ?? null : null),
    tube, pack, staff: (/** @type {any} */ r) => staff(r, work.schemes ?? []), packs, keepPack, typeOf: (/** @type {string} */ product) => types()[product] ?? "", checkedRows, load: centrifuge, done, changed,
    types: () => [...new Map((work.rows ?? []).flatMap((r) => r.plan ?? []).filter((p) => p.type).map((p) => [p.type, { type: p.type ?? "", typeName: p.typeName ?? "" }])).values()],
    keepList: () => keepWork("work", work), keep: (/** @type {any} */ draw) => keepWork("draw", draw && { ...draw, place: session.place }), keepLoad: async (/** @type {any} */ l) => {
      centrifuge = l;
      await keepWork("load", l);
    },
    leave: async () => {
      if (outbox.state === "sent") await load();
      await go("patients");
    },
    renew: async () => {
      const was = screen;
      await load();
      if (screen !== was) return; // a draw was begun meanwhile
      await go(screen);
      if (outbox.state !== "sent") tell("look", t("bedside.renew-not"));
    },
    spin: () => go("spin"), go, begin: async (/** @type {Row|null} */ row, /** @type {any} */ r) => {
      screen = "draw";
      return (await import("./bedside-draw.js")).begin(context(), row, r);
    },
  });
}

/** @type {Record<string, {lot?: string, expiry?: string}>} */
const packs = (await readWork("packs")) ?? {};
/** Conditions that were asked about before walking. @type {Set<string>} */
const checkedRows = new Set();
/** @type {any} */
let centrifuge = (await readWork("load")) ?? null;

/** @param {string} to */
async function go(to) {
  screen = to;
  history.replaceState(null, "", `#${to}`);
  if (lacking) return none();
  if (to === "again") return (await import("./bedside-samples.js")).samples(context());
  if (to === "spin") return (await import("./bedside-spin.js")).spin(context());
  const lists = await import("./bedside-list.js");
  (to === "patients" ? lists.patients : lists.tray)(context());
}

/** There is no list: without network nothing was kept, or it isn't for this person. */
function none() {
  show(h("h1", null, t("bedside.no-list")), h("p", null, t(lacking === "denied" ? "bedside.no-list-denied" : "bedside.no-list-say")),
    acts(action("bedside.emergency", () => context().begin(null)), action("bedside.renew", () => context().renew(), { kind: "main" })), help("bedside.patients-help"));
}

outbox.addEventListener("late", (e) => {
  const { scan, answer } = /** @type {CustomEvent} */ (e).detail;
  tell("stop", t("bedside.late", { step: closed("step", scan.step), label: scan.label?.text ?? "", why: closed("refusal", answer.refusal ?? answer.answer) }), { repeat: true });
});

/** Goes on where this phone was. */
async function resume() {
  const draw = await readWork("draw");
  // Another place's draw waits until the phone is there again.
  if (!draw?.state || draw.place !== session.place) return go(["tray", "patients", "spin", "again"].find((s) => location.hash === `#${s}`) ?? "tray");
  const { Run } = await import("./bedside-draw.js");
  screen = "draw";
  new Run(context(), draw.row, draw.state).again();
}

/** Another language draws the same screen anew. */
async function anew() {
  if (screen === "draw") return (await import("./bedside-draw.js")).Run.now?.again();
  await go(screen);
}

// What one person began isn't the next one's: their own page begins.
const { by } = session;
session.addEventListener("session", () => session.by !== by && location.reload());

await load();
await resume();
addEventListener("words", anew);
