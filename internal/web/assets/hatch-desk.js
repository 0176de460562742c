// @ts-check
// Who works at this desk, and the queue of what they record.
import { element, say as write } from "./board.js";
import { fill } from "./hatch-ask.js";
import { openOutbox } from "./phone/outbox.js";
import { Session } from "./phone/session.js";
import { base, fact, keepFact, letters } from "./phone/store.js";
import { h } from "./phone/ui.js";
import { signal } from "./signals.js";

/**
 * @typedef {import("./phone/outbox.js").Scan} Scan
 * @typedef {import("./phone/outbox.js").Outcome} Outcome
 */

const BATCH = 250; // scans of one call: a desk is on the house's own network

/** The desk of this browser. */
export function desk() {
  const session = new Session();
  /** @type {import("./phone/outbox.js").Outbox | undefined} */
  let outbox;
  let place = "";
  /** @type {(v: unknown) => void} */
  let opened = () => {};
  const there = new Promise((done) => (opened = done));

  /** @param {string} text @param {boolean} [good] signals where given */
  function tell(text, good) {
    write(element("refused"), "");
    write(element("said"), text);
    if (good !== undefined && text !== "") signal(good);
  }

  /** @param {string} text @param {string} [before] */
  function refuse(text, before = "Not taken. ") {
    write(element("said"), "");
    write(element("refused"), before + text);
    signal(false);
  }

  function who() {
    const at = element("who");
    const { kind, by } = session.me;
    if (kind === "nobody" || kind === "device") {
      const way = new URL("sign-in?next=" + encodeURIComponent(location.pathname + location.search), base);
      at.replaceChildren("Nobody is signed in at this desk. ", h("a", { href: way.href }, "Sign in to record"), ".");
    } else if (by === "") {
      at.replaceChildren("Nobody works here yet. ", h("button", { type: "button", class: "plain", "data-act": "who", click: () => void askWho() }, "Say who works here"));
    } else if (kind === "anyone") {
      at.replaceChildren(h("b", null, by), " works here. ", h("button", { type: "button", class: "plain", "data-act": "who", click: () => void askWho() }, "Somebody else"));
    } else {
      at.replaceChildren(h("b", null, by), " works here.");
    }
  }

  async function askWho() {
    const v = await fill("Who works at this desk?", ["Your staff code stands beside everything that is recorded here."], [{ name: "staff", say: "Staff code", people: true, must: "Say your staff code." }], "I work here", "who-send");
    if (v?.staff) await session.as(v.staff);
  }

  function queue() {
    const n = outbox?.waiting ?? 0;
    const set = outbox?.aside.length ?? 0;
    const parts = [n > 0 ? `not sent yet: ${n}` : "all sent"];
    if (outbox && outbox.state === "offline" && n > 0) parts.push("the system does not answer; work goes on");
    if (set > 0) parts.push(`${set} could not be taken and ${set === 1 ? "is" : "are"} kept aside in this browser: tell the engineer`);
    write(element("queue"), parts.join("; "));
    element("queue").classList.toggle("is-waiting", n > 0 || set > 0);
  }

  return {
    get by() {
      return session.by;
    },
    get place() {
      return place;
    },
    waiting: () => outbox?.waiting ?? 0,
    say: tell,
    refuse,

    /** @param {string} at the desk's place */
    async open(at) {
      place = at;
      try {
        localStorage.setItem("hatch-place", at);
      } catch {
        // It is asked again next time.
      }
      if (!(await fact("device"))) await keepFact("device", "DESK-" + letters(6));
      outbox = await openOutbox(() => ({ by: session.by, place, device: session.device }), BATCH);
      for (const kind of ["waiting", "state"]) outbox.addEventListener(kind, queue);
      outbox.addEventListener("late", (e) => {
        const late = /** @type {CustomEvent} */ (e).detail;
        if (late?.answer?.answer === "refused") refuse(`${late.scan?.label?.text ?? ""}: ${late.answer.say ?? ""}`, "Sent late and not taken. ");
      });
      session.addEventListener("session", who);
      queue();
      await session.open();
      who();
      opened(null);
      void outbox.flush();
    },

    /** Somebody works here; else it is asked. @returns {Promise<boolean>} */
    async ready() {
      await there;
      if (session.by === "" && session.me.kind === "anyone") await askWho();
      if (session.by === "") refuse("Nobody is known to work here. Sign in, or say your staff code.", "Nothing was recorded. ");
      return session.by !== "";
    },

    /** Keeps scans of one act. @param {Scan[]} scans @returns {Promise<Outcome[] | undefined>} */
    async record(scans) {
      try {
        return await outbox?.recordAll(scans, { live: true, wait: 4000 + 10 * scans.length });
      } catch {
        refuse("This browser could not write it down. Free some room on this computer, or use the downtime sheet.", "Nothing was recorded. ");
        return undefined;
      }
    },
  };
}
