/* The day: what waits on this phone, sending it, and keeping the pages for a basement. */
import { countKept, forgetOthers, guardLogOut, hearOffice, keepOffline, say, sayMany, tellSignal } from "./phone.js";
import { addressOf, sendAll, sendPhotos, sendReports } from "./queue.js";
import { dropEntry, dropPhoto, dropReport, entries, photos, reports } from "./store.js";

const day = document.getElementById("day");
const EVERY_MS = 30000;
let wanted = [];
if (day) begin();

async function begin() {
  const { person, send } = day.dataset;
  tellSignal(document.getElementById("signal"), day.dataset.made);
  guardLogOut(person);
  await forgetOthers(person);
  repeatSaid();
  await show();
  const links = [...day.querySelectorAll("a[data-keep]")].map((link) => link.getAttribute("href"));
  const also = [...document.querySelectorAll(".rail a")].map((link) => link.getAttribute("href")).filter((href) => ["/guide/", "/stock/"].includes(href));
  wanted = [...new Set([location.pathname, "/phone/day/", ...links, ...also])];
  keepOffline(wanted, tellKept);
  tellKept();
  hearOffice();
  const again = async () => {
    const isMine = (one) => one.person === person && one.state === "waiting";
    const kept = (await all()).flat();
    if (!kept.some(isMine)) return;
    const found = await sendReports(person);
    const results = [...(await sendAll(person, send)).values()];
    await show();
    const arrived = await sendPhotos(person);
    await show();
    if ((found || arrived || results.some((result) => result.state === "sent")) && navigator.onLine) location.reload();
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

/* What the phone holds: close-outs, photos, and what was found beside the work. */
const all = () => Promise.all([entries, photos, reports].map((kept) => kept().catch(() => [])));

/* How much of the day opens without signal, and what is still to be sent. */
async function tellKept() {
  const place = document.getElementById("kept-told");
  const kept = await countKept(wanted).catch(() => 0);
  const toSend = (await all()).flat().filter((one) => one.person === day.dataset.person && one.state !== "draft").length;
  place.textContent = say("{kept} of {all} pages kept for no signal, {left} to send.", { kept, all: wanted.length, left: toSend });
  place.hidden = !wanted.length;
}

async function show() {
  const [sheets, taken, found] = await all();
  const pictures = taken.filter((photo) => photo.state !== "draft");
  const rows = [...sheets.map((entry) => [entry, row]), ...found.map((report) => [report, reportRow]), ...pictures.map((photo) => [photo, photoRow])];
  const own = rows.filter(([one]) => one.person === day.dataset.person);
  const others = rows.length - own.length;
  document.getElementById("waiting").hidden = !rows.length;
  document.getElementById("waiting-rows").replaceChildren(...own.map(([one, made]) => made(one)), ...(others ? [otherRow(others)] : []));
  tellKept();
  for (const entry of sheets.filter((one) => one.person === day.dataset.person)) {
    for (const order of (entry.fields.orders || entry.order).split(",")) {
      const place = day.querySelector(`li[data-order="${CSS.escape(order)}"]`);
      if (!place || place.querySelector(".on-phone")) continue;
      place.append(Object.assign(document.createElement("p"), { className: "on-phone small", textContent: entry.state === "look" ? say("On this phone: somebody must look") : say("Closed on this phone, not sent yet") }));
    }
  }
}

/* Of what another person left on a shared phone nothing is shown but that it waits. */
function otherRow(count) {
  const words = sayMany(count, "{n} thing of somebody else; it is sent when that person logs in on this phone.", "{n} things of somebody else; they are sent when that person logs in on this phone.");
  return Object.assign(document.createElement("li"), { className: "small", textContent: words });
}

function photoRow(photo) {
  return waitingRow(photo, photo.number, say("Photo"), say("Throw away this photo of {number}?", { number: photo.number }), () => dropPhoto(photo.client_id));
}

function reportRow(report) {
  return waitingRow(report, report.number, report.title, say("Throw away “{what}”? The office has not heard of it.", { what: report.number }), () => dropReport(report.client_id));
}

function waitingRow(one, number, title, asks, drop) {
  const item = titled(number, title);
  item.append(Object.assign(document.createElement("p"), { className: one.state === "look" ? "problem" : "small", textContent: one.message || say("Waiting to be sent.") }));
  if (one.state !== "look") return item;
  const actions = Object.assign(document.createElement("p"), { className: "actions" });
  actions.append(throwAway(asks, drop));
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
  const words = entry.message || say("Waiting to be sent.");
  item.append(Object.assign(document.createElement("p"), { className: entry.state === "look" ? "problem" : "small", textContent: words }));
  const actions = Object.assign(document.createElement("p"), { className: "actions" });
  actions.append(Object.assign(document.createElement("a"), { className: "button", textContent: say("Open"), href: addressOf(entry.order) }));
  if (entry.needs_log_in) actions.append(Object.assign(document.createElement("a"), { className: "button main", textContent: say("Log in"), href: `${day.dataset.logIn}?next=${encodeURIComponent(location.pathname)}` }));
  if (entry.state === "look") actions.append(throwAway(say("Throw away what you typed for {number}, and its photos? Only do this when the office has it or it is wrong.", { number: entry.number }), () => dropEntry(entry.client_id)));
  item.append(actions);
  return item;
}
