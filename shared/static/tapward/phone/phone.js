/* What every page of the phone does: speak its language, tell of signal, keep itself for a basement, forget at log-out. */
import { entries, photos, reports } from "./store.js";

const box = document.getElementById("words");
const words = box ? JSON.parse(box.textContent) : {};

/* say("{number} is kept", { number: "W7" }) */
export const say = (text, values = {}) => (words[text] ?? text).replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");

/* The same for a counted thing: the first text for one, the second for any other number. */
export const sayMany = (n, one, many, values = {}) => say(n === 1 ? one : many, { n, ...values });

const WORKER = "/phone/sw.js";
const HEAR_MS = 30000;

/* Has the pages kept, and calls back whenever one more is. */
export async function keepOffline(urls, kept = () => {}) {
  if (!("serviceWorker" in navigator)) return;
  try {
    navigator.serviceWorker.addEventListener("message", (event) => event.data?.type === "kept" && kept());
    // Also the guide and the parts, which lie outside the phone's own folder.
    await navigator.serviceWorker.register(WORKER, { scope: "/" });
    const ready = await navigator.serviceWorker.ready;
    ready.active?.postMessage({ type: "keep", urls });
  } catch {
    // Without a worker the pages still work where there is signal.
  }
}

/* How many of these pages open without signal. */
export async function countKept(urls) {
  if (!("caches" in window)) return 0;
  const pages = await caches.open("tapward-pages");
  const found = await Promise.all(urls.map((url) => pages.match(url)));
  return found.filter(Boolean).length;
}

/* What the office has said since; asked at once where there is signal again, or when the page is looked at. */
export function hearOffice() {
  const place = document.getElementById("office-answers");
  if (!place) return;
  const hear = async () => {
    const answer = await fetch(place.dataset.from, { credentials: "same-origin", redirect: "manual" }).catch(() => null);
    if (!answer?.ok) return;
    const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").body;
    if (fresh.textContent !== place.textContent) place.replaceChildren(...fresh.childNodes);
  };
  const look = () => document.visibilityState === "visible" && hear();
  window.addEventListener("online", hear);
  document.addEventListener("visibilitychange", look);
  setInterval(look, HEAR_MS);
}

export async function forgetOthers(person) {
  const before = localStorage.getItem("tapward-person");
  localStorage.setItem("tapward-person", person);
  if (before && before !== person && "caches" in window) await caches.delete("tapward-pages");
}

export function guardLogOut(person) {
  for (const form of document.querySelectorAll('form[action*="log-out"]')) {
    form.addEventListener("submit", async (event) => {
      if (form.dataset.sure) return;
      event.preventDefault();
      const kept = await Promise.all([entries, photos, reports].map((rows) => rows().catch(() => [])));
      const left = kept.flat().filter((one) => one.person === person).length;
      const asks = sayMany(left, "{n} thing is still on this phone. It stays here and is sent when you log in again. Log out?", "{n} things are still on this phone. They stay here and are sent when you log in again. Log out?");
      if (left && !window.confirm(asks)) return;
      if ("caches" in window) await caches.delete("tapward-pages");
      form.dataset.sure = "1";
      form.requestSubmit();
    });
  }
}

export function tellSignal(place, madeAt) {
  const show = () => {
    place.hidden = navigator.onLine;
    const at = new Date(madeAt).toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
    place.textContent = say("No signal. This is the page as loaded at {at}. What you enter is kept on this phone and sent later.", { at });
  };
  window.addEventListener("online", show);
  window.addEventListener("offline", show);
  show();
}
