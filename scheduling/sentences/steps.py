"""Sentences of cautions and steps as the house wrote them.

Gathered by ``python -m tests.shared.sentences_said``.
"""

from typing import Final

from django.utils.translation import gettext_noop

SENTENCES: Final = (
    gettext_noop(
        "The maker's manual, local plumbing and electrical code and licensed trades go "
        "before this sheet. Stop and call the office where they differ or where you are not "
        "sure."),
    gettext_noop(
        "Mains voltage beside water: unplug, keep the plug in your hand or locked, dry hands "
        "and floor. Wiring is a licensed electrician's work."),
    gettext_noop(
        "Stored pressure: a tank or housing can hold pressure with the feed shut. Prove zero "
        "pressure before any joint or housing is opened."),
    gettext_noop(
        "People drink this water: clean hands and gloves, new seals, nobody draws water "
        "until the unit is flushed to clear."),
    gettext_noop(
        "Storage solution and sanitiser irritate skin and eyes: gloves and eye protection, "
        "never mixed, to drain with plenty of water. Read the safety data sheet."),
    gettext_noop(
        "Tell the people on site that the water will be off and not to draw any until you "
        "say so."),
    gettext_noop("Shut the feed valve and the valve to the storage tank."),
    gettext_noop("Unplug the unit and keep the plug in your hand, or lock and tag its isolator."),
    gettext_noop("Relieve the pressure at a low point and prove it: gauge at zero, tap open and dry."),
    gettext_noop("Open the feed a quarter turn and fill slowly, letting the air out; no bang, no jolt."),
    gettext_noop("Dry every joint you touched and watch each for five minutes at full pressure."),
    gettext_noop("Close the flush override and check that it is closed, before power."),
    gettext_noop("Plug in or unlock with dry hands; see that the unit starts and stops as it should."),
    gettext_noop("After run-in of 15 minutes read flows, pressures, conductivities and temperature."),
    gettext_noop("Read the meter."),
    gettext_noop("See that the drain line still has its air gap and is fixed."),
    gettext_noop(
        "Flush to drain with the override open until it runs clear: write down gallons and "
        "minutes, and whether it ran clear."),
    gettext_noop("Check kind, lot and shelf life of the new part against the order."),
    gettext_noop(
        "Take the old part out; note why: worn, failed or early. Look at it and at the "
        "housing."),
    gettext_noop("Clean the housing, lay in a new seal with food-grade grease; never the old one."),
    gettext_noop(
        "Put the new part in the right way round; for a membrane mind the flow arrow and "
        "brine seal."),
    gettext_noop(
        "Carbon: choose to leave the bed overnight and flush tomorrow, or to flush to clear "
        "now. Membrane: purge the storage solution to drain, permeate too."),
    gettext_noop("Put the warning tag back on the carbon housing: do not draw before flushing."),
    gettext_noop("After carbon: test the chlorine behind it; it must read nothing."),
    gettext_noop("Tell the people on site not to draw water until you say so."),
    gettext_noop("See that the warning tag is on; if the unit was used meanwhile, tell the office now."),
    gettext_noop("Watch the joints of the last change for five minutes at full pressure."),
    gettext_noop("Before touching anything, read flows, pressures, conductivities and temperature."),
    gettext_noop(
        "Check the feed: pressure, shut valves, clogged pre-filter, chlorine behind the "
        "carbon."),
    gettext_noop("Doubt the gauges first: compare with a handheld one."),
    gettext_noop("Open what the pattern points to: seals and O-rings, end caps, scale, slime, colour."),
    gettext_noop("Look, listen, feel: leaks, noise, heat, loose tubes, odd smell."),
    gettext_noop("Read flows, pressures, conductivities and temperature while running."),
    gettext_noop("See that the drain line has its air gap and is fixed."),
    gettext_noop("Ask the people on site how the water has been; write it down."),
    gettext_noop("Let the feed tap run for two minutes, then take the sample."),
    gettext_noop("Test chlorine at once, then hardness, alkalinity, pH, conductivity, temperature."),
    gettext_noop("Reagents are poison: gloves, closed case, rests go back with you."),
    gettext_noop("Compare the meter's serial number with the order; photograph the register."),
    gettext_noop("Read the meter, all digits, as it shows."),
    gettext_noop("Look for leaks while you are there."),
    gettext_noop("Do the work as the order says; write down what you did."),
    gettext_noop("If the wetted side was opened: flush to drain until it runs clear."),
)  # fmt: skip
