// @ts-check
// The queue of scans. A scan is on the disk before anybody is told that it was taken; it
// leaves the phone only when an answer names it. One tab sends at a time, in the order of
// the device's sequence; what can't be taken is set aside and blocks nothing.
import { known as enrolled } from "../devicekey.js";
import * as clock from "./clock.js";
import { base, call, database, durable, fact, keepFact, queueKey, seal, unseal, uuid7 } from "./store.js";

/**
 * @typedef {import("./store.js").Waiting} Waiting
 * @typedef {import("./store.js").Aside} Aside
 *
 * A scan of the API in JSON, as far as a screen says it.
 * @typedef {object} Scan
 * @property {string} [id]
 * @property {string} step
 * @property {{text?: string, raw?: string, symbology?: string, how?: string}} [label]
 * @property {string} [draw]
 * @property {string} [patient]
 * @property {string} [row]
 * @property {string} [request]
 * @property {string} [type]
 * @property {string[]} [tests]
 * @property {string} [carrier]
 * @property {string} [parent]
 * @property {string} [from]
 * @property {string} [to]
 * @property {string} [with]
 * @property {string} [onBehalfOf]
 * @property {string} [ward]
 * @property {string} [reason]
 * @property {string} [typedAt]
 * @property {string} [how]
 * @property {string} [place]
 * @property {string} [by]
 * @property {string} [device]
 * @property {string} [app]
 * @property {string} [occurredAt]
 * @property {string} [mode]
 * @property {Record<string, string>} [details]
 *
 * The server's answer to a scan; "unreadable" is the phone's own word for one that the
 * server can't read and that was set aside.
 * @typedef {{id: string, answer: string, refusal?: string, say?: string, doubts?: {doubt?: string, say?: string}[], state?: string, tube?: any, kind?: string, key?: string, identities?: any[]}} ScanAnswer
 * @typedef {{id: string, kept: true, answer?: ScanAnswer}} Outcome
 *
 * What lies sealed in the queue.
 * @typedef {{scan: Scan, at: clock.Moment & {then?: clock.Measured}}} Said
 *
 * Who scans where, as the session says it.
 * @typedef {{by: string, place: string, device: string}} Bearer
 *
 * What a tab tells the others.
 * @typedef {{answers: ScanAnswer[], late: {scan: Scan, answer: ScanAnswer}[]}} News
 *
 * What the last try to send came to: "sent", "offline" (no answer), "busy" (an answer, but not now),
 * "signed-out".
 * @typedef {"sent" | "offline" | "busy" | "signed-out"} State
 */

/** The version of these pages; it stands in each scan. */
export const app = "phone-" + (new URL(import.meta.url).pathname.match(/\/assets\/([^/]+)\//)?.[1] ?? "");

const most = 50; // scans of one batch, where the caller doesn't say
const soon = 700; // ms that somebody waits for an answer while the last try had none
const spare = 1000; // ms after a try without answer in which a scan makes no other
const longest = 60_000; // ms between tries
const tellEvery = 60_000; // ms
const invalid = 3; // gRPC's code for what can't be read

/** What belongs to one server: several may share a host. */
const name = "custody-phone " + base.pathname;

const pause = (/** @type {number} */ ms) => new Promise((done) => setTimeout(done, ms));

/** Words that end an item's wait: it is in the log, or never will be under this id. */
const final = new Set(["recorded", "repeated", "refused", "id-conflict"]);

export class Outbox extends EventTarget {
  waiting = 0;
  /** When the oldest of them was made. @type {Date | undefined} */
  oldest;
  /** @type {Aside[]} */
  aside = [];
  /** @type {State} */
  state = "sent";
  /** The browser has promised to keep what is stored. */
  lasting = false;

  /** @type {() => Bearer} */
  #bearer;
  /** @type {CryptoKey} */
  #key;
  #channel = new BroadcastChannel(name);
  /** @type {Map<string, (a: ScanAnswer) => void>} */
  #hearing = new Map();
  #last = Promise.resolve(); // records keep their order
  #seq = 0;
  #tries = 0;
  #most;
  #failed = -Infinity; // when a try had no answer, by the page's counter
  #told = 0;
  #timer = 0;

  /** @param {CryptoKey} key @param {() => Bearer} bearer @param {number} [batch] */
  constructor(key, bearer, batch = most) {
    super();
    this.#key = key;
    this.#most = batch;
    this.#bearer = bearer;
    this.#channel.addEventListener("message", (e) => this.#heard(e.data));
    addEventListener("online", () => this.flush());
    addEventListener("visibilitychange", () => document.visibilityState === "visible" && this.flush());
    setInterval(() => document.visibilityState === "visible" && this.tell(), tellEvery);
  }

  /**
   * Keeps a scan, and sends it. It resolves when the scan is on the disk: with the answer
   * where one came in time, else without; it then goes on as reported. It rejects only if
   * it could not be kept.
   * @param {Scan} scan
   * @param {{live?: boolean, wait?: number}} [how] live: it may be stopped; wait: ms
   * @returns {Promise<Outcome>}
   */
  async record(scan, how) {
    const [out] = await this.recordAll([scan], how);
    return /** @type {Outcome} */ (out);
  }

  /**
   * record for what one person did at once, to several tubes: all are kept, or none.
   * @param {Scan[]} scans
   * @param {{live?: boolean, wait?: number}} [how]
   * @returns {Promise<Outcome[]>}
   */
  async recordAll(scans, { live = true, wait = 4000 } = {}) {
    if (scans.length === 0) return [];
    const at = { ...clock.moment(), then: clock.known() };
    const down = this.state === "offline" && performance.now() - this.#failed < spare;
    const patience = !live || down ? 0 : this.state === "sent" ? wait : Math.min(wait, soon);
    const said = scans.map((scan) => ({ scan: this.#whole(scan, at), at }));
    const ids = said.map((one) => one.scan.id);
    /** @type {Promise<ScanAnswer | undefined>[]} */
    const answers = ids.map((id) => new Promise((done) => this.#hearing.set(id, done)));
    const unhear = () => ids.forEach((id) => this.#hearing.delete(id));
    const before = this.#last;
    const kept = before.then(() => this.#put(said, patience));
    this.#last = kept.then(() => {}, () => {});
    try {
      await kept;
    } catch (err) {
      unhear();
      throw err;
    }
    if (!patience) {
      unhear();
      void (down ? this.#later() : this.#send(0));
      return ids.map((id) => ({ id, kept: true }));
    }
    const sent = this.#send(patience);
    const late = pause(patience).then(() => undefined);
    const outcomes = ids.map(async (id, i) => {
      const answer = answers[i];
      // A try that failed ends the wait: whoever is offline isn't kept waiting.
      const failed = sent.then((state) => (state === "sent" ? answer : undefined));
      let heard = await Promise.race([answer, failed, late]);
      // It is kept, whatever becomes of this: no answer is no reason to say that it isn't.
      if (!heard && !(await this.#goOn(id).catch(() => true))) heard = await Promise.race([answer, pause(1000).then(() => undefined)]);
      this.#hearing.delete(id);
      return /** @type {Outcome} */ (heard ? { id, kept: true, answer: heard } : { id, kept: true });
    });
    return Promise.all(outcomes);
  }

  /**
   * A scan with what every scan says.
   * @param {Scan} scan
   * @param {clock.Moment} at
   * @returns {Scan & {id: string}}
   */
  #whole(scan, at) {
    const { by, place, device } = this.#bearer();
    /** @type {Scan & {id: string}} */
    const whole = { ...scan, id: scan.id || uuid7(at.wall), occurredAt: scan.occurredAt || clock.stamp(at.wall), app };
    // A screen that says "" means it: on the way there is no place.
    for (const [k, v] of Object.entries({ by, place, device })) whole[/** @type {"by"} */ (k)] ??= v;
    delete whole.mode;
    for (const k of /** @type {(keyof Scan)[]} */ (Object.keys(whole))) if (whole[k] === undefined || whole[k] === "") delete whole[k];
    return whole;
  }

  /** Sends what waits. */
  flush() {
    return this.#send(0);
  }

  /** Takes something that was set aside off the list. @param {string} id */
  async dismiss(id) {
    const tx = await durable(["aside"]);
    await Promise.all([tx.objectStore("aside").delete(id), tx.done]);
    await this.#changed();
  }

  /** What an item that was set aside says. @param {Aside} item @returns {Promise<Scan>} */
  async read(item) {
    return (await unseal(this.#key, item.id, item.sealed)).scan;
  }

  /** Tells the server how this phone stands; it is no matter when it doesn't hear. */
  async tell() {
    const { by, place, device } = this.#bearer();
    if (!device) return;
    const offset = clock.offsetAt({ ...clock.moment(), then: clock.known() });
    const state = {
      device, by, place, app, waiting: this.waiting, deviceSeq: this.#seq, lasting: this.lasting,
      ...(this.oldest ? { oldest: clock.stamp(this.oldest.getTime() - (offset?.offset ?? 0)) } : {}),
      ...(offset ? { clock: { offsetMs: Math.round(offset.offset), uncertaintyMs: Math.round(offset.error) } } : {}),
    };
    await call("POST", "v1/phones:tell", state).catch(() => undefined);
  }

  /** Reads how the queue stands. */
  async refresh() {
    await this.#changed();
  }

  /** @param {(Said & {scan: {id: string}})[]} all @param {number} patience */
  async #put(all, patience) {
    const sealed = await Promise.all(all.map((said) => seal(this.#key, said.scan.id, said)));
    const tx = await durable(["queue", "facts"]);
    const [queue, facts] = [tx.objectStore("queue"), tx.objectStore("facts")];
    let seq = (await facts.get("seq")) ?? 0;
    await facts.put(seq + all.length, "seq");
    for (const [i, said] of all.entries()) {
      // The clock may be moved while somebody waits; goOn ends the wait in any case.
      await queue.add(/** @type {Waiting} */ ({ seq: ++seq, id: said.scan.id, at: said.at.wall, until: patience ? said.at.wall + patience : 0, sealed: sealed[i] }));
    }
    await tx.done;
    this.#seq = seq;
    await this.#recount(); // it is kept, also where it can't be counted
  }

  /** Nobody waits for the answer any more. True: the item still waits. @param {string} id */
  async #goOn(id) {
    const tx = await durable(["queue"]);
    const queue = tx.objectStore("queue");
    /** @type {Waiting | undefined} */
    const item = await queue.index("id").get(id);
    if (item) await queue.put({ ...item, until: 0 });
    await tx.done;
    return Boolean(item);
  }

  /**
   * Sends under the lock that all tabs share. Who waits for an answer queues for it; who
   * doesn't leaves the sending to the tab that is at it.
   * @param {number} patience ms
   * @returns {Promise<State>}
   */
  async #send(patience) {
    clearTimeout(this.#timer);
    const lock = patience ? { signal: AbortSignal.timeout(patience) } : { ifAvailable: true };
    try {
      await navigator.locks.request(name, lock, async (mine) => {
        if (!mine) return;
        const had = this.waiting;
        this.#become(await this.#drain());
        if (this.state === "sent" && (had > 0 || this.waiting === 0) && Date.now() - this.#told > 1000) {
          this.#told = Date.now();
          void this.tell();
        }
      });
    } catch {
      // The lock was not free in time: another tab, or an earlier scan of this one, is sending.
    }
    return this.#later();
  }

  /** Whatever became of a try, there is a next one while something waits. @returns {State} */
  #later() {
    clearTimeout(this.#timer);
    if (this.waiting > 0) {
      const wait = this.#tries === 0 ? 1000 : Math.min(longest, 1000 * 2 ** Math.min(this.#tries - 1, 6)) * (0.75 + Math.random() / 2);
      this.#timer = setTimeout(() => this.flush(), wait);
    }
    return this.state;
  }

  /** @param {State} state */
  #become(state) {
    this.#tries = state === "sent" ? 0 : this.#tries + 1;
    if (state === "offline") this.#failed = performance.now();
    if (state === this.state) return;
    this.state = state;
    this.dispatchEvent(new CustomEvent("state", { detail: state }));
  }

  /** Sends until nothing waits or something fails. @returns {Promise<State>} */
  async #drain() {
    // Whoever signed off without network still has a session in the browser: it sends nothing.
    if (await fact("signed-off")) return "signed-out";
    // Without network a small question is cheaper than a batch.
    if (this.state === "offline" && !(await call("GET", "v1/me", undefined, 4000).catch(() => undefined))) return "offline";
    const device = await enrolled().catch(() => undefined);
    for (let size = this.#most; ; ) {
      /** @type {Waiting[]} */
      const batch = await (await database()).getAll("queue", null, size);
      if (batch.length === 0) return "sent";
      // What is sent says how far off this clock is; without that it would be believed.
      // Asked of each batch: an item may have come after the last look. What was measured
      // before won't do: the network may come back between the question and the batch,
      // and what was scanned after the clock was moved would stand at a wrong time for good.
      if (!(await clock.sure())) {
        const me = await call("GET", "v1/me", undefined, 4000).catch(() => undefined);
        if (!me) return "offline";
        return me.status === 401 ? "signed-out" : "busy";
      }
      // Somebody waits: it may be stopped. A clock that was moved leaves nobody waiting for long.
      const live = new Set(batch.filter((item) => item.until > Date.now() && item.until - Date.now() < 60_000).map((item) => item.id));
      const scans = [];
      let broken;
      for (const item of batch) {
        const form = await this.#form(item, live.has(item.id), device).catch(() => undefined);
        if (form) scans.push(form);
        else broken ??= item;
      }
      if (broken) {
        // Its seal can't be opened: it stays as it is, and blocks none.
        await this.#setAside(broken, "unreadable", "");
        continue;
      }
      const resp = await call("POST", "v1/scans", { scans }).catch(() => undefined);
      if (!resp) return "offline";
      if (resp.status === 400 && resp.body.code === invalid) {
        // Somewhere in it is one that can't be read. It is found by halving.
        if (batch.length === 1) {
          await this.#setAside(batch[0], "unreadable", violations(resp.body));
          size = this.#most;
        } else size = Math.ceil(batch.length / 2);
        continue;
      }
      if (resp.status === 401) return "signed-out";
      if (resp.status !== 200) return "busy";
      const left = await this.#answered(batch, live, resp.body.answers ?? []);
      if (left === batch.length) return "busy";
      // One that was left while others were taken is sent alone: it may be unreadable.
      size = left > 0 ? 1 : this.#most;
    }
  }

  /**
   * An item as the API takes it.
   * @param {Waiting} item
   * @param {boolean} live
   * @param {import("../devicekey.js").Device | undefined} device
   */
  async #form(item, live, device) {
    /** @type {Said} */
    const { scan, at } = await unseal(this.#key, item.id, item.sealed);
    const offset = clock.offsetAt(at);
    const whole = {
      ...scan,
      deviceSeq: item.seq,
      mode: live ? "live" : "reported",
      clock: { offsetMs: Math.round(offset?.offset ?? 0), uncertaintyMs: Math.round(offset?.error ?? 0), monotonicMs: at.mono, bootId: at.boot },
    };
    if (!device || device.device !== scan.device) return whole;
    const { attest } = await import("./attest.js");
    return { attested: await attest(whole, device) };
  }

  /**
   * Takes off the queue what an answer names, and tells whoever waits.
   * @param {Waiting[]} batch
   * @param {Set<string>} live ids of those that were sent while somebody waited
   * @param {ScanAnswer[]} answers
   * @returns {Promise<number>} how many were not saved
   */
  async #answered(batch, live, answers) {
    const by = new Map(answers.map((a) => [a.id, a]));
    /** @type {[Waiting, ScanAnswer][]} */
    const late = [];
    /** @type {ScanAnswer[]} */
    const gone = [];
    let left = 0;
    const tx = await durable(["queue", "aside"]);
    const [queue, aside] = [tx.objectStore("queue"), tx.objectStore("aside")];
    for (const item of batch) {
      const answer = by.get(item.id);
      if (!answer || !final.has(answer.answer)) {
        left++;
        continue;
      }
      if (answer.answer === "refused") {
        /** @type {Waiting | undefined} */
        const now = await queue.get(item.seq);
        const asked = live.has(item.id);
        if (asked && now && now.until === 0) {
          // It was asked, and whoever asked has gone on before the answer: it has happened,
          // so it is told again as a fact, which the server keeps with its doubt.
          late.push([item, answer]);
          continue;
        }
        if (!asked) {
          late.push([item, answer]);
          await aside.put(/** @type {Aside} */ ({ id: item.id, seq: item.seq, at: item.at, why: answer.refusal ?? "refused", say: answer.say ?? "", sealed: item.sealed }));
        }
      } else if (answer.answer === "id-conflict") {
        late.push([item, answer]);
        await aside.put(/** @type {Aside} */ ({ id: item.id, seq: item.seq, at: item.at, why: "id-conflict", say: answer.say ?? "", sealed: item.sealed }));
      }
      await queue.delete(item.seq);
      gone.push(answer);
    }
    await tx.done;
    await this.#recount(); // whoever waits must hear it, also where it can't be counted
    this.#say({ answers: gone, late: await Promise.all(late.map(async ([item, answer]) => ({ scan: (await unseal(this.#key, item.id, item.sealed)).scan, answer }))) });
    return left;
  }

  /** @param {Waiting} item @param {string} why @param {string} say */
  async #setAside(item, why, say) {
    const tx = await durable(["queue", "aside"]);
    await tx.objectStore("aside").put(/** @type {Aside} */ ({ id: item.id, seq: item.seq, at: item.at, why, say, sealed: item.sealed }));
    await tx.objectStore("queue").delete(item.seq);
    await tx.done;
    await this.#recount();
    this.#say({ answers: [{ id: item.id, answer: "unreadable", say }], late: [] });
    this.dispatchEvent(new CustomEvent("aside", { detail: item.id }));
  }

  /** Tells this tab and the others. @param {News} news */
  #say(news) {
    this.#channel.postMessage(news);
    this.#resolve(news);
  }

  /** @param {News} news from another tab */
  #heard(news) {
    this.#resolve(news);
    void this.#changed(false);
  }

  /** @param {News} news */
  #resolve({ answers, late }) {
    for (const answer of answers) {
      this.#hearing.get(answer.id)?.(answer);
      this.dispatchEvent(new CustomEvent("answer", { detail: { answer } }));
    }
    for (const one of late) this.dispatchEvent(new CustomEvent("late", { detail: one }));
  }

  /** Counts after something that has happened already: that stands where counting fails. */
  #recount() {
    return this.#changed().catch(() => undefined);
  }

  /** Counts anew. @param {boolean} [say] whether other tabs are to count too */
  async #changed(say = true) {
    const had = this.waiting;
    const db = await database();
    const tx = db.transaction(["queue", "aside", "facts"]);
    const [waiting, first, aside, seq] = await Promise.all([
      tx.objectStore("queue").count(), tx.objectStore("queue").get(IDBKeyRange.lowerBound(0)), tx.objectStore("aside").getAll(), tx.objectStore("facts").get("seq"),
    ]);
    this.waiting = waiting;
    this.oldest = first ? new Date(first.at) : undefined;
    this.aside = aside.sort((a, b) => a.seq - b.seq);
    this.#seq = Math.max(this.#seq, seq ?? 0);
    if (say) this.#channel.postMessage({ answers: [], late: [] });
    this.dispatchEvent(new CustomEvent("waiting", { detail: waiting }));
    if (had === 0 !== (waiting === 0)) void this.#between();
  }

  /** The count went from or to none: the server is told, unless that was by a scan that is answered at once. */
  async #between() {
    await pause(1500);
    if (this.waiting > 0 || Date.now() - this.#told > 1500) await this.tell();
  }
}

/** What is wrong with a call, in the server's words. @param {any} body */
function violations(body) {
  const found = (body.details ?? []).flatMap((/** @type {any} */ d) => d.fieldViolations ?? []);
  return found.map((/** @type {any} */ v) => `${v.field}: ${v.description}`).join("; ") || body.message || "";
}

/**
 * Opens the queue of this phone or desk.
 * @param {() => Bearer} bearer
 * @param {number} [batch] scans of one call, at most
 */
export async function openOutbox(bearer, batch) {
  const out = new Outbox(await queueKey(), bearer, batch);
  await clock.recall();
  // Not waited for: a browser may ask the person first.
  void navigator.storage?.persist?.().then((yes) => {
    out.lasting = yes;
    out.dispatchEvent(new CustomEvent("lasting", { detail: yes }));
  });
  await out.refresh();
  return out;
}

/** A name for a phone that nobody enrolled, made once. @param {() => string} make */
export async function deviceName(make) {
  const known = (await enrolled().catch(() => undefined))?.device ?? (await fact("device"));
  if (known) return known;
  const fresh = make();
  await keepFact("device", fresh);
  return fresh;
}
