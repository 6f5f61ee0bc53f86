/* A box to sign in. Strokes are points in thousandths of the box's width, kept as JSON in a field of the form. */
import { say } from "./words.js";

const WIDE = 1000;
const MOST_POINTS = 3000;
const MOST_STROKES = 150;
const LEAST_STEP = 4;

export function penBox(form, changed) {
  const box = document.getElementById("pen-box");
  const canvas = document.getElementById("pen");
  const field = form.elements.namedItem("signature");
  const said = document.getElementById("pen-said");
  const paper = canvas.getContext("2d");
  let strokes = [];
  let stroke = null;
  box.hidden = false;

  const read = () => {
    try {
      strokes = JSON.parse(field.value || "[]");
    } catch {
      strokes = [];
    }
    if (strokes.length) document.getElementById("end").open = box.closest("details").open = true;
    draw();
  };

  const place = (event) => {
    const frame = canvas.getBoundingClientRect();
    const within = (value, most) => Math.round(Math.min(most, Math.max(0, value)));
    const scale = WIDE / frame.width;
    return [within((event.clientX - frame.left) * scale, WIDE), within((event.clientY - frame.top) * scale, canvas.height)];
  };

  function draw() {
    paper.clearRect(0, 0, canvas.width, canvas.height);
    paper.strokeStyle = paper.fillStyle = getComputedStyle(canvas).color;
    paper.lineWidth = 6;
    paper.lineCap = paper.lineJoin = "round";
    for (const points of strokes) {
      paper.beginPath();
      paper.moveTo(...points[0]);
      if (points.length === 1) paper.lineTo(points[0][0] + 0.1, points[0][1]);
      for (const point of points.slice(1)) paper.lineTo(...point);
      paper.stroke();
    }
  }

  const isFull = () => strokes.length >= MOST_STROKES || strokes.reduce((sum, points) => sum + points.length, 0) >= MOST_POINTS;

  canvas.addEventListener("pointerdown", (event) => {
    if (stroke || isFull() || (event.pointerType === "mouse" && event.button !== 0)) return;
    event.preventDefault();
    canvas.setPointerCapture(event.pointerId);
    stroke = [place(event)];
    strokes.push(stroke);
    draw();
  });
  canvas.addEventListener("pointermove", (event) => {
    if (!stroke || isFull()) return;
    const point = place(event);
    const last = stroke.at(-1);
    if (Math.hypot(point[0] - last[0], point[1] - last[1]) < LEAST_STEP) return;
    stroke.push(point);
    draw();
  });
  const lift = () => {
    if (!stroke) return;
    stroke = null;
    write(say("Signed."));
  };
  canvas.addEventListener("pointerup", lift);
  canvas.addEventListener("pointercancel", lift);
  document.getElementById("pen-clear").addEventListener("click", () => {
    strokes = [];
    write(say("The box is empty."));
    draw();
  });

  function write(words) {
    field.value = strokes.length ? JSON.stringify(strokes) : "";
    said.textContent = words;
    changed();
  }

  document.addEventListener("restored", read);
  window.matchMedia("(prefers-color-scheme: dark)").addEventListener("change", draw);
  read();
}
