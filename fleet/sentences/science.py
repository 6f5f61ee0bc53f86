"""Sentences of patterns and of what the fleet taught.

Gathered by ``python -m tests.shared.sentences_said``.
"""

from typing import Final

from django.utils.translation import gettext_noop

SENTENCES: Final = (
    gettext_noop("Nothing is wrong with the membrane: cold water passes it more slowly."),
    gettext_noop("Take the feed temperature yourself and compare it with the reading."),
    gettext_noop("If the site needs more water in winter, tell the office; do not change the membrane."),
    gettext_noop("Read the pressure before and after the sediment filter."),
    gettext_noop(
        "Unplug, release the pressure, open the filter housings: look for slime, rust or "
        "carbon fines."),
    gettext_noop("Check turbidity and iron of the feed against the unit's limits."),
    gettext_noop("Check that the carbon was flushed until it ran clear after its last change."),
    gettext_noop("Clean or replace the membrane as its maker's manual says."),
    gettext_noop(
        "Measure hardness of the feed and after the softener or anti-scale cartridge, if "
        "there is one."),
    gettext_noop("Measure concentrate flow: a clogged or wrong flow restrictor raises recovery."),
    gettext_noop(
        "Unplug, release the pressure, open the membrane housing: look for white crust at "
        "the drain end."),
    gettext_noop("Check the softener's salt and regeneration."),
    gettext_noop("Test free and total chlorine after the carbon, with water running."),
    gettext_noop(
        "Check the age of the carbon and the water it has seen; replace it if any chlorine "
        "comes through."),
    gettext_noop("Ask whether the site or the utility chlorinated lately."),
    gettext_noop("The membrane does not recover: plan its replacement, after the carbon is right."),
    gettext_noop("Measure conductivity of the permeate after ten minutes of running, not at start."),
    gettext_noop("Where there are several membranes, measure each one's permeate to find the leak."),
    gettext_noop(
        "Unplug, release the pressure, open the membrane housing: look at O-rings and "
        "permeate tube."),
    gettext_noop("Check that no bypass or blending valve is open."),
    gettext_noop(
        "Check the feed pressure against the membrane's limit; look for a stuck regulator or "
        "water hammer."),
    gettext_noop("Check the feed temperature: hot water at high pressure packs the membrane."),
    gettext_noop("Check the permeate back pressure and the tank's air charge."),
    gettext_noop("The loss is permanent: plan replacement when the flow no longer serves the site."),
    gettext_noop(
        "Repeat the readings: the three pressures, both flows, temperature, both "
        "conductivities."),
    gettext_noop("Check the gauges and the flow meter against a second instrument."),
    gettext_noop("Read concentrate pressure and conductivities, so that the cause can be named."),
    gettext_noop("Look for a partly closed valve ahead of the membrane."),
    gettext_noop("Unplug, release the pressure, open the filter housings: look for a clogged filter."),
    gettext_noop("common practice"),
    gettext_noop("value from memory"),
    gettext_noop("our own choice"),
    gettext_noop("Water"),
    gettext_noop("Performance"),
    gettext_noop("Use, wear and due dates"),
    gettext_noop("Learning and money"),
    gettext_noop("No part of this kind has worn out or failed yet."),
    gettext_noop("Only %(failures)s failures; %(failures_needed)s are needed."),
    gettext_noop("All failures came at the same age, so the spread can't be learned."),
    gettext_noop("The fit did not settle on these histories."),
)  # fmt: skip
