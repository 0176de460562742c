// @ts-check
// The camera of a phone screen. It is loaded when somebody opens the camera.
import { Camera } from "../camera.js";
import { linearBut } from "../sightings.js";
import { signal } from "../signals.js";
import { action, h, tell } from "./ui.js";
import { t } from "./words.js";

/**
 * @param {HTMLElement} stage
 * @param {{checked: RegExp[], read: (bytes: Uint8Array, symbology: string) => void, trouble: () => void}} to
 * @returns {{stop: () => void}}
 */
export function cameraStage(stage, { checked, read, trouble }) {
  const video = h("video", { "aria-label": t("camera.picture") });
  const box = h("div", { class: "scan-aim" });
  const state = h("p", { class: "scan-state", role: "status" });
  const keys = h("div", { class: "acts" });
  const camera = new Camera({ video, box, needsTwo: linearBut(checked) });
  stage.replaceChildren(h("div", { class: "scan-picture" }, video, box), state, keys);

  camera.addEventListener("state", () => {
    state.textContent = camera.state === "stopped" ? "" : t(`camera.${camera.state}`);
    if (camera.state === "looking") keys.replaceChildren(...(camera.torch.has ? [action("camera.light", () => camera.light(!camera.torch.on))] : []));
  });
  camera.addEventListener("read", (e) => {
    const r = /** @type {import("../sightings.js").Read} */ (/** @type {CustomEvent} */ (e).detail);
    read(r.bytes, r.symbology);
  });
  camera.addEventListener("choose", (e) => {
    const reads = /** @type {import("../sightings.js").Read[]} */ (/** @type {CustomEvent} */ (e).detail);
    signal(false);
    const pick = reads.map((r) => h("button", { type: "button", class: "act", onclick: () => camera.take(r) }, new TextDecoder().decode(r.bytes).replaceAll("\x1d", " ")));
    keys.replaceChildren(...pick, action("camera.none", () => camera.again(), { kind: "quiet" }));
  });
  camera.addEventListener("trouble", (e) => {
    const { kind } = /** @type {import("../camera.js").Trouble} */ (/** @type {CustomEvent} */ (e).detail);
    tell("look", t(kind === "none" ? "camera.none-here" : `camera.${kind}`));
    if (kind !== "part") trouble();
  });
  camera.start();
  return { stop: () => camera.stop() };
}
