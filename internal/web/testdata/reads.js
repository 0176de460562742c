// Random reads through the framing, for TestTenThousandReads. Everything that happens
// follows from the seed.
export function run(Framing, LIMIT_MS, seed, count) {
  let state = seed >>> 0;
  const random = () => { // mulberry32
    state = (state + 0x6d2b79f5) >>> 0;
    let t = Math.imul(state ^ (state >>> 15), 1 | state);
    t = (t + Math.imul(t ^ (t >>> 7), 61 | t)) ^ t;
    return ((t ^ (t >>> 14)) >>> 0) / 4294967296;
  };
  const upTo = (n) => Math.floor(random() * n);
  const chance = (p) => random() < p;
  const pick = (of) => of[upTo(of.length)];

  const IDS = ["]d2", "]d1", "]C1", "]C0", "]Q3", "]E0"];
  // A bracket stands before a sign only: a label that holds an identifier is two reads to
  // label.Read and can't be taken.
  const CHARS = [..."ABCDEFXYZabcxyz0123456789-./+%()"].concat("]-", "|", " ");
  const SPELLINGS = [
    (at) => [{ key: "]", code: "BracketRight", ctrl: true, at }],
    (at) => [{ key: "F8", code: "F8", at }],
    (at) => [{ key: "\x1d", code: "", at }],
    (at) => [{ key: "Alt", code: "AltLeft", alt: true, at, mute: true }, ..."029"].map((d) => typeof d === "string" ? { key: d, code: "Numpad" + d, alt: true, at, mute: true } : d).concat({ key: "Alt", code: "AltLeft", at, up: true, spelled: true }),
  ];

  const framing = new Framing();
  const faults = [], sent = [], got = [];
  const tally = { exact: 0, cut: 0, joined: 0, untouched: 0, clean: 0, humans: 0 };
  let now = 1000, serial = 0;
  const owner = new Map(); // time of a stroke -> {send, place, human}
  let sends = []; // recent ones
  let trusting = true; // the framing is idle, by what was sent

  const settle = (step, k) => {
    if (step.put) got.push(step.put);
    for (const o of step.out) {
      got.push(o.text);
      const own = o.strokes.map((s) => owner.get(s.at));
      if (o.kind === "cut") tally.cut++;
      for (const w of own) {
        if (w === undefined) faults.push(`a stroke of no key in ${JSON.stringify(o.text)}`);
        else if (w.human && w.clean) faults.push(`took what a person typed: ${JSON.stringify(o.text)}`);
      }
      for (const w of own) if (w?.send) w.send.opened = true;
      if (o.kind !== "read" || own.includes(undefined)) continue;
      // Whole sends, from the first character to the last, one behind the other.
      let want = [];
      for (let s = own[0].send; want.length < own.length && s; s = s.next) want = want.concat(s.strokes);
      const last = own[own.length - 1].send;
      if (own[0].place !== 0 || want.length !== own.length || want.some((at, i) => at !== o.strokes[i].at) || !last.ended || own.some((w) => w.human)) {
        faults.push(`a read that nobody sent: ${JSON.stringify(o.text)}`);
      }
      if (want.join() !== last.strokes.join()) tally.joined++;
      else {
        tally.exact++;
        last.exact = true;
      }
    }
    if (k?.spelled && !step.take) got.push("\x1d"); // the number typed it into the page
    if (!k || step.take || k.up || k.mute) return;
    const w = owner.get(k.at);
    if (w) got.push(w.text);
    if (k.send?.opened) faults.push(`the rest of a cut read leaked: ${JSON.stringify(k.key)}`);
    tally.untouched++;
  };

  const press = (k) => {
    // A timer may fire in a long rest, or the page was busy and it comes too late.
    for (let at = now; framing.waiting && k.at - at > framing.patience + 150 && chance(0.7); ) {
      at += framing.patience + 150;
      settle(framing.quiet());
    }
    now = k.at;
    settle(framing.press({ type: k.up ? "keyup" : "keydown", key: k.key, code: k.code ?? "", timeStamp: k.at, ctrl: k.ctrl, alt: k.alt, repeat: k.repeat, editable: k.editable }), k);
    if (!k.up && !k.mute && !k.repeat) settle(framing.press({ type: "keyup", key: k.key, code: k.code ?? "", timeStamp: k.at, editable: k.editable }), { up: true });
  };

  const person = (editable, clean) => {
    tally.humans++;
    now += 6000;
    for (const c of pick(["a[1] = 2", "see ] there", "5 tubes, 2 clotted]", "]", "]]", "[x]", "]d", "he said ]. ok"])) {
      now += 120 + upTo(300);
      const at = now + serial++ / 1e6;
      owner.set(at, { human: true, clean, text: c });
      sent.push(c);
      press({ key: c, at, editable });
    }
  };

  for (let n = 0; n < count; n++) {
    if (chance(0.05)) person(true, true);
    const editable = chance(0.5);
    const pause = chance(0.2) ? upTo(LIMIT_MS) : LIMIT_MS + 1 + upTo(6000);
    const rested = pause > LIMIT_MS;
    const send = { strokes: [], ended: !chance(0.12), next: null, exact: false };
    if (sends.length) sends[sends.length - 1].next = send;
    sends = [send];
    const text = [...pick(IDS)];
    for (let i = 1 + upTo(40); i > 0; i--) text.push(...(chance(0.06) ? ["GS"] : [...pick(CHARS)]));
    const stall = chance(0.2) ? upTo(text.length + 1) : -1;
    const spoil = chance(0.04) ? 3 + upTo(Math.max(1, text.length - 3)) : -1;
    const doubled = chance(0.03) ? 3 + upTo(Math.max(1, text.length - 3)) : -1;
    const clean = stall <= 0 && spoil < 0 && doubled < 0 && send.ended && (rested || trusting);
    let key = 0;
    const rest = () => {
      const stalled = key === stall && key > 0;
      now = Math.ceil(now) + (key === 0 ? pause : stalled ? LIMIT_MS + 2 + upTo(3800) : chance(0.05) ? upTo(LIMIT_MS - 20) : 1 + upTo(25));
      key++;
      return now + (serial = (serial + 1) % 1000) / 1e4;
    };
    for (const c of text) {
      const i = key;
      const at = rest();
      const strokes = c === "GS" ? pick(SPELLINGS)(at) : [{ key: c, at }];
      const value = c === "GS" ? "\x1d" : c;
      owner.set(at, { send, place: i, text: value });
      send.strokes.push(at);
      sent.push(value);
      for (const k of strokes) press({ ...k, send, editable });
      if (i === spoil) {
        const odd = at + 0.00003;
        owner.set(odd, { send, place: -1, text: "" });
        press({ key: pick(["F9", "Dead", "ArrowLeft", "Unidentified"]), at: odd, editable });
      }
      if (i === doubled) {
        const again = at + 0.00005;
        owner.set(again, { send, place: -1, text: value });
        sent.push(value);
        press({ key: value, at: again, repeat: true, editable });
      }
    }
    const at = rest();
    if (send.ended) press({ key: pick(["Enter", "Enter", "Tab"]), at, send, editable });
    now = Math.ceil(now);
    if (clean) {
      tally.clean++;
      if (!send.exact) faults.push(`a whole read was not given: ${JSON.stringify(text.join(""))}, editable ${editable}, rested ${rested}`);
    }
    if (!clean && send.exact && (spoil >= 0 || doubled >= 0 || stall > 0)) faults.push(`a damaged read was taken: ${JSON.stringify(text.join(""))}`);
    trusting = clean;
    if (owner.size > 4000) for (const k of [...owner.keys()].slice(0, 3000)) owner.delete(k);
    if (faults.length > 5) break;
  }
  now += 10000;
  while (framing.waiting) settle(framing.quiet());
  const a = sent.join(""), b = got.join("");
  if (a !== b) {
    let i = 0;
    while (a[i] === b[i]) i++;
    faults.push(`what was typed is lost or doubled at ${i}: sent ${JSON.stringify(a.slice(Math.max(0, i - 30), i + 30))}, got ${JSON.stringify(b.slice(Math.max(0, i - 30), i + 30))}`);
  }
  return { faults, ...tally };
}
