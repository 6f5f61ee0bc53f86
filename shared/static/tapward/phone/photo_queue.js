/* Sends photos whose close-out has arrived, each under its own number, so that sending twice keeps one. */
import { deliver } from "./queue.js";
import { dropPhoto, photos, putPhoto } from "./store.js";

/* Returns true when at least one photo arrived. */
export async function sendPhotos(person) {
  const send = () => sendInOrder(person);
  return navigator.locks ? navigator.locks.request("tapward-send", send) : send();
}

async function sendInOrder(person) {
  let some = false;
  for (const photo of await photos()) {
    if (photo.person !== person || photo.state !== "waiting") continue;
    const body = new FormData();
    body.append("client_id", photo.client_id);
    body.append("taken_at", photo.taken_at);
    if (photo.place) for (const [name, value] of Object.entries(photo.place)) body.append(name, String(value));
    body.append("photo", photo.blob, "photo.jpg");
    const result = await deliver(`/phone/close-outs/${photo.close_out}/photos/`, {}, body);
    if (result.state === "sent") await dropPhoto(photo.client_id);
    else await putPhoto({ ...photo, state: result.state, message: result.message });
    if (result.state === "waiting" && !result.breaks) break;
    some ||= result.state === "sent";
  }
  return some;
}
