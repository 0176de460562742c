// @ts-check
// The courier's screen at work: it joins the flow with the queue, the vault, the server's
// round and the page. What was done counts once the queue has it.
import { trueNow } from "./clock.js";
import { expression } from "../patterns.js";
import { read as readLabel } from "./labels.js";
import { draw, tick } from "./road-draw.js";
import * as flow from "./road-flow.js";
import { scanner } from "./scan.js";
import { base, call } from "./store.js";
import { h, show, tell, undoBar } from "./ui.js";
import { keepWork, readWork } from "./vault.js";
import { closed, lang, t } from "./words.js";

/**
 * @typedef {import("./road-flow.js").State} State
 * @typedef {import("./road-flow.js").Plan} Plan
 * @typedef {import("./road-world.js").Deed} Deed
 * @typedef {import("./road-world.js").Scan} Scan
 */

const TICK_MS = 10_000; // how often what says minutes is put right
const ASK_MS = 60_000; // how often the server is asked for the round

/** Screens on which the last step can be taken back. */
const BETWEEN = ["round", "stop", "box", "pack", "unpack", "count", "receipt"];

/** What the API takes of a scan. @param {Scan} scan */
const wire = ({ thing, label, ...rest }) => ({ ...rest, label: label ?? { text: thing } });

/** @param {import("./bar.js").Phone} phone */
export async function run({ outbox, session }) {
  /** @type {State} */
  let s = flow.begin(session.by, session.place);
  let asking = false;
  let again = 0;
  /** What was done last, in words. @type {string} */
  let last = "";

  async function recall() {
    s = flow.begin(session.by, session.place);
    const [kept, round] = await Promise.all([readWork("road"), readWork("round")]);
    if (kept?.by === s.by) s = { ...kept, round };
    else s = { ...s, round };
    // What was sent while this page was away isn't known here; the queue's being empty says it.
    if (outbox.waiting === 0) s = flow.sent(s, s.deeds.map((d) => d.id));
  }

  let writing = Promise.resolve();
  /** One write to the vault after the other. @param {string} name @param {() => unknown} what */
  function save(name, what) {
    const done = writing.then(() => keepWork(name, what()));
    writing = done.catch(() => undefined);
    return done;
  }
  /** The round is kept apart: it is large and changes seldom. */
  const keep = () => save("road", () => ({ ...s, round: null }));

  let scans = false; // the screen that is being drawn has a scanner
  const page = {
    press: (/** @type {string} */ what, arg = "") => follow(() => flow.press(s, what, arg, trueNow())),
    scan(/** @type {string} */ wanted) {
      scans = true;
      return scanner({ wanted, onRead, checked: checked() }).node;
    },
    state: () => s,
    paper: (/** @type {string} */ name) => new URL(`print/${name}`, base).href,
  };

  /** Patterns of numbers whose check character guards them. */
  const checked = () => (s.round?.schemes ?? []).filter((/** @type {any} */ x) => x.check).map((/** @type {any} */ x) => expression(x.pattern));

  function render() {
    document.body.classList.toggle("is-moving", s.screen.name === "moving");
    scans = false;
    const nodes = draw(s, trueNow, page);
    // A reader is heard on every screen.
    if (!scans) scanner({ wanted: "any", onRead, quiet: true });
    // What can be taken back stands above the keys, where nothing else is being asked.
    if (s.undo.length > 0 && last !== "" && BETWEEN.includes(s.screen.name)) {
      const at = nodes.findLastIndex((n) => n instanceof Element && n.classList.contains("acts"));
      nodes.splice(at < 0 ? nodes.length : at, 0, undoBar(last, () => page.press("undo")));
    }
    // The main key stays under the thumb, however long the screen is.
    const main = nodes.flatMap((n) => (n instanceof Element && n.matches(".acts") ? [...n.querySelectorAll(".act.main")] : [])).at(-1);
    if (main) nodes.push(h("div", { class: "acts road-dock" }, main));
    show(...nodes);
  }

  /** @param {import("./scan.js").Read} r */
  function onRead(r) {
    const said = readLabel(r, s.round?.schemes ?? []);
    if (said.wrong) return tell("stop", t("road.misread"));
    if (said.names === "product") return tell("look", t("road.product"));
    if (said.names === "patient") return tell("look", t("road.wristband"));
    // A badge's number opens doors; it is written down nowhere.
    if (said.names === "person") return tell("look", t("road.badge"));
    const label = { text: r.text, raw: r.raw, symbology: r.symbology, how: r.how };
    return follow(() => flow.read(s, flow.thingOf(s, said.number || r.text, said.names, label), trueNow())).catch((fault) => tell("stop", t("ui.fault", { what: String(fault) })));
  }

  let busy = Promise.resolve();
  /** One thing after the other, as it was scanned: each means what it does once the one before is done. @param {() => Plan} plan */
  function follow(plan) {
    const done = busy.then(() => act(plan()));
    busy = done.catch(() => undefined);
    return done;
  }

  /** @param {Plan} plan */
  async function act(plan) {
    /** @type {Deed[]} */
    const kept = [];
    const refused = [];
    const doubts = new Set();
    for (const scan of plan.scans) {
      const at = trueNow();
      const out = await outbox.record(wire(scan)).catch(() => undefined);
      if (!out) {
        // The phone could not write it down: it did not happen, nor what comes behind it.
        refused.push({ scan, answer: { answer: "not-saved" } });
        break;
      }
      const answer = out.answer;
      if (answer && !["recorded", "repeated"].includes(answer.answer)) refused.push({ scan, answer });
      else kept.push({ id: out.id, at, by: s.by, scan, sent: Boolean(answer) });
      for (const d of answer?.doubts ?? []) if (d.doubt) doubts.add(d.doubt);
    }
    const here = plan.state.here;
    const before = { notices: s.notices.length, moving: s.screen.name === "moving" };
    s = flow.settled(s, plan, kept, refused.length > 0);
    if (plan.said && kept.length > 0) last = t(plan.said.key, plan.said.args);
    // What was recorded was recorded, also where this can't be kept over a reload.
    if (s.here === here && here !== "" && here !== session.place) await session.at(here).catch(() => undefined);
    await keep().catch(() => undefined);
    render();
    if (refused.length > 0) {
      tell("stop", refused.map(({ scan, answer }) => t("road.refused", { thing: scan.thing, why: why(answer) })).join(" "), { repeat: true });
    } else if (doubts.size > 0 && s.screen.name !== "moving") {
      tell("look", t("road.doubts", { list: [...doubts].map((d) => closed("doubt", d)).join(", ") }), { repeat: true });
    } else if (plan.said && s.notices.length > (before.moving ? 0 : before.notices)) {
      tell("look", t(plan.said.key, plan.said.args)); // the sound is that of what stands below
    } else if (plan.said) {
      tell(plan.said.kind, t(plan.said.key, plan.said.args), { repeat: plan.said.kind === "look" || plan.said.kind === "stop" });
    }
    if (kept.length > 0) soon();
  }

  /** Why something was refused; the server speaks English, and knows when. @param {any} answer */
  const why = (answer) => (answer.answer === "not-saved" ? t("road.not-saved") : (lang === "en" && answer.say) || closed("refusal", answer.refusal ?? answer.answer));

  /** Asks for the round once what was done has settled. */
  function soon() {
    clearTimeout(again);
    again = setTimeout(ask, 1_500);
  }

  async function ask() {
    if (asking || document.visibilityState !== "visible") return;
    asking = true;
    try {
      const had = s.deeds.filter((d) => d.sent).map((d) => d.id);
      const resp = await call("GET", `v1/rounds?by=${encodeURIComponent(session.by)}&place=${encodeURIComponent(s.here || session.place)}`).catch(() => undefined);
      if (resp?.status !== 200) return;
      s = flow.renewed(s, resp.body, had);
      await Promise.all([save("round", () => resp.body), keep()]);
      // Nothing moves under a finger, and a text being typed stays.
      if (["round", "stop", "moving"].includes(s.screen.name) && !(document.activeElement instanceof HTMLInputElement)) refresh();
    } finally {
      asking = false;
    }
  }

  /** Draws anew where the reader stands. */
  function refresh() {
    const at = scrollY;
    const focus = /** @type {HTMLElement | null} */ (document.activeElement)?.dataset.id ?? /** @type {HTMLElement | null} */ (document.activeElement)?.dataset.act;
    render();
    scrollTo(0, at);
    if (focus) /** @type {HTMLElement | null} */ (document.querySelector(`[data-id="${CSS.escape(focus)}"], [data-act="${CSS.escape(focus)}"]`))?.focus({ preventScroll: true });
  }

  outbox.addEventListener("answer", (e) => {
    const { answer } = /** @type {CustomEvent} */ (e).detail;
    if (!["recorded", "repeated"].includes(answer.answer)) return;
    const next = flow.sent(s, [answer.id]);
    if (next.deeds.every((d, i) => d.sent === s.deeds[i].sent)) return;
    s = next;
    void keep();
    tick();
    soon();
  });
  outbox.addEventListener("late", (e) => {
    const { scan, answer } = /** @type {CustomEvent} */ (e).detail;
    gone(scan.id, scan.label?.text ?? "", answer.refusal ?? answer.answer);
  });
  outbox.addEventListener("aside", (e) => gone(/** @type {CustomEvent} */ (e).detail, "", ""));

  /** What was kept is not in the log after all. @param {string} id @param {string} thing @param {string} why */
  function gone(id, thing, why) {
    const deed = s.deeds.find((d) => d.id === id);
    if (!deed) return;
    s = flow.dropped(s, id);
    const args = { thing: deed.scan.thing || thing, why: why ? closed("refusal", why) : t("road.unread") };
    s = { ...s, notices: [...s.notices, { key: "road.late", args, kind: "stop" }] };
    void keep();
    // Whoever drives hears of it when they have arrived.
    if (s.screen.name === "moving") return;
    refresh();
    tell("look", t("road.see-below"));
  }

  session.addEventListener("session", async () => {
    if (session.by === s.by) return;
    await recall();
    render();
  });
  addEventListener("words", refresh);
  addEventListener("online", ask);
  addEventListener("visibilitychange", () => void ask());
  setInterval(tick, TICK_MS);
  setInterval(ask, ASK_MS);

  await recall();
  render();
  await ask();
}
