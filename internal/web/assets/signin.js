// @ts-check
// An enrolled device signs the page's challenge before the form goes out, so that the
// session is the device's.
import { base64, known, sign } from "./devicekey.js";

const said = document.getElementById("device");

/** @param {HTMLFormElement} form
 *  @param {import("./devicekey.js").Device} device */
async function prove(form, device) {
  const field = (/** @type {string} */ name) => /** @type {HTMLInputElement} */ (form.elements.namedItem(name));
  field("device").value = device.device;
  field("signature").value = base64(await sign(device.pair.privateKey, "sign-in " + field("challenge").value));
}

const device = await known().catch(() => undefined);
if (device && said) {
  said.textContent = `This device is ${device.device}.`;
  said.hidden = false;
  for (const id of ["sign-in", "alone"]) {
    const form = document.getElementById(id);
    if (!(form instanceof HTMLFormElement)) continue;
    if (id === "alone") form.hidden = device.kind !== "wall" && device.kind !== "desk";
    let busy = false; // a challenge is good once: a second click must not answer it again
    addEventListener("pageshow", () => { busy = false; });
    form.addEventListener("submit", async (e) => {
      e.preventDefault();
      if (busy) return;
      busy = true;
      try {
        await prove(form, device);
        form.submit(); // requestSubmit did nothing here: Chromium still counts the first as going on
      } catch {
        busy = false;
        said.textContent = "This device could not sign with its key. Enrol it again, or use another device.";
      }
    });
  }
  document.documentElement.dataset.device = device.device;
}

// A reader ends a badge with Enter: that leads to the PIN, not away.
const badge = document.getElementById("badge");
const pin = document.getElementById("pin");
badge?.addEventListener("keydown", (e) => {
  if (e.key === "Enter" && pin instanceof HTMLInputElement && pin.value === "") {
    e.preventDefault();
    pin.focus();
  }
});
