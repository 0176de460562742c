// @ts-check
// The button that prints: without scripts the browser's own command does.
for (const button of /** @type {NodeListOf<HTMLButtonElement>} */ (document.querySelectorAll("[data-print]"))) {
  button.hidden = false;
  button.addEventListener("click", () => window.print());
}
