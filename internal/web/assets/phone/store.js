// @ts-check
// What the phone keeps: one database for the queue of scans, what stands aside, small
// facts of the phone, and the vault of a session. The queue outlives everything else.
import "../vendor/idb/umd.js";

const { openDB } = /** @type {typeof import("../vendor/idb/index.js")} */ (/** @type {any} */ (globalThis).idb);

/** Address below which the server serves, with a last slash. */
export const base = new URL("../../../", import.meta.url);

/**
 * A scan that waits. What it says is sealed, so that no number of a patient lies open on
 * the phone; the key is the phone's and lives as long as the queue.
 * @typedef {object} Waiting
 * @property {number} seq the device's sequence, which orders the queue
 * @property {string} id
 * @property {number} at when it was made, ms by the device's clock
 * @property {number} until as long as somebody waits for its answer, ms by the device's clock; 0: nobody
 * @property {Sealed} sealed
 *
 * @typedef {{iv: Uint8Array<ArrayBuffer>, data: ArrayBuffer}} Sealed
 *
 * @typedef {object} Aside what was sent and can't be taken; kept until somebody has seen to it
 * @property {string} id
 * @property {number} seq
 * @property {number} at
 * @property {string} why "unreadable", or the word of a refusal
 * @property {string} say the server's own sentence, in English
 * @property {Sealed} sealed
 */

/** @type {Promise<import("../vendor/idb/index.js").IDBPDatabase<any>> | undefined} */
let opened;

export function database() {
  opened ??= openDB("custody-phone", 1, {
    upgrade(db) {
      db.createObjectStore("queue", { keyPath: "seq" }).createIndex("id", "id", { unique: true });
      db.createObjectStore("aside", { keyPath: "id" });
      db.createObjectStore("facts");
      db.createObjectStore("vault");
    },
    blocking(_, __, e) {
      // A newer program wants to change the database: it may, this one opens it again.
      opened = undefined;
      /** @type {IDBDatabase} */ (e.target).close();
    },
    terminated() {
      opened = undefined;
    },
  }).catch((err) => {
    // A newer program has been here, which only adds stores: this page can go on.
    if (err.name === "VersionError") return openDB("custody-phone");
    opened = undefined;
    throw err;
  });
  return opened;
}

/**
 * A transaction whose end means that it is on the disk.
 * @param {string[]} stores
 */
export async function durable(stores) {
  return (await database()).transaction(stores, "readwrite", { durability: "strict" });
}

/** A small fact of this phone. @param {string} name @returns {Promise<any>} */
export async function fact(name) {
  return (await database()).get("facts", name);
}

/** @param {string} name @param {unknown} value undefined forgets it */
export async function keepFact(name, value) {
  const tx = await durable(["facts"]);
  const facts = tx.objectStore("facts");
  await Promise.all([value === undefined ? facts.delete(name) : facts.put(value, name), tx.done]);
}

/** A key that no script can read out. */
export const newKey = () => crypto.subtle.generateKey({ name: "AES-GCM", length: 256 }, false, ["encrypt", "decrypt"]);

/** @param {CryptoKey} key @param {string} about bound to it @param {unknown} value @returns {Promise<Sealed>} */
export async function seal(key, about, value) {
  const iv = crypto.getRandomValues(new Uint8Array(12));
  const additionalData = new TextEncoder().encode(about);
  return { iv, data: await crypto.subtle.encrypt({ name: "AES-GCM", iv, additionalData }, key, new TextEncoder().encode(JSON.stringify(value))) };
}

/** @param {CryptoKey} key @param {string} about @param {Sealed} sealed @returns {Promise<any>} */
export async function unseal(key, about, { iv, data }) {
  const additionalData = new TextEncoder().encode(about);
  return JSON.parse(new TextDecoder().decode(await crypto.subtle.decrypt({ name: "AES-GCM", iv, additionalData }, key, data)));
}

/**
 * The key of the queue, made once.
 * @returns {Promise<CryptoKey>}
 */
export async function queueKey() {
  const known = await fact("queue-key");
  if (known) return known;
  const fresh = await newKey();
  const tx = await durable(["facts"]);
  const facts = tx.objectStore("facts");
  const first = await facts.get("queue-key"); // another tab may have been quicker
  if (!first) await facts.put(fresh, "queue-key");
  await tx.done;
  return first ?? fresh;
}

/** Letters and digits that nobody mixes up. @param {number} n @returns {string} */
export function letters(n) {
  const from = "ABCDEFGHJKLMNPQRSTUVWXYZ23456789"; // 32 of them
  return Array.from(crypto.getRandomValues(new Uint8Array(n)), (b) => from[b % 32]).join("");
}

/** A UUID of version 7, RFC 9562 section 5.7. @param {number} [now] ms @returns {string} */
export function uuid7(now = Date.now()) {
  const b = crypto.getRandomValues(new Uint8Array(16));
  for (let i = 5, t = now; i >= 0; i--, t = Math.floor(t / 256)) b[i] = t % 256;
  b[6] = 0x70 | (b[6] & 0x0f);
  b[8] = 0x80 | (b[8] & 0x3f);
  const hex = Array.from(b, (x) => x.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})/, "$1-$2-$3-$4-");
}

/**
 * Calls the API. It rejects when no answer came within the limit.
 * @param {string} method
 * @param {string} path below the base
 * @param {unknown} [body]
 * @param {number} [limit] ms
 * @returns {Promise<{status: number, body: any}>}
 */
export async function call(method, path, body, limit = 8000) {
  const resp = await fetch(new URL(path, base), {
    method,
    headers: body === undefined ? {} : { "Content-Type": "application/json" },
    body: body === undefined ? undefined : JSON.stringify(body),
    cache: "no-store",
    signal: AbortSignal.timeout(limit),
  });
  return { status: resp.status, body: await resp.json().catch(() => ({})) };
}
