// @ts-check
// New samples that the laboratory asks for, of draws that were made at this place: one
// puncture for each, however many tubes. They come with the list, so that they stand here
// without network too.
import { toDraw } from "./bedside-plan.js";
import { head, ml, para, person, word } from "./bedside-show.js";
import { call } from "./store.js";
import { action, acts, h, help, press, shape, show, tell } from "./ui.js";
import { t } from "./words.js";

/**
 * @typedef {import("./bedside-plan.js").Sample} Sample
 * @typedef {import("./bedside-list.js").Lists} Lists
 */

/** Reasons for which nobody is drawn again: common practice, no source. */
const DECLINED = ["patient-refused", "patient-left", "physician-declined", "no-longer-wanted"];

/** @param {Lists} at @param {Sample} s */
const rowOf = (at, s) => at.work.rows?.find((r) => r.identity.reference === s.row);

/** What the screen says of one. @param {Lists} at @param {Sample} s */
function one(at, s) {
  const row = rowOf(at, s);
  return h("li", { class: "row is-look", "data-draw": s.draw }, row ? person(row.identity) : h("b", null, t("bedside.again-gone")),
    h("span", null, t("bedside.again-tubes", { tubes: (s.tubes ?? []).join(", "), time: s.drawnAt ? at.clock(Date.parse(s.drawnAt)) : "–" })),
    s.reason && h("span", null, word("failure", s.reason)),
    Number(s.drawnUl ?? 0) > 0 && h("span", null, t("bedside.again-drawn", { ml: ml(Number(s.drawnUl)) })),
    !s.needed && h("span", { class: "mark is-stop" }, shape("stop"), t("bedside.again-cleared")),
    acts(s.needed && row && action("bedside.again-draw", () => at.begin(row), { kind: "main" }), action("bedside.again-decline", () => decline(at, s), { kind: "quiet" })));
}

/** @param {Lists} at */
export function samples(at) {
  const list = at.work.samples ?? [];
  if (list.length === 0) {
    return show(head("bedside.again-none"), para("bedside.again-none-say"), acts(action("bedside.to-patients", () => at.go("patients"), { kind: "main" })), help("bedside.again-help"));
  }
  const [needed, cleared] = [list.filter((s) => s.needed), list.filter((s) => !s.needed)];
  show(head("bedside.again", { n: list.length }), para("bedside.again-say"), h("ul", { class: "rows" }, [...needed, ...cleared].map((s) => one(at, s))),
    acts(action("bedside.renew", at.renew), action("bedside.to-patients", () => at.go("patients"), { kind: "quiet" })), help("bedside.again-help"));
}

/** @param {Lists} at @param {Sample} s */
function decline(at, s) {
  const row = rowOf(at, s);
  show(head("bedside.again-why"), row && person(row.identity), acts(...DECLINED.map((reason) => press(word("failure", reason), async () => {
    await at.record({ step: "decline-sample", draw: s.draw, reason });
    await forget(at, s);
    tell("note", t("bedside.again-declined"));
  })), action("bedside.fail-not", () => samples(at), { kind: "quiet" })), help("bedside.again-help"));
}

/** @param {Lists} at @param {Sample} s */
async function forget(at, s) {
  at.work.samples = (at.work.samples ?? []).filter((x) => x !== s);
  await at.keepList();
  samples(at);
}

/**
 * A draw has ended: what it was asked for is done. A tube of the plan says in whose place
 * it was drawn; where none does, the request's tubes had no numbers beforehand.
 * @param {Lists} at @param {import("./bedside-flow.js").State} state @param {import("./bedside-plan.js").Row} row
 */
export async function drawn(at, state, row) {
  const plan = toDraw(row);
  const again = state.tubes.map((x) => plan[x.index]?.again).filter(Boolean);
  for (const s of (at.work.samples ?? []).filter((x) => x.row === state.row && (again.length === 0 || again.some((n) => x.tubes?.includes(n ?? ""))))) {
    await at.record({ step: "sample-done", draw: s.draw, details: { "new-draw": `L-${state.draw}` } });
    at.work.samples = at.work.samples?.filter((x) => x !== s);
  }
  await at.keepList();
}

/**
 * Asks whether something new is wanted, or no longer, and says so.
 * @param {Lists} at @param {string} place @param {() => string} screen @param {() => Promise<void>} load
 */
export async function ask(at, place, screen, load) {
  const resp = await call("GET", `v1/samples?state=asked&place=${encodeURIComponent(place)}`, undefined, 8000).catch(() => undefined);
  if (resp?.status !== 200) return;
  /** @type {(Sample & {place: string})[]} */
  const all = resp.body.samples ?? [];
  const now = all.filter((x) => x.place === place);
  const had = at.work.samples ?? [];
  const key = (/** @type {Sample[]} */ list) => list.map((x) => x.draw + Boolean(x.needed)).join();
  const was = screen();
  if (key(now) === key(had) || was === "draw") return;
  await load();
  if (screen() !== was) return;
  await at.go(/** @type {"tray"} */ (was));
  const before = new Map(had.map((s) => [s.draw, s.needed]));
  if (now.some((s) => s.needed && !before.has(s.draw))) tell("look", t("bedside.again-new"), { repeat: true });
  if (now.some((s) => !s.needed && before.get(s.draw))) tell("stop", t("bedside.again-stop"), { repeat: true });
}
