// @ts-check
import { Camera, FORMATS, MORE } from "./camera.js";
import { expression } from "./patterns.js";
import { isGS1, linearBut } from "./sightings.js";
import { allowSound, signal } from "./signals.js";

/**
 * A read of this page, typed or by the camera.
 * @typedef {{bytes: Uint8Array, symbology: string, name: string, how: string}} Read
 * @typedef {{names: string, says: string, number?: string, word: string, symbology: {id: string, name: string}, standard: string,
 *   elements?: {ai: string, value: string}[],
 *   product?: {number: string, lot?: string, serial?: string, expiry?: string, made?: string}}} Reading
 * @typedef {{field: string, say: string, remedy: string, ways?: string[], proposal?: string}} Refusal
 * @typedef {{reading?: Reading, refusal?: Refusal}} Answer
 */

/** @param {string} id */
function element(id) {
  const e = document.getElementById(id);
  if (!e) throw new Error(`the page has no #${id}`);
  return e;
}

/**
 * @param {string} tag
 * @param {string} [text]
 * @param {string} [kind] class
 */
function make(tag, text = "", kind = "") {
  const e = document.createElement(tag);
  e.textContent = text;
  if (kind) e.className = kind;
  return e;
}

/** Plain sentences come without capital and full stop. @param {string} s */
const sentence = (s) => `${s.charAt(0).toUpperCase()}${s.slice(1)}.`;

const main = element("main");
const open = /** @type {HTMLButtonElement} */ (element("open"));
const light = /** @type {HTMLButtonElement} */ (element("light"));
const next = /** @type {HTMLButtonElement} */ (element("next"));
const more = /** @type {HTMLInputElement} */ (element("more"));
const trouble = element("trouble");
const choose = element("choose");
const said = element("said");
const refused = element("refused");
const exact = element("exact");

/** @param {Read} read @returns {Promise<Answer>} */
async function ask(read) {
  const raw = btoa(Array.from(read.bytes, (b) => String.fromCharCode(b)).join(""));
  try {
    const answer = await fetch(main.dataset.read ?? "", {
      method: "POST",
      headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ raw, symbology: read.symbology, how: read.how }),
    });
    return await answer.json();
  } catch {
    return { refusal: { field: "", say: "the server didn't answer, so what the label names isn't known", remedy: "see whether this device is connected, and scan again" } };
  }
}

let turn = 0; // only the newest read is shown

/** @param {Read} read */
async function show(read) {
  const mine = ++turn;
  const answer = await ask(read);
  if (mine !== turn) return;
  tell(read, answer);
  signal(Boolean(answer.reading));
}

/** @param {Read} read @param {Answer} answer */
function tell(read, { reading, refusal }) {
  trouble.hidden = true;
  said.replaceChildren();
  refused.replaceChildren();
  if (reading) {
    said.append(make("p", `This is ${reading.says}`, "names"));
    if (reading.product) said.append(product(reading.product));
    else if (reading.number) said.append(make("p", reading.number, "number"));
    else said.append(make("p", "Whose it is isn't shown here.", "lead"));
    if (reading.elements?.length) said.append(make("h3", "Elements of the label"), elements(reading.elements));
  }
  if (refusal) {
    const box = make("div", "", "alert");
    box.append(make("p", `Not taken: ${refusal.say}.`), make("p", sentence(refusal.remedy)));
    if (refusal.proposal) box.append(make("p", `It probably says ${refusal.proposal}. Scan again to be sure.`));
    if (refusal.ways?.length) {
      const ways = make("ul");
      ways.append(...refusal.ways.map((w) => make("li", w)));
      box.append(make("p", "It could mean:"), ways);
    }
    refused.append(box);
  }
  exactly(read, reading);
  // On a phone the answer stands above the box that was typed into.
  if (read.how === "typed") (reading ? said : refused).scrollIntoView({ block: "nearest" });
}

/** @param {NonNullable<Reading["product"]>} p */
function product(p) {
  return facts([["Product", p.number], ["Lot", p.lot], ["Serial number", p.serial], ["Expires", p.expiry], ["Made", p.made]]);
}

/** @param {{ai: string, value: string}[]} list */
function elements(list) {
  return facts(list.map((e) => [`(${e.ai})`, e.value]));
}

/** @param {[string, string | undefined][]} rows */
function facts(rows) {
  const list = make("dl", "", "read-facts");
  for (const [name, value] of rows) if (value) list.append(make("dt", name), make("dd", value));
  return list;
}

const CONTROL = new Map([[0x09, "TAB"], [0x0a, "LF"], [0x0d, "CR"], [0x1c, "FS"], [0x1d, "GS"], [0x1e, "RS"], [0x20, "blank"]]);

/** @param {number} b */
function glyph(b) {
  if (b > 0x20 && b < 0x7f) return String.fromCharCode(b);
  return CONTROL.get(b) ?? "·";
}

/** How long a read is, in words. @param {Uint8Array} bytes */
function length(bytes) {
  const many = (/** @type {number} */ n, /** @type {string} */ what) => `${n} ${what}${n === 1 ? "" : "s"}`;
  try {
    const characters = [...new TextDecoder("utf-8", { fatal: true, ignoreBOM: true }).decode(bytes)].length;
    return many(characters, "character") + (characters === bytes.length ? "" : ` in ${bytes.length} bytes`);
  } catch {
    return `${many(bytes.length, "byte")}, which are no text`;
  }
}

/**
 * Shows the bytes, unless they are a person's number: then the server says none back.
 * @param {Read} read
 * @param {Reading} [reading]
 */
function exactly(read, reading) {
  element("symbol").textContent = read.symbology ? `${read.symbology} ${read.name}` : "none, it was typed";
  const data = isGS1(read.symbology) ? "GS1" : "plain";
  element("data").textContent = reading?.word || (read.symbology ? data : "not known");
  element("length").textContent = length(read.bytes);
  const secret = Boolean(reading && !reading.number && !reading.product);
  element("codes").hidden = secret;
  element("points").replaceChildren(...(secret ? [] : Array.from(read.bytes, point)));
  exact.hidden = false;
}

/** @param {number} b one byte */
function point(b) {
  const item = make("li", "", CONTROL.has(b) || b < 0x20 ? "control" : "");
  item.append(make("b", glyph(b)), make("span", b.toString(16).toUpperCase().padStart(2, "0")));
  return item;
}

/**
 * In the order and words of people who look at the picture.
 * @param {import("./sightings.js").Read[]} reads
 * @returns {[string, import("./sightings.js").Read][]}
 */
function placed(reads) {
  const spread = (/** @type {"x" | "y"} */ k) => Math.max(...reads.map((r) => r.at[k])) - Math.min(...reads.map((r) => r.at[k]));
  const aside = spread("x") > spread("y");
  const order = [...reads].sort((a, b) => (aside ? a.at.x - b.at.x : a.at.y - b.at.y));
  const words = aside ? ["The left one", "The right one"] : ["The upper one", "The lower one"];
  return order.map((r, i) => [reads.length === 2 ? words[i] : `Number ${i + 1} from the ${aside ? "left" : "top"}`, r]);
}

/** @param {import("./sightings.js").Read[]} reads */
async function offer(reads) {
  const mine = ++turn;
  signal(false);
  const list = element("choices");
  list.replaceChildren();
  element("choose-say").textContent = `${reads.length} labels are in the box, and only you know which tube is in your hand.`;
  choose.hidden = false;
  element("choose-head").focus();
  const order = placed(reads);
  const answers = await Promise.all(order.map(([, read]) => ask(read)));
  if (mine !== turn || camera.state !== "asking") return;
  order.forEach(([where, read], i) => {
    const { reading, refusal } = answers[i];
    const name = reading ? [reading.says, reading.number].filter(Boolean).join(" ") : `can't be taken, ${refusal?.say}`;
    const button = make("button", `${where}: ${name}`);
    button.setAttribute("type", "button");
    button.addEventListener("click", () => camera.take(read));
    const item = make("li");
    item.append(button, make("span", `${read.symbology} ${read.name}`, "small"));
    list.append(item);
  });
}

const camera = new Camera({
  video: /** @type {HTMLVideoElement} */ (element("video")),
  box: element("aim"),
  needsTwo: linearBut(JSON.parse(main.dataset.checked || "[]").map(expression)),
});

/** @type {Record<import("./camera.js").State, string>} */
const STATES = {
  stopped: "The camera is off.",
  starting: "The camera is being opened.",
  looking: "Hold one label into the box.",
  asking: "More than one label is in the box.",
  hidden: "The camera is off while this page is not in front.",
};

camera.addEventListener("state", () => {
  const on = camera.state !== "stopped";
  element("stage").dataset.state = camera.state;
  element("state").textContent = STATES[camera.state];
  open.textContent = on ? "Close the camera" : "Open the camera";
  if (camera.state !== "asking") choose.hidden = true;
  if (camera.state === "looking") keys();
  if (!on) light.hidden = next.hidden = true;
});

async function keys() {
  light.hidden = !camera.torch.has;
  light.setAttribute("aria-pressed", String(camera.torch.on));
  next.hidden = (await camera.cameras()) < 2 || camera.state === "stopped";
}

camera.addEventListener("read", (e) => show(/** @type {CustomEvent} */ (e).detail));
camera.addEventListener("choose", (e) => offer(/** @type {CustomEvent} */ (e).detail));
camera.addEventListener("trouble", (e) => {
  const t = /** @type {import("./camera.js").Trouble} */ (/** @type {CustomEvent} */ (e).detail);
  trouble.replaceChildren(make("p", sentence(t.say)), make("p", sentence(t.remedy)));
  trouble.hidden = false;
  signal(false);
});

open.addEventListener("click", () => {
  allowSound();
  if (camera.state !== "stopped") return camera.stop();
  trouble.hidden = true;
  camera.start();
});
light.addEventListener("click", async () => {
  await camera.light(!camera.torch.on);
  keys();
});
next.addEventListener("click", () => camera.next());
more.addEventListener("change", () => camera.lookFor(more.checked ? [...FORMATS, ...MORE] : FORMATS));
element("neither").addEventListener("click", () => camera.again());
element("typed").addEventListener("submit", (e) => {
  e.preventDefault();
  allowSound();
  const box = /** @type {HTMLInputElement} */ (element("text"));
  const text = box.value.trim();
  box.value = ""; // it may be a person's number
  if (text) show({ bytes: new TextEncoder().encode(text), symbology: "", name: "", how: "typed" });
});
element("try").hidden = false;
