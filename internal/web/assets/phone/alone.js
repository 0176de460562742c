// @ts-check
// A screen is worked on in one tab of a phone. Two would each go on with the one draw that
// is kept, or put another patient's in its place.
import { base } from "./store.js";

const patience = 1500; // ms: a page that is being left lets go

/** @param {string} name @param {LockOptions} how @returns {Promise<boolean>} */
const hold = (name, how) => new Promise((got) => {
  let had = false;
  navigator.locks.request(name, how, () => {
    had = true;
    got(true);
    return new Promise(() => {}); // until the page ends
  }).catch(() => {
    // Another tab took it: this one asks like a new one.
    if (had) location.reload();
    got(false);
  });
});

/** Resolves when this tab has the screen. Where another one has it, it asks. @param {string} screen */
export async function alone(screen) {
  const name = `custody-screen ${base.pathname}${screen}`;
  if (await hold(name, { signal: AbortSignal.timeout(patience) })) return;
  await (await import("./alone-ask.js")).here();
  await hold(name, { steal: true });
}
