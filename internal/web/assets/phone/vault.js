// @ts-check
// What a session may see and the next may not: kept under a key that no script can read
// out, made for one person and gone at sign-off, when somebody else signs in, and twelve
// hours after it was made. Without the key the rest is noise. The queue is not in here.
import { database, durable, letters, newKey, seal, unseal } from "./store.js";

const lasts = 12 * 3600_000; // ms

/** @typedef {{id: string, key: CryptoKey, made: number, by: string}} Lock */

/** Whose it is now: who is signed in, "" for nobody. */
let holder = "";

/** Says whose it is. What another's key keeps is forgotten at once. @param {string} by staff code */
export async function holdFor(by) {
  holder = by;
  await lockOf(Date.now());
}

/** A key from the future: the clock was set back, and its age can't be told. @param {Lock | undefined} lock @param {number} now ms */
const holds = (lock, now) => Boolean(lock && holder && lock.by === holder && now >= lock.made && now - lock.made < lasts);

/**
 * The key that holds now. Where none does, what is there is forgotten, and a fresh one is
 * put in its place: one step, so that two calls or two tabs at once don't make two.
 * @param {number} now ms
 * @param {Lock} [fresh]
 * @returns {Promise<Lock | undefined>}
 */
async function lockOf(now, fresh) {
  /** @type {Lock | undefined} */
  const lock = await (await database()).get("vault", "lock");
  if (holds(lock, now)) return lock;
  if (!lock && !fresh) return undefined;
  const tx = await durable(["vault"]);
  const vault = tx.objectStore("vault");
  /** @type {Lock | undefined} */
  const still = await vault.get("lock");
  const held = holds(still, now);
  if (!held) {
    await vault.clear();
    if (fresh) await vault.put(fresh, "lock");
  }
  await tx.done;
  return held ? still : fresh;
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
  const lock = (await lockOf(now)) ?? (await lockOf(now, { id: letters(8), key: await newKey(), made: now, by }));
  if (!lock) return;
  const sealed = await seal(lock.key, name, object);
  const tx = await durable(["vault"]);
  const vault = tx.objectStore("vault");
  // The session may have ended meanwhile.
  /** @type {Lock | undefined} */
  const still = await vault.get("lock");
  if (still?.id === lock.id && still.by === by && holder === by) await vault.put(sealed, "work " + name);
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
