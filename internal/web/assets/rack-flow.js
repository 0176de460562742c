// @ts-check
// What a read means before the centrifuges, and what an answer of the program says.
// Nothing here touches the page, the clock or the network.
import { read as readLabel } from "./phone/labels.js";

/**
 * @typedef {import("./phone/labels.js").Scheme} Scheme
 * @typedef {import("./phone/labels.js").Label} Label
 *
 * A tube, a rack and a centrifuge as the page shows them.
 * @typedef {{id: string, type: string, programme: string, answer: string, say: string, until: number, hold: string, rack: string}} Tube
 * @typedef {{id: string, programme: string, g: number, minutes: number, tubes: string[]}} Rack
 * @typedef {{id: string, name: string, radius: number, most: number, slots: number, free: boolean}} Machine
 * @typedef {{name: string, types: string[], shares: string[], g: number, minutes: number}} Programme
 * @typedef {{tubes: Tube[], racks: Rack[], machines: Machine[], programmes: Programme[]}} Bench
 *
 * What was read. ask: it can be a rack or a tube, and only a person knows.
 * @typedef {{kind: "rack"|"tube"|"machine"|"ask"|"wrong", number: string, say?: string}} Meaning
 *
 * What is shown big. key: an answer of the rack, "given", "kept", or "" for everything else.
 * @typedef {{key: string, level: string, word: string, more: string, stops: boolean, until: number}} Shown
 */

/** @param {string} a @param {string} b */
export const same = (a, b) => a.trim().toUpperCase() === b.trim().toUpperCase();

/**
 * What a read means. Schemes decide; where they are silent, what the page knows; and where
 * that knows nothing either, a person is asked, because a tube taken for a rack would
 * be filled.
 * @param {Label} label @param {Scheme[]} schemes @param {Bench} bench @param {string} rack that is being filled, "" for none
 * @returns {Meaning}
 */
export function meaning(label, schemes, bench, rack) {
  const said = readLabel(label, schemes);
  const number = said.number;
  if (said.wrong || number === "") return { kind: "wrong", number: "", say: "The label was misread, or it holds no number. Scan it again." };
  if (said.names === "product") return { kind: "wrong", number: "", say: "That is the maker’s code of a product. Scan the label with the tube’s own number." };
  if (said.names === "patient" || said.names === "person") return { kind: "wrong", number: "", say: "That is a person’s number. Scan a rack or a tube." };
  const machine = bench.machines.find((m) => same(m.id, number));
  if (machine) return { kind: "machine", number: machine.id };
  if (said.names === "carrier" || rack !== "" && same(rack, number) || bench.racks.some((r) => same(r.id, number))) return { kind: "rack", number };
  if (said.names === "tube" || bench.tubes.some((t) => same(t.id, number))) return { kind: "tube", number };
  if (said.names !== "") return { kind: "wrong", number: "", say: `That names a ${said.names}. Scan a rack or a tube.` };
  return { kind: rack === "" ? "ask" : "tube", number };
}

/**
 * Why a tube doesn't belong in a rack, "" where it does or nobody can say.
 * @param {Bench} bench @param {string} rack @param {string} type the tube's @param {string} tube
 */
export function misfit(bench, rack, type, tube) {
  const of = (/** @type {string} */ t) => bench.programmes.find((p) => p.types.includes(t));
  const mine = of(type);
  // What the rack is set to is the programme of its other tubes.
  const others = bench.tubes.filter((t) => same(t.rack, rack) && !same(t.id, tube)).map((t) => t.programme);
  const known = bench.racks.find((r) => same(r.id, rack));
  const name = others.length > 0 && known?.programme ? known.programme : others.find((p) => p !== "") ?? "";
  const set = bench.programmes.find((p) => p.name === name);
  if (!set || type === "") return "";
  if (!mine) return `No programme is declared for its type; this rack is spun by ${set.name}.`;
  return mine.shares.includes(set.name) ? "" : `It doesn’t belong in this rack: it is spun by ${mine.name}, this rack by ${set.name}.`;
}

/** @type {Record<string, [level: string, word: string, more: string]>} */
const ANSWERS = {
  spin: ["quiet", "Spin", "It is in the rack."],
  "spin-hold": ["hold", "Spin, but hold", "It is in the rack. These tests are not to be run from it."],
  wait: ["soon", "Wait", "It still clots. It is not in the rack; it comes back by itself."],
  "run-first": ["ask", "Run the unspun test first", "It is not in the rack. Run the test that needs unspun blood, then scan it again."],
  "nothing-left": ["past", "Nothing left to save", "It is not in the rack: every test on it is lost. Its page says what to do."],
  given: ["past", "Spin it, then talk to the laboratory", "Every test is past its limit, and it can’t be drawn again. It is in the rack."],
  kept: ["none", "Kept here, not sent yet", "Nobody answered. It counts as put into the rack; how its tests stand can’t be said just now."],
};

/** @type {Record<string, string>} */
const REFUSALS = { "not-yet-clotted": "wait", "run-first": "run-first", "nothing-left": "nothing-left" };

/**
 * What an answer says of a tube that was put into a rack. No answer: the scan is kept.
 * @param {any} answer of the API, see ScanAnswer @param {(ms: number) => string} clock
 * @returns {Shown}
 */
export function shown(answer, clock) {
  if (!answer) return show("kept");
  const tests = /** @type {any[]} */ (answer.tube?.verdicts ?? []);
  const lost = tests.filter((v) => (v.verdict === "past-limit" || v.verdict === "wrong-tube") && !v.endedAt);
  const name = (/** @type {any} */ v) => v.name || v.assay || "a restricted test";
  if (answer.answer === "refused") {
    const key = REFUSALS[answer.refusal ?? ""];
    if (!key) return { key: "", level: "past", word: "Not taken", more: sentence(answer.say || "It was refused."), stops: false, until: 0 };
    const until = key === "wait" ? waitUntil(answer, tests) : 0;
    const one = show(key, { stops: true, until });
    if (until > 0) one.word = `Wait until ${clock(until)}`;
    return one;
  }
  if (answer.answer !== "recorded" && answer.answer !== "repeated") {
    return { key: "", level: "past", word: "Not taken", more: sentence(answer.say || answer.answer), stops: false, until: 0 };
  }
  if (!answer.tube) return { ...show("spin"), word: "In the rack", more: "It isn’t judged yet. That doesn’t stop it." };
  const rack = answer.tube.rack ?? "spin";
  if (answer.tube.irreplaceable && lost.length > 0 && rack === "spin") return show("given");
  if (rack === "spin-hold") return show(rack, { word: `Spin, but hold ${lost.map(name).join(", ") || "some tests"}` });
  // Let pass, or told afterwards: it is in, whatever the answer would have been.
  if (rack === "wait" || rack === "run-first" || rack === "nothing-left") {
    return { ...show(rack), more: "It is in the rack all the same." };
  }
  const open = tests.filter((v) => v.verdict === "cannot-say" || v.verdict === "no-limit-adopted" || v.verdict === "not-studied-beyond").map(name);
  return open.length > 0 ? show("spin", { more: `It is in the rack. It can’t be said how ${open.join(", ")} ${open.length > 1 ? "stand" : "stands"}; that doesn’t stop it.` }) : show("spin");
}

/** @param {string} key @param {Partial<Shown>} [more] @returns {Shown} */
function show(key, more = {}) {
  const [level, word, say] = ANSWERS[key] ?? ANSWERS.kept;
  return { key, level, word, more: say, stops: false, until: 0, ...more };
}

/** What a tube's line on the page says, for a scan without a rack. @param {Tube} t @returns {Shown} */
export function ofLine(t) {
  const one = show(t.answer in ANSWERS ? t.answer : "spin");
  return { ...one, word: t.say || one.word, more: "Nothing was recorded. Scan the rack that it goes into first.", until: t.until };
}

/** When a wait ends, ms since 1970; 0 where nobody says. @param {any} answer @param {any[]} tests */
function waitUntil(answer, tests) {
  const said = /\((\d{4}-[^)]+)\)/.exec(answer.say ?? "")?.[1];
  return Math.max(0, ...[said, ...tests.map((v) => v.waitUntil)].map((text) => Date.parse(text ?? "")).filter((ms) => ms > 0));
}

/**
 * Turns per minute for a force, by the definition of RCF: g = 1.118e-5 r n², r in cm. It
 * says the same as spinload.PerMin.
 * @param {number} radiusMm @param {number} g
 */
export const perMin = (radiusMm, g) => (radiusMm > 0 && g > 0 ? Math.round(Math.sqrt((g * 1e9) / (1118 * radiusMm))) : 0);

/** @param {string} text */
export function sentence(text) {
  return text === "" ? "" : text.charAt(0).toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".");
}

/** How long from now, in words: "6 min 20 s". @param {number} ms */
export function span(ms) {
  const s = Math.max(0, Math.ceil(ms / 1000));
  if (s >= 3600) return `${Math.floor(s / 3600)} h ${Math.floor((s % 3600) / 60)} min`;
  return s >= 60 ? `${Math.floor(s / 60)} min ${s % 60} s` : `${s} s`;
}
