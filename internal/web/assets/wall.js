// @ts-check
import { element, follow, say } from "./board.js";

/** Counts the lines that have no room: nobody scrolls a wall. */
function count() {
  const below = element("below");
  below.hidden = true; // it takes room itself
  const lowest = (/** @type {number} */ room) => [...element("flags").children].filter((r) => r.getBoundingClientRect().bottom + scrollY > room).length;
  if (scrollY > 0 || lowest(innerHeight) === 0) return;
  below.hidden = false;
  const n = lowest(innerHeight - below.offsetHeight);
  say(below, `${n} more ${n === 1 ? "line" : "lines"} below, none of them louder`);
}

follow({ changed: count });
addEventListener("resize", count);
addEventListener("scroll", count, { passive: true });
count();
