/* Photos of the visit: made smaller on the phone, which also leaves place and camera behind, and kept there. */
import { dropPhoto, newId, photos, putPhoto } from "./store.js";
import { say, sayMany } from "./phone.js";

// Fetched only where the company keeps places; the phone's worker holds it for days without signal.
const placeIn = async (file) => (await import("./place.js")).placeOf(file);
const LONGEST_PX = 1600;
const QUALITY = 0.82;
const MOST = 30;

/* Shows what is kept for this form and takes in what is chosen. Returns a promise of when all is kept. */
export function photoBox(form, person, save) {
  const input = document.getElementById("photos");
  const rows = document.getElementById("photo-rows");
  const said = document.getElementById("photo-said");
  const { order, number } = form.dataset;
  const closeOut = () => form.elements.namedItem("client_id").value;
  let busy = Promise.resolve();

  const mine = async () => (await photos()).filter((one) => one.person === person && one.close_out === closeOut());

  async function show() {
    for (const old of rows.querySelectorAll("img")) URL.revokeObjectURL(old.src);
    rows.replaceChildren(...(await mine()).map(row));
    if (rows.children.length) for (let folded = rows.closest("details"); folded; folded = folded.parentElement.closest("details")) folded.open = true;
  }

  function row(photo, index) {
    const item = document.createElement("li");
    const picture = Object.assign(document.createElement("img"), { src: URL.createObjectURL(photo.blob), alt: say("Photo {n}, kept on this phone", { n: index + 1 }) });
    const away = Object.assign(document.createElement("button"), { type: "button", className: "button", textContent: say("Remove photo {n}", { n: index + 1 }) });
    away.addEventListener("click", async () => {
      await dropPhoto(photo.client_id);
      await show();
      said.textContent = say("Photo {n} is removed.", { n: index + 1 });
      input.focus();
    });
    item.append(picture, away);
    return item;
  }

  async function take(files) {
    await save();
    let kept = (await mine()).length;
    const refused = [];
    for (const file of files) {
      const blob = kept < MOST ? await smaller(file).catch(() => null) : null;
      if (!blob) refused.push(file.name);
      else {
        await putPhoto({ client_id: newId(), close_out: closeOut(), person, order, number, blob, taken_at: new Date().toISOString(), place: "keepsPlace" in form.dataset ? await placeIn(file).catch(() => null) : null, state: "draft", message: "" });
        kept += 1;
      }
    }
    input.value = "";
    await show();
    const why = kept < MOST ? say("This phone can’t read that as a photo; take it again.") : say("{n} photos are the most.", { n: MOST });
    const also = refused.length ? ` ${say("Not taken: {names}.", { names: refused.join(", ") })} ${why}` : "";
    said.textContent = `${sayMany(kept, "{n} photo kept on this phone.", "{n} photos kept on this phone.")}${also}`;
  }

  input.addEventListener("change", () => {
    const files = [...input.files];
    // Where nothing can be kept the files stay chosen and go with the plain form.
    if (files.length) busy = busy.then(() => take(files)).catch(() => (said.textContent = say("This browser keeps no photos. Send before you leave the page.")));
  });
  show().catch(() => {});
  return () => busy;
}

/* Returns a photo as JPEG with no side longer than the longest; it rejects what the browser cannot read. */
export async function smaller(file) {
  const picture = await createImageBitmap(file, { imageOrientation: "from-image" });
  const scale = Math.min(1, LONGEST_PX / Math.max(picture.width, picture.height));
  const canvas = Object.assign(document.createElement("canvas"), { width: Math.max(1, Math.round(picture.width * scale)), height: Math.max(1, Math.round(picture.height * scale)) });
  const paper = canvas.getContext("2d");
  paper.fillStyle = "white";
  paper.fillRect(0, 0, canvas.width, canvas.height);
  paper.drawImage(picture, 0, 0, canvas.width, canvas.height);
  picture.close();
  return new Promise((resolve, reject) => canvas.toBlob((blob) => (blob ? resolve(blob) : reject(new Error("no picture"))), "image/jpeg", QUALITY));
}
