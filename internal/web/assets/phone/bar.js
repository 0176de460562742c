// @ts-check
// The line at the top of every screen of the phone.
import { t, words } from "./words.js";

/** Loads the words and shows the line. */
export async function start() {
  await words();
  const bar = document.getElementById("bar");
  if (bar) bar.textContent = t("shell.starting");
}
