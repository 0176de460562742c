// @ts-check
import { base64, keep, make, sign } from "./devicekey.js";

const base = new URL("../../", import.meta.url);
const form = /** @type {HTMLFormElement} */ (document.getElementById("enrol"));
const code = /** @type {HTMLInputElement} */ (document.getElementById("code"));
const said = /** @type {HTMLElement} */ (document.getElementById("enrol-said"));

form.addEventListener("submit", async (e) => {
  e.preventDefault();
  const button = /** @type {HTMLButtonElement} */ (form.querySelector("button"));
  button.disabled = true;
  said.textContent = "One moment: this device makes its key.";
  try {
    const pair = await make();
    const text = code.value.trim();
    const publicKey = new Uint8Array(await crypto.subtle.exportKey("spki", pair.publicKey));
    const proof = await sign(pair.privateKey, "enrol " + text);
    const resp = await fetch(new URL("v1/devices:enrol", base), {
      method: "POST", headers: { "Content-Type": "application/json" },
      body: JSON.stringify({ code: text, publicKey: base64(publicKey), proof: base64(proof) }),
    });
    const answer = await resp.json();
    if (!resp.ok) throw new Error(answer.message || "It was not taken. Ask the engineer for a new code.");
    await keep({ device: answer.device, keyId: answer.keyId, kind: answer.kind || "", place: answer.place || "", pair });
    form.hidden = true;
    said.textContent = `This device is ${answer.device} now. You can sign in.`;
  } catch (err) {
    said.textContent = err instanceof Error ? err.message : String(err);
    button.disabled = false;
  }
});
