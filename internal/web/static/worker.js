// Keeps the last state and the pick list for where the daemon is out of reach.
// While it answers, its answer is shown: only files with a checksum in their
// address, which never change, come from here first. The daemon says which pages
// may be kept, and whose they are; they are dropped when another logs in, when
// somebody logs out, and when the daemon asks who is there.
//
// The line above this, which the daemon writes, defines kit: the version, the
// files every page needs, and the pages that are kept.
const files = "files-" + kit.version, pages = "pages";

self.addEventListener("install", (event) => event.waitUntil((async () => {
  await (await caches.open(files)).addAll(kit.files);
  await self.skipWaiting();
})()));

self.addEventListener("activate", (event) => event.waitUntil((async () => {
  for (const name of await caches.keys()) if (name !== files && name !== pages) await caches.delete(name);
  await self.clients.claim();
})()));

let era = 0; // counts how often all was dropped
const forget = () => { era++; return caches.delete(pages); };
const ageOf = (old) => Date.now() - Date.parse(old.headers.get("Dryhold-Kept"));

// keep stores a page that may be kept, after dropping what is another's. What
// was asked for before all was dropped is not stored any more.
const keep = async (path, answer, asked) => {
  const whose = answer.headers.get("Dryhold-Keep"), text = await answer.text();
  if (whose === null || answer.status !== 200 || asked !== era) return;
  let cache = await caches.open(pages);
  if ((await cache.matchAll()).some((old) => old.headers.get("Dryhold-Keep") !== whose)) {
    await forget();
    asked = era;
    cache = await caches.open(pages);
  }
  const headers = new Headers(answer.headers);
  headers.set("Dryhold-Kept", new Date().toISOString());
  headers.delete("Content-Encoding");
  headers.delete("Content-Length");
  if (asked === era) await cache.put(path, new Response(text, { headers }));
};

// others keeps the other pages beside one that was opened, so that the pick list
// is there though nobody looked at it; now and then, since each costs work.
const others = async (opened) => {
  const cache = await caches.open(pages);
  for (const path of kit.pages) {
    const old = await cache.match(path), asked = era;
    if (path === opened || old && ageOf(old) < 600000) continue;
    try { await keep(path, await fetch(path, { headers: { Accept: "text/html" }, redirect: "manual" }), asked); } catch { return; }
  }
};

// kept is a page from the last time it was there, which says so.
const kept = async (path) => {
  const cache = await caches.open(pages);
  const old = await cache.match(path);
  if (!old) return await cache.match("/offline") || Response.error();
  const text = (await old.text()).replace("<html ", `<html data-kept="${old.headers.get("Dryhold-Kept")}" `);
  return new Response(text, { headers: old.headers });
};

const page = async (event, path) => {
  const asked = era;
  let answer;
  try {
    answer = await fetch(event.request);
  } catch (failed) {
    if (event.request.mode !== "navigate") throw failed;
    return kept(path);
  }
  if (kit.pages.includes(path)) {
    if (answer.type === "opaqueredirect" || answer.redirected) event.waitUntil(forget()); // it asks who is there
    else if (answer.ok && !new URL(event.request.url).search) {
      const copy = answer.clone();
      event.waitUntil((async () => {
        const old = await (await caches.open(pages)).match(path);
        if (old && event.request.mode !== "navigate" && ageOf(old) < 30000) return; // a page that is open asks often
        await keep(path, copy, asked);
        await others(path);
      })());
    }
  }
  return answer;
};

const file = async (request) => {
  const hit = await caches.match(request);
  if (hit) return hit;
  const answer = await fetch(request);
  if (answer.ok && (answer.headers.get("Cache-Control") || "").includes("immutable")) await (await caches.open(files)).put(request, answer.clone());
  return answer;
};

self.addEventListener("fetch", (event) => {
  const request = event.request, url = new URL(request.url);
  if (url.origin !== location.origin) return;
  if (request.method !== "GET") {
    if (url.pathname === "/logout" || url.pathname === "/login") event.waitUntil(forget());
    return;
  }
  if (url.pathname.startsWith("/static/")) event.respondWith(file(request));
  else if (request.mode === "navigate" || kit.pages.includes(url.pathname) && (request.headers.get("Accept") || "").includes("text/html")) event.respondWith(page(event, url.pathname));
});
