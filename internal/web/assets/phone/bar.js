// @ts-check
// The line at the top of every screen of the phone: who scans where, what has not been
// sent, how the clock stands. It begins the page, too.
import * as clock from "./clock.js";
import { openOutbox } from "./outbox.js";
import { Session } from "./session.js";
import { base } from "./store.js";
import { clockTime, t, words } from "./words.js";

/**
 * @typedef {object} Phone
 * @property {import("./outbox.js").Outbox} outbox
 * @property {Session} session
 * @property {ServiceWorker | undefined} [fresh] a newer version that waits to be asked
 */

const notable = 2000; // ms that a clock may be off before it is said

/** @param {string} tag @param {Record<string, string>} [set] @param {(Node | string)[]} children */
export function make(tag, set = {}, ...children) {
  const e = document.createElement(tag);
  for (const [k, v] of Object.entries(set)) e.setAttribute(k, v);
  e.append(...children);
  return e;
}

/** The triangle of what needs attention, or a circle of dashes. @param {"soon" | "none"} kind */
function shape(kind) {
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  for (const [k, v] of [["class", "shape"], ["viewBox", "0 0 24 24"], ["aria-hidden", "true"]]) svg.setAttribute(k, v);
  const p = document.createElementNS("http://www.w3.org/2000/svg", "path");
  const way = kind === "soon" ? "M12 2.5 22.5 21H1.5Z" : "M12 2.5a9.5 9.5 0 1 1-.1 0Z";
  for (const [k, v] of [["d", way], ["fill", "none"], ["stroke", "currentColor"], ["stroke-width", "2.6"], ...(kind === "none" ? [["stroke-dasharray", "4 3.4"]] : [])]) p.setAttribute(k, v);
  svg.append(p);
  return svg;
}

/** How far off a clock is, in words. @param {number} ms */
export function far(ms) {
  const s = Math.round(Math.abs(ms) / 1000);
  if (s < 120) return t("shell.seconds", { n: s });
  if (s < 7200) return t("shell.minutes", { n: Math.round(s / 60) });
  const m = Math.round(s / 60);
  return t("shell.hours", { n: Math.floor(m / 60), m: m % 60 });
}

/** How the clock stands, in words. */
export function clockWords() {
  const at = clock.known() && clock.offsetAt({ ...clock.moment(), then: clock.known() });
  if (!at) return { off: false, text: t("shell.clock-unknown") };
  if (Math.abs(at.offset) <= notable + at.error) return { off: false, text: t("shell.clock-right") };
  return { off: true, text: t(at.offset > 0 ? "shell.clock-fast" : "shell.clock-slow", { far: far(at.offset) }) };
}

/** @param {Phone} phone @returns {{kind: "soon" | "none", text: string}[]} */
function lines({ outbox, session, fresh }) {
  /** @type {{kind: "soon" | "none", text: string}[]} */
  const said = [];
  const n = outbox.waiting;
  if (n === 0) said.push({ kind: "none", text: t("shell.all-sent") });
  else said.push({ kind: "soon", text: t("shell.not-sent", { n, at: outbox.oldest ? clockTime(outbox.oldest) : "" }) });
  if (outbox.state === "signed-out" || session.me.kind === "nobody") said.push({ kind: "soon", text: t("shell.sign-in-to-send") });
  else if (outbox.state === "offline" || !navigator.onLine) said.push({ kind: "soon", text: t("shell.no-network") });
  else if (outbox.state === "busy") said.push({ kind: "soon", text: t("shell.not-taken-now") });
  const time = clockWords();
  said.push({ kind: time.off ? "soon" : "none", text: time.text });
  if (outbox.aside.length > 0) said.push({ kind: "soon", text: t("shell.aside", { n: outbox.aside.length }) });
  if (fresh) said.push({ kind: "none", text: t("shell.new-version") });
  return said;
}

/** @param {Phone} phone */
function draw(phone) {
  const bar = document.getElementById("bar");
  if (!bar) return;
  const { session, outbox } = phone;
  let who = bar.querySelector(".bar-who");
  if (!who) {
    const menu = make("button", { type: "button", class: "bar-menu", "aria-expanded": "false", "aria-controls": "bar-panel" });
    const panel = make("div", { id: "bar-panel", hidden: "" });
    menu.addEventListener("click", async () => {
      const open = menu.getAttribute("aria-expanded") === "true";
      menu.setAttribute("aria-expanded", String(!open));
      panel.hidden = open;
      if (!open) (await import("./menu.js")).fill(panel, phone, () => menu.click());
    });
    who = make("p", { class: "bar-who" });
    bar.replaceChildren(make("div", { class: "bar-line" }, make("div", { class: "bar-said" }, who, make("ul", { class: "bar-state" })), menu), panel,
      make("p", { class: "bar-live", role: "status" }));
  }
  who.textContent = [session.by || t("shell.nobody"), session.place || t("shell.nowhere")].join(" · ");
  const menu = /** @type {HTMLElement} */ (bar.querySelector(".bar-menu"));
  menu.textContent = t("shell.menu");
  bar.querySelector(".bar-state")?.replaceChildren(...lines(phone).map((l) => make("li", { class: `is-${l.kind}` }, shape(l.kind), make("span", {}, l.text))));
  // Loud only when it turns: a count that goes up with each scan would talk all the time.
  const live = /** @type {HTMLElement} */ (bar.querySelector(".bar-live"));
  const now = outbox.state === "sent" ? "" : t(outbox.state === "signed-out" ? "shell.sign-in-to-send" : "shell.kept-here");
  if (live.textContent !== now) live.textContent = now;
  document.documentElement.dataset.waiting = String(outbox.waiting);
  document.documentElement.dataset.state = outbox.state;
}

/** Keeps the shell for when there is no network. @param {Phone} phone @param {() => void} drawn */
async function keepShell(phone, drawn) {
  const reg = await navigator.serviceWorker.register(new URL("phone-worker.js", base));
  const look = () => {
    // The first one has nothing to take over from.
    phone.fresh = navigator.serviceWorker.controller && reg.waiting ? reg.waiting : undefined;
    drawn();
  };
  reg.addEventListener("updatefound", () => reg.installing?.addEventListener("statechange", look));
  look();
  addEventListener("visibilitychange", () => document.visibilityState === "visible" && void reg.update().catch(() => undefined));
}

/** Loads the version that waits, and this page with it. The queue is not touched. @param {Phone} phone */
export function takeVersion(phone) {
  if (!phone.fresh) return;
  navigator.serviceWorker.addEventListener("controllerchange", () => location.reload(), { once: true });
  phone.fresh.postMessage("take over");
}

/** @type {Promise<Phone> | undefined} */
let started;

/**
 * Begins a screen: the words, who scans, the queue, the line at the top. It resolves once
 * somebody scans somewhere; until then it asks. A page begins once.
 * @returns {Promise<Phone>}
 */
export const start = () => (started ??= begin());

/** @returns {Promise<Phone>} */
async function begin() {
  await words();
  const main = /** @type {HTMLElement} */ (document.getElementById("main"));
  if (!isSecureContext) {
    // Without it a browser gives no keys, no locks and no worker.
    main.replaceChildren(make("p", { class: "alert", role: "alert" }, t("shell.insecure")));
    return new Promise(() => {});
  }
  const session = new Session();
  const outbox = await clock.recall().then(() => openOutbox(() => session.bearer())).catch(() => undefined);
  if (!outbox) {
    // A private window, or a full phone: nothing may be taken that can't be kept.
    main.replaceChildren(make("p", { class: "alert", role: "alert" }, t("shell.keeps-nothing")));
    return new Promise(() => {});
  }
  /** @type {Phone} */
  const phone = { outbox, session };
  const drawn = () => draw(phone);
  for (const type of ["waiting", "state", "aside", "lasting"]) outbox.addEventListener(type, drawn);
  session.addEventListener("session", () => {
    drawn();
    void outbox.flush();
  });
  for (const type of ["online", "offline", "words"]) addEventListener(type, drawn);
  // Somebody else may have signed in meanwhile, in another tab or by another page.
  addEventListener("visibilitychange", () => document.visibilityState === "visible" && void session.ask());
  const measure = () => document.visibilityState === "visible" && clock.stale() && void clock.measure().then(drawn);
  addEventListener("online", () => void session.ask().then(measure));
  addEventListener("visibilitychange", measure);
  setInterval(measure, 60_000);
  await session.open();
  drawn();
  measure();
  void outbox.flush();
  if ("serviceWorker" in navigator) void keepShell(phone, drawn).catch(() => undefined);
  if (!session.ready) await (await import("./door.js")).door(main, session);
  return phone;
}
