// @ts-check
// Which place this desk is: asked once, kept in this browser.
const KEPT = "hatch-place";

const main = document.getElementById("main");
const links = /** @type {NodeListOf<HTMLAnchorElement>} */ (document.querySelectorAll("[data-place]"));

/** Keeps it; a browser that keeps nothing asks each time. @param {string} place */
function keep(place) {
  try {
    localStorage.setItem(KEPT, place);
  } catch {
    // It is asked again next time.
  }
}

let kept = "";
try {
  kept = localStorage.getItem(KEPT) ?? "";
} catch {
  // As above.
}
// Whoever came here to choose another place has said so by an empty one.
const asked = new URLSearchParams(location.search).has("place");
const there = [...links].find((a) => a.dataset.place === kept);
if (there && main && !asked) location.replace(there.href);
for (const a of links) a.addEventListener("click", () => keep(a.dataset.place ?? ""));
