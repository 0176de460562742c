// @ts-check
// Reads what the server drew on the rack page: the program said it, nothing is kept twice.

/** @typedef {import("./rack-flow.js").Bench} Bench */

/** @param {string} name @param {DOMStringMap} from */
export const words = (name, from) => (from[name] ?? "").split(" ").filter((w) => w !== "");

/** What the page shows. @returns {Bench} */
export function bench() {
  const rows = (/** @type {string} */ selector) => /** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(selector));
  return {
    tubes: [...rows("#groups [data-tube], #waits [data-tube]")].map(({ dataset: d }) => ({
      id: d.tube ?? "", type: d.type ?? "", programme: d.programme ?? "", answer: d.answer ?? "", say: d.say ?? "", until: Number(d.until || 0), hold: d.hold ?? "", rack: d.rack ?? "",
    })),
    racks: [...rows("#racks > [data-rack]")].map(({ dataset: d }) => ({ id: d.rack ?? "", programme: d.programme ?? "", g: Number(d.g), minutes: Number(d.minutes), tubes: words("tubes", d) })),
    machines: [...rows("#machines > [data-machine]")].map(({ dataset: d }) => ({
      id: d.machine ?? "", name: d.name || (d.machine ?? ""), radius: Number(d.radius), most: Number(d.most), slots: Number(d.slots), free: d.free === "yes",
    })),
    programmes: [...rows("#programmes > li")].map((li) => JSON.parse(li.dataset.programme ?? "{}")),
  };
}

/** The choices that a list of the page holds. @param {string} list its id @returns {import("./rack-ask.js").Choice[]} */
export const choices = (list) => [.../** @type {NodeListOf<HTMLElement>} */ (document.querySelectorAll(`#${list} > li`))].map((li) => ({ word: li.dataset.word ?? "", say: li.textContent ?? "" }));
