/* The phone's worker: its own files first from the phone, pages first from the server. */
"use strict";
const { version, start, shell } = self.TAPWARD;
const FILES = `tapward-files-${version}`;
const PAGES = "tapward-pages";
const PATIENCE_MS = 6000;

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
  if (event.request.method !== "GET" || url.origin !== self.location.origin) return;
  if (shell.includes(url.pathname)) event.respondWith(fromPhone(event.request));
  else if (event.request.mode === "navigate" && isPage(url)) event.respondWith(fromServer(event.request));
});

const isPage = (url) => url.pathname.startsWith("/phone/day/") || url.pathname.startsWith("/phone/close-out/");
const isWhole = (answer) => answer.ok && !answer.redirected && (answer.headers.get("Content-Type") ?? "").includes("text/html");

async function keep(urls) {
  const pages = await caches.open(PAGES);
  for (const path of urls) {
    const url = new URL(path, self.location.origin);
    if (url.origin !== self.location.origin || !isPage(url)) continue;
    try {
      const answer = await fetch(url.pathname, { credentials: "same-origin", redirect: "manual" });
      if (isWhole(answer)) await pages.put(url.pathname, answer);
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
    else if (isWhole(answer)) await pages.put(path, answer.clone());
    return answer;
  });
  try {
    if (!kept) return await asked;
    const late = new Promise((resolve) => setTimeout(() => resolve(kept), PATIENCE_MS));
    return await Promise.race([asked, late]);
  } catch {
    return kept ?? (await pages.match(start)) ?? nothingKept();
  }
}

function nothingKept() {
  const text = "<!doctype html><html lang=en><meta name=viewport content='width=device-width'><title>No signal</title><h1>No signal</h1><p>This page is not on the phone yet. Open your day once where there is signal; after that it opens anywhere.</p>";
  return new Response(text, { status: 503, headers: { "Content-Type": "text/html; charset=utf-8" } });
}
