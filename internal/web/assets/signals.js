// @ts-check
// What is heard and felt when a label was read. Success and refusal differ in
// rhythm, not only in pitch: a short knock, or two long low ones. Neither has the
// form of an alarm of a device at the bed, which comes in bursts of three or more.

/** @type {AudioContext | null} */
let sound = null;

/** Browsers are mute until somebody touches the page: call it on a press. */
export async function allowSound() {
  try {
    sound ??= new AudioContext();
    if (sound.state === "suspended") await sound.resume();
  } catch {
    // A device without sound still shows and shakes.
  }
}

/** Whether something can be heard. */
export const sounding = () => sound?.state === "running";

/**
 * @typedef {[from: number, length: number, start: number, end: number]} Tone in s from now, s, Hz, Hz
 * @param {Tone[]} tones
 */
export function play(tones) {
  if (sound?.state === "running") for (const tone of tones) knock(sound, ...tone);
}

/**
 * @param {AudioContext} out
 * @param {number} from in s from now
 * @param {number} length in s
 * @param {number} start in Hz
 * @param {number} end in Hz
 */
function knock(out, from, length, start, end) {
  const t = out.currentTime + from;
  const tone = out.createOscillator();
  const loud = out.createGain();
  tone.type = "triangle";
  tone.frequency.setValueAtTime(start, t);
  tone.frequency.exponentialRampToValueAtTime(end, t + length);
  loud.gain.setValueAtTime(0.0001, t);
  loud.gain.exponentialRampToValueAtTime(0.5, t + 0.008);
  loud.gain.exponentialRampToValueAtTime(0.0001, t + length);
  tone.connect(loud).connect(out.destination);
  tone.start(t);
  tone.stop(t + length);
}

/** @param {boolean} good */
export function signal(good) {
  navigator.vibrate?.(good ? 60 : [220, 120, 220]);
  play(good ? [[0, 0.09, 620, 1_240]] : [[0, 0.26, 300, 170], [0.36, 0.26, 300, 170]]);
}
