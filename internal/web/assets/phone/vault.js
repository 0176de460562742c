// @ts-check
// What a session may see and the next may not: kept under a key that no script can read
// out, made for one person and gone at sign-off, when somebody else signs in, and twelve
// hours after it was made. Without the key the rest is noise. The queue is not in here.
import { database, durable, newKey, seal, unseal } from "./store.js";

const lasts = 12 * 3600_000; // ms

/** @typedef {{key: CryptoKey, made: number, by: string}} Lock */

/** Whose it is now: who is signed in, "" for nobody. */
let holder = "";

/** Says whose it is. What another's key keeps is forgotten at once. @param {string} by staff code */
export async function holdFor(by) {
  holder = by;
  await lockOf(Date.now());
}

/** @param {number} now ms @returns {Promise<Lock | undefined>} */
async function lockOf(now) {
  /** @type {Lock | undefined} */
  const lock = await (await database()).get("vault", "lock");
  if (!lock) return undefined;
  // A key from the future: the clock was set back, and its age can't be told.
  if (holder && lock.by === holder && now >= lock.made && now - lock.made < lasts) return lock;
  await wipe();
  return undefined;
}

/**
 * Keeps an object for whoever is signed in; for nobody it keeps nothing.
 * @param {string} name
 * @param {unknown} object
 * @param {number} [now] ms
 */
export async function keepWork(name, object, now = Date.now()) {
  const by = holder;
  if (!by) return;
  let lock = await lockOf(now);
  if (!lock) {
    lock = { key: await newKey(), made: now, by };
    const tx = await durable(["vault"]);
    await Promise.all([tx.objectStore("vault").put(lock, "lock"), tx.done]);
  }
  const sealed = await seal(lock.key, name, object);
  const tx = await durable(["vault"]);
  const vault = tx.objectStore("vault");
  // The session may have ended meanwhile.
  /** @type {Lock | undefined} */
  const still = await vault.get("lock");
  if (still?.made === lock.made && still.by === by && holder === by) await vault.put(sealed, "work " + name);
  await tx.done;
}

/**
 * What was kept, or undefined.
 * @param {string} name @param {number} [now] ms
 * @returns {Promise<any>}
 */
export async function readWork(name, now = Date.now()) {
  const lock = await lockOf(now);
  const sealed = lock && (await (await database()).get("vault", "work " + name));
  return sealed ? unseal(lock.key, name, sealed).catch(() => undefined) : undefined;
}

/** Forgets all of it. */
export async function wipe() {
  const tx = await durable(["vault"]);
  await Promise.all([tx.objectStore("vault").clear(), tx.done]);
}
