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

// A button marked data-print prints; one marked data-confirm asks first.
document.addEventListener("click", (event) => {
  const button = event.target.closest("[data-print], [data-confirm]");
  if (!button) return;
  if (button.dataset.confirm && !window.confirm(button.dataset.confirm)) event.preventDefault();
  if ("print" in button.dataset) window.print();
});
