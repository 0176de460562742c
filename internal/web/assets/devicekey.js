// @ts-check
// The key of this device: made by the browser, kept where no script can read it out,
// used to sign and for nothing else.

const store = "custody-device";

/** @typedef {{device: string, keyId: string, kind: string, place: string, pair: CryptoKeyPair}} Device */

/** @returns {Promise<IDBDatabase>} */
function open() {
  return new Promise((resolve, reject) => {
    const ask = indexedDB.open(store, 1);
    ask.onupgradeneeded = () => ask.result.createObjectStore("key");
    ask.onsuccess = () => resolve(ask.result);
    ask.onerror = () => reject(ask.error);
  });
}

/**
 * @template T
 * @param {IDBTransactionMode} mode
 * @param {(s: IDBObjectStore) => IDBRequest<T>} work
 * @returns {Promise<T>}
 */
async function withStore(mode, work) {
  const db = await open();
  try {
    return await new Promise((resolve, reject) => {
      const turn = db.transaction("key", mode);
      const ask = work(turn.objectStore("key"));
      turn.oncomplete = () => resolve(ask.result);
      turn.onerror = turn.onabort = () => reject(turn.error);
    });
  } finally {
    db.close();
  }
}

/** The device that this browser is, if it was enrolled.
 * @returns {Promise<Device | undefined>} */
export function known() {
  return withStore("readonly", (s) => /** @type {IDBRequest<Device | undefined>} */ (s.get("device")));
}

/** @param {Device} device */
export function keep(device) {
  return withStore("readwrite", (s) => s.put(device, "device"));
}

/** A fresh key. Its private half can't be exported.
 * @returns {Promise<CryptoKeyPair>} */
export function make() {
  return crypto.subtle.generateKey({ name: "ECDSA", namedCurve: "P-256" }, false, ["sign", "verify"]);
}

/** Signs text: r and s of 32 bytes each.
 * @param {CryptoKey} key
 * @param {string} text */
export async function sign(key, text) {
  return new Uint8Array(await crypto.subtle.sign({ name: "ECDSA", hash: "SHA-256" }, key, new TextEncoder().encode(text)));
}

/** @param {Uint8Array} bytes */
export function base64(bytes) {
  return btoa(Array.from(bytes, (b) => String.fromCharCode(b)).join(""));
}
