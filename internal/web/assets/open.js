// @ts-check
// A scan anywhere on a page that shows tubes opens the page of the tube.
import { ask, listen } from "./wedge.js";
import { namesOf } from "./advice.js";

const base = new URL("../../", import.meta.url);
const bar = document.getElementById("read-said");
const words = bar?.querySelector("p");
const close = bar?.querySelector("button");
let turn = 0; // of the newest read: a late answer to an older one opens nothing

/** @param {string} text */
function say(text) {
  if (!bar || !words) return;
  bar.hidden = text === "";
  words.textContent = text;
}

/** @param {string} text */
function sentence(text) {
  return text.charAt(0).toUpperCase() + text.slice(1) + (/[.!?]$/.test(text) ? "" : ".");
}

listen({
  async read(r) {
    const mine = ++turn;
    say("");
    try {
      const { reading, refusal } = await ask(r);
      if (mine !== turn) return;
      if (refusal) say(`${sentence(refusal.say)} ${sentence(refusal.remedy)}`);
      else if (reading?.names === "tube" && reading.id) location.assign(new URL("tubes/" + encodeURIComponent(reading.id), base));
      else if (reading) say(`This label names ${namesOf(reading)}. Scan the label of a tube to see its page.`);
    } catch (e) {
      if (mine === turn) say(e instanceof Error ? e.message : String(e));
    }
  },
  incomplete(c) {
    turn++;
    const why = { end: "no end came behind it", start: "only its beginning came", rest: "it came in pieces", key: "it held a key that is no character", repeat: "a key repeated itself", long: "more came than a label holds" }[c.why];
    const swallows = c.end === "" ? " What is typed in the next 5 seconds, up to Enter, counts as its rest." : "";
    say(`Incomplete read, not taken: ${why}. Scan again.${swallows}`);
  },
});

close?.addEventListener("click", () => say(""));
