"""The form in which each law of the science states itself, for a page to render.

Laws of use, wear, flushes and due dates.
Laws of learning from the fleet and of what a visit is worth.
"""

from dataclasses import dataclass
from enum import Enum
from typing import Final

from shared.messages import message


class Standing(Enum):
    """How well a law is founded. The value is what a page shows."""

    PUBLISHED = message("published")
    """In a document that was read; its name is the source."""
    COMMON_PRACTICE = message("common practice")
    """What the trade does; no document."""
    FROM_MEMORY = message("value from memory")
    """In a named document that was not read again; checked against something else where the text says so."""
    OURS = message("our own choice")
    """Decided here, for the reason given."""


@dataclass(frozen=True)
class Law:
    """One law: what it says, where it holds, where it comes from."""

    key: str
    """Short name for links, lower case with hyphens."""
    name: str
    equation: str
    """As a person would redo it by hand, or the rule in words."""
    used_in: tuple[str, ...]
    """``module.function`` in ``fleet.science``."""
    valid_range: str
    outside_range: str
    """What the program does outside the range."""
    source: str
    standing: Standing


LIFE_LAWS: Final = (
    Law(
        key="meters",
        name=message("Use from cumulative meters"),
        equation=message(
            "use = difference of readings; rollover adds the register's length; "
            "swap, reversal, standstill, litres entered as gallons and misreadings "
            "are told apart, repaired and shown"
        ),
        used_in=(
            "meter_faults.judge",
            "registers.mark_stuck",
            "registers.slip_states",
            "use.compute_use",
        ),
        valid_range=message("two readings or more"),
        outside_range=message(
            "with few, the design duty stands in with a wide spread, and the finding says so"
        ),
        source="Our rules; their precision and recall on invented faults are in the tests.",
        standing=Standing.OURS,
    ),
    Law(
        key="season",
        name=message("Season and week of use"),
        equation=message(
            "twelve factors of mean 1 bend the calendar into days of average use; seven for weekdays"
        ),
        used_in=(
            "due_dates.due_window",
            "season.learn_clock",
            "season.fit_season",
            "season.fit_week",
        ),
        valid_range=message(
            "30 units read for a year, intervals of 45 days or less; for weekdays, read daily"
        ),
        outside_range=message("months with few data stay near 1; even until learned"),
        source="Our own form: use over the unit's own mean, averaged by month and drawn to 1.",
        standing=Standing.OURS,
    ),
    Law(
        key="like-sites",
        name=message("New sites borrow from like sites"),
        equation=message(
            "design duty × median(use / design duty) of the like, drawn to 1 while they are few"
        ),
        used_in=("fleet_use.learn_like_sites", "fleet_use.lend_use"),
        valid_range=message("sites of one kind with readings; the design duty carries their size"),
        outside_range=message("no like site: the design duty, with a wide spread"),
        source="Our own form.",
        standing=Standing.OURS,
    ),
    Law(
        key="swing",
        name=message("How much use swings"),
        equation=message(
            "spread = median of the metered units' spread / use; doubt of the "
            "design duty = 1.4826 × median |use / design duty - 1|"
        ),
        used_in=("fleet_use.fit_use_rules", "use.compute_use"),
        valid_range=message("30 units with 10 readings or more"),
        outside_range=message("fewer: 0.7 √day and 50 %, our own choice"),
        source="Median absolute deviation, 1.4826 for a normal; the rest is our own form. How fast use "
        "wanders is learned, too: root of 6 (covariance of neighbouring intervals + σ²/T) / T, 5 % a year "
        "until then. In a simulated second year dates were reached within 4 points where level, "
        "lumpy, weekly and drifting use; the likely one was off by 5 to 13 with season, 6 to 16 with new "
        "tenants, 2 to 12 with all at once. Not covered: a rating taken as exact, chlorine between tests.",
        standing=Standing.OURS,
    ),
    Law(
        key="volume",
        name=message("Volume"),
        equation=message("gallons the position saw / rated (or learned) gallons; feed = permeate / recovery"),
        used_in=("wear.assess_life",),
        valid_range=message("recovery measured from flows, else the set-point"),
        outside_range=message("no rating, no such limit"),
        source="The part's own rating.",
        standing=Standing.COMMON_PRACTICE,
    ),
    Law(
        key="calendar",
        name=message("Calendar"),
        equation=message("(days in place + days beyond shelf life) / rated months"),
        used_in=("wear.assess_life",),
        valid_range="any",
        outside_range=message("no rating, no such limit"),
        source="The part's own rating.",
        standing=Standing.COMMON_PRACTICE,
    ),
    Law(
        key="chlorine-dose",
        name=message("Chlorine dose on carbon"),
        equation=message(
            "∫ gallons × oxidant mg/L / (rated gallons × challenge mg/L); chloramine × a factor of the medium"
        ),
        used_in=("carbon.follow_oxidant", "wear.assess_life"),
        valid_range=message("feed test in force, the site's own before the supply's"),
        outside_range=message("no test, no such limit"),
        source="First-order scaling of the rating with dose. The 2 mg/L challenge of NSF/ANSI 42 is a value "
        "from memory.",
        standing=Standing.OURS,
    ),
    Law(
        key="carbon-leak",
        name=message("Chlorine that passes carbon"),
        equation=message("C/C0 = 0.5^n, n = N - (N - 1) wear; N = contact time / half time"),
        used_in=("carbon.leak_share", "carbon.leaked_wear", "carbon.mean_leak", "carbon.fresh_halvings"),
        valid_range=message("2 to 12 halvings when fresh, half time 0.5 min"),
        outside_range=message(
            "held at the bounds; a chlorine test after the carbon replaces the model for 30 days"
        ),
        source="Depth law of DIN 19603; half time from a carbon supplier's two pages on it: 3 cm at 3.6 m/h. "
        "One half left at the rated end (50 % reduction, NSF/ANSI 42) is a value from memory.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="carbon-end",
        name=message("Where carbon ahead of a membrane ends"),
        equation=message(
            "free × 0.5^(N left) + chloramine × 0.5^(M left) = 0.1 mg/L, left = 1 - wear (N - 1) / N; alone: "
            "wear = (N - log2(C / 0.1)) / (N - 1); M = contact time / 2 min, 1 min for catalytic carbon"
        ),
        used_in=("carbon.end_wear", "carbon.total_leak_mg_l", "carbon.wear_of_leak"),
        valid_range=message("carbon next to a polyamide membrane, contact time and feed test known"),
        outside_range=message(
            "elsewhere the rating stands; a fresh bed that lets more through is a finding of its own; a test "
            "behind the bed sets its wear; pH and organic matter are left out: both slow it down"
        ),
        source="Limit: a commercial RO manual and dialysis practice (AAMI), which also asks 10 min for "
        "chloramine: five halvings of 2 min; catalytic carbon is taken as twice as fast. On simulated beds "
        "with half times 0.6 to 1.6 of the stated the end is missed by 8 % of the rated dose (median), after "
        "one test late in life by 3 %.",
        standing=Standing.OURS,
    ),
    Law(
        key="contact-time",
        name=message("Empty-bed contact time"),
        equation="t [min] = V [ft3] × 7.48 / Q [gpm]",
        used_in=("carbon.contact_time_min",),
        valid_range=message("flow above 0"),
        outside_range="unknown",
        source="Definition.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="hardness-load",
        name=message("Hardness load"),
        equation=message(
            "softening: gallons × hardness / capacity; membrane and anti-scale: "
            "gallons and months × hardness × concentration relative to the rating's"
        ),
        used_in=("wear.assess_life",),
        valid_range=message("hardness of the feed test in force"),
        outside_range=message("no test or rating, no such limit"),
        source="Proportional shortening; the scaling indices are the second opinion.",
        standing=Standing.OURS,
    ),
    Law(
        key="oxidant-exposure",
        name=message("Chlorine exposure of polyamide"),
        equation=message(
            "∫ chlorine after carbon × running hours / tolerance, 500 mg·h/L where the maker gives none"
        ),
        used_in=("carbon.follow_oxidant", "carbon.membrane_life_lost"),
        valid_range=message("polyamide; cellulose triacetate needs chlorine and has no such limit"),
        outside_range=message("no such limit"),
        source="Membrane makers' pages: 200 to 1000 h at 1 mg/L before noticeable loss.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="pressure-drop",
        name=message("Pressure drop of sediment cartridges"),
        equation=message("Δp = Δp0 exp(K V); wear = ln(Δp/Δp0) / ln(Δp_end/Δp0)"),
        used_in=("measured_wear.pressure_wear",),
        valid_range=message(
            "a terminal drop known, the clean one or a reading in the first 14 days; a rise of 1 psi or "
            "more on 5 days of water or more"
        ),
        outside_range=message("no such limit"),
        source="Intermediate blocking (Hermia 1982, value from memory); a cartridge maker's convex loading "
        "curves.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="measured-end",
        name=message("Measured end"),
        equation=message(
            "chlorine after carbon above 0.1 mg/L, fines after a second clear "
            "flush, terminal drop reached: used up now"
        ),
        used_in=("measured_wear.measured_end",),
        valid_range=message("the newest measurement stands"),
        outside_range=message("not measured: no such limit"),
        source="A commercial RO manual and dialysis practice (AAMI) for 0.1 mg/L.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="first-passage",
        name=message("Due dates"),
        equation=message("F(u) = Φ((u-1)/r) + exp(2/s² + 2p²/s⁴) Φ(-(2p²u/s² + u + 1)/r), r² = s²u + p²u²"),
        used_in=(
            "due_dates.passage_chance",
            "due_dates.passage_density",
            "due_dates.passage_time",
            "due_dates.due_window",
        ),
        valid_range=message("use as a drifting random walk with an uncertain mean"),
        outside_range=message(
            "dates end ten years ahead; fixed dates cap them; a learned life of "
            "uncertain length widens them: (-ln(1-chance) / ln 2)^(1/β) of its "
            "median, squares of the distances added"
        ),
        source="Inverse Gaussian: Chhikara and Folks (1989); uncertain drift: Peng and Tseng (2009), from "
        "memory; checked by simulation and scipy.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="flush",
        name=message("Flush of new parts"),
        equation=message(
            "minutes = gallons / gpm; fresh carbon 20 to 30 gal until clear, again "
            "after a night's bedding; new membrane about 20 minutes"
        ),
        used_in=("readiness.flush_minutes", "readiness.assess_readiness"),
        valid_range=message("flow above 0"),
        outside_range=message("unknown; owed until a recorded flush ran clear"),
        source="Common practice; the maker's manual goes first.",
        standing=Standing.COMMON_PRACTICE,
    ),
)

FLEET_LAWS: Final = (
    Law(
        key="weibull",
        name=message("Weibull life"),
        equation=message("S(t) = exp(-(t/η)^β); chance to last x longer = S(t + x) / S(t)"),
        used_in=(
            "learning.survival",
            "learning.conditional_survival",
            "learning.remaining_life",
            "learning.mean_life",
        ),
        valid_range=message("scale and shape above 0"),
        outside_range="unknown",
        source="NIST e-Handbook of Statistical Methods 8.1.6.2; checked against scipy.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="learned-life",
        name=message("Life learned from removals"),
        equation=message(
            "censored, late-entry maximum likelihood; ln η = a + Σ b ln(condition / rating's condition)"
        ),
        used_in=("learning.learn_life", "learning.relative_conditions", "learning.ends_a_life"),
        valid_range=message("5 failures or more; a covariate for every 10"),
        outside_range=message('"not enough data" with the reason; the rating stands alone'),
        source="NIST e-Handbook 8.4.1.3 and the lifelines library; checked on three published censored sets. "
        "Ten failures per covariate is common practice.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="shrinkage",
        name=message("Leaning on the rating"),
        equation=message(
            "posterior = estimate and rating weighted by inverse variance; the rating weighs as 10 failures"
        ),
        used_in=("learning.learn_life",),
        valid_range=message("any number of failures"),
        outside_range=message("no rating: the data stand alone"),
        source="Normal-normal posterior of the textbooks; the weight is our choice.",
        standing=Standing.FROM_MEMORY,
    ),
    Law(
        key="wilson",
        name=message("Interval of a share"),
        equation="(h + z²/2 ± z √(n p (1-p) + z²/4)) / (n + z²)",
        used_in=("calibration.wilson_interval",),
        valid_range=message("any count"),
        outside_range=message("no count: 0 to 1"),
        source="Wilson (1927); checked against scipy.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="calibration",
        name=message("Calibration and Brier score"),
        equation=message(
            "per bin of stated chance, the share that came true; score = mean((said - happened)²)"
        ),
        used_in=("calibration.calibration_table", "calibration.brier_score"),
        valid_range=message("statements whose day has passed"),
        outside_range=message("removals with nothing said of how the part was are counted apart"),
        source="Brier (1950) and the practice of forecast verification.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="age-replacement",
        name=message("Age at which to replace"),
        equation=message("C(t) = (Cp R + Cu (1 - R)) / ∫R, least where hazard × (Cu - Cp) = C"),
        used_in=("economics.replacement_cost_rate", "economics.age_replacement"),
        valid_range=message("shape above 1 and a failure dearer than a plan"),
        outside_range=message("run to failure"),
        source="Barlow and Proschan, formula and example as in the documentation of the reliability library "
        "for Python.",
        standing=Standing.PUBLISHED,
    ),
    Law(
        key="due-window",
        name=message("The two ends of a due window"),
        equation=message(
            "not before: likely - life × trip / (part + trip); not after: chance "
            "past = trip / failure, and where a life was learned no later than the "
            "age at which to replace"
        ),
        used_in=("economics.due_window", "economics.chance_past", "economics.day_of_chance"),
        valid_range=message("chance from 1 % to 50 % (a setting)"),
        outside_range=message("held at the bounds; where the ends cross, risk wins"),
        source="Our policy; the early end is the renewal optimum when shared visits are rare.",
        standing=Standing.OURS,
    ),
)
