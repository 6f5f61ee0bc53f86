"use strict";
/* The grid of readings: a block pasted into a cell fills those right of and below it; a doubtful total is told
   beside its cell, Enter goes one row down. Without this the server says the same after saving. */
(function entryGrid() {
  const table = document.querySelector("[data-entry-grid]");
  if (!table) return;
  const cells = () => [...table.tBodies[0].rows].map((row) => [...row.querySelectorAll("[data-cell]")]);
  const placeOf = (input) => {
    const rows = cells();
    const row = rows.findIndex((one) => one.includes(input));
    return [rows, row, rows[row].indexOf(input)];
  };

  // Plain numbers only: one with a measure behind it is left to the server.
  function number(text) {
    const found = /^\s*([\d\s,]*\.?\d*)\s*(k?)\s*$/i.exec(text);
    if (!found || !/\d/.test(found[1])) return NaN;
    return Number(found[1].replace(/[\s,]/g, "")) * (found[2] ? 1000 : 1);
  }

  function weigh(input) {
    const told = input.parentElement.querySelector("output");
    if (!told || !input.dataset.last) return;
    const total = number(input.value);
    const isBelow = total < Number(input.dataset.last);
    const isLeap = total > Number(input.dataset.top);
    told.textContent = isBelow ? table.dataset.below : isLeap ? table.dataset.leap : "";
  }

  table.addEventListener("input", (event) => weigh(event.target));
  table.addEventListener("paste", (event) => {
    const text = event.clipboardData.getData("text");
    if (!event.target.matches("[data-cell]") || !/[\t\n]/.test(text.trim())) return;
    event.preventDefault();
    const [rows, top, left] = placeOf(event.target);
    text.replace(/\r/g, "").replace(/\n$/, "").split("\n").forEach((line, down) => {
      line.split("\t").forEach((value, right) => {
        const input = rows[top + down]?.[left + right];
        if (!input) return;
        input.value = value.trim();
        input.dispatchEvent(new Event("input", { bubbles: true }));
      });
    });
  });
  table.addEventListener("keydown", (event) => {
    if (event.key !== "Enter" || !event.target.matches("[data-cell]")) return;
    event.preventDefault();
    const [rows, row, column] = placeOf(event.target);
    rows[row + 1]?.[column]?.focus();
  });
  table.querySelectorAll("[data-cell]").forEach(weigh);
})();
