// @ts-check
// What is heard at the rack: a sound of its own for each answer.
import { play, signal } from "./signals.js";

/**
 * In s from now, length in s, from and to Hz. They differ in rhythm and in whether they
 * rise or fall; none is a burst of three.
 * @type {Record<string, [number, number, number, number][]>}
 */
const RACK = {
  spin: [[0, 0.09, 620, 1_240]],
  "spin-hold": [[0, 0.09, 620, 1_240], [0.16, 0.3, 880, 880]],
  wait: [[0, 0.55, 330, 330]],
  "run-first": [[0, 0.22, 300, 520], [0.3, 0.22, 520, 300]],
  "nothing-left": [[0, 0.26, 300, 170], [0.36, 0.26, 300, 170]],
  given: [[0, 0.09, 620, 1_240], [0.2, 0.4, 300, 170]],
  kept: [[0, 0.06, 500, 500], [0.22, 0.06, 500, 500]],
  over: [[0, 0.5, 440, 660]], // a run's minutes are over
};

/** Sounds an answer; what has no sound of its own is a refusal. @param {string} key */
export function rackSignal(key) {
  const notes = RACK[key];
  if (notes) play(notes);
  else signal(false);
}
