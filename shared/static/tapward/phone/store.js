/* What the phone keeps: entries as they are typed (drafts), and what waits to be sent (queue). */
const NAME = "tapward-phone";
const VERSION = 3;

let opened = null;

function open() {
  opened ??= new Promise((resolve, reject) => {
    const asked = indexedDB.open(NAME, VERSION);
    asked.onupgradeneeded = () => {
      const make = (name, keyPath) => asked.result.objectStoreNames.contains(name) || asked.result.createObjectStore(name, { keyPath });
      make("drafts", "key");
      make("queue", "client_id");
      make("photos", "client_id");
      make("reports", "client_id");
    };
    asked.onsuccess = () => {
      asked.result.onversionchange = () => asked.result.close();
      resolve(asked.result);
    };
    asked.onerror = () => reject(asked.error);
  });
  return opened;
}

async function inStore(name, mode, work) {
  const base = await open();
  return new Promise((resolve, reject) => {
    const deal = base.transaction(name, mode, { durability: "strict" });
    const asked = work(deal.objectStore(name));
    deal.oncomplete = () => resolve(asked?.result);
    deal.onerror = () => reject(deal.error);
    deal.onabort = () => reject(deal.error);
  });
}

const keyOf = (person, order) => `${person}:${order}`;

export const saveDraft = (person, order, fields) =>
  inStore("drafts", "readwrite", (store) => store.put({ key: keyOf(person, order), fields, at: new Date().toISOString() }));
export const readDraft = (person, order) => inStore("drafts", "readonly", (store) => store.get(keyOf(person, order)));
export const dropDraft = (person, order) => inStore("drafts", "readwrite", (store) => store.delete(keyOf(person, order)));

export const putEntry = (entry) => inStore("queue", "readwrite", (store) => store.put(entry));

/* Photos carry the number of the close-out they belong to; they may go once the server has taken that. */
export const putPhoto = (photo) => inStore("photos", "readwrite", (store) => store.put(photo));
export const dropPhoto = (clientId) => inStore("photos", "readwrite", (store) => store.delete(clientId));
export async function photos() {
  const all = await inStore("photos", "readonly", (store) => store.getAll());
  return all.sort((one, other) => one.taken_at.localeCompare(other.taken_at));
}

/* What was found beside the work goes to the office by itself, whatever becomes of the visit. */
export const putReport = (report) => inStore("reports", "readwrite", (store) => store.put(report));
export const dropReport = (clientId) => inStore("reports", "readwrite", (store) => store.delete(clientId));
export async function reports() {
  const all = await inStore("reports", "readonly", (store) => store.getAll());
  return all.sort((one, other) => one.found_at.localeCompare(other.found_at));
}

/* The entry goes and its photos are freed, or thrown away with it, in one step. */
export const acceptEntry = (clientId) => endEntry(clientId, (cursor) => cursor.update({ ...cursor.value, state: "waiting" }));
export const dropEntry = (clientId) => endEntry(clientId, (cursor) => cursor.delete());

async function endEntry(clientId, each) {
  const base = await open();
  return new Promise((resolve, reject) => {
    const deal = base.transaction(["queue", "photos"], "readwrite", { durability: "strict" });
    deal.objectStore("queue").delete(clientId);
    deal.objectStore("photos").openCursor().onsuccess = (event) => {
      const cursor = event.target.result;
      if (!cursor) return;
      if (cursor.value.close_out === clientId) each(cursor);
      cursor.continue();
    };
    deal.oncomplete = () => resolve();
    deal.onerror = () => reject(deal.error);
    deal.onabort = () => reject(deal.error);
  });
}

/* An entry moves from draft to queue in one step, so that a flat battery leaves it in one of the two. */
export async function queueDraft(entry) {
  const base = await open();
  return new Promise((resolve, reject) => {
    const deal = base.transaction(["drafts", "queue"], "readwrite", { durability: "strict" });
    deal.objectStore("queue").put(entry);
    deal.objectStore("drafts").delete(keyOf(entry.person, entry.order));
    deal.oncomplete = () => resolve();
    deal.onerror = () => reject(deal.error);
    deal.onabort = () => reject(deal.error);
  });
}

export async function entries() {
  const all = await inStore("queue", "readonly", (store) => store.getAll());
  return all.sort((one, other) => one.made_at.localeCompare(other.made_at));
}

/* A number of its own, also where the page is not served over TLS. */
export function newId() {
  if (crypto.randomUUID) return crypto.randomUUID();
  const bytes = crypto.getRandomValues(new Uint8Array(16));
  bytes[6] = (bytes[6] & 0x0f) | 0x40;
  bytes[8] = (bytes[8] & 0x3f) | 0x80;
  const hex = [...bytes].map((byte) => byte.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}
