/* What the gauges say as they are typed; the same rules as fleet/science/on_site.py, for the phone has no signal in a cellar. */
import { say } from "./phone.js";

/* A number as people type it: 1234.5, 1,234.5 or 1234,5; NaN when it is none. */
export const numberOf = (text) => (text.trim() === "" ? NaN : Number(text.replace(/,(?=\d{3}\b)/g, "").replace(",", ".")));

export function liveFigures(form, unit) {
  const prefix = unit.dataset.unit;
  const told = JSON.parse(document.getElementById(`${prefix}live`)?.textContent ?? "null");
  if (!told) return;
  const field = (name) => form.elements.namedItem(prefix + name);
  const word = (value, usual, isPossible = true) => {
    if (!isPossible) return say("check");
    if (!usual) return "";
    const reach = usual[1] - usual[0];
    if (value >= usual[0] && value <= usual[1]) return say("usual");
    return value < usual[0] - reach || value > usual[1] + reach ? say("check") : say("unusual");
  };
  const percent = (share) => `${(100 * share).toFixed(1)} %`;

  /* The sheets of the membranes that are in when one leaves, and whether one of them is new. */
  function membranes() {
    let isNew = false;
    const sheets = told.membranes.map(({ code, sheet, kinds }) => {
      if (!field(`change__${code}`)?.checked) return sheet;
      isNew = true;
      const typed = numberOf(field(`sheet__${code}`).value);
      return { ...(kinds[field(`kind__${code}`).value] ?? sheet), rejection: typed > 0 ? typed / 100 : null };
    });
    return { sheets, isNew };
  }

  function draw(list) {
    const read = (name) => numberOf(field(list.dataset.when + name).value) * told.scales[name][0] + told.scales[name][1];
    const [feed, waste] = [read("feed_pressure_psi"), read("concentrate_pressure_psi")];
    const [flow, drained] = [read("permeate_flow_gpm"), read("concentrate_flow_gpm")];
    const [drop, recovery] = [feed - waste, flow / (flow + drained)];
    const rejection = 1 - read("permeate_conductivity_us_cm") / read("feed_conductivity_us_cm");
    const celsius = read("feed_temperature_c");
    const { sheets, isNew } = list.dataset.when ? { sheets: told.membranes.map(({ sheet }) => sheet), isNew: false } : membranes();
    const rows = [];
    const add = (text, result) => rows.push([text, result]);
    if (Number.isFinite(drop)) add(say("Pressure drop ΔP {value} {measure}", { value: (drop / told.scales.feed_pressure_psi[0]).toFixed(1), measure: told.pressure }), word(drop, told.usual.delta_p_psi, drop >= 0));
    if (Number.isFinite(recovery)) add(say("Recovery {value}", { value: percent(recovery) }), word(recovery, told.usual.recovery, recovery > 0 && recovery < 1));
    if (Number.isFinite(rejection)) add(say("Rejection {value}", { value: percent(rejection) }), word(rejection, isNew ? null : told.usual.rejection, rejection > 0));
    const rated = sheets.reduce((sum, sheet) => sum + (sheet.permeate_gpm ?? NaN), 0);
    if (sheets.length && flow > 0 && celsius >= 0 && celsius <= 50 && rated > 0) {
      const constant = celsius >= 25 ? sheets[0].k_from_25 : sheets[0].k_below_25;
      const share = flow / Math.exp(constant * (1 / 298 - 1 / (273 + celsius))) / rated;
      const temperature = `${Number(((celsius - told.scales.feed_temperature_c[1]) / told.scales.feed_temperature_c[0]).toFixed(1))} ${told.temperature}`;
      add(say("Reaches {share} of the flow on its sheet; corrected for {temperature}, not for pressure", { share: percent(share), temperature }), word(share, [1 - told.tolerance.flow, 1 + told.tolerance.flow]));
    }
    const promised = Math.min(...sheets.map((sheet) => sheet.rejection || Infinity));
    if (Number.isFinite(rejection) && Number.isFinite(promised)) add(say("Its sheet says {value} rejection", { value: percent(promised) }), rejection >= promised - told.tolerance.rejection ? say("usual") : say("check"));
    list.replaceChildren(...rows.map(([text, result]) => {
      const row = Object.assign(document.createElement("li"), { textContent: result ? `${text}: ${result}` : text });
      row.classList.toggle("odd", Boolean(result) && result !== say("usual"));
      return row;
    }));
  }

  const all = () => unit.querySelectorAll(".live").forEach(draw);
  unit.addEventListener("input", all);
  unit.addEventListener("change", all);
  document.addEventListener("restored", all);
  all();
}
