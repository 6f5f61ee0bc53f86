/* What every page of the phone does: speak its language, tell of signal, keep itself for a basement, forget at log-out. */
import { entries, photos } from "./store.js";

const box = document.getElementById("words");
const words = box ? JSON.parse(box.textContent) : {};

/* say("{number} is kept", { number: "W7" }) */
export const say = (text, values = {}) => (words[text] ?? text).replace(/\{(\w+)\}/g, (_, name) => values[name] ?? "");

/* The same for a counted thing: the first text for one, the second for any other number. */
export const sayMany = (n, one, many, values = {}) => say(n === 1 ? one : many, { n, ...values });

const WORKER = "/phone/sw.js";

export async function keepOffline(urls) {
  if (!("serviceWorker" in navigator)) return;
  try {
    await navigator.serviceWorker.register(WORKER, { scope: "/phone/" });
    const ready = await navigator.serviceWorker.ready;
    ready.active?.postMessage({ type: "keep", urls });
  } catch {
    // Without a worker the pages still work where there is signal.
  }
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
      const left = (await entries().catch(() => [])).filter((entry) => entry.person === person).length;
      const pictures = (await photos().catch(() => [])).filter((photo) => photo.person === person).length;
      const asks = say("{closed} and {taken} are still on this phone. They stay here and are sent when you log in again. Log out?", {
        closed: sayMany(left, "{n} close-out", "{n} close-outs"),
        taken: sayMany(pictures, "{n} photo", "{n} photos"),
      });
      if ((left || pictures) && !window.confirm(asks)) return;
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
