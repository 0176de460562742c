// @ts-check
// What the desk sounds: once for a cause, however many tubes, by its level. A cause that
// becomes worse than it sounded for sounds again. Silence lasts five minutes and says so;
// a new cause of the worst level breaks it.
import { element, say } from "./board.js";
import { allowSound, play, sounding } from "./signals.js";

/**
 * @typedef {"past"|"soon"|"ask"|"hold"} Level
 *
 * What is heard of something new. Levels differ in rhythm: long and short for the worst,
 * short and long for what can still be saved, one short knock for the rest. Own patterns;
 * at most two tones, so that none is taken for a device at the bed. In s, s, Hz, Hz.
 * @type {Record<Level, import("./signals.js").Tone[]>}
 */
const TONES = {
  past: [[0, 0.55, 520, 180], [0.7, 0.14, 700, 900]],
  soon: [[0, 0.12, 420, 520], [0.26, 0.4, 520, 380]],
  ask: [[0, 0.16, 360, 420]],
  hold: [[0, 0.16, 360, 420]],
};

const SILENT_MS = 5 * 60_000;
const HEARD = "hatch-heard"; // name in sessionStorage: a page loaded anew sounds nothing twice
/** Loudest first. @type {Level[]} */
const LEVELS = ["past", "soon", "ask", "hold"];

const rank = (/** @type {string} */ level) => {
  const i = LEVELS.indexOf(/** @type {Level} */ (level));
  return i < 0 ? LEVELS.length : i;
};

/**
 * @param {{now: () => number, clock: (ms: number) => string}} time
 */
export function sounds(time) {
  const on = /** @type {HTMLButtonElement} */ (element("sound"));
  const quiet = /** @type {HTMLButtonElement} */ (element("silence"));
  const until = element("silent");
  let silentUntil = 0; // ms of the server's clock
  /** The loudest level for which a cause sounded. @type {Map<string, number>} */
  let heard = new Map();
  let first = true;
  try {
    const kept = JSON.parse(sessionStorage.getItem(HEARD) ?? "null");
    if (kept) {
      heard = new Map(kept);
      first = false;
    }
  } catch {
    // Nothing kept: what stands now counts as heard.
  }

  function look() {
    on.hidden = sounding();
    quiet.hidden = !sounding() || silentUntil > time.now();
    on.setAttribute("aria-pressed", String(sounding()));
    say(until, silentUntil > time.now() ? `sound off until ${time.clock(silentUntil)}` : sounding() ? "sound on" : "sound is off: press once at the start of the shift");
  }

  on.addEventListener("click", async () => {
    await allowSound();
    play(TONES.ask); // so that whoever begins the shift hears that it works
    look();
  });
  quiet.addEventListener("click", () => {
    silentUntil = time.now() + SILENT_MS;
    look();
  });
  setInterval(look, 1_000);
  look();

  return {
    /**
     * Looks at the lines and sounds for what is new: at most one signal, of the worst.
     * What is gone is forgotten, so that it sounds when it comes again.
     * @param {{cause: string, level: string, words: string, waits: boolean}[]} lines waits: nobody has touched it
     * @returns {{level: string, words: string} | null} what is new
     */
    hear(lines) {
      /** @type {{level: string, words: string} | null} */
      let worst = null;
      const there = new Set(lines.map((l) => l.cause));
      for (const cause of [...heard.keys()]) if (!there.has(cause)) heard.delete(cause);
      for (const l of lines) {
        if (!l.waits && heard.has(l.cause)) continue;
        const had = heard.get(l.cause);
        if (had !== undefined && had <= rank(l.level)) continue;
        heard.set(l.cause, rank(l.level));
        if (l.waits && (!worst || rank(l.level) < rank(worst.level))) worst = l;
      }
      try {
        sessionStorage.setItem(HEARD, JSON.stringify([...heard].slice(-2000)));
      } catch {
        // It may sound once more after the page is loaded anew.
      }
      if (first) {
        first = false;
        return null;
      }
      if (!worst) return null;
      if (silentUntil > time.now() && worst.level === "past") silentUntil = 0;
      const loud = silentUntil <= time.now();
      if (loud && rank(worst.level) < LEVELS.length) {
        play(TONES[/** @type {Level} */ (worst.level)]);
        on.dataset.sounded = String(Number(on.dataset.sounded ?? 0) + 1);
        on.dataset.soundedLevel = worst.level;
      }
      look();
      return worst;
    },
  };
}
