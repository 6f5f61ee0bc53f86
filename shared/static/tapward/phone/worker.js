/* The phone's worker: its own files first from the phone, pages first from the server. */
"use strict";
const { version, start, shell, words } = self.TAPWARD;
const FILES = `tapward-files-${version}`;
const PAGES = "tapward-pages";
const PATIENCE_MS = 6000;
// Outside the phone’s own folder, for whoever keeps a day here.
const ALSO = ["/guide/", "/stock/"];

self.addEventListener("install", (event) => {
  event.waitUntil(
    caches.open(FILES).then((cache) => cache.addAll(shell.map((url) => new Request(url, { cache: "reload" })))).then(() => self.skipWaiting()),
  );
});

self.addEventListener("activate", (event) => {
  event.waitUntil(
    caches.keys()
      .then((names) => Promise.all(names.filter((name) => name.startsWith("tapward-files-") && name !== FILES).map((name) => caches.delete(name))))
      .then(() => self.clients.claim()),
  );
});

self.addEventListener("message", (event) => {
  if (event.data?.type === "keep") event.waitUntil(keep(event.data.urls ?? []));
});

self.addEventListener("fetch", (event) => {
  const url = new URL(event.request.url);
  if (url.origin !== self.location.origin) return;
  if (event.request.method === "POST" && event.request.mode === "navigate" && isPage(url)) event.respondWith(sentOrHeld(event.request));
  if (event.request.method !== "GET") return;
  if (shell.includes(url.pathname)) event.respondWith(fromPhone(event.request));
  else if (event.request.mode === "navigate" && isPage(url)) event.respondWith(fromServer(event.request));
});

const isPage = (url) => ["/phone/day/", "/phone/visit/", "/phone/close-out/"].some((start) => url.pathname.startsWith(start)) || ALSO.includes(url.pathname);
const isWhole = (answer) => answer.ok && !answer.redirected && (answer.headers.get("Content-Type") ?? "").includes("text/html");

async function keep(urls) {
  const pages = await caches.open(PAGES);
  for (const path of urls) {
    const url = new URL(path, self.location.origin);
    if (url.origin !== self.location.origin || !isPage(url)) continue;
    try {
      const answer = await fetch(url.pathname, { credentials: "same-origin", redirect: "manual" });
      if (!isWhole(answer)) continue;
      await pages.put(url.pathname, answer);
      for (const page of await self.clients.matchAll({ type: "window", includeUncontrolled: true })) page.postMessage({ type: "kept" });
    } catch {
      return;
    }
  }
}

async function fromPhone(request) {
  const kept = await (await caches.open(FILES)).match(new URL(request.url).pathname);
  return kept ?? fetch(request);
}

async function fromServer(request) {
  const path = new URL(request.url).pathname;
  const pages = await caches.open(PAGES);
  const kept = await pages.match(path);
  const asked = fetch(request).then(async (answer) => {
    // Sent to the log-in: whoever this was is gone, and so are their pages.
    if (answer.type === "opaqueredirect") await caches.delete(PAGES);
    else if (isWhole(answer) && (kept || !ALSO.includes(path))) await pages.put(path, answer.clone());
    return answer;
  });
  try {
    if (!kept) return await asked;
    const late = new Promise((resolve) => setTimeout(() => resolve(kept), PATIENCE_MS));
    return await Promise.race([asked, late]);
  } catch {
    return kept ?? (path.startsWith(start) ? await pages.match(start) : null) ?? nothingKept();
  }
}

/* A form sent without signal, where the page's own script could keep nothing, comes back with all that was typed. */
async function sentOrHeld(request) {
  const body = await request.blob();
  const headers = { "Content-Type": request.headers.get("Content-Type") };
  try {
    return await fetch(request.url, { method: "POST", body, headers, credentials: "same-origin", redirect: "manual" });
  } catch {
    return held(new URL(request.url).pathname, await new Response(body, { headers }).formData());
  }
}

function held(path, typed) {
  const safe = (text) => text.replace(/[&<>"]/g, (one) => `&#${one.charCodeAt(0)};`);
  const fields = [...typed].filter(([, value]) => typeof value === "string");
  const kept = fields.map(([name, value]) => `<textarea name="${safe(name)}" hidden>\n${safe(value)}</textarea>`).join("");
  const photos = [...typed].some(([, value]) => typeof value !== "string" && value.size) ? `<p>${words.photos}</p>` : "";
  const text = `<!doctype html><html lang=${words.lang}><meta charset=utf-8><meta name=viewport content='width=device-width'><title>${words.notSent}</title><h1>${words.nothingSent}</h1><p>${words.stands}</p>${photos}<form method=post enctype=multipart/form-data action="${safe(path)}">${kept}<button>${words.sendNow}</button></form>`;
  return new Response(text, { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
}

function nothingKept() {
  const text = `<!doctype html><html lang=${words.lang}><meta charset=utf-8><meta name=viewport content='width=device-width'><title>${words.noSignal}</title><h1>${words.noSignal}</h1><p>${words.notHere}</p><p><a href="${start}">${words.day}</a></p>`;
  return new Response(text, { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
}
