// @ts-check
// What is asked before anything is scanned: who, and where.
import { make } from "./bar.js";
import { base, call } from "./store.js";
import { t } from "./words.js";

/** @typedef {import("./session.js").Session} Session */

/**
 * A form of one question.
 * @param {string} title @param {string} why @param {string} label @param {string[]} known
 * @param {(said: string) => Promise<string>} take gives what is wrong, "" for nothing
 */
function ask(title, why, label, known, take) {
  const fault = make("p", { class: "fault", role: "alert", id: "door-fault" });
  const box = /** @type {HTMLInputElement} */ (make("input", {
    id: "door-box", type: "text", autocomplete: "off", autocapitalize: "characters", spellcheck: "false", maxlength: "64", required: "",
    "aria-describedby": "door-fault", list: "door-known", "data-wedge": "",
  }));
  const form = make("form", { class: "phone-door" }, make("h1", { tabindex: "-1" }, title), make("p", {}, why),
    make("label", { for: "door-box" }, label), box, make("datalist", { id: "door-known" }, ...known.map((k) => make("option", { value: k }))),
    fault, make("button", { class: "main" }, t("shell.go-on")));
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    fault.textContent = await take(box.value.trim().toUpperCase());
  });
  return form;
}

/** @param {Session} session */
function signIn(session) {
  const to = new URL("sign-in", base);
  to.searchParams.set("next", location.pathname);
  const again = make("button", { type: "button" }, t("shell.try-again"));
  again.addEventListener("click", () => session.ask());
  const way = make("a", { class: "main way", href: to.href }, t("shell.sign-in"));
  way.addEventListener("click", async (e) => {
    e.preventDefault();
    await session.begin();
    location.assign(to);
  });
  return make("div", { class: "phone-door" }, make("h1", { tabindex: "-1" }, t("shell.sign-in-first")), make("p", {}, t(navigator.onLine ? "shell.sign-in-why" : "shell.sign-in-offline")), way, again);
}

/** Places that the routes know, for choosing; none without network or right. @returns {Promise<string[]>} */
async function places() {
  const resp = await call("GET", "v1/rounds", undefined, 3000).catch(() => undefined);
  return (resp?.status === 200 ? resp.body.stops ?? [] : []).map((/** @type {{id: string}} */ s) => s.id);
}

/** Whether there is such a place; without an answer it is believed, as on paper. @param {string} id */
async function isPlace(id) {
  const resp = await call("GET", "v1/places/" + encodeURIComponent(id), undefined, 3000).catch(() => undefined);
  return resp?.status !== 404;
}

/**
 * Asks until somebody scans somewhere.
 * @param {HTMLElement} main
 * @param {Session} session
 * @returns {Promise<void>}
 */
export function door(main, session) {
  return new Promise((done) => {
    let shown = "";
    const next = async () => {
      if (session.ready) {
        session.removeEventListener("session", next);
        main.replaceChildren();
        return done();
      }
      const want = session.me.kind === "nobody" ? "sign-in" : session.by === "" ? "who" : "where";
      if (want === shown) return;
      shown = want;
      const list = want === "where" ? await places() : [];
      if (want !== shown) return;
      const form = {
        "sign-in": () => signIn(session),
        who: () => ask(t("shell.who"), t("shell.who-why"), t("shell.staff-code"), [], async (code) => (code ? (await session.as(code), "") : t("shell.say-something"))),
        where: () => ask(t("shell.where"), t("shell.where-why"), t("shell.place"), list, async (place) => {
          if (!place) return t("shell.say-something");
          if (!(await isPlace(place))) return t("shell.no-such-place", { place });
          await session.at(place);
          return "";
        }),
      }[want]();
      main.replaceChildren(form);
      /** @type {HTMLElement | null} */ (main.querySelector("h1"))?.focus();
    };
    session.addEventListener("session", next);
    void next();
  });
}
