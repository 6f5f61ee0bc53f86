"""Laws of learning from the fleet and of what a visit is worth."""

from typing import Final

from fleet.science.law import Law, Standing

FLEET_LAWS: Final = (
    Law(
        key="weibull",
        name="Weibull life",
        equation="S(t) = exp(-(t/η)^β); chance to last x longer = S(t + x) / S(t)",
        used_in=(
            "survival.survival",
            "survival.conditional_survival",
            "survival.remaining_life",
            "survival.mean_life",
        ),
        valid_range="scale and shape above 0",
        outside_range="unknown",
        source="NIST e-Handbook of Statistical Methods 8.1.6.2; checked against scipy.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="learned-life",
        name="Life learned from removals",
        equation="censored, late-entry maximum likelihood; ln η = a + Σ b ln(condition / rating's condition)",
        used_in=("learning.learn_life", "learning.relative_conditions", "learning.ends_a_life"),
        valid_range="5 failures or more; a covariate for every 10",
        outside_range='"not enough data" with the reason; the rating stands alone',
        source="NIST e-Handbook 8.4.1.3 and the lifelines library; checked on three published censored sets. "
        "Ten failures per covariate is common practice.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="shrinkage",
        name="Leaning on the rating",
        equation="posterior = estimate and rating weighted by inverse variance; the rating weighs as 10 "
        "failures",
        used_in=("learning.learn_life",),
        valid_range="any number of failures",
        outside_range="no rating: the data stand alone",
        source="Normal-normal posterior of the textbooks; the weight is our choice.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="wilson",
        name="Interval of a share",
        equation="(h + z²/2 ± z √(n p (1-p) + z²/4)) / (n + z²)",
        used_in=("calibration.wilson_interval",),
        valid_range="any count",
        outside_range="no count: 0 to 1",
        source="Wilson (1927); checked against scipy.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="calibration",
        name="Calibration and Brier score",
        equation="per bin of stated chance, the share that came true; score = mean((said - happened)²)",
        used_in=("calibration.calibration_table", "calibration.brier_score", "calibration.outcome_by"),
        valid_range="statements whose day has passed",
        outside_range="parts taken out early for another reason are counted apart",
        source="Brier (1950) and the practice of forecast verification.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="age-replacement",
        name="Age at which to replace",
        equation="C(t) = (Cp R + Cu (1 - R)) / ∫R, least where hazard × (Cu - Cp) = C",
        used_in=("economics.replacement_cost_rate", "economics.age_replacement"),
        valid_range="shape above 1 and a failure dearer than a plan",
        outside_range="run to failure",
        source="Barlow and Proschan, formula and example as in the documentation of the reliability library "
        "for Python.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="due-window",
        name="The two ends of a due window",
        equation="not before: likely - life × trip / (part + trip); not after: chance past = trip / failure, "
        "and where a life was learned no later than the age at which to replace",
        used_in=("economics.due_window", "economics.chance_past", "economics.day_of_chance"),
        valid_range="chance from 1 % to 50 % (a setting)",
        outside_range="held at the bounds; where the ends cross, risk wins",
        source="Our policy; the early end is the renewal optimum when shared visits are rare.",
        standing=Standing.OURS,
    ),
)
