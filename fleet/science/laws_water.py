"""Laws of the water itself: what is dissolved in it, and when it scales."""

from typing import Final

from fleet.science.law import Law, Standing

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
