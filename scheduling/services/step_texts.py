# ruff: noqa: E501
"""Our own step sheets, first version, per kind of work. Data the company may edit as new versions.

Everything here is *common practice*; the maker's manual, local code and licensed trades go first.
"""

from dataclasses import dataclass

from scheduling.models import OrderKind


@dataclass(frozen=True)
class Step:
    """One step. ``asks`` names what the phone asks for beside the tick."""

    code: str
    text: str
    is_hazard_control: bool = False
    asks: str = ""


CAUTIONS = [
    "The maker's manual, local plumbing and electrical code and licensed trades go before this sheet. Stop and "
    "call the office where they differ or where you are not sure.",
    "Mains voltage beside water: unplug, keep the plug in your hand or locked, dry hands and floor. Wiring is a "
    "licensed electrician's work.",
    "Stored pressure: a tank or housing can hold pressure with the feed shut. Prove zero pressure before any "
    "joint or housing is opened.",
    "People drink this water: clean hands and gloves, new seals, nobody draws water until the unit is flushed "
    "to clear.",
]
CHEMICAL_CAUTION = (
    "Storage solution and sanitiser irritate skin and eyes: gloves and eye protection, never mixed, to drain with "
    "plenty of water. Read the safety data sheet."
)

_SAFE_START = [
    Step("tell", "Tell the people on site that the water will be off and not to draw any until you say so."),
    Step("isolate", "Shut the feed valve and the valve to the storage tank.", is_hazard_control=True),
    Step("lock_out", "Unplug the unit and keep the plug in your hand, or lock and tag its isolator.",
         is_hazard_control=True),
    Step("prove_zero", "Relieve the pressure at a low point and prove it: gauge at zero, tap open and dry.",
         is_hazard_control=True),
]  # fmt: skip
_SAFE_END = [
    Step("slow_fill", "Open the feed a quarter turn and fill slowly, letting the air out; no bang, no jolt."),
    Step("leak_watch", "Dry every joint you touched and watch each for five minutes at full pressure.",
         is_hazard_control=True),
]  # fmt: skip
_BACK_TO_WORK = [
    Step("override_closed", "Close the flush override and check that it is closed, before power.",
         is_hazard_control=True),
    Step("power", "Plug in or unlock with dry hands; see that the unit starts and stops as it should.",
         is_hazard_control=True),
    Step("run_in_readings", "After run-in of 15 minutes read flows, pressures, conductivities and temperature.",
         asks="performance"),
    Step("meter", "Read the meter.", asks="meter_total"),
    Step("drain_gap", "See that the drain line still has its air gap and is fixed.", is_hazard_control=True),
]  # fmt: skip
_FLUSH = [
    Step("flush", "Flush to drain with the override open until it runs clear: write down gallons and minutes, and "
         "whether it ran clear.", is_hazard_control=True, asks="flush"),
]  # fmt: skip

SHEETS: dict[str, list[Step]] = {
    OrderKind.CHANGE_DUE: [
        *_SAFE_START,
        Step("right_part", "Check kind, lot and shelf life of the new part against the order.", asks="part"),
        Step("take_out", "Take the old part out; note why: worn, failed or early. Look at it and at the housing."),
        Step("clean_housing", "Clean the housing, lay in a new seal with food-grade grease; never the old one."),
        Step("put_in", "Put the new part in the right way round; for a membrane mind the flow arrow and brine seal."),
        *_SAFE_END,
        Step("bed_or_flush", "Carbon: choose to leave the bed overnight and flush tomorrow, or to flush to clear "
             "now. Membrane: purge the storage solution to drain, permeate too."),
        *_FLUSH,
        Step("warning_tag", "Put the warning tag back on the carbon housing: do not draw before flushing.",
             is_hazard_control=True),
        Step("chlorine_after_carbon", "After carbon: test the chlorine behind it; it must read nothing.",
             asks="chlorine_after_carbon_mg_l"),
        *_BACK_TO_WORK,
    ],
    OrderKind.REFLUSH_REQUIRED: [
        Step("tell", "Tell the people on site not to draw water until you say so."),
        Step("tag_on", "See that the warning tag is on; if the unit was used meanwhile, tell the office now.",
             is_hazard_control=True),
        *_FLUSH,
        Step("leak_watch", "Watch the joints of the last change for five minutes at full pressure.",
             is_hazard_control=True),
        Step("chlorine_after_carbon", "After carbon: test the chlorine behind it; it must read nothing.",
             asks="chlorine_after_carbon_mg_l"),
        *_BACK_TO_WORK,
    ],
    OrderKind.PERFORMANCE_DECAY: [
        Step("readings_before", "Before touching anything, read flows, pressures, conductivities and temperature.",
             asks="performance"),
        Step("feed_side", "Check the feed: pressure, shut valves, clogged pre-filter, chlorine behind the carbon.",
             asks="chlorine_after_carbon_mg_l"),
        Step("gauges", "Doubt the gauges first: compare with a handheld one."),
        *_SAFE_START,
        Step("look_inside", "Open what the pattern points to: seals and O-rings, end caps, scale, slime, colour."),
        *_SAFE_END,
        *_BACK_TO_WORK,
    ],
    OrderKind.PLAN_VISIT: [
        Step("look_round", "Look, listen, feel: leaks, noise, heat, loose tubes, odd smell.",
             is_hazard_control=True),
        Step("run_in_readings", "Read flows, pressures, conductivities and temperature while running.",
             asks="performance"),
        Step("meter", "Read the meter.", asks="meter_total"),
        Step("drain_gap", "See that the drain line has its air gap and is fixed.", is_hazard_control=True),
        Step("ask", "Ask the people on site how the water has been; write it down."),
    ],
    OrderKind.FEED_TEST: [
        Step("sample_tap", "Let the feed tap run for two minutes, then take the sample."),
        Step("test", "Test chlorine at once, then hardness, alkalinity, pH, conductivity, temperature.",
             asks="feed_test"),
        Step("reagents", "Reagents are poison: gloves, closed case, rests go back with you.",
             is_hazard_control=True),
    ],
    OrderKind.READING: [
        Step("right_meter", "Compare the meter's serial number with the order; photograph the register."),
        Step("meter", "Read the meter, all digits, as it shows.", asks="meter_total"),
        Step("look_round", "Look for leaks while you are there.", is_hazard_control=True),
    ],
    OrderKind.ONE_OFF: [
        *_SAFE_START,
        Step("work", "Do the work as the order says; write down what you did."),
        *_SAFE_END,
        Step("flush", "If the wetted side was opened: flush to drain until it runs clear.",
             is_hazard_control=True, asks="flush"),
        *_BACK_TO_WORK,
    ],
}  # fmt: skip


def cautions_for(kind: str) -> list[str]:
    """Return what stands above the steps of a kind of work."""
    if kind in (OrderKind.READING,):
        return CAUTIONS[:2]
    if kind == OrderKind.FEED_TEST:
        return [CAUTIONS[0], CHEMICAL_CAUTION]
    return [*CAUTIONS, CHEMICAL_CAUTION]
