"use strict";
/* Small habits of every page. Nothing here is needed to get the work done. */

// A changed form asks before it is left unsaved.
(function guardUnsaved() {
  const changed = new Set();
  document.addEventListener("input", (event) => {
    const form = event.target.closest("form[data-guard]");
    if (form) changed.add(form);
  });
  document.addEventListener("submit", (event) => changed.delete(event.target));
  window.addEventListener("beforeunload", (event) => {
    if (changed.size) event.preventDefault();
  });
})();

// Whoever logs out takes the pages kept for a day without signal with them.
document.addEventListener("submit", (event) => {
  const form = event.target;
  const isLogOut = form.getAttribute("action")?.includes("log-out");
  if (!isLogOut || event.defaultPrevented || typeof caches === "undefined") return;
  event.preventDefault();
  caches.delete("tapward-pages").catch(() => false).finally(() => form.submit());
});

// Where somebody has to log in, the session of whoever was here is over, and so are the pages kept for it.
if (document.querySelector("form[data-log-in]") && typeof caches !== "undefined") caches.delete("tapward-pages").catch(() => false);

// A button marked data-print prints; one marked data-confirm asks first.
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-print], [data-confirm]");
  if (!button) return;
  if (button.dataset.confirm && !window.confirm(button.dataset.confirm)) event.preventDefault();
  if ("print" in button.dataset) window.print();
});

// In a list with ticks: one tick for the page, and how many are ticked.
document.addEventListener("change", (event) => {
  const chooser = event.target.closest("form[data-chooser]");
  if (!chooser) return;
  const ticks = [...chooser.querySelectorAll('input[name="chosen"]')];
  const all = chooser.querySelector("[data-choose-all]");
  if (event.target === all) ticks.forEach((tick) => { tick.checked = all.checked; });
  const count = ticks.filter((tick) => tick.checked).length;
  all.checked = count === ticks.length;
  all.indeterminate = count > 0 && count < ticks.length;
  chooser.querySelector("[data-chosen-count]").textContent = `${count} / ${ticks.length}`;
});

// Where a mouse is, a mark of a chart tells its values; the table behind the chart tells everybody else.
(function sayValues() {
  const bubble = document.createElement("div");
  bubble.className = "says";
  bubble.hidden = true;
  bubble.setAttribute("aria-hidden", "true");
  document.body.append(bubble);
  document.addEventListener("pointerover", (event) => {
    const mark = event.target.closest?.("[data-says]");
    bubble.hidden = !mark;
    if (!mark) return;
    bubble.textContent = mark.dataset.says.split("; ").join("\n");
    const box = mark.getBoundingClientRect();
    const left = Math.min(box.left + box.width / 2, window.innerWidth - bubble.offsetWidth - 8);
    bubble.style.left = `${Math.max(8, left)}px`;
    bubble.style.top = `${Math.max(8, box.top - bubble.offsetHeight - 8)}px`;
  });
  document.addEventListener("scroll", () => { bubble.hidden = true; }, { passive: true, capture: true });
  document.addEventListener("keydown", (event) => { if (event.key === "Escape") bubble.hidden = true; });
})();

// The key / leads to the field of search, from wherever nothing is being typed.
document.addEventListener("keydown", (event) => {
  if (event.key !== "/" || event.ctrlKey || event.metaKey || event.altKey || event.defaultPrevented) return;
  if (event.target.closest?.("input, textarea, select, [contenteditable], dialog[open]")) return;
  const field = document.getElementById("find");
  if (!field) return;
  event.preventDefault();
  field.focus();
  field.select();
});

// What a list clips, hovering says whole and a press on its row shows.
document.addEventListener("click", (event) => {
  if (event.target.closest?.("a, button, input, label, select, summary")) return;
  event.target.closest?.(".many tbody tr, .rows li")?.classList.toggle("whole");
});
document.addEventListener("pointerover", (event) => {
  const cell = event.target.closest?.(".one-line td, .one-line th, .two-lines td, .rows .clip");
  const shown = cell?.querySelector(".clip") ?? cell;
  if (cell && !cell.title && (shown.scrollWidth > shown.clientWidth || shown.scrollHeight > shown.clientHeight + 2)) cell.title = cell.innerText;
});
