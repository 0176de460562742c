// @ts-check
// What is to be drawn, in which order, how much, and what of it is due first. It has no
// page, no clock and no chance: the same question always has the same answer.

/**
 * As the API gives them; 64-bit numbers are text in JSON.
 * @typedef {{field: string, parts: {text: string, differs?: boolean}[]}} Marked
 * @typedef {{reference: string, name?: string, birthDate?: string, numberEnds?: string, number?: string, sex?: string, bed?: string, place?: string,
 *   sameName?: boolean, marked?: Marked[]}} Identity
 * @typedef {{tube?: string, request?: string, type?: string, typeName?: string, additive?: string, order?: number, inversions?: number,
 *   volumeUl?: string|number, tests?: string[], testNames?: string[], handling?: string[], keep?: {low: string, high: string},
 *   waitMinutes?: string|number, dueMinutes?: string|number, dueTest?: string, dueUntil?: string, advice?: string[], apart?: string[], collected?: boolean, again?: string}} Planned
 * @typedef {{id: string, priority?: string, conditions?: string[], irreplaceable?: boolean, destination?: string}} Request
 * @typedef {{identity: Identity, match?: string, requests?: Request[], plan?: Planned[], drawnUl?: string|number, bloodUlPerKg?: string|number}} Row
 * @typedef {{tube: string, type?: string, typeName?: string, testNames?: string[], collected?: string, dueEarliest?: string, dueLatest?: string, dueUntil?: string,
 *   rack?: string, rackUntil?: string, spun?: boolean, frozen?: boolean, carrier?: string, holder?: string, gel?: boolean}} Here
 * @typedef {{id: string, name?: string, zone?: string, identify?: string[], secondPerson?: boolean, spins?: boolean, mostDrawPermille?: string|number, assumed?: {low: string, high: string}}} Place
 * A new sample that is asked for; needed false: later facts leave no test lost.
 * @typedef {{draw: string, row?: string, tubes?: string[], reason?: string, drawnAt?: string, drawnUl?: string, needed?: boolean}} Sample
 * @typedef {{place: Place, asOf?: string, salt?: string, rows?: Row[], here?: Here[], schemes?: any[], samples?: Sample[]}} Work
 * @typedef {{text: string, differs: boolean}} Part
 */

const MINUTE_MS = 60_000;

/** What still has to be drawn of a patient, in the order of draw. @param {Row} row @returns {Planned[]} */
export const toDraw = (row) => ordered((row.plan ?? []).filter((p) => !p.collected));

/** In the order of draw; what the catalogue gives no place for comes last. @template {Planned} T @param {T[]} plan @returns {T[]} */
export const ordered = (plan) => [...plan].sort((a, b) => (a.order || 99) - (b.order || 99));

/**
 * What to take along for all patients of a list. packs: for tubes that the place itself
 * doesn't keep as they must be.
 * @param {Row[]} rows @param {Place} place
 * @returns {{kinds: {type: string, typeName: string, additive: string, order: number, count: number, labelled: number}[],
 *   handling: Record<string, number>, unknown: {name: string, tests: string[]}[], several: string[], split: number, ul: number,
 *   packs: {low: number, high: number, colder: boolean, n: number}[]}}
 */
export function tray(rows, place) {
  /** @type {Map<string, any>} */
  const kinds = new Map();
  /** @type {Record<string, number>} */
  const handling = {};
  const unknown = [];
  const several = [];
  /** @type {Map<string, any>} */
  const packs = new Map();
  let split = 0;
  let ul = 0;
  for (const row of rows) {
    for (const p of toDraw(row)) {
      if (!p.type) {
        unknown.push({ name: row.identity.name ?? "", tests: p.testNames ?? p.tests ?? [] });
        continue;
      }
      const kind = kinds.get(p.type) ?? { type: p.type, typeName: p.typeName ?? p.type, additive: p.additive ?? "", order: p.order || 99, count: 0, labelled: 0 };
      kind.count++;
      if (p.tube) kind.labelled++;
      kinds.set(p.type, kind);
      for (const w of p.handling ?? []) handling[w] = (handling[w] ?? 0) + 1;
      const keep = keepOf(p, place);
      if (keep) packs.set(`${keep.low} ${keep.high}`, { ...keep, n: (packs.get(`${keep.low} ${keep.high}`)?.n ?? 0) + 1 });
      if (p.advice?.includes("several-tubes-fit")) several.push(kind.typeName);
      if (p.apart?.length) split++;
      ul += Number(p.volumeUl ?? 0);
    }
  }
  return { kinds: [...kinds.values()].sort((a, b) => a.order - b.order), handling, unknown, several: [...new Set(several)], split, ul, packs: [...packs.values()] };
}

/**
 * Whether a pack is past the day that its label gives; that day itself still counts, and
 * without a day the month does (GS1 General Specifications, AI 17).
 * @param {string} expiry year-month-day or year-month @param {string} today year-month-day at the place
 */
export const expired = (expiry, today) => expiry !== "" && expiry < today.slice(0, expiry.length);

/** Whole years, 0 and more; NaN when the birth date isn't known whole. @param {string|undefined} birth @param {string} today */
export function years(birth, today) {
  if (!/^\d{4}-\d{2}-\d{2}$/.test(birth ?? "")) return NaN;
  const [a, b] = [String(birth), today];
  return Number(b.slice(0, 4)) - Number(a.slice(0, 4)) - (b.slice(5) < a.slice(5) ? 1 : 0);
}

/**
 * What the plan takes against what is safe. Guidelines allow 1 to 5 % of a patient's blood
 * in 24 hours (Howie 2011, Bull World Health Organ, abstract); which share holds here is
 * the place's to say. Where the age isn't known nothing is claimed.
 * ask: the weight decides something and should be asked. limitUl, lowUl, highUl: 0 without
 * weight; limitUl is the place's, low and high are 1 and 5 %.
 * @param {Row} row @param {Place} place @param {string} today @param {number} [grams] of the patient, 0: not known
 */
export function volume(row, place, today, grams = 0) {
  const plan = toDraw(row);
  const perKg = Number(row.bloodUlPerKg ?? 0);
  const permille = Number(place.mostDrawPermille ?? 0);
  const planUl = plan.reduce((sum, p) => sum + Number(p.volumeUl ?? 0), 0);
  const drawnUl = Number(row.drawnUl ?? 0);
  const bloodUl = Math.floor((grams * perKg) / 1000);
  const limitUl = Math.floor((bloodUl * permille) / 1000);
  const totalUl = planUl + drawnUl;
  return {
    planUl, drawnUl, totalUl, bloodUl, limitUl, lowUl: Math.floor(bloodUl / 100), highUl: Math.floor(bloodUl / 20), permille,
    unsaid: plan.filter((p) => p.type && !Number(p.volumeUl ?? 0)).length,
    ask: perKg > 0 && plan.length > 0 && (permille > 0 || years(row.identity.birthDate, today) < 18),
    ageKnown: perKg > 0,
    over: limitUl > 0 && totalUl > limitUl,
  };
}

/**
 * Tubes that were drawn after one whose additive stands behind theirs in the order of
 * draw, in the order in which they were drawn (vectors OD1 and OD2).
 * @template {Planned} T
 * @param {T[]} drawn
 * @returns {{tube: T, after: T}[]}
 */
export function outOfOrder(drawn) {
  const out = [];
  for (const [i, tube] of drawn.entries()) {
    if (!tube.order) continue;
    const after = drawn.slice(0, i).reduce((/** @type {T|null} */ worst, b) => ((b.order ?? 0) > Math.max(tube.order ?? 0, worst?.order ?? 0) ? b : worst), null);
    if (after) out.push({ tube, after });
  }
  return out;
}

/** @param {Planned} p */
export const isCitrate = (p) => /citrate/i.test(p.additive ?? "") && !/fluoride/i.test(p.additive ?? "");

/** A citrate tube that is drawn first through a winged set fills short of its mark: its
 * tubing holds air (vector OD4). @param {string} method @param {Planned[]} drawn */
export const wantsDiscard = (method, drawn) => method === "winged" && drawn.length > 0 && isCitrate(drawn[0]);

/** Less than this of its mark makes a citrate tube unfit for clotting tests, in %
 * (Thrombosis Journal 2016, 10.1186/s12959-016-0123-z, Table 1; vector OD3). */
export const CITRATE_FILL = 90;

/**
 * What is due first, worst first. A tube that the server has judged is due as it says;
 * else as planned, at the temperature that the place is assumed to have.
 * @param {(Planned & {label: string, at: number, verdicts?: any[]})[]} tubes at: collected, ms
 * @param {Place} place
 * @returns {{label: string, typeName: string, at: number, until: string, test: string, assumed: boolean, wait: number, keep: ReturnType<typeof keepOf>}[]} wait: not spun before, ms, 0 for none
 */
export function dues(tubes, place) {
  const out = [];
  for (const p of tubes) {
    const judged = (p.verdicts ?? []).filter((v) => v.dueEarliest && !v.endedAt).sort((a, b) => Date.parse(a.dueEarliest) - Date.parse(b.dueEarliest))[0];
    const minutes = Number(p.dueMinutes ?? 0);
    const wait = Number(p.waitMinutes ?? 0);
    out.push({
      label: p.label, typeName: p.typeName ?? p.type ?? "",
      at: judged ? Date.parse(judged.dueEarliest) : minutes > 0 ? p.at + minutes * MINUTE_MS : Infinity,
      until: judged?.rule?.until ?? p.dueUntil ?? "", test: judged?.name ?? p.testNames?.[p.tests?.indexOf(p.dueTest ?? "") ?? -1] ?? p.dueTest ?? "", assumed: !judged,
      wait: wait > 0 ? p.at + wait * MINUTE_MS : 0, keep: keepOf(p, place),
    });
  }
  return out.sort((a, b) => a.at - b.at);
}

/**
 * Aligns two texts by the least number of changed, missing and added characters (Wagner
 * and Fischer 1974) and marks those, as the server does.
 * @param {string} a @param {string} b @returns {[Part[], Part[]]}
 */
export function apart(a, b) {
  const [as, bs] = [[...a.normalize("NFC")], [...b.normalize("NFC")]];
  const cost = Array.from({ length: as.length + 1 }, () => new Array(bs.length + 1).fill(0));
  for (let i = as.length; i >= 0; i--) {
    for (let j = bs.length; j >= 0; j--) {
      if (i === as.length || j === bs.length) cost[i][j] = as.length - i + bs.length - j;
      else cost[i][j] = as[i] === bs[j] ? cost[i + 1][j + 1] : 1 + Math.min(cost[i + 1][j + 1], cost[i + 1][j], cost[i][j + 1]);
    }
  }
  /** @type {[Part[], Part[]]} */
  const out = [[], []];
  const add = (/** @type {0|1} */ side, /** @type {string} */ text, /** @type {boolean} */ differs) => {
    const last = out[side].at(-1);
    if (last?.differs === differs) last.text += text;
    else out[side].push({ text, differs });
  };
  let [i, j] = [0, 0];
  while (i < as.length || j < bs.length) {
    const both = i < as.length && j < bs.length;
    if (both && as[i] === bs[j]) add(0, as[i++], false), add(1, bs[j++], false);
    else if (both && cost[i][j] === 1 + cost[i + 1][j + 1]) add(0, as[i++], true), add(1, bs[j++], true);
    else if (i < as.length && (j === bs.length || cost[i][j] === 1 + cost[i + 1][j])) add(0, as[i++], true);
    else add(1, bs[j++], true);
  }
  return out;
}

/** What tells people apart on this screen. @type {(keyof Identity)[]} */
const FIELDS = ["name", "birthDate", "numberEnds", "bed", "sex"];

/**
 * Two records side by side, with the differing characters marked. It says nothing on
 * whether they are one person: only the whole number does (IDN-S3).
 * @param {Identity} a @param {Identity} b
 * @returns {{field: string, a: Part[], b: Part[]}[]}
 */
export function sideBySide(a, b) {
  if (a.marked?.length && b.marked?.length) {
    const parts = (/** @type {Marked|undefined} */ m) => (m?.parts ?? []).map((p) => ({ text: p.text, differs: Boolean(p.differs) }));
    return a.marked.map((m) => ({ field: m.field, a: parts(m), b: parts(b.marked?.find((n) => n.field === m.field)) }));
  }
  return FIELDS.filter((f) => a[f] || b[f]).map((field) => {
    const [pa, pb] = apart(String(a[field] ?? ""), String(b[field] ?? ""));
    return { field, a: pa, b: pb };
  });
}

/** @param {string} text */
const bare = (text) => text.normalize("NFKD").replace(/[^\p{L}\p{N}]+/gu, "").toLowerCase();

/** Whether two rows have one name. @param {Row} a @param {Row} b */
const named = (a, b) => bare(a.identity.name ?? "") === bare(b.identity.name ?? "");

/** Twins and such: the family name stands before the comma. @param {Row} a @param {Row} b */
function twins({ identity: a }, { identity: b }) {
  const family = (/** @type {Identity} */ x) => bare((x.name ?? "").split(",")[0]);
  return /^\d{4}-\d{2}-\d{2}$/.test(a.birthDate ?? "") && a.birthDate === b.birthDate && family(a) !== "" && family(a) === family(b);
}

/**
 * The others of a list that a patient with the server's mark may be taken for: those of
 * the same name, then those of the same family name and birth date.
 * @param {Row[]} rows @param {Row} row
 */
export function namesakes(rows, row) {
  if (!row.identity.sameName) return [];
  const marked = rows.filter((r) => r !== row && r.identity.sameName);
  const found = [...marked.filter((r) => named(r, row)), ...marked.filter((r) => !named(r, row) && twins(r, row))];
  return found.length > 0 ? found : marked;
}

/** What makes them alike, as a key behind "bedside.". @param {Row} row @param {Row|undefined} other */
export const likeness = (row, other) => (!other || named(row, other) ? "same-name" : twins(row, other) ? "twins" : "like-name");

/**
 * At which temperature a tube must be kept, where the one that the place is assumed to
 * have would not do: its tests have no limit that holds there. Nothing where handling says
 * it already, or where nothing is assumed: more time alone is no reason to chill a tube.
 * @param {Planned} p @param {Place} place
 * @returns {{low: number, high: number, colder: boolean}|null} in °C
 */
export function keepOf(p, place) {
  if (!p.keep || !place.assumed || p.handling?.includes("on-ice") || p.handling?.includes("kept-warm")) return null;
  const [low, high, from, to] = [p.keep.low, p.keep.high, place.assumed.low, place.assumed.high].map(Number);
  return low <= from && high >= to ? null : { low, high, colder: low + high < from + to };
}
