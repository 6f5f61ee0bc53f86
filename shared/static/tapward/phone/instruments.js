/* What the technician works with on the form: a clock that counts water, a box to sign in, the camera that reads a label. */
import { say } from "./phone.js";

/* The clock: flow × time. It keeps running when the page is closed. */
export function flushTimer(form, unit, changed) {
  const box = unit.querySelector(".timer");
  if (!box) return;
  const field = (name) => form.elements.namedItem(unit.dataset.unit + name);
  const [clock, volume, bar, button, said] = ["timer-time", "timer-volume", "timer-bar", "timer-start", "timer-said"].map((one) => box.querySelector(`.${one}`));
  const target = Number(box.dataset.target) || 0;
  let wasReached = false;
  box.hidden = false;

  const started = () => Number(field("timer_started").value) || 0;
  const seconds = () => (Number(field("timer_seconds").value) || 0) + (started() ? (Date.now() - started()) / 1000 : 0);
  const flow = () => Number(field("flush_flow").value.replace(",", ".")) || 0;

  function draw() {
    const s = seconds();
    const gone = (flow() * s) / 60;
    clock.textContent = `${Math.floor(s / 60)}:${String(Math.floor(s % 60)).padStart(2, "0")}`;
    volume.textContent = !flow() ? say("type the flow below to count") : target ? say("{gone} of {target} {measure}", { gone: gone.toFixed(1), target, measure: box.dataset.measure }) : `${gone.toFixed(1)} ${box.dataset.measure}`;
    bar.hidden = !target;
    bar.value = target ? Math.min(1, gone / target) : 0;
    const reached = Boolean(target) && gone >= target;
    box.classList.toggle("reached", reached);
    if (reached && !wasReached && started()) {
      said.textContent = say("The volume is through. Look: does it run clear?");
      navigator.vibrate?.([200, 100, 200]);
    }
    wasReached = reached;
    button.textContent = started() ? say("Stop the clock") : s ? say("Go on counting") : say("Start the clock");
  }

  button.addEventListener("click", () => {
    if (started()) {
      const s = seconds();
      field("timer_seconds").value = s.toFixed(0);
      field("timer_started").value = "";
      field("flush_minutes").value = (s / 60).toFixed(1);
      if (flow()) field("flush_volume").value = ((flow() * s) / 60).toFixed(1);
    } else {
      field("timer_started").value = String(Date.now());
    }
    draw();
    changed();
  });
  setInterval(() => started() && draw(), 500);
  field("flush_flow").addEventListener("input", draw);
  document.addEventListener("restored", draw);
  draw();
}

/* The box to sign in. Strokes are points in thousandths of its width, kept as JSON in a field of the form. */
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

/* The camera, where the browser can; typing the label in works everywhere. */
const FORMATS = ["qr_code", "code_128", "code_39", "data_matrix", "ean_13", "upc_a"];
const EVERY_MS = 200;
const OURS = "TAPWARD-PART";

/* Puts a button at each position whose new part can be scanned. */
export async function scanButtons(form, changed) {
  const places = [...form.querySelectorAll(".scan")];
  if (!places.length || !("BarcodeDetector" in window) || !navigator.mediaDevices?.getUserMedia) return;
  const known = await window.BarcodeDetector.getSupportedFormats().catch(() => []);
  const formats = FORMATS.filter((one) => known.includes(one));
  if (!formats.length) return;
  const detector = new window.BarcodeDetector({ formats });
  for (const place of places) {
    const button = Object.assign(document.createElement("button"), { type: "button", className: "button thumb", textContent: say("Scan the label") });
    button.addEventListener("click", () => scan(place, detector, (text) => take(form, place, text, changed)));
    place.prepend(button);
    place.hidden = false;
  }
}

async function scan(place, detector, done) {
  if (place.querySelector("video")) return;
  const said = place.querySelector(".scan-said");
  const [start] = place.getElementsByTagName("button");
  const video = Object.assign(document.createElement("video"), { muted: true, playsInline: true });
  video.setAttribute("aria-label", say("What the camera sees"));
  const stop = Object.assign(document.createElement("button"), { type: "button", className: "button", textContent: say("Stop the camera") });
  let stream = null;
  let isOver = false;
  const end = () => {
    isOver = true;
    stream?.getTracks().forEach((track) => track.stop());
    video.remove();
    stop.remove();
    start.focus();
  };
  stop.addEventListener("click", end);
  window.addEventListener("pagehide", end, { once: true });
  try {
    said.textContent = say("Hold the label before the camera.");
    stream = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment" } });
    video.srcObject = stream;
    place.append(video, stop);
    await video.play();
  } catch {
    end();
    said.textContent = say("The camera can’t be used. Allow it in the browser’s settings, or type lot and serial below.");
    return;
  }
  while (!isOver) {
    const [found] = await detector.detect(video).catch(() => []);
    if (found?.rawValue && !isOver) {
      end();
      navigator.vibrate?.(100);
      said.textContent = done(found.rawValue);
      return;
    }
    await new Promise((go) => setTimeout(go, EVERY_MS));
  }
}

/* Our own label says kind, lot and serial; any other code is taken as the lot, or as the serial where a lot stands. */
function take(form, place, text, changed) {
  const field = (name) => form.elements.namedItem(`${place.dataset.prefix}${name}__${place.dataset.position}`);
  const put = (name, value) => {
    field(name).value = value.slice(0, 60);
  };
  let told = "";
  const [mark, kind, lot, serial] = text.split("\n");
  if (mark === OURS) {
    const fits = [...field("kind").options].some((option) => option.value === kind);
    if (!fits) return say("This label is of {kind}, which does not fit here. Nothing was taken over.", { kind });
    put("kind", kind);
    put("lot", lot ?? "");
    if (serial) put("serial", serial);
    const taken = [kind, lot && say("lot {lot}", { lot }), serial && say("serial {serial}", { serial })].filter(Boolean).join(", ");
    told = say("Taken from the label: {taken}.", { taken });
  } else {
    const name = field("lot").value.trim() ? "serial" : "lot";
    put(name, text.trim());
    const read = text.trim().slice(0, 60);
    told = name === "lot" ? say("Read as lot: {read}. Correct it below if it is something else.", { read }) : say("Read as serial: {read}. Correct it below if it is something else.", { read });
  }
  field("change").checked = true;
  changed();
  return told;
}
