# ruff: noqa: E501
"""The house's steps, each once: what is done, in which phase, and where it is called for.

Sheets are made of them and edited by the company; a visit's list is composed from the sheets of its orders,
the unit's make-up and the parts that are changed. Phases and their order: the control of hazardous energy
after 29 CFR 1910.147(d) (prepare, shut down, isolate, lock or tag, release stored energy, verify); (a)(2)(iii)(A)
leaves out what is unplugged with the plug under the worker's own control. The steps themselves are *common
practice*; the maker's manual, local code and licensed trades go first.
"""

from collections.abc import Collection, Mapping, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Final

from fleet.models import PartRole, TreatmentUnit
from shared.messages import message

PHASES: Final[dict[str, str]] = {
    "look": message("Ask and look, touch nothing"),
    "isolate": message("Shut down and make safe"),
    "work": message("The work"),
    "flush": message("Fill and flush to drain"),
    "start": message("Watch the joints, then start"),
    "leave": message("Before you leave"),
}
"""In the order they are gone through; a step without one stands where its sheet has it."""
SOURCES: Final[dict[str, str]] = {
    "isolate": message(
        "In the order of 29 CFR 1910.147(d): shut down, isolate, lock or hold the plug, release, verify."
    ),
}
CONDITIONS: Final[dict[str, str]] = {
    "mains": message("Where the unit has mains:"),
    "electric_valve": message("Where the inlet valve is electric:"),
    "pump": message("Where a pump raises the pressure:"),
    "tank": message("Where there is a storage tank:"),
    "softener": message("Where there is a softener:"),
    "uv": message("Where there is a UV lamp:"),
    "part": message("Where a part is changed:"),
    "sediment": message("Where a sediment part is changed:"),
    "carbon": message("Where carbon is changed:"),
    "membrane": message("Where a membrane is changed:"),
    "flushed": message("Where carbon or a membrane is changed:"),
}
"""What a step may depend on, as it is said before a step while nobody knows."""
CARBON: Final = {PartRole.CARBON, PartRole.CATALYTIC_CARBON, PartRole.POST_CARBON}
PARTS: Final[dict[str, set[str]]] = {
    "part": set(PartRole),
    "sediment": {PartRole.SEDIMENT},
    "carbon": CARBON,
    "membrane": {PartRole.MEMBRANE},
    "flushed": CARBON | {PartRole.MEMBRANE},
}
"""Conditions that the roles of the changed parts decide."""


EQUIPMENT: Final = {
    "electric_valve": "has_electric_inlet_valve",
    "pump": "has_pump",
    "tank": "has_tank",
    "softener": "has_softener",
    "uv": "has_uv",
}
"""Conditions that a treatment unit's make-up decides, and the column that tells."""


@dataclass(frozen=True)
class Step:
    """One step. ``asks`` names what the phone asks for beside the tick; ``when`` one of ``CONDITIONS``."""

    code: str
    text: str
    is_hazard_control: bool = False
    asks: str = ""
    phase: str = ""
    when: str = ""

    def as_stored(self) -> dict:
        """Return the step as a sheet keeps it; what is not said is not kept."""
        found = {**asdict(self), "is_hazard_control": self.is_hazard_control}
        return {name: value for name, value in found.items() if value or name not in ("phase", "when")}


def facts(
    *, mains_voltage: int, roles: Collection[str], equipment: Mapping[str, bool | None] | None = None
) -> dict[str, bool | None]:
    """Return what is known of the conditions: of the unit, and of the roles of the parts that are changed.

    ``None``: nobody has said; the step is shown with its condition in words.
    """
    changed = set(roles)
    of_parts = {name: bool(changed & among) for name, among in PARTS.items()}
    return {"mains": mains_voltage > 0, **(equipment or {}), **of_parts}


def known_of(unit: TreatmentUnit, roles: Collection[str]) -> dict[str, bool | None]:
    """Return what is known of the conditions at a treatment unit whose parts of these roles are changed."""
    equipment = {name: getattr(unit, column) for name, column in EQUIPMENT.items()}
    return facts(mains_voltage=unit.mains_voltage, roles=roles, equipment=equipment)


def applies(step: Mapping, known: Mapping[str, bool | None]) -> bool:
    """Say whether a stored step is called for; what nobody knows is not left out."""
    return known.get(step.get("when", "")) is not False


def condition_told(step: Mapping, known: Mapping[str, bool | None]) -> str:
    """Return a step's condition in words where nobody knows whether it holds."""
    when = step.get("when", "")
    return CONDITIONS[when] if when and known.get(when) is None else ""


def in_phases(steps: Sequence[dict]) -> list[dict]:
    """Return steps by phase, each phase in the order of its sheet."""
    places = {phase: place for place, phase in enumerate(PHASES)}
    return sorted(steps, key=lambda step: places.get(step.get("phase", ""), -1))


def _library(*steps: Step) -> dict[str, Step]:
    return {step.code: step for step in steps}


HOUSE: Final = _library(
    Step("tell", message("Ask how the water has been, look for leaks, listen. Tell the people on site that the water will be off and not to draw any until you say so."), phase="look"),
    Step("readings_before", message("Before touching anything, with the unit running, read what is asked under “As found”: pressures on both sides, flows, conductivities, total chlorine behind the carbon."),
         asks="performance", phase="look"),
    Step("feed_side", message("Check the feed: pressure, shut valves, clogged pre-filter, total chlorine behind the carbon."),
         asks="chlorine_after_carbon_mg_l", phase="look"),
    Step("gauges", message("Doubt the gauges first: compare with a handheld one."), phase="look"),
    Step("look_round", message("Look, listen, feel: leaks, noise, heat, loose tubes, odd smell."), is_hazard_control=True, phase="look"),
    Step("tag_on", message("See that the warning tag is on; if the unit was used meanwhile, tell the office now."), is_hazard_control=True, phase="look"),
    Step("right_meter", message("Compare the meter's serial number with the order; photograph the register."), phase="look"),
    Step("sample_tap", message("Let the feed tap run for two minutes, then take the sample."), phase="look"),
    Step("reagents", message("Reagents are poison: gloves, closed case, rests go back with you."), is_hazard_control=True, phase="look"),
    Step("lock_out", message("Switch the unit off and unplug it first, plug in your hand, or lock and tag its isolator. With the feed shut a running pump runs dry."),
         is_hazard_control=True, phase="isolate", when="mains"),
    Step("uv_off", message("Unplug the UV lamp, too: its light harms eyes and skin, and its sleeve is hot. Let it cool."), is_hazard_control=True, phase="isolate", when="uv"),
    Step("isolate", message("Then shut the feed valve, then the valve to the storage tank."), is_hazard_control=True, phase="isolate"),
    Step("prove_zero", message("Release the pressure to drain and prove it: gauge at zero, tap open and dry. Expect a second pocket behind the check valve and in the tank."),
         is_hazard_control=True, phase="isolate"),
    Step("take_out", message("Compare kind, lot and shelf life of the new part with the order. Old part out, look at it and into its housing; clean it, new seals with silicone grease made for drinking water, never petroleum; new part in, the right way round."),
         asks="part", phase="work", when="part"),
    Step("membrane_in", message("Membrane: mind flow arrow and brine seal; wet it, don't force it."), phase="work", when="membrane"),
    Step("warning_tag", message("Hang the warning tag on as soon as new carbon is in: do not draw before flushing."), is_hazard_control=True, phase="work", when="carbon"),
    Step("look_inside", message("Open what the pattern points to: seals and O-rings, end caps, scale, slime, colour."), phase="work"),
    Step("work", message("Do the work as the order says; write down what you did."), phase="work"),
    Step("outlet_to_drain", message("Before water comes, lead the outlet of the carbon to a bucket or drain: no fines to pump or membrane."),
         is_hazard_control=True, phase="flush", when="carbon"),
    Step("slow_fill", message("Open the feed a quarter turn and fill slowly, letting the air out; no bang, no jolt."), phase="flush"),
    Step("override_open", message("Open the inlet by its manual override; the unit stays unplugged."), phase="flush", when="electric_valve"),
    Step("flush", message("Flush to drain to the least volume and until it runs clear in a clean glass; or leave the bed overnight and flush again tomorrow. Write down how much, how long and what you saw."),
         is_hazard_control=True, asks="flush", phase="flush", when="flushed"),
    Step("chlorine_after_carbon", message("Total-chlorine strip behind the carbon before the membrane sees this water. Over the limit the unit does not go into service."),
         is_hazard_control=True, asks="chlorine_after_carbon_mg_l", phase="flush", when="carbon"),
    Step("purge_membrane", message("Reconnect. Membrane: run the storage solution to drain for its least time, permeate too."), is_hazard_control=True, phase="flush", when="membrane"),
    Step("leak_watch", message("Dry every joint you touched and watch each for five minutes at line pressure."), is_hazard_control=True, phase="start"),
    Step("override_closed", message("Close the manual override and check that it is closed, before power."), is_hazard_control=True, phase="start", when="electric_valve"),
    Step("power", message("Gauges as before, floor dry: plug in or unlock with dry hands; see that the unit starts and stops as it should."),
         is_hazard_control=True, phase="start", when="mains"),
    Step("uv_on", message("UV lamp: sleeve closed and dry, plug it in, see that it burns before anybody draws; write down its hours."), is_hazard_control=True, phase="start", when="uv"),
    Step("leak_watch_pump", message("Watch the joints again at pump pressure."), is_hazard_control=True, phase="start", when="pump"),
    Step("tank", message("Check the tank's air charge with the tank empty; after carbon, a membrane or sanitising run the first tank to drain."), phase="leave", when="tank"),
    Step("softener", message("Softener: look at the salt and fill it up; test the hardness behind it."), phase="leave", when="softener"),
    Step("tag_off", message("Take the warning tag off only now that it ran clear and the strip is good; else it stays on."), is_hazard_control=True, phase="leave", when="carbon"),
    Step("run_in_readings", message("After run-in of 15 minutes read flows, pressures, conductivities and temperature again; compare with before."),
         asks="performance", phase="leave"),
    Step("meter", message("Read the meter, all digits, as it shows."), asks="meter_total", phase="leave"),
    Step("test", message("Test chlorine at once, then hardness, alkalinity, pH, conductivity, temperature."), asks="feed_test", phase="work"),
    Step("behind_the_bed", message("Where the order names a carbon bed: run the unit, test total chlorine behind it; write it down."), phase="work"),
    Step("sanitise", message("Where housings were opened, sanitise and flush as the company's policy says."), phase="work"),
    Step("ask", message("Ask the people on site how the water has been; write it down."), phase="leave"),
    Step("drain_gap", message("See that the drain line still has its air gap and is fixed; tidy up; tell the people what was done."), is_hazard_control=True, phase="leave"),
)  # fmt: skip


def house(*codes: str, always: Collection[str] = ()) -> list[Step]:
    """Return house steps by code; those in ``always`` without their condition."""
    return [replace(HOUSE[code], when="") if code in always else HOUSE[code] for code in codes]


SHUT_DOWN: Final = ("lock_out", "uv_off", "isolate", "prove_zero")
START: Final = ("leak_watch", "override_closed", "power", "uv_on", "leak_watch_pump")
