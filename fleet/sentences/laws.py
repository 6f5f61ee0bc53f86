"""Sentences of laws: all but their sources.

Gathered by ``python -m tests.shared.sentences_said``.
"""

from typing import Final

from django.utils.translation import gettext_noop

SENTENCES: Final = (
    gettext_noop("Weibull life"),
    gettext_noop("S(t) = exp(-(t/η)^β); chance to last x longer = S(t + x) / S(t)"),
    gettext_noop("scale and shape above 0"),
    gettext_noop("Life learned from removals"),
    gettext_noop(
        "censored, late-entry maximum likelihood; ln η = a + Σ b ln(condition / rating's "
        "condition)"),
    gettext_noop("5 failures or more; a covariate for every 10"),
    gettext_noop('"not enough data" with the reason; the rating stands alone'),
    gettext_noop("Leaning on the rating"),
    gettext_noop(
        "posterior = estimate and rating weighted by inverse variance; the rating weighs as "
        "10 failures"),
    gettext_noop("any number of failures"),
    gettext_noop("no rating: the data stand alone"),
    gettext_noop("Interval of a share"),
    gettext_noop("any count"),
    gettext_noop("no count: 0 to 1"),
    gettext_noop("Calibration and Brier score"),
    gettext_noop("per bin of stated chance, the share that came true; score = mean((said - happened)²)"),
    gettext_noop("statements whose day has passed"),
    gettext_noop("parts taken out early for another reason are counted apart"),
    gettext_noop("Age at which to replace"),
    gettext_noop("C(t) = (Cp R + Cu (1 - R)) / ∫R, least where hazard × (Cu - Cp) = C"),
    gettext_noop("shape above 1 and a failure dearer than a plan"),
    gettext_noop("run to failure"),
    gettext_noop("The two ends of a due window"),
    gettext_noop(
        "not before: likely - life × trip / (part + trip); not after: chance past = trip / "
        "failure, and where a life was learned no later than the age at which to replace"),
    gettext_noop("chance from 1 % to 50 % (a setting)"),
    gettext_noop("held at the bounds; where the ends cross, risk wins"),
    gettext_noop("Use from cumulative meters"),
    gettext_noop(
        "use = difference of readings; rollover adds the register's length; swap, reversal, "
        "standstill, litres entered as gallons and misreadings are told apart, repaired and "
        "shown"),
    gettext_noop("two readings or more"),
    gettext_noop("with few, the design duty stands in with a wide spread, and the finding says so"),
    gettext_noop("Season and week of use"),
    gettext_noop(
        "twelve factors of mean 1 bend the calendar into days of average use; seven for "
        "weekdays"),
    gettext_noop("30 units read for a year, intervals of 45 days or less; for weekdays, read daily"),
    gettext_noop("months with few data stay near 1; even until learned"),
    gettext_noop("New sites borrow from like sites"),
    gettext_noop("design duty × median(use / design duty) of the like, drawn to 1 while they are few"),
    gettext_noop("sites of one kind with readings; the design duty carries their size"),
    gettext_noop("no like site: the design duty, with a wide spread"),
    gettext_noop("How much use swings"),
    gettext_noop(
        "spread = median of the metered units' spread / use; doubt of the design duty = "
        "1.4826 × median |use / design duty - 1|"),
    gettext_noop("30 units with 10 readings or more"),
    gettext_noop("fewer: 0.7 √day and 50 %, our own choice"),
    gettext_noop("Volume"),
    gettext_noop("gallons the position saw / rated (or learned) gallons; feed = permeate / recovery"),
    gettext_noop("recovery measured from flows, else the set-point"),
    gettext_noop("no rating, no such limit"),
    gettext_noop("Calendar"),
    gettext_noop("(days in place + days beyond shelf life) / rated months"),
    gettext_noop("Chlorine dose on carbon"),
    gettext_noop(
        "∫ gallons × oxidant mg/L / (rated gallons × challenge mg/L); chloramine × a factor "
        "of the medium"),
    gettext_noop("feed test in force, the site's own before the supply's"),
    gettext_noop("no test, no such limit"),
    gettext_noop("Chlorine that passes carbon"),
    gettext_noop("C/C0 = 0.5^n, n = N - (N - 1) wear; N = contact time / half time"),
    gettext_noop("2 to 12 halvings when fresh"),
    gettext_noop("held at the bounds; a chlorine test after the carbon replaces the model for 30 days"),
    gettext_noop("Empty-bed contact time"),
    gettext_noop("flow above 0"),
    gettext_noop("Hardness load"),
    gettext_noop(
        "softening: gallons × hardness / capacity; membrane and anti-scale: gallons and "
        "months × hardness × concentration relative to the rating's"),
    gettext_noop("hardness of the feed test in force"),
    gettext_noop("no test or rating, no such limit"),
    gettext_noop("Chlorine exposure of polyamide"),
    gettext_noop(
        "∫ chlorine after carbon × running hours / tolerance, 500 mg·h/L where the maker "
        "gives none"),
    gettext_noop("polyamide; cellulose triacetate needs chlorine and has no such limit"),
    gettext_noop("no such limit"),
    gettext_noop("Pressure drop of sediment cartridges"),
    gettext_noop("Δp = Δp0 exp(K V); wear = ln(Δp/Δp0) / ln(Δp_end/Δp0)"),
    gettext_noop("a clean and a terminal drop known, gauges read"),
    gettext_noop("Measured end"),
    gettext_noop(
        "chlorine after carbon above 0.1 mg/L, fines after a second clear flush, terminal "
        "drop reached: used up now"),
    gettext_noop("the newest measurement stands"),
    gettext_noop("not measured: no such limit"),
    gettext_noop("Due dates"),
    gettext_noop("F(u) = Φ((u-1)/r) + exp(2/s² + 2p²/s⁴) Φ(-(2p²u/s² + u + 1)/r), r² = s²u + p²u²"),
    gettext_noop("use as a drifting random walk with an uncertain mean"),
    gettext_noop(
        "dates end ten years ahead; fixed dates cap them; a learned life of uncertain length "
        "widens them: (-ln(1-chance) / ln 2)^(1/β) of its median, squares of the distances "
        "added"),
    gettext_noop("Flush of new parts"),
    gettext_noop(
        "minutes = gallons / gpm; fresh carbon 20 to 30 gal until clear, again after a "
        "night's bedding; new membrane about 20 minutes"),
    gettext_noop("unknown; owed until a recorded flush ran clear"),
    gettext_noop("Which gauge values are believed"),
    gettext_noop(
        "pressures 0 to 1500 psi, water 0 to 60 °C, flows 0.0001 to 10 000 gpm, "
        "conductivities 0.01 to 200 000 µS/cm, chlorine 0 to 100 mg/L"),
    gettext_noop("every reading, before anything is computed from it"),
    gettext_noop(
        "counts as unread, never as a number; a temperature constant outside 500 to 8000 K "
        "gives way to 2700 K with a wider error"),
    gettext_noop("Temperature factor of permeate flow"),
    gettext_noop("exp(K (1/298 - 1/(273 + T))), below 1 when cold"),
    gettext_noop("0 to 50 °C; K belongs to the membrane"),
    gettext_noop("Net driving pressure"),
    gettext_noop("Pf - dP/2 - Pp - π_fb + π_p"),
    gettext_noop("where it comes out above 0"),
    gettext_noop("Normalised permeate flow"),
    gettext_noop("Qp × (NDPs TCFs) / (NDPa TCFa)"),
    gettext_noop("full form: every gauge read"),
    gettext_noop("a gauge missing: corrected for what is known, marked, with a wider error"),
    gettext_noop("Normalised salt passage, two forms"),
    gettext_noop(
        "by flow: SP (Qp/Qps)(STCFs/STCFa)(Cfb/Cf)s/(Cfb/Cf)a; by pressure: Cp "
        "(NDPa/NDPs)(Cfbs/Cfba)"),
    gettext_noop("findings use the form by flow"),
    gettext_noop("unknown where an input is"),
    gettext_noop("Normalised pressure drop, two forms"),
    gettext_noop("dP ((2 Qc0 + Qp0) / (2 Qc + Qp))^1.5; the second × (1 + 0.017 (T - 25))"),
    gettext_noop("flows above 0; 5 to 45 °C"),
    gettext_noop("unknown where no water flows"),
    gettext_noop("When performance counts as lost"),
    gettext_noop(
        "normalised flow -10 %, salt passage +10 %, pressure drop +15 % against the unit's "
        "own baseline"),
    gettext_noop("baseline of 3 points or more after 24 to 48 hours' settling"),
    gettext_noop("no baseline, no alarm"),
    gettext_noop("Moving average chart"),
    gettext_noop(
        "z = w x + (1 - w) z; alarm beyond L √(w/(2-w) (1 - (1-w)^2t) + 1.4/n) plus what a "
        "wrong temperature constant could explain"),
    gettext_noop("run length without a change is simulated in the tests"),
    gettext_noop("a missing point leaves the average where it is"),
    gettext_noop("Cumulative sum chart"),
    gettext_noop("S = max(0, x - (target + k) + S), and the mirror image"),
    gettext_noop("a missing point leaves the sums where they are"),
    gettext_noop("Robust slope and date of crossing"),
    gettext_noop("median of all pairwise slopes; forecast only when Mann-Kendall finds a fall at 5 %"),
    gettext_noop("5 points or more, three years ahead at most"),
    gettext_noop("no slope, no date"),
    gettext_noop("What a change looks like"),
    gettext_noop(
        "flow and passage up, drop level: oxidation; drop up without passage: fouling; "
        "passage up with flow down or drop up: scaling; passage up with flow level: seal; "
        "flow down with a known, level drop: compaction; raw flow down but normalised flow "
        "level: cold water only"),
    gettext_noop("where at least flow is known"),
    gettext_noop("change without a known pattern is said to be that"),
    gettext_noop("Hardness as CaCO3"),
    gettext_noop("1 grain/gal = 17.118 mg/L; hardness = 2.497 Ca + 4.118 Mg"),
    gettext_noop("0 and above"),
    gettext_noop("unknown in, unknown out"),
    gettext_noop("Dissolved solids from conductivity"),
    gettext_noop(
        "TDS = factor × conductivity at 25 °C; the factor rises with strength and depends on "
        "the salt the meter assumes (0.64 for natural water)"),
    gettext_noop("84 to 12 880 µS/cm"),
    gettext_noop("the end factor holds"),
    gettext_noop("Ionic strength"),
    gettext_noop("I = ½ Σ m z²; from TDS alone I = 2.5e-5 TDS"),
    gettext_noop("from TDS: to about 1000 mg/L"),
    gettext_noop("still computed; error measured against PHREEQC in the tests"),
    gettext_noop("Osmotic pressure"),
    gettext_noop(
        "C (T + 320) / 491 000 bar below 20 000 mg/L; (0.0117 C - 34) / 14.23 × (T + 320) / "
        "345 above; from ions 1.12 (273 + T) Σm psi"),
    gettext_noop("0 to 70 000 mg/L as sodium chloride, 0 to 45 °C"),
    gettext_noop("still computed; measured against PHREEQC in the tests"),
    gettext_noop("Concentrate factor"),
    gettext_noop("recovery Y from 0 to below 1"),
    gettext_noop("Average feed-brine concentration"),
    gettext_noop("ln(1 / (1 - Y)) / Y times the feed"),
    gettext_noop("unknown; 1 at no recovery"),
    gettext_noop("Langelier and Ryznar indices"),
    gettext_noop("pHs = (9.3 + A + B) - (C + D); LSI = pH - pHs; RSI = 2 pHs - pH"),
    gettext_noop("TDS to 10 000 mg/L, 0 to 90 °C, pH 6.5 to 9.5"),
    gettext_noop("above 10 000 mg/L Stiff and Davis's index takes over"),
    gettext_noop("Stiff and Davis index"),
    gettext_noop("pH - (pCa + pAlk + K), K from ionic strength and temperature"),
    gettext_noop("ionic strength 0.1 to 1.2 mol/L, 0 to 50 °C"),
    gettext_noop("unknown above 1.2 mol/L"),
    gettext_noop("Scaling of the concentrate"),
    gettext_noop("Ca, alkalinity, TDS × 1 / (1 - Y), carbon dioxide unchanged; the index of that water"),
    gettext_noop("feed pH 6 to 9, 0 to 50 °C"),
    gettext_noop("Gypsum saturation"),
    gettext_noop(
        "{Ca}{SO4} / K, log K = 68.2401 - 3221.51/T - 25.0627 log T; activities by Davies, "
        "one ion pair"),
    gettext_noop("ionic strength to 0.5 mol/L, 0 to 60 °C"),
    gettext_noop("Solubility of amorphous silica"),
    gettext_noop("log S = -731/T + 4.52 [mg/kg], more above pH 9"),
    gettext_noop("0 to 60 °C"),
    gettext_noop("an unknown pH counts as neutral, the stricter side"),
    gettext_noop("Recovery at which the concentrate starts to scale"),
    gettext_noop("the recovery at which the first of carbonate, gypsum, silica reaches its limit"),
    gettext_noop("where the tests needed are known"),
    gettext_noop("a scale whose tests are missing is left out; unknown when all are"),
)  # fmt: skip
