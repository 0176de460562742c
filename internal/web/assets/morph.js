// @ts-check

/**
 * Makes old look like fresh and touches only what differs, so that focus, open
 * details and a reader's place stay where they are.
 * @param {Element} old
 * @param {Element} fresh
 * @param {boolean} [inside] leaves the attributes of old itself alone
 */
export function morph(old, fresh, inside = false) {
  if (!inside) attributes(old, fresh);
  const now = [...old.childNodes];
  const then = [...fresh.childNodes];
  then.forEach((b, i) => {
    const a = now[i];
    if (!a) {
      old.append(b);
    } else if (a.nodeType !== b.nodeType || a.nodeName !== b.nodeName) {
      a.replaceWith(b);
    } else if (a instanceof Element && b instanceof Element) {
      morph(a, b);
    } else if (a.nodeValue !== b.nodeValue) {
      a.nodeValue = b.nodeValue;
    }
  });
  for (const extra of now.slice(then.length)) extra.remove();
}

/** What the reader or the page itself has set stays: the server doesn't know of it. */
const kept = new Set(["open", "hidden", "aria-current"]);

/** @param {Element} old @param {Element} fresh */
function attributes(old, fresh) {
  for (const { name } of [...old.attributes]) {
    if (!fresh.hasAttribute(name) && !kept.has(name)) old.removeAttribute(name);
  }
  for (const { name, value } of [...fresh.attributes]) {
    if (!kept.has(name) && old.getAttribute(name) !== value) old.setAttribute(name, value);
  }
}
