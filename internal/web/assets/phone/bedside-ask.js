// @ts-check
// The screens before the needle: who it is, what was asked, where and how. One screen
// asks one thing; the patient stands above each.
import * as flow from "./bedside-flow.js";
import { keepOf, likeness, namesakes, toDraw, volume } from "./bedside-plan.js";
import { beside, condition, degrees, head, ml, para, person, refusal, span, word } from "./bedside-show.js";
import { scanner } from "./scan.js";
import { action, acts, bigKeys, fold, h, help, shape, show, tell } from "./ui.js";
import { lang, t } from "./words.js";

/**
 * @typedef {import("./bedside-flow.js").State} State
 * @typedef {import("./bedside-plan.js").Identity} Identity
 * @typedef {import("./bedside-draw.js").Run} Run
 */

/** @param {Run} run */
const who = (run) => person(run.about.row?.identity) || h("p", { class: "person" }, h("b", null, t("bedside.emergency")), run.s.number && h("span", { class: "code" }, run.s.number));

/** A screen with the patient above, keys below and help. @param {Run} run @param {string} key @param {...any} nodes */
export function screen(run, key, ...nodes) {
  if (run.over) return; // what shows is no longer this draw
  const before = key === run.s.at ? flow.back(run.s, run.about) : null;
  show(who(run), head(`bedside.${key}`), ...nodes,
    before && acts(action("bedside.back", () => run.put(before), { kind: "quiet" })), help(`bedside.${key}-help`));
}

/** Nobody was drawn. @param {Run} run */
export function failed(run) {
  screen(run, "fail", acts(...flow.FAILURES.map((reason) => action(`bedside.failure.${reason}`, async () => {
    await run.send(flow.failScan(run.s, reason));
    await run.leave();
    tell("note", t("bedside.fail-kept"));
  })), action("bedside.fail-not", () => run.again(), { kind: "quiet" })));
}

/** @param {Run} run @param {Identity|null} other @param {Identity} [chosen] @param {string} [right] */
export function mismatch(run, other, chosen = run.about.row?.identity, right = "bedside.read") {
  screen(run, "mismatch", other && chosen ? beside(chosen, other, "bedside.chosen", right) : para("bedside.mismatch-unknown"), para("bedside.mismatch-do"),
    acts(action("bedside.mismatch-again", () => run.again(), { kind: "main" }), action("bedside.mismatch-other", () => run.leave())));
  tell("stop", t(other ? "bedside.mismatch-say" : "bedside.mismatch-none"));
}

/**
 * A wristband was read. With network the server decides; without, the keyed hash of the
 * list. What was sent and turns out to be somebody else's is taken back as a step of its own.
 * @param {Run} run @param {import("./scan.js").Read} read
 */
export async function band(run, read) {
  const scan = flow.identifyScan(run.s, read);
  const { id, answer } = await run.record(scan);
  if (answer?.answer === "refused") {
    run.renew();
    const [other, chosen] = answer.identities ?? [];
    if (answer.refusal !== "identity-mismatch") return tell("stop", refusal(answer));
    return mismatch(run, other ?? (await run.matches(read))?.identity ?? null, chosen);
  }
  const found = answer ? run.about.row : await run.matches(read);
  if (found?.identity.reference !== run.s.row) {
    await run.record({ step: "void", draw: run.s.draw, details: { scan: id }, reason: "wrong-patient" }, { live: false });
    run.renew();
    return mismatch(run, found?.identity ?? null);
  }
  tell("good", t("bedside.identified"));
  run.put(flow.identified(run.s, run.about, "band"));
}

/** A name that was touched identifies nobody: another one may be taken. @param {Run} run */
const elsewhere = (run) => action("bedside.mismatch-other", () => run.leave(), { kind: "quiet" });

/** @param {Run} run */
function identify(run) {
  const { s, about } = run;
  const others = flow.ways(about.place).filter((w) => w !== s.way && about.row);
  const away = fold("bedside.otherwise", acts(...others.map((w) => action(`bedside.way.${w}`, () => run.put({ ...s, way: w }))), action("bedside.not-drawn", () => failed(run), { kind: "quiet" })), acts(elsewhere(run)));
  if (s.way === "band") {
    const alike = about.row ? namesakes(run.work.rows ?? [], about.row) : [];
    const { node } = scanner({ wanted: "wristband", onRead: (r) => run.queue(() => band(run, r)), checked: run.checked });
    return screen(run, "identify", node, alike.map((r) => about.row && h("div", null, para(`bedside.alike.${likeness(about.row, r)}`), beside(about.row.identity, r.identity, "bedside.chosen", "bedside.other"))), away);
  }
  if (s.way === "temporary") {
    const take = (/** @type {import("./scan.js").Read} */ r) => run.queue(async () => {
      const out = await run.record(flow.identifyScan(s, null, r.text));
      if (out.answer?.answer === "refused") return tell("stop", refusal(out.answer));
      tell("good", t("bedside.identified"));
      run.put(flow.identified(run.s, about, "temporary", r.text));
    });
    return screen(run, "temporary", para("bedside.temporary-say"), scanner({ wanted: "temporary", onRead: take }).node, away);
  }
  // Name and birth date are asked and compared one by one.
  const named = s.said["stated-name"] === "yes";
  const key = named ? "stated-birth" : "stated-name";
  const value = named ? about.row?.identity.birthDate : about.row?.identity.name;
  screen(run, key, para(`bedside.${key}-ask`), h("p", { class: "huge" }, value || t("bedside.unsaid")), acts(
    action("bedside.stated-no", () => differs(run), { kind: "danger" }),
    value ? action(`bedside.${key}-yes`, async () => {
      if (!named) return run.put({ ...s, said: { ...s.said, "stated-name": "yes" } });
      const out = await run.record(flow.identifyScan(s, null));
      if (out.answer?.answer === "refused") return tell("stop", refusal(out.answer));
      run.put(flow.identified(run.s, about, "stated"));
    }, { kind: "main" }) : null), away);
}

/** What the person says isn't what the list says: a near miss, which is counted. @param {Run} run */
async function differs(run) {
  await run.send(flow.noteScan(run.s, "identity-mismatch"));
  await run.leave();
  tell("stop", t("bedside.stated-differs"));
}

/** @param {Run} run */
function compare(run) {
  screen(run, "compare", h("p", { class: "huge" }, run.about.row?.identity.name), acts(
    action("bedside.compare-mute", () => run.put(flow.answered(run.s, run.about, "band"))),
    action("bedside.stated-no", () => differs(run), { kind: "danger" }),
    action("bedside.stated-name-yes", () => run.put(flow.answered(run.s, run.about, "yes", "stated-name")), { kind: "main" })));
}

/** @param {Run} run */
function second(run) {
  const take = (/** @type {import("./scan.js").Read} */ r) => {
    const { code, not } = run.at.staff(r);
    if (!code) return tell("stop", t(`bedside.staff-${not}`));
    if (code.toUpperCase() === run.by.toUpperCase()) return tell("stop", t("bedside.second-same"));
    run.put(flow.answered({ ...run.s, second: code }, run.about, "yes", "second-person"));
  };
  screen(run, "second", para("bedside.second-say"), scanner({ wanted: "staff", onRead: take }).node, acts(elsewhere(run), action("bedside.not-drawn", () => failed(run), { kind: "quiet" })));
}

/** @param {Run} run */
function request(run) {
  const row = run.about.row;
  const asked = row?.requests ?? [];
  const conditions = [...new Set(asked.flatMap((q) => q.conditions ?? []))];
  const yes = (/** @type {string} */ said) => run.put(flow.answered(run.s, run.about, said, ...(conditions.length > 0 && said === "yes" ? ["request", "preparation"] : ["request"])));
  screen(run, "request",
    h("ul", { class: "rows" }, asked.map((q) => h("li", { class: q.priority === "urgent" || q.priority === "stat" ? "row is-look" : "row" }, h("b", null, q.id), q.priority && h("span", null, word("priority", q.priority)), q.irreplaceable && h("span", null, t("bedside.irreplaceable"))))),
    h("p", null, [...new Set(row ? toDraw(row).flatMap((p) => p.testNames ?? p.tests ?? []) : [])].join(", ")),
    conditions.length > 0 && [h("h2", null, t("bedside.conditions")), h("ul", { class: "rows" }, conditions.map((c) => h("li", { class: "row is-look" }, h("b", null, condition(c)))))],
    acts(conditions.length > 0 && action("bedside.prepared-no", () => screen(run, "unprepared", acts(
      action("bedside.unprepared-go", async () => {
        await run.send(flow.noteScan(run.s, "not-prepared"));
        yes("not-prepared");
      }), action("bedside.not-drawn", () => failed(run)), action("bedside.fail-not", () => run.again(), { kind: "quiet" }))), { kind: "danger" }),
    action(conditions.length > 0 ? "bedside.prepared-yes" : "bedside.request-yes", () => yes("yes"), { kind: "main" })));
}

/** @param {Run} run */
function allergies(run) {
  const things = ["latex", "antiseptic", "plaster"];
  const list = (/** @type {boolean} */ what) => h("ul", { class: "rows" }, things.map((x) => h("li", { class: "row" }, h("b", null, t(`bedside.allergy.${x}`)), what && h("span", null, t(`bedside.allergy.${x}-use`)))));
  const on = () => run.put(flow.answered(run.s, run.about, "asked", "allergies"));
  screen(run, "allergies", list(false), h("p", { class: "small" }, t("bedside.allergies-kept")), acts(
    action("bedside.allergies-yes", () => screen(run, "allergic", list(true), acts(action("bedside.fail-not", () => run.again(), { kind: "quiet" }), action("bedside.allergic-done", on, { kind: "main" })))),
    action("bedside.allergies-none", on, { kind: "main" })));
}

/** @param {Run} run */
function consent(run) {
  screen(run, "consent", acts(
    action("bedside.consent-no", () => failed(run), { kind: "danger" }),
    action("bedside.consent-other", () => run.put(flow.answered(run.s, run.about, "other", "consent"))),
    action("bedside.consent-yes", () => run.put(flow.answered(run.s, run.about, "yes", "consent")), { kind: "main" })));
}

/** @param {Run} run */
function weight(run) {
  screen(run, "weight", para("bedside.weight-why"),
    bigKeys({ label: t("bedside.weight-label"), unit: "kg", decimal: true, most: 5, value: run.s.grams ? String(run.s.grams / 1000) : "", done: (text) => {
      const grams = Math.round(Number(text) * 1000);
      // No source for the ends: outside of them it is a slip of the finger.
      if (!(grams >= 300 && grams <= 350_000)) return tell("stop", t("bedside.weight-range"));
      run.put(flow.answered({ ...run.s, grams }, run.about, "yes"));
    } }), acts(action("bedside.weight-unknown", () => run.put(flow.answered({ ...run.s, grams: 0 }, run.about, "no")), { kind: "quiet" })));
}

/** @param {Run} run */
function site(run) {
  screen(run, "site",
    h("h2", null, t("bedside.avoid")), h("ul", { class: "plain" }, flow.AVOID.map((a) => h("li", null, t(`bedside.avoid.${a}`)))), h("p", { class: "small" }, t("bedside.no-source")),
    h("div", { class: "grid" }, flow.SITES.map((x) => action(`bedside.site.${x}`, () => run.put(flow.answered({ ...run.s, site: x }, run.about, x, "site-avoided"))))));
}

/** @param {Run} run */
function method(run) {
  screen(run, "method", acts(...flow.METHODS.map((m) => action(`bedside.method.${m}`, () => run.put(flow.answered({ ...run.s, method: m }, run.about, m))))));
}

/** @param {ReturnType<typeof keepOf>} keep */
const kept = (keep) => keep && h("span", { class: "mark is-look" }, shape("look"), degrees("bedside.keep", keep));

/** A tube of the plan. @param {Run} run @param {import("./bedside-plan.js").Planned} p @param {number} n @param {boolean} [large] */
export const planned = (run, p, n, large = false) => h("li", { class: `row ${p.type ? "" : "is-look"}` }, h("b", null, `${n}. ${p.typeName || p.type || t("bedside.no-tube")}`), p.tube && h("span", { class: "code" }, p.tube),
  h("span", null, [Number(p.volumeUl ?? 0) > 0 && ml(Number(p.volumeUl)), p.inversions ? t("bedside.inversions", { n: p.inversions }) : null].filter(Boolean).join(" · ")),
  (p.handling ?? []).map((w) => h("span", { class: "mark is-look" }, shape("look"), word("handling", w))), kept(keepOf(p, run.about.place)),
  !large && h("span", { class: "small" }, (p.testNames ?? p.tests ?? []).join(", ")),
  !large && (p.advice ?? []).map((a) => h("span", { class: "mark is-look" }, shape("look"), word("advice", a))),
  !large && p.apart?.length ? h("span", null, t("bedside.apart", { tests: p.apart.join(", ") })) : null);

/** What the plan takes, against what is safe. @param {Run} run */
function amount(run) {
  const { s, about } = run;
  if (!about.row) return null;
  const v = volume(about.row, about.place, about.today, s.grams);
  const lines = [t("bedside.takes", { ml: ml(v.planUl) })];
  if (v.unsaid > 0) lines.push(t("bedside.takes-unsaid", { n: v.unsaid }));
  if (v.drawnUl > 0) lines.push(t("bedside.takes-drawn", { ml: ml(v.drawnUl), total: ml(v.totalUl) }));
  if (v.ask && !s.grams) lines.push(t("bedside.takes-no-weight"));
  if (v.bloodUl > 0) lines.push(v.limitUl > 0 ? t("bedside.takes-limit", { ml: ml(v.limitUl), percent: (v.permille / 10).toLocaleString(lang) }) : t("bedside.takes-guide", { low: ml(v.lowUl), high: ml(v.highUl) }));
  const worry = v.over || (v.bloodUl > 0 && v.limitUl === 0 && v.totalUl > v.lowUl);
  return h("section", { class: `amount ${worry ? "is-look" : ""}`, "aria-label": t("bedside.amount") },
    v.over && h("p", { class: "mark is-stop" }, shape("stop"), t("bedside.takes-over")), lines.map((x) => h("p", null, x)),
    v.ask && h("p", { class: "small" }, t("bedside.takes-source")), !v.ageKnown && h("p", { class: "small" }, t("bedside.takes-no-age")));
}

/**
 * One tube's due time: the clock's, the minutes to go, and what to do by then.
 * @param {Run} run @param {ReturnType<typeof import("./bedside-plan.js").dues>[0]} d @param {number} now ms @param {boolean} first
 */
export function amountDue(run, d, now, first) {
  const minutes = Math.floor((d.at - now) / 60_000);
  const by = d.at === Infinity ? t("bedside.due-unknown") : t(minutes >= 0 ? "bedside.due-by" : "bedside.due-was", { time: run.at.clock(d.at), span: span(Math.abs(minutes)) });
  return [h("p", { class: first ? "huge" : "big" }, by), h("p", { class: first ? "big" : "" }, `${d.typeName} · ${d.label}`), d.test && h("p", null, t("bedside.due-test", { test: d.test })),
    d.at < Infinity && h("p", { class: "do" }, t(`bedside.due.${DUES.includes(d.until) ? d.until : "other"}`), " ", first && t(run.at.spins && HERE.includes(d.until) ? "bedside.due-here" : "bedside.due-send")), d.wait > now && h("p", null, t("bedside.due-wait", { time: run.at.clock(d.wait) })),
    d.keep && h("p", null, kept(d.keep)),
    // A plan counts what doesn't keep here as if it were kept as it must be.
    d.assumed && d.at < Infinity && h("p", { class: "small" }, d.keep ? degrees("bedside.due-kept", d.keep) : t("bedside.due-assumed"))];
}

/** What a place that spins can do itself. */
const HERE = ["spun", "off-cells", "frozen"];

/** What ends a limit, as far as something can be said of it here. */
const DUES = ["spun", "off-cells", "measured", "set-up", "frozen", "incubated", "film-made", "tested", "transfused"];

/** @param {Run} run */
function plan(run) {
  const { s, about } = run;
  const tubes = flow.planOf(about);
  const cautions = [
    flow.applies("discard", { ...s, tubes: tubes.map((p, index) => ({ ...p, label: String(index), index, type: p.type ?? "", typeName: "", order: p.order ?? 0, additive: p.additive ?? "", at: 0, scan: "" })) }, about) && "bedside.plan-discard",
    s.method === "capillary" && "bedside.plan-capillary", s.method === "line" && "bedside.plan-line", tubes.some((p) => !p.order) && "bedside.plan-no-order",
  ];
  screen(run, "plan", tubes.length > 0 ? h("ol", { class: "rows" }, tubes.map((p, i) => planned(run, p, i + 1))) : para("bedside.plan-none"),
    cautions.map((c) => c && h("p", { class: "mark is-look" }, shape("look"), t(c))), amount(run), fold("bedside.plan-hands", para("bedside.plan-hands-say")),
    acts(action("bedside.not-drawn", () => failed(run), { kind: "quiet" }), action("bedside.begin", async () => {
      await run.send(flow.checksScan(run.s));
      run.put({ ...flow.forward(run.s, about), said: { ...run.s.said, begun: String(Date.now()) } });
    }, { kind: "main" })));
}

/** @type {Record<string, (run: Run) => void>} */
export const ASKS = { identify, compare, second, request, allergies, consent, weight, site, method, plan };
