// Plays a round through the flow, without a page: each doing is read or press, what it is
// about, and the minute of the day. Answers with what was recorded, in short.
async (at, given, by, here, doings, keep) => {
  const flow = await import(at + "phone/road-flow.js");
  const round = await import(at + "phone/road-round.js");
  const minute = (text) => Date.parse(`2026-11-24T${text}:00Z`);
  let s = { ...flow.begin(by, here), round: given };
  let now = minute("08:11");
  const scans = [], said = [];
  for (const line of doings) {
    const [what, ...args] = line.split(" ");
    if (what === "at") { now = minute(args[0]); continue; }
    if (what === "renew") { s = flow.renewed(s, given, s.deeds.map((d) => d.id)); continue; }
    if (what === "reload") { s = JSON.parse(JSON.stringify(s)); continue; }
    const [text, names] = (args[0] ?? "").split("/");
    const plan = what === "read" ? flow.read(s, flow.thingOf(s, text, names ?? "", { text, how: "reader" }), now) : flow.press(s, args[0], args[1] ?? "", now);
    const kept = keep ? plan.scans.map((scan, i) => ({ id: `id-${scans.length + i + 1}`, at: now, by: s.by, scan, sent: false })) : [];
    for (const x of plan.scans) {
      const details = Object.entries(x.details ?? {}).map(([k, v]) => `${k}=${v}`);
      scans.push([x.step, x.thing, ...["carrier", "from", "to"].filter((k) => x[k]).map((k) => `${k}=${x[k]}`), ...details, x.place && `at=${x.place}`].filter(Boolean).join(" "));
    }
    if (plan.said) said.push([plan.said.kind, plan.said.key, ...Object.values(plan.said.args ?? {})].join(" "));
    s = flow.settled(s, plan, kept, !keep && plan.scans.length > 0);
  }
  const w = round.world(s);
  return {
    scans, said, screen: s.screen, notices: s.notices.map((n) => [n.key, ...Object.values(n.args)].join(" ")), undo: s.undo.map((d) => d.id), here: s.here, leg: s.leg,
    held: round.held(w, s.by), order: round.stops(s, now).map((r) => r.stop.id), waits: Object.fromEntries(w.stops.map((p) => [p.id, round.waiting(w, p.id, s.by)])),
    dues: round.load(s, now).dues.map((d) => [d.tube.id, d.over, d.makes, d.earliest ? new Date(d.earliest).toISOString().slice(11, 16) : "-", d.arrives ? new Date(d.arrives).toISOString().slice(11, 16) : "-"].join(" ")),
    boxes: Object.fromEntries(w.boxes.map((b) => [b.id, [b.holder, b.place, b.seal, b.in].join("|")])),
    in: Object.fromEntries(w.tubes.map((t) => [t.id, t.in])),
  };
}
