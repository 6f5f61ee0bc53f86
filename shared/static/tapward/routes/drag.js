"use strict";
/* Drag a stop to another day or person where there is a mouse. Dropping only opens the page that shows the
   effect; nothing is kept here. Without a mouse the same page opens from the link inside the stop. */
(function dragStops() {
  const board = document.querySelector("table.board");
  if (!board || !window.matchMedia("(pointer: fine)").matches) return;
  const days = [...board.tHead.rows[0].cells].map((cell) => cell.dataset.day ?? "");
  let moving = null;

  for (const stop of board.querySelectorAll("li[data-move]")) stop.draggable = true;

  const target = (event) => {
    const cell = event.target.closest("td");
    const row = cell?.closest("tr[data-technician]");
    return moving && row && days[cell.cellIndex] ? { cell, technician: row.dataset.technician, day: days[cell.cellIndex] } : null;
  };
  const mark = (cell) => {
    for (const one of board.querySelectorAll("td.drop-here")) one.classList.remove("drop-here");
    cell?.classList.add("drop-here");
  };

  board.addEventListener("dragstart", (event) => {
    moving = event.target.closest("li[data-move]");
    if (!moving) return;
    event.dataTransfer.effectAllowed = "move";
    event.dataTransfer.setData("text/plain", moving.dataset.move);
  });
  board.addEventListener("dragover", (event) => {
    const to = target(event);
    mark(to?.cell);
    if (to) event.preventDefault();
  });
  board.addEventListener("drop", (event) => {
    const to = target(event);
    if (!to) return;
    event.preventDefault();
    window.location.assign(`${moving.dataset.move}&technician=${to.technician}&day=${to.day}`);
  });
  board.addEventListener("dragend", () => {
    moving = null;
    mark(null);
  });
})();
