// A phone for the screens at the bedside: the work list of bedside.json, a server that
// answers what a test tells it to, and the screens by name. It is served to tests alone.
const at = document.documentElement.dataset.phone; // address of the modules
const [flow, plan, ask, draw, list, spin, labels, words, timers, ui, samples] = await Promise.all(
  ["bedside-flow", "bedside-plan", "bedside-ask", "bedside-draw", "bedside-list", "bedside-spin", "labels", "words", "timers", "ui", "bedside-samples"].map((m) => import(`${at}${m}.js`)));

const pristine = await (await fetch("/bedside.json")).json();

/** Begins anew: nothing was sent, and the server has nothing to say. */
async function afresh(lang = "en") {
  await words.words(lang);
  const { work, now, by } = structuredClone(pristine);
  for (const row of work.rows) {
    const key = await crypto.subtle.importKey("raw", Uint8Array.from(atob(work.salt), (c) => c.charCodeAt(0)), { name: "HMAC", hash: "SHA-256" }, false, ["sign"]);
    const sum = await crypto.subtle.sign("HMAC", key, new TextEncoder().encode(work.numbers[row.identity.reference]));
    row.match = btoa(String.fromCharCode(...new Uint8Array(sum)));
  }
  let ids = 0;
  const phone = {
    work, by, today: "2026-11-24", asOf: work.asOf, sent: [], went: [], kept: null, wires: true, answer: () => ({ answer: "recorded" }),
    packs: {}, checkedRows: new Set(), load: null, spins: true, checked: [],
    now: () => Date.parse(now),
    clock: (ms) => new Intl.DateTimeFormat(lang === "de" ? "de" : "en-GB", { hour: "2-digit", minute: "2-digit", hour12: false, timeZone: work.place.zone, timeZoneName: "shortOffset" }).format(ms),
    newDraw: () => `D-TEST${++ids}`, newLoad: () => `L-TEST${++ids}`, may: () => true, online: () => phone.wires,
    record: async (scan, how = {}) => {
      const id = `S${phone.sent.length + 1}`;
      phone.sent.push({ ...scan, live: how.live !== false });
      return how.live === false || !phone.wires ? { id } : { id, answer: phone.answer(scan) };
    },
    staff: (read) => labels.staff(read, work.schemes),
    matches: async (read) => (await labels.matches(read, work)).row ?? null,
    tube: (read) => {
      const said = labels.read(read, work.schemes);
      return said.names === "carrier" ? { number: said.number, carrier: true } : said.names === "tube" ? { number: said.number } : { refusal: words.closed("refusal", said.names === "" ? "unknown-label" : "wrong-scheme") };
    },
    pack: (read) => {
      const said = labels.read(read, work.schemes, 2026);
      return said.names === "patient" ? { band: true } : { product: said.elements.find((e) => e.ai === "01")?.value, lot: said.lot, expiry: said.expiry };
    },
    types: () => [{ type: "EDTA", typeName: "EDTA" }, { type: "SERUM-GEL", typeName: "serum gel" }], typeOf: () => "",
    keepPack: (type, p) => (phone.packs[type] = p), keep: async (x) => (phone.kept = structuredClone(x)), keepLoad: async (x) => (phone.load = x), keepList: async () => phone.went.push("kept-list"),
    done: async () => phone.went.push("done"), leave: () => phone.go("patients"), renew: () => list.tray(phone), changed: async () => {},
    spin: () => phone.go("spin"), go: (to) => (phone.went.push(to), to === "spin" ? spin.spin(phone) : to === "again" ? samples.samples(phone) : list[to](phone)), begin: (row, read) => draw.begin(phone, row, read),
  };
  ui.hush();
  return (window.phone = phone);
}

const row = (phone, reference) => phone.work.rows.find((r) => r.identity.reference === reference);
const key = (name) => document.querySelector(`[data-act="${name}"]`).click();
const settle = () => new Promise((done) => setTimeout(done, 30));
const read = (text) => ({ text, raw: btoa(text), symbology: "", how: "reader" });
const tube = (label, index, more = {}) => ({ label, index, type: "", typeName: ["citrate", "lithium heparin gel", "EDTA"][index] ?? "EDTA", order: [2, 4, 5][index] ?? 0, additive: ["trisodium citrate", "lithium heparin", "potassium EDTA"][index] ?? "", at: Date.parse(pristine.now) - 240_000, scan: `S${label}`, ...more });
const all = [tube("TB260301", 0), tube("TB260311", 1), tube("TB260312", 2)];

/** A draw of Anna Lind that stands somewhere. */
function runs(more = {}, reference = "r-lind-a", place = {}) {
  const phone = window.phone;
  Object.assign(phone.work.place, place);
  const r = reference ? row(phone, reference) : null;
  const run = new draw.Run(phone, r, { ...flow.begin("D-TEST", r, phone.work.place), ...more });
  window.run = run;
  run.again();
  return run;
}

/** New samples that the laboratory asks for: one of a patient of the list, one that later readings cleared. */
function wanted() {
  phone.work.samples = [
    { draw: "D-OLD", row: "r-lind-a", tubes: ["TB260301", "TB260311"], reason: "past-limit", drawnAt: "2026-11-24T06:10:00Z", drawnUl: "12000", needed: true },
    { draw: "D-FAR", row: "r-nobody", tubes: ["TB260350"], drawnAt: "2026-11-24T05:55:00Z", needed: false },
  ];
  const planned = row(phone, "r-lind-a").plan[1];
  Object.assign(planned, { again: "TB260311", tube: "", collected: false });
}

const states = {
  tray: () => list.tray(phone),
  "tray-packs": () => (Object.assign(phone.packs, { CITRATE: { lot: "LOT7", expiry: "2027-03-31" } }), list.tray(phone)),
  "tray-empty": () => ((phone.work.rows = []), list.tray(phone)),
  patients: () => list.patients(phone),
  "patients-again": () => (wanted(), list.patients(phone)),
  again: () => (wanted(), samples.samples(phone)),
  "again-why": () => (wanted(), samples.samples(phone), key("bedside.again-decline")),
  "again-none": () => samples.samples(phone),
  identify: () => runs(),
  "stated-name": () => runs({ way: "stated" }),
  "stated-birth": () => runs({ way: "stated", said: { "stated-name": "yes" } }),
  temporary: () => runs({}, ""),
  mismatch: () => ask.mismatch(runs({}, "r-okafor-1"), row(phone, "r-okafor-2").identity),
  compare: () => runs({ at: "compare" }),
  second: () => runs({ at: "second" }),
  request: () => runs({ at: "request" }),
  unprepared: () => (runs({ at: "request" }), key("bedside.prepared-no")),
  allergies: () => runs({ at: "allergies" }),
  allergic: () => (runs({ at: "allergies" }), key("bedside.allergies-yes")),
  consent: () => runs({ at: "consent" }),
  fail: () => (runs({ at: "consent" }), key("bedside.consent-no")),
  weight: () => runs({ at: "weight" }),
  site: () => runs({ at: "site" }),
  method: () => runs({ at: "method" }),
  plan: () => runs({ at: "plan", method: "winged", grams: 62_000 }),
  "plan-over": () => runs({ at: "plan", method: "capillary", grams: 520 }, "r-okafor-1"),
  draw: () => runs({ at: "draw", method: "needle", said: { begun: String(Date.now() - 12_000) } }),
  label: () => runs({ at: "label" }),
  "label-some": () => runs({ at: "label", tubes: all.slice(0, 1), last: { scan: "S1", label: "TB260301", what: "tube", before: {} } }),
  type: () => (runs({ at: "label" }), document.querySelector("#scan-typed").value = "TB260399", document.querySelector(".scan-type button").click()),
  "label-free": () => runs({ at: "label", way: "temporary", number: "DT-004", tubes: [tube("TB260320", -1)] }, ""),
  "no-blood": () => (runs({ at: "label" }), key("bedside.no-blood")),
  tried: () => (runs({ at: "label", attempts: 2 }), key("bedside.no-blood"), key("bedside.failure.no-vein")),
  rest: () => (runs({ at: "label", tubes: all.slice(0, 2) }), key("bedside.rest-not")),
  order: () => runs({ at: "order", tubes: all }),
  "order-differs": () => runs({ at: "order", tubes: [all[0], all[2], all[1]] }),
  "order-pick": () => (runs({ at: "order", tubes: all }), key("bedside.order-other")),
  discard: () => runs({ at: "discard", tubes: all, method: "winged" }),
  fill: () => runs({ at: "fill", tubes: all }),
  mix: () => runs({ at: "mix", tubes: all }),
  handling: () => runs({ at: "handling", tubes: all }),
  care: () => runs({ at: "after", tubes: all }),
  adverse: () => runs({ at: "after", tubes: all, said: { care: "pressed-dressing" } }),
  due: () => runs({ at: "due", tubes: all, last: { scan: "S9", label: "", what: "end", before: {} } }),
  "due-judged": () => runs({ at: "due", tubes: [tube("TB260301", 0, { verdicts: [{ name: "aPTT", dueEarliest: "2026-11-24T10:12:00Z", rule: { until: "spun" } }, { name: "D-dimer", dueEarliest: "2026-11-24T11:00:00Z" }] }), tube("TB260310", 0)] }),
  "due-none": () => runs({ at: "due" }),
  refused: () => (runs({ at: "label" }), ui.tell("stop", words.closed("refusal", "held"), { repeat: true })),
  spin: () => spin.spin(phone),
  "spin-load": () => ((phone.load = { id: "L-1", rack: "RK-07", tubes: ["TB260287", "TB260291"], g: 0, minutes: 0, begun: 0 }), spin.spin(phone)),
  programme: () => (states["spin-load"](), key("bedside.load-go")),
  spinning: () => ((phone.load = { id: "L-1", rack: "", tubes: ["TB260287", "TB260291"], g: 2000, minutes: 10, begun: phone.now() - 180_000 }), spin.spin(phone)),
  "spin-empty": () => ((phone.work.here = []), spin.spin(phone)),
  measure: () => (spin.spin(phone), key("bedside.measure")),
  freeze: () => (spin.spin(phone), key("bedside.freeze")),
};

/** Screens made as another one here. */
const alike = ["tray", "stated-birth", "temporary", "unprepared", "allergic", "fail", "method", "plan", "label", "label-free", "no-blood", "rest", "order", "discard", "fill", "mix", "care", "due-judged", "due-none", "spin", "spin-empty", "measure"];

Object.assign(window, {
  samples, wanted,
  alike, flow, plan, spin, labels, timers, draw, list, ui, afresh, row, read, tube, runs, settle, names: Object.keys(states),
  state: async (name, lang) => {
    await afresh(lang);
    await states[name]();
    await settle();
  },
});
window.ready = true;
