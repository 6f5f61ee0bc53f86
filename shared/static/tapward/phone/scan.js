/* Reads a part's label with the camera, where the browser can; typing it in works everywhere. */
import { say } from "./words.js";

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
