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
  if (sound?.state !== "running") return;
  if (good) return knock(sound, 0, 0.09, 620, 1_240);
  knock(sound, 0, 0.26, 300, 170);
  knock(sound, 0.36, 0.26, 300, 170);
}

/** Plays notes: in s from now, length in s, from and to Hz. @param {[number, number, number, number][]} notes */
export function play(notes) {
  if (sound?.state !== "running") return;
  for (const [from, length, start, end] of notes) knock(sound, from, length, start, end);
}

/** @typedef {"past"|"soon"|"ask"|"hold"} Level */

/**
 * What a desk hears of something new, by its level. They differ in rhythm: long and
 * short for the worst, short and long for what can still be saved, one short knock for
 * the rest. Own patterns; at most two tones, so that none is a device at the bed.
 * @param {Level} level
 */
export function alarm(level) {
  if (sound?.state !== "running") return;
  switch (level) {
    case "past":
      knock(sound, 0, 0.55, 520, 180);
      knock(sound, 0.7, 0.14, 700, 900);
      break;
    case "soon":
      knock(sound, 0, 0.12, 420, 520);
      knock(sound, 0.26, 0.4, 520, 380);
      break;
    default:
      knock(sound, 0, 0.16, 360, 420);
  }
}
