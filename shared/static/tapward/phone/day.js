/* The day: what waits on this phone, sending it, and keeping the pages for a basement. */
import { forgetOthers, guardLogOut, keepOffline, say, tellSignal } from "./phone.js";
import { addressOf, sendAll, sendPhotos } from "./queue.js";
import { dropEntry, dropPhoto, entries, photos } from "./store.js";

const day = document.getElementById("day");
const EVERY_MS = 30000;
if (day) begin();

async function begin() {
  const { person, send } = day.dataset;
  tellSignal(document.getElementById("signal"), day.dataset.made);
  guardLogOut(person);
  await forgetOthers(person);
  repeatSaid();
  await show();
  const links = [...day.querySelectorAll("a[data-keep]")].map((link) => link.getAttribute("href"));
  keepOffline([location.pathname, "/phone/day/", ...links]);
  const again = async () => {
    const isMine = (one) => one.person === person && one.state === "waiting";
    const kept = [...(await entries().catch(() => [])), ...(await photos().catch(() => []))];
    if (!kept.some(isMine)) return;
    const results = [...(await sendAll(person, send)).values()];
    await show();
    const arrived = await sendPhotos(person);
    await show();
    if ((arrived || results.some((result) => result.state === "sent")) && navigator.onLine) location.reload();
  };
  document.getElementById("send-now").addEventListener("click", again);
  window.addEventListener("online", again);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && again());
  setInterval(again, EVERY_MS);
  again();
}

function repeatSaid() {
  const said = sessionStorage.getItem("tapward-said");
  if (!said) return;
  sessionStorage.removeItem("tapward-said");
  const notice = Object.assign(document.createElement("p"), { className: "notice good", textContent: said });
  notice.setAttribute("role", "status");
  day.prepend(notice);
}

async function show() {
  const all = await entries().catch(() => []);
  const pictures = (await photos().catch(() => [])).filter((photo) => photo.state !== "draft");
  const box = document.getElementById("waiting");
  box.hidden = !all.length && !pictures.length;
  document.getElementById("waiting-rows").replaceChildren(...all.map(row), ...pictures.map(photoRow));
  for (const entry of all) {
    for (const order of (entry.fields.orders || entry.order).split(",")) {
      const place = day.querySelector(`li[data-order="${CSS.escape(order)}"]`);
      if (!place || place.querySelector(".on-phone")) continue;
      place.append(Object.assign(document.createElement("p"), { className: "on-phone small", textContent: entry.state === "look" ? say("On this phone: somebody must look") : say("Closed on this phone, not sent yet") }));
    }
  }
}

function photoRow(photo) {
  const item = titled(photo.number, say("Photo"));
  const isOther = photo.person !== day.dataset.person;
  const words = isOther ? say("Taken by somebody else; it is sent when that person logs in on this phone.") : photo.message || say("Waiting to be sent.");
  item.append(Object.assign(document.createElement("p"), { className: photo.state === "look" ? "problem" : "small", textContent: words }));
  if (isOther || photo.state !== "look") return item;
  const actions = Object.assign(document.createElement("p"), { className: "actions" });
  actions.append(throwAway(say("Throw away this photo of {number}?", { number: photo.number }), () => dropPhoto(photo.client_id)));
  item.append(actions);
  return item;
}

function titled(number, title) {
  const item = document.createElement("li");
  const line = Object.assign(document.createElement("div"), { className: "line" });
  line.append(Object.assign(document.createElement("strong"), { textContent: number }), Object.assign(document.createElement("span"), { textContent: title }));
  item.append(line);
  return item;
}

function throwAway(asks, drop) {
  const away = Object.assign(document.createElement("button"), { className: "button risky", type: "button", textContent: say("Throw away") });
  away.addEventListener("click", async () => {
    if (!window.confirm(asks)) return;
    await drop();
    await show();
  });
  return away;
}

function row(entry) {
  const item = titled(entry.number, entry.title);
  const isOther = entry.person !== day.dataset.person;
  const words = isOther ? say("Typed by somebody else; it is sent when that person logs in on this phone.") : entry.message || say("Waiting to be sent.");
  item.append(Object.assign(document.createElement("p"), { className: entry.state === "look" ? "problem" : "small", textContent: words }));
  if (isOther) return item;
  const actions = Object.assign(document.createElement("p"), { className: "actions" });
  actions.append(Object.assign(document.createElement("a"), { className: "button", textContent: say("Open"), href: addressOf(entry.order) }));
  if (entry.needs_log_in) actions.append(Object.assign(document.createElement("a"), { className: "button main", textContent: say("Log in"), href: `${day.dataset.logIn}?next=${encodeURIComponent(location.pathname)}` }));
  if (entry.state === "look") actions.append(throwAway(say("Throw away what you typed for {number}, and its photos? Only do this when the office has it or it is wrong.", { number: entry.number }), () => dropEntry(entry.client_id)));
  item.append(actions);
  return item;
}
