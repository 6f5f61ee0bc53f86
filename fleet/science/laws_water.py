"""Laws of the water itself: what is dissolved in it, and when it scales.

Laws of membrane performance: normalising, detecting change, naming it.
"""

from typing import Final

from fleet.science.laws import Law, Standing

WATER_LAWS: Final = (
    Law(
        key="hardness",
        name="Hardness as CaCO3",
        equation="1 grain/gal = 17.118 mg/L; hardness = 2.497 Ca + 4.118 Mg",
        used_in=(
            "chemistry.hardness_from_gpg",
            "chemistry.gpg_from_hardness",
            "chemistry.hardness_from_ions",
            "chemistry.calcium_from_hardness",
            "chemistry.magnesium_from_hardness",
        ),
        valid_range="0 and above",
        outside_range="unknown in, unknown out",
        source="NIST SP 811 appendix B for grain and gallon; equivalent weights as in water handbooks.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="tds-from-conductivity",
        name="Dissolved solids from conductivity",
        equation="TDS = factor × conductivity at 25 °C; the factor rises with strength and depends on the "
        "salt the meter assumes (0.64 for natural water)",
        used_in=("chemistry.tds_from_conductivity", "chemistry.conductivity_from_tds"),
        valid_range="84 to 12 880 µS/cm",
        outside_range="the end factor holds",
        source="Calibration table of conductivity meter manuals; 0.64 is the middle of 0.55 to 0.8 they "
        "give.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="ionic-strength",
        name="Ionic strength",
        equation="I = ½ Σ m z²; from TDS alone I = 2.5e-5 TDS",
        used_in=("chemistry.ionic_strength", "chemistry.ionic_strength_from_tds"),
        valid_range="from TDS: to about 1000 mg/L",
        outside_range="still computed; error measured against PHREEQC in the tests",
        source="Definition; Langelier's approximation from TDS.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="osmotic-pressure",
        name="Osmotic pressure",
        equation="C (T + 320) / 491 000 bar below 20 000 mg/L; (0.0117 C - 34) / 14.23 × (T + 320) / 345 "
        "above; from ions 1.12 (273 + T) Σm psi",
        used_in=("chemistry.osmotic_pressure_from_tds", "chemistry.osmotic_pressure_from_molality"),
        valid_range="0 to 70 000 mg/L as sodium chloride, 0 to 45 °C",
        outside_range="still computed; measured against PHREEQC in the tests",
        source="Membrane makers' design equations.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="concentrate-factor",
        name="Concentrate factor",
        equation="(1 - Y SP) / (1 - Y)",
        used_in=("chemistry.concentrate_factor",),
        valid_range="recovery Y from 0 to below 1",
        outside_range="unknown",
        source="ASTM D3739-94(98) section 7.1.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="log-mean",
        name="Average feed-brine concentration",
        equation="ln(1 / (1 - Y)) / Y times the feed",
        used_in=("chemistry.log_mean_factor",),
        valid_range="recovery Y from 0 to below 1",
        outside_range="unknown; 1 at no recovery",
        source="ASTM D4516 practice, as given by the UNSW desalination wiki.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="langelier",
        name="Langelier and Ryznar indices",
        equation="pHs = (9.3 + A + B) - (C + D); LSI = pH - pHs; RSI = 2 pHs - pH",
        used_in=(
            "carbonate.saturation_ph",
            "carbonate.langelier_index",
            "carbonate.ryznar_index",
            "scaling.langelier_of",
        ),
        valid_range="TDS to 10 000 mg/L, 0 to 90 °C, pH 6.5 to 9.5",
        outside_range="above 10 000 mg/L Stiff and Davis's index takes over",
        source="corrosion-doctors.org; compared with PHREEQC in the tests. Ryznar's bands are values from "
        "memory.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="stiff-davis",
        name="Stiff and Davis index",
        equation="pH - (pCa + pAlk + K), K from ionic strength and temperature",
        used_in=("carbonate.stiff_davis_index", "scaling.stiff_davis_of"),
        valid_range="ionic strength 0.1 to 1.2 mol/L, 0 to 50 °C",
        outside_range="unknown above 1.2 mol/L",
        source="ASTM D4582; K as fitted by the US Bureau of Reclamation (2013), equation 13.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="concentrate-scaling",
        name="Scaling of the concentrate",
        equation="Ca, alkalinity, TDS × 1 / (1 - Y), carbon dioxide unchanged; the index of that water",
        used_in=("carbonate.concentrate_ph", "scaling.concentrate", "scaling.carbonate_index"),
        valid_range="feed pH 6 to 9, 0 to 50 °C",
        outside_range="still computed; measured against PHREEQC in the tests",
        source="ASTM D3739; constants of carbonic acid by Plummer and Busenberg (1982), read in PHREEQC's "
        "phreeqc.dat as shipped with phreeqpython (the first as the difference of its two lines).",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="gypsum",
        name="Gypsum saturation",
        equation="{Ca}{SO4} / K, log K = 68.2401 - 3221.51/T - 25.0627 log T; activities by Davies, one ion "
        "pair",
        used_in=("minerals.gypsum_saturation", "activity.divalent_activity", "scaling.sulfate_saturation"),
        valid_range="ionic strength to 0.5 mol/L, 0 to 60 °C",
        outside_range="still computed; measured against PHREEQC in the tests",
        source="WATEQ4F data (log K -4.58 at 25 °C); Davies (1962).",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="silica",
        name="Solubility of amorphous silica",
        equation="log S = -731/T + 4.52 [mg/kg], more above pH 9",
        used_in=("minerals.silica_solubility", "scaling.silica_saturation"),
        valid_range="0 to 60 °C",
        outside_range="an unknown pH counts as neutral, the stricter side",
        source="Fournier's line; first ionisation 10^-9.83, read in PHREEQC's phreeqc.dat as shipped "
        "with phreeqpython.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="limiting-recovery",
        name="Recovery at which the concentrate starts to scale",
        equation="the recovery at which the first of carbonate, gypsum, silica reaches its limit",
        used_in=("scaling.limiting_recovery",),
        valid_range="where the tests needed are known",
        outside_range="a scale whose tests are missing is left out; unknown when all are",
        source="The laws above, solved by bisection. Without inhibitor the index stays below 0: RO manuals.",
        standing=Standing.PUBLISHED,
    ),
)

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
