// @ts-check
// Who scans here. The server says it; without network, the last that it said counts. Where
// nobody is asked to sign in, the phone asks for a staff code once and names itself.
import { known as enrolled } from "../devicekey.js";
import { base, call, fact, keepFact, letters } from "./store.js";
import * as vault from "./vault.js";

/**
 * @typedef {object} Me
 * @property {"person" | "device" | "machine" | "anyone" | "nobody"} kind nobody: sign in first
 * @property {string} by staff code, empty while nobody said it
 * @property {string[]} roles everywhere
 * @property {{role: string, place: string}[]} rolesAt at single places
 * @property {string} place
 */

/** @type {Me} */
const nobody = { kind: "nobody", by: "", roles: [], rolesAt: [], place: "" };

export class Session extends EventTarget {
  #channel = new BroadcastChannel("custody-session " + base.pathname);
  /** @type {Me} */
  me = nobody;
  device = "";
  place = "";
  /** What is said was said by the server in this visit. */
  fresh = false;

  get by() {
    return this.me.by;
  }

  /** Whether scans can be made here: somebody scans, somewhere. */
  get ready() {
    return this.me.kind !== "nobody" && this.by !== "" && this.place !== "";
  }

  bearer() {
    return { by: this.by, place: this.place, device: this.device };
  }

  /** Begins with what is known, and asks the server. */
  async open() {
    // Somebody signed in or off in another tab: a cookie is that of all tabs.
    this.#channel.addEventListener("message", (e) => (e.data === "off" ? location.reload() : void this.ask()));
    this.device = (await enrolled().catch(() => undefined))?.device ?? (await fact("device")) ?? "";
    if (!this.device) {
      this.device = "PH-" + letters(8);
      await keepFact("device", this.device);
    }
    this.me = (await fact("session")) ?? nobody;
    this.place = (await fact("place")) ?? this.me.place;
    await vault.holdFor(this.by);
    const asked = this.ask();
    // Who is known goes on at once; without network an answer may take its time.
    if (!this.ready) await asked;
  }

  /** Asks the server who is signed in. What doesn't answer changes nothing. */
  async ask() {
    const resp = await call("GET", "v1/me", undefined, 4000).catch(() => undefined);
    if (resp?.status === 401) return this.#become({ ...this.me, kind: "nobody" });
    if (resp?.status !== 200) return;
    const m = resp.body;
    // A sign-off that couldn't reach the server is made up for.
    if (m.kind === "person" && (await fact("signed-off")) === m.id) return this.signOff();
    const by = m.kind === "person" ? m.id : m.kind === "anyone" ? ((await fact("staff")) ?? "") : "";
    const roles = /** @type {{role: string, place?: string}[]} */ (m.roles ?? []);
    this.fresh = true;
    await this.#become({
      kind: m.kind, by, place: m.place ?? "",
      roles: [m.role, ...roles.filter((r) => !r.place).map((r) => r.role)].filter(Boolean),
      rolesAt: roles.flatMap((r) => (r.place ? [{ role: r.role, place: r.place }] : [])),
    });
  }

  /** Whoever goes to sign in begins a session of its own. */
  begin() {
    return keepFact("signed-off", undefined);
  }

  /** @param {Me} me */
  async #become(me) {
    // Another person, or nobody known: what the last one was shown is gone.
    await vault.holdFor(me.by);
    const other = me.by !== this.me.by || me.kind !== this.me.kind;
    this.me = me;
    if (!this.place && me.place) await this.at(me.place);
    // Who has not signed in may still have scanned; the name stays for the scans to come.
    if (me.kind !== "nobody") {
      await keepFact("session", me);
      await keepFact("signed-off", undefined);
    }
    if (other) this.#channel.postMessage("");
    this.dispatchEvent(new CustomEvent("session"));
  }

  /** Takes a staff code where nobody is asked to sign in. @param {string} code */
  async as(code) {
    await keepFact("staff", code);
    await this.#become({ ...this.me, by: code });
  }

  /** Takes the place where it is scanned. @param {string} place */
  async at(place) {
    this.place = place;
    await keepFact("place", place);
    this.dispatchEvent(new CustomEvent("session"));
  }

  /** Ends the session here, and at the server as soon as it can be reached. What was not sent stays. */
  async signOff() {
    const { by, kind } = this.me;
    await vault.wipe();
    await vault.holdFor("");
    await keepFact("session", undefined);
    await keepFact("staff", undefined);
    this.me = { ...nobody, kind: kind === "anyone" ? "anyone" : "nobody" };
    this.fresh = false;
    // Its answer leads to the sign-in page; only that it came counts. Without it the browser
    // still has the session, and ask ends it as soon as the server can be reached.
    const heard = await fetch(new URL("sign-out", base), { method: "POST", redirect: "manual", signal: AbortSignal.timeout(4000) }).catch(() => undefined);
    await keepFact("signed-off", heard || kind === "anyone" ? undefined : by);
    this.#channel.postMessage("off");
    this.dispatchEvent(new CustomEvent("session"));
  }
}
