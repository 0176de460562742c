// @ts-check
// What is asked where another tab has the screen; it is loaded only then.
import { action, acts, h, show } from "./ui.js";
import { t } from "./words.js";

/** Resolves when somebody wants to go on in this tab. @returns {Promise<void>} */
export const here = () => new Promise((done) => show(h("h1", null, t("shell.other-tab")), h("p", null, t("shell.other-tab-why")), acts(action("shell.here", () => done(), { kind: "main" }))));
