// @ts-check
// Reading labels without a server, so far that the phone can say which of the things it
// knows was scanned. What a scan means the server decides from the raw bytes.
import { expression } from "../patterns.js";

/**
 * @typedef {{text?: string, raw?: string, symbology?: string, how?: string}} Label as a scan has it; raw is base64
 * @typedef {{id: string, names: string, pattern: string, check?: string, letterCase?: string, zeros?: string, in?: string[], framed?: boolean, ward?: boolean, tubeType?: boolean}} Scheme
 * @typedef {object} Read
 * @property {string} names what it identifies, in the words of schemes; product for a maker's code; "" when not known
 * @property {string} number as people read it
 * @property {{ai: string, value: string}[]} elements of GS1 data
 * @property {string} [lot]
 * @property {string} [expiry] a date; without the day where the label leaves it open
 * @property {string} [serial]
 * @property {"check" | "gs1"} [wrong] its check character or its layout says that it was misread
 */

const GS = "\x1d";

/** Whether a symbol's data are GS1 elements. */
const GS1 = new Set(["]C1", "]d2", "]d5", "]Q3", "]Q4", "]e0"]);

/** Lengths of the values of GS1 identifiers that need no separator behind them. */
const FIXED = /** @type {Record<string, number>} */ ({
  "00": 18, "01": 14, "02": 14, "11": 6, "12": 6, "13": 6, "15": 6, "16": 6, "17": 6, "20": 2, "414": 13, "8017": 18, "8018": 18,
});

/** How long an identifier is, by its first two digits. @param {string} data */
const codeLength = (data) => (/^(?:0|1|20|9|21|22|37|30)/.test(data) ? 2 : /^(?:31|32|33|34|35|36|39|70|71|72|80|81|82)/.test(data) ? 4 : 3);

/** @param {string} data @returns {{ai: string, value: string}[] | undefined} */
export function elements(data) {
  const out = [];
  for (let rest = data.replace(/^\x1d/, ""); rest; ) {
    const ai = rest.slice(0, codeLength(rest));
    const end = FIXED[ai] ? ai.length + FIXED[ai] : (rest.indexOf(GS) + rest.length + 1) % (rest.length + 1);
    const value = rest.slice(ai.length, end || rest.length);
    if (!/^\d+$/.test(ai) || !value || value.includes(GS) || (FIXED[ai] && value.length !== FIXED[ai])) return undefined;
    out.push({ ai, value });
    rest = rest.slice(end || rest.length).replace(/^\x1d/, "");
  }
  return out.length ? out : undefined;
}

const A37 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ*";
const A43 = "0123456789ABCDEFGHIJKLMNOPQRSTUVWXYZ-. $/+%";

/** GS1 General Specifications: weights 3 and 1 from the right. @param {string} digits without the check digit */
export function mod10(digits) {
  let sum = 0;
  for (let i = digits.length - 1, w = 3; i >= 0; i--, w = 4 - w) sum += w * Number(digits[i]);
  return String((10 - (sum % 10)) % 10);
}

/** ISO/IEC 7064 MOD 37-2. @param {string} body */
export function mod37(body) {
  let sum = 0;
  for (const c of body) sum = ((sum + A37.indexOf(c)) * 2) % 37;
  return A37[(38 - (sum % 37)) % 37];
}

/** Code 39 order, as in ANSI/HIBC. @param {string} body */
export const mod43 = (body) => A43[[...body].reduce((sum, c) => sum + A43.indexOf(c), 0) % 43];

/** Whether the last character guards the others. @param {string} check @param {string} number */
export function holds(check, number) {
  const upper = number.toUpperCase();
  const [body, last] = [upper.slice(0, -1), upper.slice(-1)];
  switch (check) {
    case "mod10": {
      const digits = body.replace(/\D/g, "");
      return digits !== "" && last === mod10(digits);
    }
    case "mod37-2": {
      const plain = body.replace(/[^0-9A-Z]/g, "");
      return plain !== "" && last === mod37(plain);
    }
    case "mod43":
      return body !== "" && [...body].every((c) => A43.includes(c)) && last === mod43(body);
    default:
      return true;
  }
}

/** @param {Scheme} s @param {string} text */
function fits(s, text) {
  const e = expression(s.pattern);
  return (s.letterCase === "counts" ? new RegExp(e.source) : e).test(text);
}

/** @param {Scheme} s @param {string} text @returns {Read} */
function numbered(s, text) {
  const number = s.letterCase === "counts" ? text : text.toUpperCase();
  return { names: s.names, number, elements: [], ...(holds(s.check ?? "", text) ? {} : { wrong: /** @type {const} */ ("check") }) };
}

/** YYMMDD of GS1; day 00 leaves it open. The century is the nearest. @param {string} v @param {number} year */
export function date(v, year) {
  const yy = Number(v.slice(0, 2));
  let full = Math.floor(year / 100) * 100 + yy;
  if (full - year > 50) full -= 100;
  if (full - year < -49) full += 100;
  return `${full}-${v.slice(2, 4)}` + (v.slice(4) === "00" ? "" : `-${v.slice(4)}`);
}

/** Characters of a label. @param {Label} label */
export function characters(label) {
  if (!label.raw) return label.text ?? "";
  return new TextDecoder().decode(Uint8Array.from(atob(label.raw), (c) => c.charCodeAt(0)));
}

/**
 * What a label says.
 * @param {Label} label
 * @param {Scheme[]} schemes
 * @param {number} [year]
 * @returns {Read}
 */
export function read(label, schemes, year = new Date().getFullYear()) {
  let data = characters(label).trim();
  let symbology = label.symbology ?? "";
  const aim = /^\][A-Za-z][0-9A-Z]/.exec(data);
  if (aim) {
    symbology ||= aim[0];
    data = data.slice(3);
  }
  if (symbology === "]E0") return { names: "product", number: data, elements: [] };
  if (GS1.has(symbology) || data.startsWith(GS)) return gs1(data, schemes, year);
  const own = plain(data, schemes, symbology !== "" || label.how === "typed");
  if (own) return own;
  // GS1 data that came without symbology identifier count when a check digit guards them.
  if (label.how !== "typed" && /^(?:00|01|8017|8018)\d/.test(data)) {
    const found = gs1(data, schemes, year);
    if (!found.wrong) return found;
  }
  return { names: "", number: data.toUpperCase(), elements: [] };
}

/** @param {string} data @param {Scheme[]} schemes @param {boolean} framed */
function plain(data, schemes, framed) {
  const s = schemes.find((one) => (!one.in?.length || one.in.includes("plain")) && (!one.framed || framed) && fits(one, data));
  return s && numbered(s, data);
}

/** @param {string} data @param {Scheme[]} schemes @param {number} year @returns {Read} */
function gs1(data, schemes, year) {
  const found = elements(data);
  if (!found) return { names: "", number: "", elements: [], wrong: "gs1" };
  const value = (/** @type {string} */ ai) => found.find((e) => e.ai === ai)?.value;
  for (const ai of ["00", "01", "414", "8017", "8018"]) {
    const v = value(ai);
    if (v && mod10(v.slice(0, -1)) !== v.slice(-1)) return { names: "", number: "", elements: found, wrong: "check" };
  }
  /** @type {Partial<Read>} */
  const product = { lot: value("10"), serial: value("21"), ...(value("17") ? { expiry: date(value("17") ?? "", year) } : {}) };
  for (const e of found) {
    const s = schemes.find((one) => one.in?.includes(e.ai) && fits(one, e.value));
    if (s) return { ...product, ...numbered(s, e.value), elements: found };
  }
  for (const [ai, names] of [["8018", "patient"], ["8017", "person"], ["00", "carrier"], ["8003", "carrier"], ["8004", "logger"], ["414", "place"], ["01", "product"]]) {
    const v = value(ai);
    if (v) return { names, number: v, elements: found, ...product };
  }
  return { names: product.lot || product.expiry ? "product" : "", number: "", elements: found, ...product };
}

/**
 * Another person's staff code. A badge's own number opens doors and a wristband's names a
 * patient: neither may stand in the log as a code.
 * @param {Label} label @param {Scheme[]} schemes
 * @returns {{code?: string, not?: "badge" | "wristband" | "misread"}}
 */
export function staff(label, schemes) {
  const said = read(label, schemes);
  if (said.wrong) return { not: "misread" };
  if (said.names === "person") return { not: "badge" };
  if (said.names === "patient") return { not: "wristband" };
  return { code: characters(label).trim().replace(/^\][A-Za-z][0-9A-Z]/, "") };
}

/** @param {Uint8Array} bytes */
const text64 = (bytes) => btoa(Array.from(bytes, (b) => String.fromCharCode(b)).join(""));

/** @param {string} salt base64 @param {string} number @returns {Promise<string>} base64 */
async function keyed(salt, number) {
  const bytes = Uint8Array.from(atob(salt), (c) => c.charCodeAt(0));
  const key = await crypto.subtle.importKey("raw", bytes, { name: "HMAC", hash: "SHA-256" }, false, ["sign"]);
  return text64(new Uint8Array(await crypto.subtle.sign("HMAC", key, new TextEncoder().encode(number))));
}

/**
 * The row of a work list whose patient a wristband names: the list holds no numbers, only
 * their keyed hashes.
 * @template {{match?: string}} Row
 * @param {Label} label
 * @param {{salt: string, rows?: Row[], schemes?: Scheme[]}} work
 * @returns {Promise<{read: Read, row?: Row}>}
 */
export async function matches(label, work) {
  const said = read(label, work.schemes ?? []);
  if (said.wrong || !said.number) return { read: said };
  const want = await keyed(work.salt, said.number);
  return { read: said, row: (work.rows ?? []).find((r) => r.match === want) };
}
