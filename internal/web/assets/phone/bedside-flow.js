// @ts-check
// One draw from the name on the list to what is due first: which screen comes next, what a
// label means here, and what is sent. A state goes in and a new one comes out; the page,
// the clock and the network are elsewhere, so that a reload goes on where it was.
import { isCitrate, ordered, outOfOrder, toDraw, volume, wantsDiscard, years } from "./bedside-plan.js";

/**
 * @typedef {import("./bedside-plan.js").Row} Row
 * @typedef {import("./bedside-plan.js").Place} Place
 * @typedef {import("./bedside-plan.js").Planned} Planned
 * @typedef {import("./bedside-plan.js").Work} Work
 * A tube that was labelled: index in the plan, -1 for one that isn't in it; at in ms.
 * @typedef {{label: string, index: number, type: string, typeName: string, order: number, additive: string, at: number, scan: string, verdicts?: any[], defects?: string[]}} Tube
 * @typedef {"identify"|"compare"|"second"|"request"|"allergies"|"consent"|"weight"|"site"|"method"|"plan"|"draw"|"label"|"order"|"discard"|"fill"|"mix"|"handling"|"after"|"due"} Step
 * row: reference of the list's row, "" for an emergency without one. said: what was
 * answered, by step; allergies never say which.
 * @typedef {{draw: string, row: string, at: Step, way: string, checks: string[], second: string, site: string, method: string, grams: number,
 *   attempts: number, tubes: Tube[], said: Record<string, string>, given: string[], number: string, last: Last|null}} State
 * What can be taken back: the scan and what was before it.
 * @typedef {{scan: string, label: string, what: string, before: State}} Last
 * @typedef {{place: Place, row: Row|null, today: string}} About
 */

/** The screens of a draw, in order. @type {Step[]} */
export const STEPS = ["identify", "compare", "second", "request", "allergies", "consent", "weight", "site", "method", "plan", "draw", "label", "order", "discard", "fill", "mix", "handling", "after", "due"];

export const METHODS = ["needle", "winged", "catheter", "line", "capillary"];
export const SITES = ["left-elbow", "right-elbow", "left-forearm", "right-forearm", "left-hand", "right-hand", "finger", "heel", "line", "other"];
/** Common practice, no source. */
export const AVOID = ["drip", "fistula", "nodes", "haematoma", "sore"];
export const WAYS = ["band", "stated", "temporary"];
export const FAILURES = ["no-vein", "vein-collapsed", "patient-refused", "patient-absent", "not-fasting"];
/** What is most often so stands last, where the thumb is. */
export const AFTER_CARE = ["long-bleeding", "line-flushed", "pressed-bandage", "pressed-dressing"];
export const ADVERSE = ["other", "skin-reaction", "artery", "nerve-pain", "fainted", "felt-faint", "haematoma", "none"];
/** How a check is stored that the place's way of identifying makes. @type {Record<string, string[]>} */
const CHECKS = { band: [], stated: ["stated-name", "stated-birth-date"], temporary: ["temporary-number"] };
/** What is attested of what the plan asks for. @type {Record<string, string>} */
export const ATTESTS = { "on-ice": "on-ice", "in-foil": "in-foil", "kept-warm": "flask-37" };
/** After so many tries by one person another one goes on: common practice, no source. */
export const MOST_TRIES = 2;

/** @param {string} draw @param {Row|null} row @param {Place} place @returns {State} */
export function begin(draw, row, place) {
  const way = row ? ways(place)[0] : "temporary";
  return { draw, row: row?.identity.reference ?? "", at: "identify", way, checks: [], second: "", site: "", method: "", grams: 0, attempts: 1, tubes: [], said: {}, given: [], number: "", last: null };
}

/** How people are identified at a place, in the order in which it is tried. @param {Place} place */
export function ways(place) {
  const said = (place.identify ?? []).filter((w) => WAYS.includes(w));
  return said.length > 0 ? said : ["band"];
}

/** What the plan still holds, in the order of draw. @param {About} about */
export const planOf = (about) => (about.row ? toDraw(about.row) : []);

/** What is left of the plan, with its place in it. @param {State} s @param {About} about */
export const leftOf = (s, about) => planOf(about).map((p, index) => ({ ...p, index })).filter((p) => !s.tubes.some((t) => t.index === p.index));

/** The tubes with what was planned for them, as they were scanned. @param {State} s @param {About} about @returns {(Planned & Tube)[]} */
export const tubesOf = (s, about) => s.tubes.map((t) => ({ ...(planOf(about)[t.index] ?? {}), ...t }));

/** @param {State} s @param {About} about */
const handled = (s, about) => tubesOf(s, about).filter((t) => (t.handling ?? []).some((w) => ATTESTS[w]));

/** Whether a screen is asked here. @param {Step} step @param {State} s @param {About} about */
export function applies(step, s, about) {
  switch (step) {
    case "compare": return s.way === "band" && about.row !== null;
    case "second": return Boolean(about.place.secondPerson);
    case "request": return about.row !== null;
    case "weight": return about.row !== null && volume(about.row, about.place, about.today).ask;
    case "order": return s.tubes.length > 1;
    case "discard": return wantsDiscard(s.method, ordered(tubesOf(s, about)));
    case "fill": case "mix": return s.tubes.length > 0;
    case "handling": return handled(s, about).length > 0;
    default: return true;
  }
}

/** The screen after this one. @param {State} s @param {About} about @returns {State} */
export function forward(s, about) {
  const at = STEPS.slice(STEPS.indexOf(s.at) + 1).find((step) => applies(step, s, about)) ?? "due";
  return { ...s, at };
}

/** The screen before this one, as long as nothing but answers lies between. @param {State} s @param {About} about */
export function back(s, about) {
  const first = STEPS.indexOf("request");
  const at = STEPS.slice(first, STEPS.indexOf(s.at)).reverse().find((step) => applies(step, s, about));
  return at && STEPS.indexOf(s.at) <= STEPS.indexOf("draw") ? { ...s, at } : null;
}

/** @param {State} s @param {...string} words */
const checked = (s, ...words) => ({ ...s, checks: [...new Set([...s.checks, ...words])] });

/**
 * Somebody was identified. number is the temporary one, "" for the others.
 * @param {State} s @param {About} about @param {string} way @param {string} [number]
 */
export const identified = (s, about, way, number = "") => forward({ ...checked(s, ...CHECKS[way]), way, number }, about);

/** An answer that is a check. @param {State} s @param {About} about @param {string} said @param {...string} words of the API */
export const answered = (s, about, said, ...words) => forward({ ...checked(s, ...words), said: { ...s.said, [s.at]: s.at === "allergies" ? "asked" : said } }, about);

/** The scan by which somebody is identified. @param {State} s @param {{text: string, raw: string, symbology: string, how: string}|null} read of the band @param {string} [temporary] */
export function identifyScan(s, read, temporary = "") {
  const base = { draw: s.draw, ...(s.row ? { row: s.row } : {}), ...(s.second ? { with: s.second } : {}) };
  // A band's bytes stay off the log: only its number goes, and that as a reference.
  if (read) return { step: "wristband", ...base, patient: read.text, how: read.how, details: {} };
  const way = temporary ? "temporary" : "stated";
  return { step: "start-draw", ...base, ...(temporary ? { patient: temporary } : {}), details: { checks: CHECKS[way].join(",") } };
}

/** What was asked before the draw, in one further scan. Of allergies only that. @param {State} s */
export const checksScan = (s) => ({
  step: "start-draw", draw: s.draw, ...(s.second ? { with: s.second } : {}),
  details: { checks: s.checks.join(","), ...(s.site ? { site: s.site } : {}), ...(s.method ? { method: s.method } : {}) },
});

/** @param {string|undefined} a @param {string|undefined} b */
const same = (a, b) => Boolean(a) && Boolean(b) && String(a).trim().toUpperCase() === String(b).trim().toUpperCase();

/**
 * What a tube's label means for this draw. planned: it was made for this place in the
 * plan. blank: it was made for nobody, and choices says what it may be, the next in order
 * first. duplicate, collected: it was taken before. other: it is another patient's.
 * nothing-left: it belongs to nothing of the plan. A number of a request stands on all its
 * tubes, so its type is chosen.
 * @param {State} s @param {About} about @param {Work} work @param {string} number
 * @returns {{kind: "planned"|"blank"|"duplicate"|"collected"|"other"|"nothing-left", choices: number[], row?: Row}}
 */
export function meaning(s, about, work, number) {
  const left = leftOf(s, about);
  const ofRequest = left.filter((p) => same(p.request, number)).map((p) => p.index);
  if (ofRequest.length > 0) return { kind: "blank", choices: ofRequest };
  if (s.tubes.some((t) => same(t.label, number))) return { kind: "duplicate", choices: [] };
  const mine = left.find((p) => same(p.tube, number));
  if (mine) return { kind: "planned", choices: [mine.index] };
  if (about.row?.plan?.some((p) => p.collected && same(p.tube, number)) || work.here?.some((t) => same(t.tube, number))) return { kind: "collected", choices: [] };
  const row = work.rows?.find((r) => r.identity.reference !== s.row && (r.plan?.some((p) => same(p.tube, number) || same(p.request, number)) || r.requests?.some((q) => same(q.id, number))));
  if (row) return { kind: "other", choices: [], row };
  // A tube that has its label already isn't labelled again.
  const open = left.filter((p) => !p.tube);
  if (about.row && open.length === 0) return { kind: "nothing-left", choices: left.map((p) => p.index) };
  return { kind: "blank", choices: open.map((p) => p.index) };
}

/**
 * The scan of a tube that was labelled.
 * @param {State} s @param {About} about @param {{text: string, raw: string, symbology: string, how: string}} read
 * @param {number} index in the plan, -1 for none @param {string} [type] where there is no plan
 * @param {{lot?: string, expiry?: string}} [pack] that was scanned for this type
 */
export function collectScan(s, about, read, index, type = "", pack = {}) {
  const p = planOf(about)[index];
  /** @type {Record<string, string>} */
  const details = {};
  if (Number(p?.volumeUl ?? 0) > 0) details.volume = `${p.volumeUl}ul`;
  if (pack.lot) details.lot = pack.lot;
  if (pack.expiry) details.expiry = pack.expiry;
  return {
    step: "collect", label: read, draw: s.draw, type: p?.type ?? type, details,
    ...(p?.request ? { request: p.request } : {}), ...(p?.tests?.length ? { tests: p.tests } : {}),
  };
}

/** @param {State} s @param {About} about @param {Tube} tube */
export function collected(s, about, tube) {
  const next = { ...s, tubes: [...s.tubes, tube], last: { scan: tube.scan, label: tube.label, what: "tube", before: { ...s, last: null } } };
  return leftOf(next, about).length === 0 && about.row ? forward({ ...next, at: /** @type {Step} */ ("label") }, about) : next;
}

/** The tubes as they would be by the plan, and as they were scanned. @param {State} s @param {About} about */
export function orders(s, about) {
  const scanned = tubesOf(s, about);
  const planned = ordered(scanned);
  return { planned, scanned, differ: planned.some((t, i) => t.label !== scanned[i].label) && outOfOrder(scanned).length > 0 };
}

/**
 * The order in which the tubes were filled. Those that came after one of a later place
 * are noted.
 * @param {State} s @param {About} about @param {string[]} labels as drawn
 * @returns {{state: State, risks: {tube: Planned & Tube, after: Planned & Tube}[]}}
 */
export function drawnAs(s, about, labels) {
  const all = tubesOf(s, about);
  const drawn = labels.flatMap((l) => all.find((t) => t.label === l) ?? []);
  const risks = outOfOrder(drawn);
  const state = answered({ ...s, tubes: s.tubes.map((t) => (risks.some((r) => r.tube.label === t.label) ? { ...t, defects: [...(t.defects ?? []), "out-of-order"] } : t)) }, about, risks.length > 0 ? "out-of-order" : "planned", ...(risks.length > 0 ? [] : ["order-as-planned"]));
  return { state, risks };
}

/** Why tubes can't be what they should: potassium of an EDTA tube gets into the next (OD1). @param {{after: Planned}} risk */
export const riskOf = ({ after }) => (/edta/i.test(after.additive ?? "") ? "edta" : isCitrate(after) ? "citrate" : /fluoride/i.test(after.additive ?? "") ? "fluoride" : "other");

/** A note on a tube or, without label, on the draw. @param {State} s @param {string} defect @param {string} [label] @param {string} [reason] */
export const noteScan = (s, defect, label = "", reason = "") => ({ step: "note", ...(label ? { label: { text: label, how: "typed" } } : {}), draw: s.draw, details: { defect }, ...(reason ? { reason } : {}) });

/** @param {State} s @param {string} reason */
export const failScan = (s, reason) => ({ step: "fail-collection", draw: s.draw, ...(s.row ? { row: s.row } : {}), reason });

/** What is attested of the tubes that were handled as planned. @param {State} s @param {About} about */
export const attestScans = (s, about) => handled(s, about).flatMap((t) => (t.handling ?? []).filter((w) => ATTESTS[w]).map((w) => ({ step: "attest", label: { text: t.label, how: "typed" }, draw: s.draw, details: { handling: ATTESTS[w] } })));

/** @param {State} s @param {string} care @param {string} adverse */
export const endScan = (s, care, adverse) => ({ step: "end-draw", draw: s.draw, details: { "after-care": care, ...(adverse === "none" ? {} : { "adverse-event": adverse }) } });

/** Taking back is a step of its own. @param {State} s @returns {{scan: any, state: State}|null} */
export function undo(s) {
  if (!s.last) return null;
  const { scan, label, before } = s.last;
  return { scan: { step: "void", draw: s.draw, ...(label ? { label: { text: label, how: "typed" } } : {}), details: { scan }, reason: "wrong-step" }, state: before };
}

/** Whether a child is drawn: said where the age is known. @param {About} about */
export const isChild = (about) => years(about.row?.identity.birthDate, about.today) < 18;
