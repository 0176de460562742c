// @ts-check
/// <reference lib="webworker" />
// The service worker of the phone's screens. It keeps their shell by version: pages of
// one version with that version's files, never mixed. It has no data: /v1, the other
// pages and streams are not touched. The server writes SHELL before this text.

/** @typedef {{version: string, base: string, pages: string[], files: string[]}} Shell */

const worker = /** @type {ServiceWorkerGlobalScope} */ (/** @type {unknown} */ (self));
const shell = /** @type {Shell} */ (/** @type {any} */ (self).SHELL);
const prefix = `custody-shell:${shell.base}:`;
const mine = prefix + shell.version;
const assets = `${shell.base}/assets/`;

async function install() {
  const cache = await caches.open(mine);
  for (const page of shell.pages) {
    const answer = await fetch(shell.base + page, { cache: "no-store", credentials: "omit" });
    const text = await answer.clone().text();
    // Between two versions of the server, this page may be the other's.
    if (!answer.ok || !text.includes(`${assets}${shell.version}/`)) throw new Error(`${page} is not of version ${shell.version}`);
    await cache.put(shell.base + page, answer);
  }
  await cache.addAll(shell.files);
}

/** The cache before this one stays: another tab may still run its files. */
async function activate() {
  const all = (await caches.keys()).filter((name) => name.startsWith(prefix) && name !== mine);
  for (const name of all.slice(0, -1)) await caches.delete(name);
  await worker.clients.claim();
}

/** @param {Request} request @param {URL} url */
async function page(request, url) {
  const cache = await caches.open(mine);
  return (await cache.match(url.pathname, { ignoreSearch: true, ignoreVary: true })) ?? fetch(request);
}

/** A file has its version in its address. @param {Request} request */
async function file(request) {
  return (await caches.match(request, { ignoreSearch: true, ignoreVary: true })) ?? fetch(request);
}

worker.addEventListener("install", (e) => e.waitUntil(install()));
worker.addEventListener("activate", (e) => e.waitUntil(activate()));
// A new worker waits until it is asked: nobody's screen changes in the middle of a draw.
worker.addEventListener("message", (e) => {
  if (e.data === "take over") e.waitUntil(worker.skipWaiting());
});
worker.addEventListener("fetch", (e) => {
  const url = new URL(e.request.url);
  if (e.request.method !== "GET" || url.origin !== worker.location.origin) return;
  if (shell.pages.some((p) => url.pathname === shell.base + p)) e.respondWith(page(e.request, url));
  else if (url.pathname.startsWith(assets)) e.respondWith(file(e.request));
});
