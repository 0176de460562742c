// @ts-check
// Before the round: what to take along. Then the patients of the list. A name that is
// touched begins a draw and identifies nobody.
import { expired, likeness, namesakes, sideBySide, toDraw, tray as count } from "./bedside-plan.js";
import { condition, degrees, head, ml, para, person, word } from "./bedside-show.js";
import { scanner } from "./scan.js";
import { action, acts, fold, h, help, press, shape, show, tell } from "./ui.js";
import { t } from "./words.js";

/**
 * @typedef {import("./bedside-plan.js").Row} Row
 * @typedef {import("./scan.js").Read} Read
 * A pack as its maker's label says it: product is its number (GS1 AI 01), expiry a day or a month.
 * band: it is a wristband.
 * @typedef {{product?: string, lot?: string, expiry?: string, refusal?: string, band?: boolean}} Pack
 * @typedef {import("./bedside-draw.js").Context & {asOf: string, pack: (read: Read) => Pack, keepPack: (type: string, pack: Pack) => unknown, typeOf: (product: string) => string,
 *   checkedRows: Set<string>, renew: () => unknown, keepList: () => Promise<unknown>, go: (screen: "tray"|"patients"|"spin"|"again") => unknown, begin: (row: Row|null, read?: Read) => unknown}} Lists
 */

/** @param {Lists} at */
const rowsOf = (at) => (at.work.rows ?? []).filter((r) => toDraw(r).length > 0);

/** To the new samples, where some are asked for. @param {Lists} at */
const again = (at) => (at.work.samples ?? []).length > 0 && action("bedside.to-again", () => at.go("again"), { args: { n: at.work.samples?.length ?? 0 } });

/** How old the list is. @param {Lists} at */
const age = (at) => h("p", { class: "small" }, t("bedside.as-of", { time: at.clock(Date.parse(at.asOf)) }));

/** @param {Lists} at */
export function tray(at) {
  const rows = rowsOf(at);
  if (rows.length === 0) return empty(at, "tray");
  const need = count(rows, at.work.place);
  const line = (/** @type {any} */ k) => {
    const pack = at.packs[k.type];
    return h("li", { class: pack ? "row is-good" : "row" }, h("b", null, t("bedside.tray-count", { n: k.count, type: k.typeName })), k.additive && h("span", { class: "small" }, k.additive),
      k.labelled > 0 && h("span", null, t("bedside.tray-labelled", { n: k.labelled })),
      pack && h("span", { class: "mark is-good" }, shape("good"), t("bedside.pack-is", { lot: pack.lot || "–", date: pack.expiry || "–" })));
  };
  const handling = Object.entries(need.handling).map(([w, n]) => h("li", { class: "row is-look" }, h("b", null, word("take", w)), h("span", null, t("bedside.take-for", { n }))));
  const climate = need.packs.map((k) => h("li", { class: "row is-look" }, h("b", null, degrees(k.colder ? "bedside.take.cold" : "bedside.take.warm", k)), h("span", null, t("bedside.take-for", { n: k.n }))));
  show(head("bedside.tray", { n: rows.length }), age(at), h("ul", { class: "rows" }, need.kinds.map(line), handling, climate),
    need.ul > 0 && h("p", { class: "small" }, t("bedside.tray-all", { ml: ml(need.ul) })),
    need.split > 0 && h("p", { class: "mark is-look" }, shape("look"), t("bedside.tray-split", { n: need.split })),
    need.unknown.map((u) => h("p", { class: "mark is-look" }, shape("look"), t("bedside.tray-unknown", { name: u.name, tests: u.tests.join(", ") }))),
    need.several.length > 0 && h("p", { class: "mark is-look" }, shape("look"), t("bedside.tray-several", { types: need.several.join(", ") })),
    scanner({ wanted: "pack", onRead: async (r) => ((await band(at, r)) ? tell("look", t("bedside.pack-band")) : pack(at, at.pack(r), need.kinds)) }).node,
    before(at, rows), acts(action("bedside.to-patients", () => at.go("patients"), { kind: "main" })), help("bedside.tray-help"));
}

/** What is asked on the telephone rather than at the bed. @param {Lists} at @param {Row[]} rows */
function before(at, rows) {
  const asked = rows.flatMap((row) => [...new Set((row.requests ?? []).flatMap((q) => q.conditions ?? []))].map((c) => ({ row, c })));
  if (asked.length === 0) return para("bedside.before-none");
  return h("section", { "aria-labelledby": "before" }, h("h2", { id: "before" }, t("bedside.before")), acts(...asked.map(({ row, c }) => {
    const id = `${row.identity.reference} ${c}`;
    const b = h("button", { type: "button", class: "act", "aria-pressed": String(at.checkedRows.has(id)), onclick: () => {
      if (!at.checkedRows.delete(id)) at.checkedRows.add(id);
      b.setAttribute("aria-pressed", String(at.checkedRows.has(id)));
    } }, h("b", null, row.identity.name || t("bedside.no-name")), ` ${row.identity.bed ? t("bedside.bed", { bed: row.identity.bed }) : ""} · ${condition(c)}`);
    return b;
  })));
}

/** Whether somebody's wristband was scanned: patients come after this screen. @param {Lists} at @param {Read} r */
const band = async (at, r) => at.pack(r).band || Boolean(await at.matches(r));

/** @param {Lists} at @param {Pack} p @param {{type: string, typeName: string}[]} kinds */
function pack(at, p, kinds) {
  if (p.refusal) return tell("stop", p.refusal);
  if (!p.lot && !p.expiry) return tell("stop", t("bedside.pack-none"));
  if (expired(p.expiry ?? "", at.today)) return tell("stop", t("bedside.pack-expired", { date: p.expiry ?? "" }));
  const take = async (/** @type {string} */ type) => {
    await at.keepPack(type, p);
    tray(at);
    tell("good", t("bedside.pack-taken", { type: kinds.find((k) => k.type === type)?.typeName ?? type, date: p.expiry || "–" }));
  };
  const known = at.typeOf(p.product ?? "");
  if (kinds.some((k) => k.type === known)) return take(known);
  show(head("bedside.pack-which"), h("p", null, t("bedside.pack-is", { lot: p.lot || "–", date: p.expiry || "–" })),
    acts(...kinds.map((k) => press(k.typeName, () => take(k.type))), action("bedside.fail-not", () => tray(at), { kind: "quiet" })), help("bedside.pack-which-help"));
}

/** @param {Lists} at @param {string} from */
function empty(at, from) {
  show(head("bedside.empty"), age(at), para("bedside.empty-say"), acts(again(at), action("bedside.renew", at.renew), at.spins && action("bedside.to-spin", () => at.go("spin")),
    action("bedside.emergency", () => at.begin(null)), from !== "patients" && action("bedside.to-patients", () => at.go("patients"), { kind: "quiet" })), help("bedside.patients-help"));
}

/** A row of the list, with what tells same names apart marked. @param {Lists} at @param {Row} row */
function line(at, row) {
  const p = row.identity;
  const others = namesakes(at.work.rows ?? [], row);
  /** @type {(field: "birthDate"|"bed"|"numberEnds"|"name") => any} */
  const said = (field) => {
    const parts = others[0] && sideBySide(p, others[0].identity).find((f) => f.field === field);
    return parts ? parts.a.map((x) => (x.differs ? h("mark", null, x.text) : x.text)) : p[field];
  };
  const urgent = row.requests?.some((q) => q.priority === "urgent" || q.priority === "stat");
  const n = toDraw(row).length;
  return h("li", null, press([
    h("span", { class: "bed" }, p.bed ? [t("bedside.bed-word"), " ", said("bed")] : null), h("b", null, p.name ? said("name") : t("bedside.no-name")),
    h("span", null, p.birthDate && [t("bedside.born-word"), " ", said("birthDate")], p.numberEnds && [" · ", t("bedside.ends-word"), " ", said("numberEnds")]),
    p.sameName && h("span", { class: "mark is-look" }, shape("look"), t(`bedside.${likeness(row, others[0])}`)), urgent && h("span", { class: "mark is-look" }, shape("look"), word("priority", "urgent")),
    h("span", null, t("bedside.tubes", { n })),
  ], () => at.begin(row), `row-act ${urgent ? "is-look" : ""}`, { "data-row": p.reference }));
}

/** @param {Lists} at */
export function patients(at) {
  const rows = rowsOf(at);
  if (rows.length === 0) return empty(at, "patients");
  const read = async (/** @type {Read} */ r) => {
    const row = await at.matches(r);
    if (row && toDraw(row).length > 0) return at.begin(row, r);
    tell("stop", t(row ? "bedside.band-nothing" : "bedside.band-unknown"));
  };
  const done = (at.work.rows ?? []).filter((r) => toDraw(r).length === 0 && (r.plan ?? []).length > 0);
  show(head("bedside.patients"), age(at), scanner({ wanted: "wristband", onRead: read, checked: at.checked }).node, para("bedside.patients-say"), h("ul", { class: "rows" }, rows.map((r) => line(at, r))),
    done.length > 0 && fold("bedside.drawn", h("ul", { class: "rows" }, done.map((r) => h("li", { class: "row is-good" }, person(r.identity))))),
    acts(again(at), action("bedside.emergency", () => at.begin(null)), action("bedside.to-tray", () => at.go("tray")), at.spins && action("bedside.to-spin", () => at.go("spin")), action("bedside.renew", at.renew, { kind: "quiet" })), help("bedside.patients-help"));
}
