/* Something found beside the work: one tap keeps it on the phone and sends it as soon as there is signal. */
import { say } from "./phone.js";
import { smaller } from "./photos.js";
import { sendReports } from "./queue.js";
import { newId, putReport, reports } from "./store.js";

const form = document.getElementById("found-form");
const said = document.getElementById("found-said");
form?.addEventListener("submit", keep);

async function keep(event) {
  event.preventDefault();
  const button = event.submitter;
  const [file] = form.elements.namedItem("photo").files;
  const { person, title } = form.dataset;
  const fields = { kind: button.value, text: form.elements.namedItem("text").value, serial: form.elements.namedItem("serial").value };
  button.disabled = true;
  try {
    const blob = file ? await smaller(file).catch(() => file) : null;
    const client_id = newId();
    await putReport({ client_id, person, title, number: button.textContent, address: form.getAttribute("action"), fields, blob, found_at: new Date().toISOString(), state: "waiting", message: "" });
    form.reset();
    await sendReports(person);
    const left = (await reports()).find((one) => one.client_id === client_id);
    said.textContent = left?.message ? `${button.textContent}: ${left.message}` : say("{what}: the office has it.", { what: button.textContent });
    button.disabled = false;
  } catch {
    // Where nothing can be kept it goes as the plain form it is.
    button.disabled = false;
    form.removeEventListener("submit", keep);
    setTimeout(() => form.requestSubmit(button), 0);
  }
}
