// @ts-check
import { Sightings } from "./sightings.js";

/**
 * @typedef {import("./sightings.js").Format} Format
 * @typedef {import("./sightings.js").Question} Question
 * @typedef {import("./sightings.js").Read} Read
 * @typedef {import("./sightings.js").Answer} Answer
 * @typedef {"stopped" | "starting" | "looking" | "asking" | "hidden"} State
 * @typedef {{kind: string, say: string, remedy: string}} Trouble
 * @typedef {{torch?: boolean}} Torch the light of a camera, which the DOM types lack here
 * @typedef {{
 *   video: HTMLVideoElement,
 *   box: HTMLElement,
 *   formats?: Format[],
 *   needsTwo?: (symbology: string, bytes: Uint8Array) => boolean,
 *   muteMs?: number,
 * }} Options
 * video shows the camera with object-fit: cover; box lies over it, and only what is
 * in it is looked at. needsTwo tells what is taken after two equal reads only.
 */

/** What is looked for unless somebody asks for more: each costs time in every picture. @type {Format[]} */
export const FORMATS = ["Code128", "DataMatrix", "QRCode"];
/** What may be asked for beside them. @type {Format[]} */
export const MORE = ["Code39", "Codabar", "ITF", "EANUPC", "PDF417", "Aztec"];

const OR_TYPE = "or type what is printed on the label";

/** What can be in the way, with what to do. @type {Record<string, [say: string, remedy: string]>} */
const TROUBLES = {
  insecure: ["this page came without https, so the browser keeps the camera shut", `open it under its https address (the engineer knows it), ${OR_TYPE}`],
  denied: ["the browser was told not to let this page use the camera", `allow the camera for this site in the browser's settings and open it again, ${OR_TYPE}`],
  none: ["there is no camera here that the browser can see", `connect one and open it again, use a reader, ${OR_TYPE}`],
  busy: ["the camera gives no picture; another program may hold it", `close what else uses the camera and open it again, ${OR_TYPE}`],
  lost: ["the camera was taken away or switched off", `connect it and open it again, ${OR_TYPE}`],
  decoder: ["the decoder doesn't run in this browser, or could not be loaded", `load the page again; if that doesn't help, use a reader, ${OR_TYPE}`],
  part: ["this symbol is one of several that belong together, and holds only a part", `scan another label of the tube, ${OR_TYPE}`],
};

/** @param {unknown} e what getUserMedia rejected with */
function kindOf(e) {
  const name = e instanceof DOMException ? e.name : "";
  if (name === "NotAllowedError" || name === "SecurityError") return "denied";
  if (name === "NotFoundError" || name === "OverconstrainedError") return "none";
  return "busy";
}

/**
 * Reads labels with the device's camera. Events:
 *  - "read" with a Read: one label was read;
 *  - "choose" with Read[]: several are in view; nothing is read until take or again;
 *  - "trouble" with a Trouble: why it doesn't read, and what to do;
 *  - "state" with the State;
 *  - "look" with an Answer: one picture was looked at.
 * The camera is let go when the page is hidden and taken again when it is shown.
 */
export class Camera extends EventTarget {
  /** @type {HTMLVideoElement} */ #video;
  /** @type {HTMLElement} */ #box;
  /** @type {Format[]} */ #formats;
  /** @type {Sightings} */ #sightings;
  /** @type {Worker | null} */ #worker = null;
  /** @type {MediaStream | null} */ #stream = null;
  /** @type {State} */ #state = "stopped";
  #device = ""; // id of the camera that was switched to; empty: the one at the back
  #looks = 0;
  #waits = false; // for the worker's answer or the next picture
  #time = -1; // of the picture looked at last, in s of the stream
  #turn = 0; // counts starts and stops: what began in an older one is void
  #lit = false;
  #told = false; // that a symbol is one of a chain

  /** @param {Options} options */
  constructor({ video, box, formats = FORMATS, needsTwo, muteMs }) {
    super();
    this.#video = video;
    this.#box = box;
    this.#formats = formats;
    this.#sightings = new Sightings({ needsTwo, muteMs });
    video.muted = true;
    video.playsInline = true; // or an iPhone shows it full screen
    document.addEventListener("visibilitychange", () => this.#visible());
  }

  get state() {
    return this.#state;
  }

  /** Whether this camera has a light, and whether it is on; known once it looks. */
  get torch() {
    return { has: Boolean(/** @type {Torch | undefined} */ (this.#track()?.getCapabilities?.())?.torch), on: this.#lit };
  }

  /** Opens the camera. What is in the way is told as trouble. */
  async start() {
    if (this.#state !== "stopped") return;
    if (!isSecureContext || !navigator.mediaDevices?.getUserMedia) return this.#trouble("insecure");
    // The decoder takes as long to start as the camera, so it goes first.
    this.#startWorker();
    await this.#open();
  }

  /** Closes the camera and the decoder. */
  stop() {
    this.#close();
    this.#worker?.terminate();
    this.#worker = null;
    this.#to("stopped");
  }

  /** Takes one of the reads that were asked about, and goes on. @param {Read} read */
  take(read) {
    if (this.#state !== "asking") return;
    this.#tell("read", read);
    this.#goOn(true);
  }

  /** None of the reads that were asked about is meant; goes on. */
  again() {
    if (this.#state !== "asking") return;
    this.#goOn(false);
  }

  /** Says which symbols to look for. @param {Format[]} formats */
  lookFor(formats) {
    this.#formats = formats;
  }

  /** @param {boolean} on */
  async light(on) {
    if (!this.torch.has) return;
    await this.#track()?.applyConstraints({ advanced: [/** @type {MediaTrackConstraintSet & Torch} */ ({ torch: on })] });
    this.#lit = on;
  }

  /** How many cameras there are; their number is known only after one was opened. */
  async cameras() {
    return (await navigator.mediaDevices.enumerateDevices()).filter((d) => d.kind === "videoinput").length;
  }

  /** Goes to the next camera. */
  async next() {
    if (this.#state !== "looking") return;
    const all = (await navigator.mediaDevices.enumerateDevices()).filter((d) => d.kind === "videoinput");
    if (all.length < 2) return;
    const now = this.#track()?.getSettings().deviceId;
    const i = all.findIndex((d) => d.deviceId === now);
    this.#device = all[(i + 1) % all.length].deviceId;
    this.#close();
    await this.#open();
  }

  #track() {
    return this.#stream?.getVideoTracks()[0];
  }

  /** @param {string} type @param {unknown} detail */
  #tell(type, detail) {
    this.dispatchEvent(new CustomEvent(type, { detail }));
  }

  /** @param {State} state */
  #to(state) {
    if (this.#state === state) return;
    this.#state = state;
    this.#tell("state", state);
  }

  /** @param {boolean} meant one of those that were asked about */
  #goOn(meant) {
    this.#sightings.answered(performance.now(), meant);
    this.#to("looking");
    this.#wait();
  }

  /** @param {string} kind */
  #trouble(kind) {
    this.stop();
    this.#say(kind);
  }

  /** @param {string} kind */
  #say(kind) {
    const [say, remedy] = TROUBLES[kind];
    this.#tell("trouble", { kind, say, remedy });
  }

  #startWorker() {
    const worker = new Worker(new URL("./camera-worker.js", import.meta.url), { type: "module" });
    this.#worker = worker;
    worker.addEventListener("message", (e) => {
      if (this.#worker === worker) this.#answered(e.data);
    });
    worker.addEventListener("error", () => {
      if (this.#worker === worker) this.#trouble("decoder");
    });
  }

  async #open() {
    const turn = ++this.#turn;
    this.#to("starting");
    /** @type {MediaTrackConstraints} */
    const video = { width: { ideal: 1280 }, height: { ideal: 720 } };
    if (this.#device) video.deviceId = { exact: this.#device };
    else video.facingMode = { ideal: "environment" };
    let stream;
    try {
      stream = await navigator.mediaDevices.getUserMedia({ video, audio: false });
    } catch (e) {
      if (turn !== this.#turn) return;
      this.#device = ""; // the next try begins with the one at the back
      return this.#trouble(kindOf(e));
    }
    if (turn !== this.#turn) {
      for (const t of stream.getTracks()) t.stop();
      return;
    }
    this.#stream = stream;
    this.#track()?.addEventListener("ended", () => {
      if (turn === this.#turn) this.#trouble("lost");
    });
    this.#video.srcObject = stream;
    try {
      await this.#video.play();
    } catch {
      if (turn === this.#turn) this.#trouble("busy");
      return;
    }
    if (turn !== this.#turn) return;
    this.#to("looking");
    this.#wait();
  }

  #close() {
    this.#turn++;
    for (const t of this.#stream?.getTracks() ?? []) t.stop();
    this.#stream = null;
    this.#video.srcObject = null;
    this.#lit = false;
    this.#waits = false;
    this.#time = -1;
  }

  #visible() {
    if (document.hidden && this.#state !== "stopped" && this.#state !== "hidden") {
      this.#close();
      this.#to("hidden");
    } else if (!document.hidden && this.#state === "hidden") {
      this.#open();
    }
  }

  /** Waits for the next picture: one that was looked at is no second proof. */
  #wait() {
    if (this.#waits || this.#state !== "looking") return;
    this.#waits = true;
    const turn = this.#turn;
    const look = () => {
      if (turn !== this.#turn) return;
      if (this.#video.currentTime === this.#time) return ask();
      this.#time = this.#video.currentTime;
      this.#look(turn);
    };
    const ask = () => {
      if (this.#video.requestVideoFrameCallback) this.#video.requestVideoFrameCallback(look);
      else requestAnimationFrame(look);
    };
    ask();
  }

  /** @param {number} turn */
  async #look(turn) {
    const { x, y, width, height } = this.#crop();
    try {
      const picture = await createImageBitmap(this.#video, x, y, width, height);
      if (turn !== this.#turn || !this.#worker) return picture.close();
      this.#worker.postMessage({ picture, look: ++this.#looks, formats: this.#formats }, [picture]);
    } catch {
      if (turn !== this.#turn) return;
      this.#waits = false;
      this.#wait(); // the stream had no picture just then
    }
  }

  /** What lies in the box, in pixels of the camera. */
  #crop() {
    const { videoWidth: w, videoHeight: h } = this.#video;
    const shown = this.#video.getBoundingClientRect();
    const box = this.#box.getBoundingClientRect();
    const scale = Math.max(shown.width / w, shown.height / h); // object-fit: cover
    if (!(scale > 0)) return { x: 0, y: 0, width: w, height: h };
    const left = Math.max(0, Math.round(w / 2 + (box.left - shown.left - shown.width / 2) / scale));
    const top = Math.max(0, Math.round(h / 2 + (box.top - shown.top - shown.height / 2) / scale));
    const width = Math.min(w - left, Math.round(box.width / scale));
    const height = Math.min(h - top, Math.round(box.height / scale));
    if (!(width > 0 && height > 0)) return { x: 0, y: 0, width: w, height: h };
    return { x: left, y: top, width, height };
  }

  /** @param {Answer} a */
  #answered(a) {
    if (a.failed !== undefined) {
      console.warn(`decoder: ${a.failed}`);
      return this.#trouble("decoder");
    }
    if (a.ready || !a.reads) return;
    this.#waits = false;
    if (this.#state !== "looking") return;
    this.#tell("look", a);
    if (a.part && !this.#told) this.#say("part");
    this.#told = Boolean(a.part);
    const verdict = this.#sightings.look(a.reads, performance.now());
    if (verdict.choose) {
      this.#to("asking");
      this.#tell("choose", verdict.choose);
    } else if (verdict.take) {
      this.#tell("read", verdict.take);
    }
    this.#wait();
  }
}
