// @ts-check
// What is heard and felt between skin preparation and the sharps bin, where nobody looks
// at the screen or touches it. Three signals of one rhythm each; none comes in bursts of
// three or more, as alarms of devices at the bed do.

/** Seconds of each: common practice, no source. */
export const SKIN_S = 30;
export const DRY_S = 30;
export const TOURNIQUET_S = 60;

/** @typedef {"clean"|"dry"|"tourniquet"} Mark  @typedef {{at: number, mark: Mark}} Due */

/**
 * When what sounds, in s from the beginning. The tourniquet's time counts from when the
 * skin is dry, so it goes on then; a line, a catheter and a pricked finger need none.
 * @param {string} method @returns {Due[]}
 */
export function marks(method) {
  /** @type {Due[]} */
  const all = [{ at: SKIN_S, mark: "clean" }, { at: SKIN_S + DRY_S, mark: "dry" }];
  if (method !== "capillary" && method !== "line" && method !== "catheter") all.push({ at: SKIN_S + DRY_S + TOURNIQUET_S, mark: "tourniquet" });
  return all;
}

/** What is going on and for how many more seconds. @param {Due[]} all @param {number} s from the beginning @returns {{mark: Mark|"done", left: number}} */
export function now(all, s) {
  const next = all.find((d) => s < d.at);
  return next ? { mark: next.mark, left: Math.ceil(next.at - s) } : { mark: "done", left: 0 };
}

/** Beeps as [from s, length s, start Hz, end Hz], and shakes in ms. @type {Record<Mark, {beeps: number[][], shake: number[]}>} */
const SOUNDS = {
  clean: { beeps: [[0, 0.5, 420, 840]], shake: [450] },
  dry: { beeps: [[0, 0.25, 520, 1040], [0.4, 0.25, 520, 1040]], shake: [220, 150, 220] },
  tourniquet: { beeps: [[0, 0.9, 760, 260], [1.2, 0.9, 760, 260]], shake: [800, 300, 800] },
};

/** @type {AudioContext|null} */
let sound = null;

/** @param {Mark} mark */
export function sign(mark) {
  const { beeps, shake } = SOUNDS[mark];
  navigator.vibrate?.(shake);
  if (sound?.state !== "running") return;
  for (const [from, length, start, end] of beeps) {
    const t = sound.currentTime + from;
    const tone = sound.createOscillator();
    const loud = sound.createGain();
    tone.frequency.setValueAtTime(start, t);
    tone.frequency.exponentialRampToValueAtTime(end, t + length);
    loud.gain.setValueAtTime(0.0001, t);
    loud.gain.exponentialRampToValueAtTime(0.6, t + 0.02);
    loud.gain.exponentialRampToValueAtTime(0.0001, t + length);
    tone.connect(loud).connect(sound.destination);
    tone.start(t);
    tone.stop(t + length);
  }
}

/**
 * Runs marks and keeps the screen awake until stop. begun is in ms of performance.now, so
 * that a clock that is put doesn't move them. What a hidden page missed sounds once.
 * @param {Due[]} all @param {number} begun @param {(at: {mark: Mark|"done", left: number}) => void} tick
 * @returns {{stop: () => void}}
 */
export function run(all, begun, tick) {
  try {
    sound ??= new AudioContext();
    sound.resume().catch(() => {});
  } catch {
    // A device without sound still shakes and shows.
  }
  let told = all.filter((d) => performance.now() - begun >= d.at * 1000).length; // before a reload
  const beat = () => {
    const s = (performance.now() - begun) / 1000;
    const passed = all.filter((d) => s >= d.at);
    if (passed.length > told) sign(passed[passed.length - 1].mark);
    told = passed.length;
    tick(now(all, s));
  };
  const timer = setInterval(beat, 250);
  /** @type {{release: () => Promise<void>}|null} */
  let lock = null;
  let over = false;
  const wake = async () => {
    if (document.hidden || over) return;
    try {
      lock = await navigator.wakeLock.request("screen");
      if (over) await lock.release();
    } catch {
      // A browser without it, or a battery that is low: the sounds still come.
    }
  };
  wake();
  document.addEventListener("visibilitychange", wake); // the lock ends when the page is hidden
  beat();
  return {
    stop() {
      over = true;
      clearInterval(timer);
      document.removeEventListener("visibilitychange", wake);
      lock?.release().catch(() => {});
    },
  };
}
