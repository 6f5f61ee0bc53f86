/* The form of a visit with a memory: kept as typed, sent when there is signal, written once. */
import "./found.js";
import { flushTimer, penBox, scanButtons } from "./instruments.js";
import { liveFigures, numberOf } from "./live.js";
import { guardLogOut, keepOffline, say, sayMany, tellSignal } from "./phone.js";
import { photoBox } from "./photos.js";
import { sendAll } from "./queue.js";
import { dropDraft, entries, newId, queueDraft, readDraft, saveDraft } from "./store.js";

const form = document.getElementById("close-out");
const kept = document.getElementById("kept");
const units = form ? [...form.querySelectorAll("[data-unit]")] : [];
const openedAt = Date.now();
let photosKept = () => Promise.resolve();
if (form) begin().finally(ready);

/* Only now may the button be pressed: without this script a press in a basement would lose the report. */
function ready() {
  const button = document.getElementById("submit");
  form.addEventListener("submit", submit);
  button.textContent = button.dataset.ready;
  button.disabled = false;
  document.getElementById("not-ready").hidden = true;
}

async function begin() {
  const { person, order } = form.dataset;
  const isAnswer = document.getElementById("problems") || document.getElementById("conflict");
  form.elements.namedItem("client_id").value ||= newId();
  form.addEventListener("change", showReasons);
  for (const input of form.querySelectorAll("[data-high]")) input.addEventListener("input", () => judge(input));
  for (const unit of units) {
    flushTimer(form, unit, save);
    liveFigures(form, unit);
    allDone(unit);
  }
  scanButtons(form, save).catch(() => {});
  penBox(form, save);
  if (!isAnswer) await restore(person, order);
  photosKept = photoBox(form, person, save);
  showReasons();
  outcomes();
  cautionsOnceADay(person);
  form.querySelectorAll("[data-high]").forEach(judge);
  form.addEventListener("input", save);
  form.addEventListener("change", save);
  tellSignal(document.getElementById("signal"), form.dataset.made);
  guardLogOut(person);
  keepOffline([location.pathname, form.dataset.dayUrl]);
}

/* What became of each order shows and hides what is asked for it; what is hidden is not sent. */
function outcomes() {
  const show = () => {
    for (const unit of units) {
      const values = [...unit.querySelectorAll(".outcome")].map(outcomeOf);
      toggle(unit.querySelector(".work"), !values.every((value) => value === "not_done"));
      for (const part of unit.querySelectorAll("fieldset[data-outcome]")) toggle(part, valueOf(part.dataset.outcome) !== "not_done");
      for (const why of unit.querySelectorAll(".because fieldset")) toggle(why, valueOf(why.parentElement.dataset.outcome) === "not_done");
    }
    form.querySelector("#could-after-all").hidden = !valueOf("not_done");
  };
  form.addEventListener("change", ({ target }) => {
    if (target.name === "not_done") nothingDone(target.value);
    if (target.name === "not_done" || target.closest(".outcome")) show();
    // Why it could not be done often needs words or a photo.
    if (target.value === "other") document.getElementById("end").open = true;
  });
  form.querySelector("#could-after-all").addEventListener("click", () => {
    for (const box of form.querySelectorAll("#not_done input, .outcome input")) if (box.checked && (box.name === "not_done" || valueOf(box.name) === "not_done" || box.closest(".because"))) box.checked = false;
    form.querySelector("#could-not").open = false;
    show();
    save();
  });
  document.addEventListener("restored", show);
  show();
}

/* One tick says of all orders of a unit that they are done; what differs is said order by order. */
function allDone(unit) {
  const tick = unit.querySelector(".all-done input");
  if (!tick) return;
  const boxes = [...unit.querySelectorAll(".outcome")];
  const follow = () => {
    const values = boxes.map(outcomeOf);
    tick.checked = values.every((value) => value === "done");
    if (!tick.checked && values.some(Boolean)) unit.querySelector(".one-by-one").open = true;
  };
  tick.addEventListener("change", () => {
    for (const box of boxes) box.querySelector(`fieldset [value="${tick.checked ? "done" : ""}"]`).checked = true;
    boxes[0].querySelector("input").dispatchEvent(new Event("change", { bubbles: true }));
  });
  form.addEventListener("change", follow);
  document.addEventListener("restored", follow);
  follow();
}

function valueOf(name) {
  return form.querySelector(`input[name="${CSS.escape(name)}"]:checked`)?.value;
}

function outcomeOf(box) {
  return valueOf(box.querySelector(".because").dataset.outcome);
}

/* The reason stands for everything that is not said to be done. */
function nothingDone(reason) {
  for (const box of form.querySelectorAll(".outcome")) {
    const [result, why] = box.querySelectorAll("fieldset");
    if (["done", "bedding"].includes(outcomeOf(box))) continue;
    result.querySelector('[value="not_done"]').checked = true;
    toggle(why, true);
    why.querySelector(`[value="${reason}"]`).checked = true;
  }
  const minutes = form.elements.namedItem("minutes");
  if (minutes.value === minutes.defaultValue) minutes.value = String(Math.max(1, Math.min(Number(minutes.value) || 1, Math.round((Date.now() - openedAt) / 60000))));
}

function toggle(part, isShown) {
  part.hidden = !isShown;
  part.disabled = !isShown;
}

/* Read once a day they fold; they stay a tap away. */
function cautionsOnceADay(person) {
  const box = document.getElementById("cautions");
  if (!box) return;
  const mark = `${person} ${new Date().toDateString()} ${box.querySelector("ul").textContent}`;
  if (localStorage.getItem("tapward-cautions") === mark) box.open = false;
  document.getElementById("cautions-read").addEventListener("click", () => {
    localStorage.setItem("tapward-cautions", mark);
    box.open = false;
  });
}

/* One press ticks a phase whose steps are done and opens the next that is not. */
for (const button of form?.querySelectorAll(".phase-done") ?? [])
  button.addEventListener("click", () => {
    const phase = button.closest(".phase");
    for (const box of ticksOf(phase)) box.checked = true;
    phase.open = false;
    const next = [...phase.parentElement.querySelectorAll(".phase")].find((one) => ticksOf(one).some((box) => !box.checked));
    if (next) next.open = true;
    (next ?? phase).querySelector("summary").focus({ preventScroll: true });
    (next ?? phase).scrollIntoView({ block: "nearest" });
    form.dispatchEvent(new Event("change"));
  });

/* A hazard control that was not done asks why; the question is a press away until something asks for it. */
for (const button of form?.querySelectorAll(".phase-whys") ?? []) button.addEventListener("click", () => button.closest(".phase").classList.add("whys"));

/* Steps that a changed part calls for come and go with its tick. */
function callForSteps() {
  for (const unit of units) {
    const changed = [...unit.querySelectorAll("fieldset.part:not(:disabled)")].filter((part) => part.querySelector("[name*=change__]")?.checked).map((part) => part.dataset.role);
    for (const step of unit.querySelectorAll("[data-roles]")) step.hidden = !step.dataset.roles.split(" ").some((role) => changed.includes(role));
    for (const phase of unit.querySelectorAll(".phase")) phase.hidden = !("holds" in phase.dataset) && ![...phase.querySelectorAll(".steps > li")].some((step) => !step.hidden);
  }
}

const ticksOf = (phase) => [...phase.querySelectorAll(".steps > li:not([hidden]) .tick input")];

function tellPhases() {
  callForSteps();
  for (const phase of form.querySelectorAll(".phase")) {
    const boxes = ticksOf(phase);
    phase.querySelector(".phase-said").textContent = say("{done} of {all}", { done: boxes.filter((box) => box.checked).length, all: boxes.length });
  }
}

function collect() {
  const fields = {};
  for (const [name, value] of new FormData(form)) if (name !== "csrfmiddlewaretoken" && typeof value === "string") fields[name] = value;
  return fields;
}

let lastSave = Promise.resolve();
function save() {
  const { person, order } = form.dataset;
  lastSave = saveDraft(person, order, collect()).catch(() => tell("bad", say("This browser keeps nothing. Send before you leave the page.")));
  return lastSave;
}

async function restore(person, order) {
  const waiting = (await entries().catch(() => [])).find((entry) => entry.person === person && entry.order === order);
  const draft = await readDraft(person, order).catch(() => null);
  const fields = draft?.fields ?? waiting?.fields;
  const orders = form.elements.namedItem("orders").value;
  if (fields?.orders && fields.orders !== orders) return await elsewhere(fields.orders);
  if (fields) document.getElementById("late-report")?.setAttribute("open", "");
  if (fields) fill(fields);
  // A page kept on the phone carries the number it was loaded with; each close-out needs its own.
  else form.elements.namedItem("client_id").value = newId();
  if (waiting?.state === "look") tellProblems(waiting.message, waiting.problems);
  else if (waiting) tell("watch", `${say("Closed on this phone, not sent yet.")} ${waiting.message ?? ""}`);
  else if (draft) tell("info", say("What you typed before is here again."));
  document.dispatchEvent(new Event("restored"));
}

/* What was typed for other orders than stand here now opens on the page made for those; nothing of it is overwritten. */
function elsewhere(orders) {
  form.hidden = true;
  tell("watch", say("What you typed here is kept. It opens again where there is signal."));
  if (navigator.onLine && !location.search) location.replace(`?orders=${encodeURIComponent(orders)}`);
  return new Promise(() => {});
}

function fill(fields) {
  for (const element of form.elements) {
    if (!element.name || element.type === "file" || element.name === "csrfmiddlewaretoken" || isTypedSince(element)) continue;
    if (element.type === "checkbox" || element.type === "radio") element.checked = fields[element.name] === element.value;
    else if (element.name in fields) element.value = fields[element.name];
    const isTyped = element.type === "checkbox" ? element.checked : element.inputMode === "decimal" && element.value;
    if (isTyped) unfold(element);
  }
}

function unfold(element) {
  for (let folded = element?.closest("details"); folded; folded = folded.parentElement.closest("details")) folded.open = true;
}

/* What was typed while this script was on its way stands before what was kept earlier. */
function isTypedSince(element) {
  if (element.type === "checkbox" || element.type === "radio") return element.checked !== element.defaultChecked;
  return (element.localName === "textarea" || ["text", "search", "tel", "number"].includes(element.type)) && element.value !== element.defaultValue;
}

function showReasons() {
  tellPhases();
  for (const box of form.querySelectorAll("[data-control]")) document.getElementById(`${box.dataset.control}-box`).hidden = box.checked && !form.elements.namedItem(box.dataset.control).value;
}

function judge(input) {
  const help = document.getElementById(`${input.id}-help`);
  const value = numberOf(input.value);
  const low = input.dataset.low === "" ? -Infinity : Number(input.dataset.low);
  const high = input.dataset.high === "" ? Infinity : Number(input.dataset.high);
  const odd = input.value.trim() !== "" && (Number.isNaN(value) || value < low || value > high);
  help.dataset.usual ??= help.textContent;
  help.textContent = odd ? `${help.dataset.usual} ${say("Unusual: look again, then keep it if it is right.")}` : help.dataset.usual;
  help.classList.toggle("odd", odd);
}

/* What must be filled in is declared on the server and comes with the page, so that nobody drives away from a missing tick. */
function check() {
  const fields = collect();
  const has = (name) => Boolean(fields[name]?.trim());
  const needs = JSON.parse(document.getElementById("needs")?.textContent ?? "[]");
  const holds = (values) => Object.entries(values).some(([name, among]) => among.includes(fields[name] ?? ""));
  const isMissing = ({ field, when, unless, beside, instead }) =>
    (!Object.keys(when).length || holds(when)) && !holds(unless) && (!beside.length || beside.some(has)) && ![field, ...instead].some(has);
  return needs.filter(isMissing).map(({ field, text }) => ({ field, message: text }));
}

async function submit(event) {
  event.preventDefault();
  const problems = check();
  if (problems.length) return tellProblems("", problems);
  const { person, order, number, title, send, dayUrl } = form.dataset;
  const button = document.getElementById("submit");
  button.disabled = true;
  form.elements.namedItem("finished_at").value ||= new Date().toISOString();
  const fields = collect();
  const entry = { client_id: fields.client_id, person, order, number, title, fields, state: "waiting", message: "", problems: [], made_at: fields.finished_at };
  try {
    await photosKept();
    await lastSave;
    await queueDraft(entry);
  } catch {
    form.removeEventListener("submit", submit);
    button.disabled = false;
    // Not before this press is over: a form asked again while it still fires its event does nothing.
    setTimeout(() => form.requestSubmit(), 0);
    return;
  }
  const result = (await sendAll(person, send)).get(entry.client_id);
  button.disabled = false;
  if (result?.state === "look") return tellProblems(result.message, result.problems);
  await dropDraft(person, order);
  sessionStorage.setItem("tapward-said", result?.state === "sent" ? result.message : say("{number} is kept on this phone and sent when there is signal.", { number }));
  location.assign(dayUrl);
}

function tell(tone, text) {
  kept.className = `notice ${tone}`;
  kept.replaceChildren(Object.assign(document.createElement("p"), { textContent: text }));
  kept.hidden = false;
}

function tellProblems(message, problems) {
  for (const told of document.querySelectorAll(".choose-copy")) told.hidden = false;
  // A changed report is a report of another moment.
  form.elements.namedItem("finished_at").value = "";
  const box = document.createElement("div");
  box.append(Object.assign(document.createElement("h2"), { textContent: problems.length && !message ? sayMany(problems.length, "{n} error to fix", "{n} errors to fix") : say("Not saved, and nothing is lost") }));
  if (message) box.append(Object.assign(document.createElement("p"), { textContent: message }));
  const list = document.createElement("ul");
  for (const problem of problems) {
    const link = Object.assign(document.createElement("a"), { textContent: problem.message, href: `#${problem.field}` });
    const item = document.createElement("li");
    item.append(link);
    list.append(item);
    document.getElementById(problem.field)?.setAttribute("aria-invalid", "true");
    unfold(document.getElementById(problem.field));
    document.getElementById(problem.field)?.closest(".phase")?.classList.add("whys");
  }
  if (!message || problems.some((problem) => problem.message !== message)) box.append(list);
  kept.className = "notice bad";
  kept.setAttribute("role", "alert");
  kept.replaceChildren(box);
  kept.hidden = false;
  kept.tabIndex = -1;
  kept.focus();
  kept.scrollIntoView({ block: "start" });
}
