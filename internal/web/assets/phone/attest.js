// @ts-check
// What an enrolled device signs of a scan. Loaded where a device has a key.
import { base64, sign } from "../devicekey.js";

/**
 * A scan as an enrolled device signs it: exact bytes without what identifies, and that
 * beside it, salted and bound by its hash. See internal/api/attested.go.
 * @param {Record<string, any>} scan
 * @param {import("../devicekey.js").Device} device
 */
export async function attest(scan, device) {
  const { patient, reason, ...open } = scan;
  const details = { ...(open.details ?? {}) };
  /** @type {Record<string, string>} */
  const secret = {};
  if (patient) secret.patient = patient;
  // A reason of the list may stand in the log; whether it is one only the server knows, and
  // a word that lies in the private part counts the same.
  if (reason) secret.reason = reason;
  if (details.note) secret.note = details.note;
  delete details.note;
  let beside = "";
  if (Object.keys(secret).length > 0) {
    beside = JSON.stringify({ salt: base64(crypto.getRandomValues(new Uint8Array(32))), ...secret });
    details.private = hex(new Uint8Array(await crypto.subtle.digest("SHA-256", utf8(beside))));
  }
  const text = JSON.stringify({ ...open, ...(Object.keys(details).length > 0 ? { details } : {}) });
  return {
    scan: base64(utf8(text)), keyId: device.keyId, signature: base64(await sign(device.pair.privateKey, text)),
    ...(beside ? { private: base64(utf8(beside)) } : {}),
  };
}

const utf8 = (/** @type {string} */ text) => new TextEncoder().encode(text);

const hex = (/** @type {Uint8Array} */ bytes) => Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
