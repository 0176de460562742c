// @ts-check
// A logger's file, read in at the desk. What the file leaves open is asked before anything
// is stored; what was answered goes before what the file shows.
import { chosenFile, fill, pick } from "./hatch-ask.js";
import { call, uuid7 } from "./phone/store.js";
import { base64 } from "./wedge.js";

const MOST = 8 << 20; // bytes, as the API takes them
const LIMIT = 60_000; // ms: a long file is understood row by row
const FIELDS = { "date-order": "dateOrder", "doubled-hour": "doubledHour", "time-column": "timeColumn", "clock-column": "clockColumn", "temperature-column": "temperatureColumn" };
const NUMBERS = new Set(["timeColumn", "clockColumn", "temperatureColumn"]);

/** @param {any} body */
function fault(body) {
  const found = (body.details ?? []).flatMap((/** @type {any} */ d) => d.fieldViolations ?? []);
  return found.map((/** @type {any} */ v) => v.description).join("; ") || body.message || "The file was not taken.";
}

/**
 * @param {string} id label of the logger
 * @param {{by: string, carrier: string, zone: string}} about
 * @returns {Promise<string>} what became of it, "" where nobody went on
 */
export async function readFile(id, { by, carrier }) {
  /** @type {File | undefined} */
  let file;
  const v = await fill(`Read ${id}`, ["Choose the file that its reader or program wrote. It is looked at first; what it leaves open is asked."], [
    { name: "file", say: "File of the logger", kind: "file", must: "Choose the file first." },
  ], "Look at it", "logger-send");
  if (!v) return "";
  file = chosenFile();
  if (!file) return "";
  if (file.size > MOST) throw new Error(`${file.name} has more than 8 MiB; have the logger's program write this trip alone`);
  const bytes = base64(new Uint8Array(await file.arrayBuffer()));
  /** @type {Record<string, any>} */
  const said = { logger: id, name: file.name, file: bytes, by, id: uuid7(), ...(carrier ? { carrier } : {}) };
  for (let turn = 0; turn < 12; turn++) {
    const { status, body } = await call("POST", "v1/readings:import", { ...said, dryRun: true }, LIMIT);
    if (status !== 200) throw new Error(fault(body));
    const q = body.questions?.[0];
    if (q) {
      const answer = await answered(q);
      if (answer === null) return "";
      const name = /** @type {Record<string, string>} */ (FIELDS)[q.field] ?? q.field;
      said[name] = name === "faults" ? answer.split(",").map((/** @type {string} */ x) => x.trim()).filter(Boolean) : NUMBERS.has(name) ? Number(answer) : answer;
      continue;
    }
    if ((body.mistakes ?? []).length > 0) {
      throw new Error((body.mistakes ?? []).slice(0, 3).map((/** @type {any} */ m) => [m.say ?? m.text, m.remedy].filter(Boolean).join("; ")).join(". "));
    }
    const yes = await fill(`${id}: is that right?`, [body.say ?? "", ...(body.understood ?? []).map((/** @type {any} */ u) => `${u.field}: ${u.value}. ${u.why ?? ""}`), ...(body.notes ?? [])].filter(Boolean).slice(0, 12), [], "Read it in", "logger-read-in");
    if (!yes) return "";
    const done = await call("POST", "v1/readings:import", said, LIMIT);
    if (done.status !== 200) throw new Error(fault(done.body));
    return done.body.say || `${id} is read.`;
  }
  throw new Error("the file asks more than it can; have the logger's program write it as CSV with a zone");
}

/** @param {any} q @returns {Promise<string | null>} */
async function answered(q) {
  const list = (q.choices ?? []).map((/** @type {any} */ c, /** @type {number} */ i) => ({
    key: i < 9 ? String(i + 1) : "", code: c.value, say: [c.text || c.value, c.first && `from ${c.first}`, c.last && `to ${c.last}`].filter(Boolean).join(", "),
  }));
  if (list.length > 0 && !q.open) return pick(q.text, list, "logger-answer");
  const v = await fill(q.text, [q.why, ...(q.samples ?? []).slice(0, 3)].filter(Boolean), [
    ...(list.length > 0 ? [/** @type {import("./hatch-ask.js").Field} */ ({ name: "answer", say: "As the file has it", kind: "choice", list: [...list, { key: "", code: "", say: "another" }] })] : []),
    { name: "other", say: list.length > 0 ? "Another" : "Answer" },
  ], "Go on", "logger-answer");
  return v ? v.other || v.answer || null : null;
}
