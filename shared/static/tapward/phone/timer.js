/* A clock that counts water: flow × time. It keeps running when the page is closed. */
import { say } from "./words.js";

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
