/* Sends what waits, in the order it was made. Sending twice is harmless: every entry has its own number. */
import { say } from "./phone.js";
import { acceptEntry, dropPhoto, dropReport, entries, photos, putEntry, putPhoto, putReport, reports } from "./store.js";

const WAITING = "waiting";
const LOOK = "look";
const PAGE = "/phone/day/";
const MOST_BREAKS = 3;
const FRESH_TOKEN_PAUSES = [0, 500, 1500];

const cookie = (name) =>
  document.cookie.split("; ").find((one) => one.startsWith(`${name}=`))?.slice(name.length + 1) ?? "";

/* Returns what became of each entry of this person: client_id → {state, message, problems}. */
export const sendAll = (person, address) => alone(() => sendInOrder(person, address));

/* Two open pages never send the same thing at the same moment. */
const alone = (send) => (navigator.locks ? navigator.locks.request("tapward-send", send) : send());

async function sendInOrder(person, address) {
  const results = new Map();
  for (const entry of await entries()) {
    if (entry.person !== person || entry.state !== WAITING) continue;
    const result = await sendOne(entry, address);
    results.set(entry.client_id, result);
    if (result.state === "sent") await acceptEntry(entry.client_id);
    else await putEntry({ ...entry, state: result.state, message: result.message, problems: result.problems, needs_log_in: Boolean(result.needsLogIn), breaks: result.breaks ? (entry.breaks ?? 0) + 1 : entry.breaks });
    if (result.state === WAITING && !result.breaks) break;
  }
  return results;
}

const post = (address, headers, body) =>
  fetch(address, { method: "POST", credentials: "same-origin", redirect: "manual", headers: { ...headers, "X-CSRFToken": cookie("__Host-csrftoken") || cookie("csrftoken") }, body });

/* What the server broke over again and again waits for a person, so that it never holds up the others. */
const sendOne = async (entry, address) => {
  const result = await sendIt(entry, address);
  return result.breaks && (entry.breaks ?? 0) + 1 >= MOST_BREAKS ? { ...result, state: LOOK, message: say("The server can’t take this entry. It stays on the phone; tell the office.") } : result;
};

const sendIt = (entry, address) =>
  deliver(address, { "Content-Type": "application/json" }, JSON.stringify({ person: entry.person, ...placeOf(entry.order), fields: entry.fields }));

/* What is kept by a stop's number is a visit; what older pages kept by an order's is that order. */
const VISIT = "visit-";
const placeOf = (key) => (key.startsWith(VISIT) ? { visit: key.slice(VISIT.length) } : { order: key });
export const addressOf = (key) => (key.startsWith(VISIT) ? `/phone/visit/${encodeURIComponent(key.slice(VISIT.length))}/` : `/phone/close-out/${encodeURIComponent(key)}/`);

/* Returns {state, message, problems}: sent, waiting for signal or log-in, or for a person to look at. */
export async function deliver(address, headers, body) {
  let answer;
  try {
    answer = await post(address, headers, body);
    for (const pause of FRESH_TOKEN_PAUSES) {
      if (answer.status !== 403) break;
      // A page kept for days may have outlived its token; any page of the server brings a fresh one. Pages
      // fetched at the same moment bring others, so the last one is waited for.
      await fetch(PAGE, { credentials: "same-origin", redirect: "manual", cache: "no-store" });
      await new Promise((go) => setTimeout(go, pause));
      answer = await post(address, headers, body);
    }
  } catch {
    return { state: WAITING, message: say("No signal. It is sent when there is some."), problems: [] };
  }
  if (answer.type === "opaqueredirect" || answer.status === 403)
    return { state: WAITING, message: say("Log in again, then it is sent."), problems: [], needsLogIn: true };
  if (answer.status === 500)
    return { state: WAITING, breaks: true, message: say("The server has trouble. It is tried again."), problems: [] };
  if (answer.status >= 500 || answer.status === 429)
    return { state: WAITING, message: say("The server has trouble. It is tried again."), problems: [] };
  const told = await answer.json().catch(() => ({ message: say("The server’s answer was not readable."), problems: [] }));
  if (answer.ok) return { state: "sent", message: told.message, problems: [] };
  return { state: LOOK, message: [told.message, told.remedy].filter(Boolean).join(" "), problems: told.problems ?? [] };
}

/* Photos go once their close-out has arrived, what was found goes by itself; each under its own number.
   Returns true when at least one arrived. */
export const sendPhotos = (person) =>
  alone(async () => sendEach(person, await photos(), (photo) => `/phone/close-outs/${photo.close_out}/photos/`, ({ client_id, taken_at, place }) => ({ client_id, taken_at, ...place }), dropPhoto, putPhoto));
export const sendReports = (person) =>
  alone(async () => sendEach(person, await reports(), (report) => report.address, ({ client_id, found_at, fields }) => ({ ...fields, client_id, found_at }), dropReport, putReport));

async function sendEach(person, rows, addressFor, fieldsOf, drop, put) {
  let some = false;
  for (const row of rows) {
    if (row.person !== person || row.state !== WAITING) continue;
    const body = new FormData();
    for (const [name, value] of Object.entries(fieldsOf(row))) body.append(name, String(value));
    if (row.blob) body.append("photo", row.blob, "photo.jpg");
    const result = await deliver(addressFor(row), { Accept: "application/json" }, body);
    if (result.state === "sent") await drop(row.client_id);
    else await put({ ...row, state: result.state, message: result.message });
    if (result.state === WAITING && !result.breaks) break;
    some ||= result.state === "sent";
  }
  return some;
}
