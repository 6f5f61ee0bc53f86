"""Laws of membrane performance: normalising, detecting change, naming it."""

from typing import Final

from fleet.science.law import Law, Standing

PERFORMANCE_LAWS: Final = (
    Law(
        key="gauges",
        name="Which gauge values are believed",
        equation="pressures 0 to 1500 psi, water 0 to 60 °C, flows 0.0001 to 10 000 gpm, conductivities 0.01 "
        "to 200 000 µS/cm, chlorine 0 to 100 mg/L",
        used_in=("gauges.believable", "performance_rows.find_membranes", "performance_rows.read_gauges"),
        valid_range="every reading, before anything is computed from it",
        outside_range="counts as unread, never as a number; a temperature constant outside 500 to 8000 K "
        "gives way to 2700 K with a wider error",
        source="Our own, wide on purpose.",
        standing=Standing.OURS,
    ),
    Law(
        key="temperature-factor",
        name="Temperature factor of permeate flow",
        equation="exp(K (1/298 - 1/(273 + T))), below 1 when cold",
        used_in=("normalise.temperature_factor",),
        valid_range="0 to 50 °C; K belongs to the membrane",
        outside_range="unknown",
        source='"Membrane Performance Factors" table (K 3020 / 2640); a household RO manual p. 13 (K 2700). '
        "Families differ by up to 25 % at 10 °C.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="driving-pressure",
        name="Net driving pressure",
        equation="Pf - dP/2 - Pp - π_fb + π_p",
        used_in=("normalise.net_driving_pressure",),
        valid_range="where it comes out above 0",
        outside_range="unknown",
        source="ASTM D4516 practice, as in a laboratory's guide to D4516-19a section 6.1.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="normalised-flow",
        name="Normalised permeate flow",
        equation="Qp × (NDPs TCFs) / (NDPa TCFa)",
        used_in=("normalise.normalised_flow", "decay.assess_performance"),
        valid_range="full form: every gauge read",
        outside_range="a gauge missing: corrected for what is known, marked, with a wider error",
        source="ASTM D4516 practice; checked against a solution-diffusion model.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="salt-passage",
        name="Normalised salt passage, two forms",
        equation="by flow: SP (Qp/Qps)(STCFs/STCFa)(Cfb/Cf)s/(Cfb/Cf)a; "
        "by pressure: Cp (NDPa/NDPs)(Cfbs/Cfba)",
        used_in=("normalise.salt_passage_flow_form", "normalise.permeate_concentration_pressure_form"),
        valid_range="findings use the form by flow",
        outside_range="unknown where an input is",
        source="ASTM D4516 and membrane makers' manuals; checked against a solution-diffusion model.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="normalised-drop",
        name="Normalised pressure drop, two forms",
        equation="dP ((2 Qc0 + Qp0) / (2 Qc + Qp))^1.5; the second × (1 + 0.017 (T - 25))",
        used_in=("normalise.normalised_pressure_drop", "normalise.pressure_drop_temperature_factor"),
        valid_range="flows above 0; 5 to 45 °C",
        outside_range="unknown where no water flows",
        source="A membrane maker's technical manual, chapter 5-4; UNSW desalination wiki.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="thresholds",
        name="When performance counts as lost",
        equation="normalised flow -10 %, salt passage +10 %, pressure drop +15 % against the unit's own "
        "baseline",
        used_in=("decay.assess_performance",),
        valid_range="baseline of 3 points or more after 24 to 48 hours' settling",
        outside_range="no baseline, no alarm",
        source="Engineering pages on D4516; a laboratory RO manual p. 4-11; US Army TM 10-4610-309-14 "
        "WP0016. Each is a setting.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="ewma",
        name="Moving average chart",
        equation="z = w x + (1 - w) z; alarm beyond L √(w/(2-w) (1 - (1-w)^2t) + 1.4/n) "
        "plus what a wrong temperature constant could explain",
        used_in=("change.ewma", "change.ewma_variance", "performance_charts.chart"),
        valid_range="run length without a change is simulated in the tests",
        outside_range="a missing point leaves the average where it is",
        source="NIST e-Handbook of Statistical Methods 6.3.2.4; the exact early limits are a value from "
        "memory.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="cusum",
        name="Cumulative sum chart",
        equation="S = max(0, x - (target + k) + S), and the mirror image",
        used_in=("change.cusum", "performance_charts.since_fall_began"),
        valid_range="any",
        outside_range="a missing point leaves the sums where they are",
        source="Montgomery and Runge, Applied Statistics and Probability for Engineers, example 16-6.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="robust-slope",
        name="Robust slope and date of crossing",
        equation="median of all pairwise slopes; forecast only when Mann-Kendall finds a fall at 5 %",
        used_in=("change.theil_sen", "performance_charts.forecast"),
        valid_range="5 points or more, three years ahead at most",
        outside_range="no slope, no date",
        source="Sen (1968) as in Wilcox's example; variance n(n-1)(2n+5)/18.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="patterns",
        name="What a change looks like",
        equation="flow and passage up, drop level: oxidation; drop up without passage: fouling; passage up "
        "with flow down or drop up: scaling; passage up with flow level: seal; flow down with a known, level "
        "drop: compaction; raw flow down but normalised flow level: cold water only",
        used_in=("patterns.name_pattern", "patterns.what_to_check_first"),
        valid_range="where at least flow is known",
        outside_range="change without a known pattern is said to be that",
        source="Direction table of a public troubleshooting text; seal, compaction and what to check first "
        "are common practice. The unit's own manual stands above it.",
        standing=Standing.COMMON_PRACTICE,
    ),
)
