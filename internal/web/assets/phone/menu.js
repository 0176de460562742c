// @ts-check
// What stands behind the menu of the line at the top.
import { clockTime, closed, lang, setLang, t } from "./words.js";
import { clockWords, make, takeVersion } from "./bar.js";
import { base } from "./store.js";

/** @typedef {import("./bar.js").Phone} Phone */

/** @param {string} text @param {() => unknown} does @param {string} [kind] */
function key(text, does, kind = "") {
  const b = make("button", { type: "button", class: kind }, text);
  b.addEventListener("click", () => does());
  return b;
}

/** @param {Phone} phone @param {import("./store.js").Aside} item @param {() => void} again */
async function asideItem({ outbox }, item, again) {
  const scan = await outbox.read(item).catch(() => undefined);
  const what = [scan && closed("step", scan.step), scan?.label?.text, scan?.carrier].filter(Boolean).join(" · ");
  const why = item.why === "unreadable" ? t("shell.aside-unreadable") : item.why === "id-conflict" ? t("shell.aside-conflict") : closed("refusal", item.why);
  const li = make("li", {}, make("strong", {}, `${clockTime(item.at)} ${what}`), make("span", {}, why));
  // The server speaks English.
  if (item.say && lang === "en") li.append(make("span", { class: "small" }, item.say.length > 200 ? item.say.slice(0, 200) + " …" : item.say));
  li.append(key(t("shell.aside-seen"), async () => {
    await outbox.dismiss(item.id);
    again();
  }));
  return li;
}

/**
 * Fills the panel.
 * @param {HTMLElement} panel
 * @param {Phone} phone
 * @param {() => void} close
 */
export async function fill(panel, phone, close) {
  const { outbox, session } = phone;
  const again = () => fill(panel, phone, close);
  /** @type {Node[]} */
  const list = [];
  if (outbox.aside.length > 0) {
    list.push(make("h2", {}, t("shell.aside-title")), make("p", {}, t("shell.aside-why")), make("ul", { class: "bar-aside" }, ...(await Promise.all(outbox.aside.map((i) => asideItem(phone, i, again))))));
  }
  if (outbox.waiting > 0) list.push(make("p", {}, t("shell.waiting-stays")), key(t("shell.send-now"), async () => (await outbox.flush(), again())));
  if (clockWords().off) list.push(make("p", {}, t("shell.clock-why")));
  if (!outbox.lasting) list.push(make("p", {}, t("shell.not-lasting")));
  if (phone.fresh) list.push(key(t("shell.load-version"), () => takeVersion(phone)));
  const other = lang === "de" ? "en" : "de";
  list.push(key(t("shell.other-language"), async () => {
    await setLang(other);
    dispatchEvent(new Event("words"));
    await again();
  }));
  if (session.by) {
    list.push(key(t("shell.other-place"), async () => {
      await session.at("");
      location.reload();
    }));
    if (session.me.kind === "nobody") {
      const to = new URL("sign-in", base);
      to.searchParams.set("next", location.pathname);
      list.push(make("a", { class: "way", href: to.href }, t("shell.sign-in")));
    }
    list.push(key(t(outbox.waiting > 0 ? "shell.sign-off-waiting" : "shell.sign-off", { n: outbox.waiting }), async () => {
      // What can still be sent is, but nobody is kept waiting for a network.
      await Promise.race([outbox.flush().then(() => outbox.tell()), new Promise((done) => setTimeout(done, 4000))]);
      await session.signOff();
      location.reload();
    }));
  }
  const home = make("a", { class: "way", href: base.href }, t("shell.other-pages"));
  panel.replaceChildren(...list, home, key(t("shell.close"), close));
}
