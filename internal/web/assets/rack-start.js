// @ts-check
// What is asked before a start: which centrifuge, which force, how long.
import { ask } from "./rack-ask.js";
import { perMin } from "./rack-flow.js";
import { bench } from "./rack-page.js";

/** @typedef {import("./rack-flow.js").Machine} Machine */

/** What is asked before a start. @param {string} head @param {string[]} about @param {{programme: string, g: number, minutes: number}} set @param {number} tubes @param {string} [wanted] centrifuge */
export async function settings(head, about, set, tubes, wanted) {
  const machines = bench().machines;
  const turns = (/** @type {Machine} */ m, /** @type {number} */ g) => {
    const n = perMin(m.radius, g);
    return n === 0 ? "its rotor isn’t declared" : n > m.most ? `${n} per minute, and its rotor bears ${m.most}` : `${n} per minute`;
  };
  const fits = (/** @type {Machine} */ m) => m.free && perMin(m.radius, set.g) > 0 && perMin(m.radius, set.g) <= m.most;
  const first = machines.find((m) => m.id === wanted) ?? machines.find(fits);
  return ask({
    head, say: about, verb: "Start it", chosen: first?.id ?? "",
    ...(machines.length > 0 ? { choices: machines.map((m) => ({ word: m.id, say: m.name, more: `${turns(m, set.g)}${m.free ? "" : "; it turns now"}` })) } : {}),
    fields: [
      { name: "programme", label: "Programme", value: set.programme, unit: "" }, { name: "g", label: "Force", value: set.g > 0 ? String(set.g) : "", unit: "g" },
      { name: "minutes", label: "Minutes", value: set.minutes > 0 ? String(set.minutes) : "", unit: "min" },
    ],
    told: (chosen, values) => {
      const m = machines.find((one) => one.id === chosen);
      if (!m) return machines.length > 0 ? "Choose a centrifuge." : "";
      const many = m.slots > 0 && tubes > m.slots ? ` It has ${m.slots} places, and ${tubes} tubes go in.` : "";
      return /^\d+$/.test(values.g ?? "") ? `Set ${turns(m, Number(values.g))} in ${m.name}.${many}` : `Give the force in g.${many}`;
    },
  });
}
