"""Laws of the water itself: what is dissolved in it, and when it scales.

Laws of membrane performance: normalising, detecting change, naming it.
"""

from typing import Final

from fleet.science.laws import Law, Standing
from shared.messages import message

WATER_LAWS: Final = (
    Law(
        key="hardness",
        name=message("Hardness as CaCO3"),
        equation=message("1 grain/gal = 17.118 mg/L; hardness = 2.497 Ca + 4.118 Mg"),
        used_in=(
            "chemistry.hardness_from_gpg",
            "chemistry.gpg_from_hardness",
            "chemistry.hardness_from_ions",
            "chemistry.calcium_from_hardness",
            "chemistry.magnesium_from_hardness",
        ),
        valid_range=message("0 and above"),
        outside_range=message("unknown in, unknown out"),
        source="NIST SP 811 appendix B for grain and gallon; equivalent weights as in water handbooks.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="tds-from-conductivity",
        name=message("Dissolved solids from conductivity"),
        equation=message(
            "TDS = factor × conductivity at 25 °C; the factor rises with strength "
            "and depends on the salt the meter assumes (0.64 for natural water)"
        ),
        used_in=("chemistry.tds_from_conductivity", "chemistry.conductivity_from_tds"),
        valid_range=message("84 to 12 880 µS/cm"),
        outside_range=message("the end factor holds"),
        source="Calibration table of conductivity meter manuals; 0.64 is the middle of 0.55 to 0.8 they "
        "give.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="ionic-strength",
        name=message("Ionic strength"),
        equation=message("I = ½ Σ m z²; from TDS alone I = 2.5e-5 TDS"),
        used_in=("chemistry.ionic_strength", "chemistry.ionic_strength_from_tds"),
        valid_range=message("from TDS: to about 1000 mg/L"),
        outside_range=message("still computed; error measured against PHREEQC in the tests"),
        source="Definition; Langelier's approximation from TDS.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="osmotic-pressure",
        name=message("Osmotic pressure"),
        equation=message(
            "C (T + 320) / 491 000 bar below 20 000 mg/L; (0.0117 C - 34) / 14.23 "
            "× (T + 320) / 345 above; from ions 1.12 (273 + T) Σm psi"
        ),
        used_in=("chemistry.osmotic_pressure_from_tds", "chemistry.osmotic_pressure_from_molality"),
        valid_range=message("0 to 70 000 mg/L as sodium chloride, 0 to 45 °C"),
        outside_range=message("still computed; measured against PHREEQC in the tests"),
        source="Membrane makers' design equations.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="concentrate-factor",
        name=message("Concentrate factor"),
        equation="(1 - Y SP) / (1 - Y)",
        used_in=("chemistry.concentrate_factor",),
        valid_range=message("recovery Y from 0 to below 1"),
        outside_range="unknown",
        source="ASTM D3739-94(98) section 7.1.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="log-mean",
        name=message("Average feed-brine concentration"),
        equation=message("ln(1 / (1 - Y)) / Y times the feed"),
        used_in=("chemistry.log_mean_factor",),
        valid_range=message("recovery Y from 0 to below 1"),
        outside_range=message("unknown; 1 at no recovery"),
        source="ASTM D4516 practice, as given by the UNSW desalination wiki.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="langelier",
        name=message("Langelier and Ryznar indices"),
        equation=message("pHs = (9.3 + A + B) - (C + D); LSI = pH - pHs; RSI = 2 pHs - pH"),
        used_in=(
            "carbonate.saturation_ph",
            "carbonate.langelier_index",
            "carbonate.ryznar_index",
            "scaling.langelier_of",
        ),
        valid_range=message("TDS to 10 000 mg/L, 0 to 90 °C, pH 6.5 to 9.5"),
        outside_range=message("above 10 000 mg/L Stiff and Davis's index takes over"),
        source="corrosion-doctors.org; compared with PHREEQC in the tests. Ryznar's bands are values from "
        "memory.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="stiff-davis",
        name=message("Stiff and Davis index"),
        equation=message("pH - (pCa + pAlk + K), K from ionic strength and temperature"),
        used_in=("carbonate.stiff_davis_index", "scaling.stiff_davis_of"),
        valid_range=message("ionic strength 0.1 to 1.2 mol/L, 0 to 50 °C"),
        outside_range=message("unknown above 1.2 mol/L"),
        source="ASTM D4582; K as fitted by the US Bureau of Reclamation (2013), equation 13.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="concentrate-scaling",
        name=message("Scaling of the concentrate"),
        equation=message(
            "Ca, alkalinity, TDS × 1 / (1 - Y), carbon dioxide unchanged; the index of that water"
        ),
        used_in=("carbonate.concentrate_ph", "scaling.concentrate", "scaling.carbonate_index"),
        valid_range=message("feed pH 6 to 9, 0 to 50 °C"),
        outside_range=message("still computed; measured against PHREEQC in the tests"),
        source="ASTM D3739; constants of carbonic acid by Plummer and Busenberg (1982), read in PHREEQC's "
        "phreeqc.dat as shipped with phreeqpython (the first as the difference of its two lines).",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="gypsum",
        name=message("Gypsum saturation"),
        equation=message(
            "{Ca}{SO4} / K, log K = 68.2401 - 3221.51/T - 25.0627 log T; activities by Davies, one ion pair"
        ),
        used_in=("carbonate.gypsum_saturation", "carbonate.divalent_activity", "scaling.sulfate_saturation"),
        valid_range=message("ionic strength to 0.5 mol/L, 0 to 60 °C"),
        outside_range=message("still computed; measured against PHREEQC in the tests"),
        source="WATEQ4F data (log K -4.58 at 25 °C); Davies (1962).",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="silica",
        name=message("Solubility of amorphous silica"),
        equation=message("log S = -731/T + 4.52 [mg/kg], more above pH 9"),
        used_in=("carbonate.silica_solubility", "scaling.silica_saturation"),
        valid_range=message("0 to 60 °C"),
        outside_range=message("an unknown pH counts as neutral, the stricter side"),
        source="Fournier's line; first ionisation 10^-9.83, read in PHREEQC's phreeqc.dat as shipped "
        "with phreeqpython.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="limiting-recovery",
        name=message("Recovery at which the concentrate starts to scale"),
        equation=message("the recovery at which the first of carbonate, gypsum, silica reaches its limit"),
        used_in=("scaling.limiting_recovery",),
        valid_range=message("where the tests needed are known"),
        outside_range=message("a scale whose tests are missing is left out; unknown when all are"),
        source="The laws above, solved by bisection. Without inhibitor the index stays below 0: RO manuals.",
        standing=Standing.PUBLISHED,
    ),
)

PERFORMANCE_LAWS: Final = (
    Law(
        key="gauges",
        name=message("Which gauge values are believed"),
        equation=message(
            "pressures 0 to 1500 psi, water 0 to 60 °C, flows 0.0001 to 10 000 "
            "gpm, conductivities 0.01 to 200 000 µS/cm, chlorine 0 to 100 mg/L"
        ),
        used_in=("gauges.believable", "performance.find_membranes", "performance.read_gauges"),
        valid_range=message("every reading, before anything is computed from it"),
        outside_range=message(
            "counts as unread, never as a number; a temperature constant outside "
            "500 to 8000 K gives way to 2700 K with a wider error"
        ),
        source="Our own, wide on purpose.",
        standing=Standing.OURS,
    ),
    Law(
        key="temperature-factor",
        name=message("Temperature factor of permeate flow"),
        equation=message("exp(K (1/298 - 1/(273 + T))), below 1 when cold"),
        used_in=("normalise.temperature_factor", "on_site.on_site"),
        valid_range=message("0 to 50 °C; K belongs to the membrane"),
        outside_range="unknown",
        source='"Membrane Performance Factors" table (K 3020 / 2640); a household RO manual p. 13 (K 2700). '
        "Families differ by up to 25 % at 10 °C.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="driving-pressure",
        name=message("Net driving pressure"),
        equation=message("Pf - dP/2 - Pp - π_fb + π_p"),
        used_in=("normalise.net_driving_pressure",),
        valid_range=message("where it comes out above 0"),
        outside_range="unknown",
        source="ASTM D4516 practice, as in a laboratory's guide to D4516-19a section 6.1.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="normalised-flow",
        name=message("Normalised permeate flow"),
        equation=message("Qp × (NDPs TCFs) / (NDPa TCFa)"),
        used_in=("normalise.normalised_flow", "decay.assess_performance"),
        valid_range=message("full form: every gauge read"),
        outside_range=message("a gauge missing: corrected for what is known, marked, with a wider error"),
        source="ASTM D4516 practice; checked against a solution-diffusion model.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="salt-passage",
        name=message("Normalised salt passage, two forms"),
        equation=message(
            "by flow: SP (Qp/Qps)(STCFs/STCFa)(Cfb/Cf)s/(Cfb/Cf)a; by pressure: Cp (NDPa/NDPs)(Cfbs/Cfba)"
        ),
        used_in=("normalise.salt_passage_flow_form", "normalise.permeate_concentration_pressure_form"),
        valid_range=message("findings use the form by flow"),
        outside_range=message("unknown where an input is"),
        source="ASTM D4516 and membrane makers' manuals; checked against a solution-diffusion model.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="normalised-drop",
        name=message("Normalised pressure drop, two forms"),
        equation=message("dP ((2 Qc0 + Qp0) / (2 Qc + Qp))^1.5; the second × (1 + 0.017 (T - 25))"),
        used_in=("normalise.normalised_pressure_drop", "normalise.pressure_drop_temperature_factor"),
        valid_range=message("flows above 0; 5 to 45 °C"),
        outside_range=message("unknown where no water flows"),
        source="A membrane maker's technical manual, chapter 5-4; UNSW desalination wiki.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="thresholds",
        name=message("When performance counts as lost"),
        equation=message(
            "normalised flow -10 %, salt passage +10 %, pressure drop +15 % against the unit's own baseline"
        ),
        used_in=("decay.assess_performance",),
        valid_range=message("baseline of 3 points or more after 24 to 48 hours' settling"),
        outside_range=message("no baseline, no alarm"),
        source="Engineering pages on D4516; a laboratory RO manual p. 4-11; US Army TM 10-4610-309-14 "
        "WP0016. Each is a setting.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="ewma",
        name=message("Moving average chart"),
        equation=message(
            "z = w x + (1 - w) z; alarm beyond L √(w/(2-w) (1 - (1-w)^2t) + 1.4/n) "
            "plus what a wrong temperature constant could explain"
        ),
        used_in=("change.ewma", "change.ewma_variance", "performance_charts.chart"),
        valid_range=message("run length without a change is simulated in the tests"),
        outside_range=message("a missing point leaves the average where it is"),
        source="NIST e-Handbook of Statistical Methods 6.3.2.4; the exact early limits are a value from "
        "memory.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="cusum",
        name=message("Cumulative sum chart"),
        equation=message("S = max(0, x - (target + k) + S), and the mirror image"),
        used_in=("change.cusum", "performance_charts.since_fall_began"),
        valid_range="any",
        outside_range=message("a missing point leaves the sums where they are"),
        source="Montgomery and Runge, Applied Statistics and Probability for Engineers, example 16-6.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="robust-slope",
        name=message("Robust slope and date of crossing"),
        equation=message(
            "median of all pairwise slopes; forecast only when Mann-Kendall finds a fall at 5 %"
        ),
        used_in=("change.theil_sen", "performance_charts.forecast"),
        valid_range=message("5 points or more, three years ahead at most"),
        outside_range=message("no slope, no date"),
        source="Sen (1968) as in Wilcox's example; variance n(n-1)(2n+5)/18.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="measured-membrane",
        name=message("What is measured governs a membrane"),
        equation=message(
            "wear = largest of flow lost / 10 %, salt passage gained / 10 %, pressure drop gained / 15 %; "
            "well while no chart is in alarm; its end is where the trend of half a year reaches the first "
            "limit"
        ),
        used_in=(
            "membranes.judge_membranes",
            "membranes.weigh_choices",
            "membranes.ends_of_well",
            "performance_charts.limit_reached",
        ),
        valid_range=message("a baseline and readings with flow and salt passage, the newest within 120 days"),
        outside_range=message(
            "not measured: rated months and exposure stand in, and the finding says that it is a guess"
        ),
        source="Limits as above; a commercial unit's manual (section 5.7) replaces what cleaning does not "
        "bring back. Age of readings, costs of trip and cleaning are ours. Ends of simulated falls of 10 % "
        "in 120 to 400 days: median error 4 days (weekly) and 6 (monthly), four fifths within 39 and 48; "
        "on nine kinds of fall (steeper, flatter, in lumps, with season, tenants, drift) the true end came "
        "by the early, likely and late date in 10, 50 and 94 % read weekly; monthly in 22, 57 and 93 %. By "
        "kind the likely date is off most: 27 % where falls flatten, 70 % where they grow steeper.",
        standing=Standing.OURS,
    ),
    Law(
        key="patterns",
        name=message("What a change looks like"),
        equation=message(
            "flow and passage up, drop level: oxidation; drop up without passage: "
            "fouling; passage up with flow down or drop up: scaling; passage up "
            "with flow level: seal; flow down with a known, level drop: "
            "compaction; raw flow down but normalised flow level: cold water only"
        ),
        used_in=("patterns.name_pattern", "patterns.what_to_check_first"),
        valid_range=message("where at least flow is known"),
        outside_range=message(
            "change without a known pattern is said to be that, and so is one too young to tell: fouling and "
            "scaling below 1.5 times the limit, a seal leak before 8 points of steady passage"
        ),
        source="Direction table of a public troubleshooting text; seal, compaction and what to check first "
        "are common practice. The unit's own manual stands above it.",
        standing=Standing.COMMON_PRACTICE,
    ),
)
