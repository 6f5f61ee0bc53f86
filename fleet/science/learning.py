"""Lives of parts as Weibull distributions: what is learned, and its value for arrays of parts at once.

Learns the life of a kind of part from the fleet's own removals, leaning on the rating while data are few.

Ages are in whatever measure the life is learned in, gallons or days, the same one throughout.
``learning`` fits these from the fleet's own removals; nothing here needs the fitting library.

A part that came out worn or failed ended its life. One that came out for any other reason, or is still in
place, lived at least so long (right-censored). One whose records began late is counted from then on
(left-truncated).
"""

import warnings
from dataclasses import dataclass
from typing import Final

import numpy as np
import pandas as pd
from lifelines import WeibullAFTFitter
from lifelines.exceptions import ConvergenceError
from numpy.typing import ArrayLike
from scipy.special import gamma

from fleet.science.columns import Flags, Floats, as_floats
from shared.messages import message


@dataclass(frozen=True)
class LearnedLife:
    """Weibull life of one kind of part, its scale log-linear in the covariates."""

    log_scale: float
    """Logarithm of the scale (63 % used up) with every covariate at 0, the conditions of the rating."""
    log_shape: float
    coefficients: Floats
    """(covariates,) change of the log-scale for each covariate; its law's for one that was not used."""
    laws: Floats
    """(covariates,) what wear applies of that by itself: the dose law of chlorine. [-]"""
    typical: Floats
    """(covariates,) median of what the parts saw; 0 where unknown. [-]"""
    standard_errors: Floats
    """(2 + covariates,) of log-scale, log-shape and the coefficients, the rating's weight included."""
    covariate_names: tuple[str, ...]
    covariates_used: tuple[str, ...]
    """Those with failures enough to be learned."""
    parts: int
    """Histories the fit rests on."""
    failures: int
    """How many of them ended worn or failed."""
    rating_share: float
    """Part of the say the rating has in the log-scale, 1 with no failures, towards 0 with many. [-]"""

    @property
    def shape(self) -> float:
        """Weibull shape; above 1 when parts wear. [-]"""
        return float(np.exp(self.log_shape))

    @property
    def median(self) -> float:
        """Age by which half are used up at the conditions of the rating. [gal or day]"""
        return float(np.exp(self.log_scale) * np.log(2) ** (1 / self.shape))

    @property
    def median_by_law(self) -> float:
        """Median at the conditions of the rating as wear applies it: right where the parts typically were.

        Wear knows only the laws; what was learned beyond them enters at the conditions parts typically saw.
        [gal or day]
        """
        return float(self.median * np.exp(np.sum((self.coefficients - self.laws) * self.typical)))

    def scale_at(self, covariates: ArrayLike) -> Floats:
        """
        Return the scale for parts under their own conditions.

        Parameters
        ----------
        covariates : array (parts, covariates)
            As learned; a NaN counts as 0, the rating's condition. [-]

        Returns
        -------
        array (parts,)
            ``exp(log_scale + x · b)``. [gal or day]
        """
        known = np.nan_to_num(as_floats(covariates))
        return np.asarray(np.exp(self.log_scale + known @ self.coefficients))


@dataclass(frozen=True)
class NotEnoughData:
    """No life was learned, and why; the rating stands alone."""

    reason: str
    parts: int
    failures: int
    failures_needed: int


def survival(age: ArrayLike, scale: ArrayLike, shape: ArrayLike) -> Floats:
    """
    Return the chance that a part is still good at an age.

    Parameters
    ----------
    age : array
        Age, 0 or more; below 0 counts as new. [gal or day]
    scale : array
        Weibull scale, above 0. [gal or day]
    shape : array
        Weibull shape, above 0. [-]

    Returns
    -------
    array
        ``exp(-(age / scale)^shape)``. [-]

    Source
    ------
    NIST e-Handbook of Statistical Methods 8.1.6.2.
    """
    return np.asarray(np.exp(-(_relative(age, scale) ** as_floats(shape))))


def conditional_survival(age: ArrayLike, further: ArrayLike, scale: ArrayLike, shape: ArrayLike) -> Floats:
    """
    Return the chance that a part good at its age stays good for so much longer.

    Parameters
    ----------
    age : array
        Age today, 0 or more. [gal or day]
    further : array
        How much longer, 0 or more. [gal or day]
    scale : array
        Weibull scale, above 0. [gal or day]
    shape : array
        Weibull shape, above 0. [-]

    Returns
    -------
    array
        ``S(age + further) / S(age)``, right also where both are too small to hold. [-]

    Source
    ------
    Definition of conditional reliability on NIST e-Handbook 8.1.6.2.
    """
    power = as_floats(shape)
    now = _relative(age, scale) ** power
    later = _relative(as_floats(age) + np.maximum(as_floats(further), 0), scale) ** power
    return np.asarray(np.exp(now - later))


def remaining_life(age: ArrayLike, chance: ArrayLike, scale: ArrayLike, shape: ArrayLike) -> Floats:
    """
    Return how much longer until a part good at its age is used up with this chance.

    Parameters
    ----------
    age : array
        Age today, 0 or more. [gal or day]
    chance : array
        Chance of being used up by then, 0 to below 1; outside gives NaN. [-]
    scale : array
        Weibull scale, above 0. [gal or day]
    shape : array
        Weibull shape, above 0. [-]

    Returns
    -------
    array
        Life from today, 0 or more; at age 0 the quantile of the whole life. [gal or day]

    Source
    ------
    Inverse of ``conditional_survival``.
    """
    share = as_floats(chance)
    share = np.where((share >= 0) & (share < 1), share, np.nan)
    power = as_floats(shape)
    start = _relative(age, scale)
    end = (start**power - np.log1p(-share)) ** (1 / power)
    return np.asarray(np.maximum(end - start, 0) * as_floats(scale))


def mean_life(scale: ArrayLike, shape: ArrayLike) -> Floats:
    """
    Return the mean life of new parts.

    Parameters
    ----------
    scale : array
        Weibull scale, above 0. [gal or day]
    shape : array
        Weibull shape, above 0. [-]

    Returns
    -------
    array
        ``scale × Γ(1 + 1/shape)``. [gal or day]

    Source
    ------
    NIST e-Handbook of Statistical Methods 8.1.6.2.
    """
    return np.asarray(as_floats(scale) * gamma(1 + 1 / as_floats(shape)))


def _relative(age: ArrayLike, scale: ArrayLike) -> Floats:
    return np.asarray(np.maximum(as_floats(age), 0) / as_floats(scale))


ENDING_REASONS: Final = frozenset({"worn", "failed"})
"""Reasons of removal that end a life."""
CENSORING_REASONS: Final = frozenset({"early", "planned", "unknown", ""})
"""Reasons that only cut it short; empty for a part still in place."""
COVARIATES: Final = ("chlorine", "hardness", "use")
"""What bears on life: each the logarithm of a part's own condition over that of the rating."""

_SHAPE_INFORMATION: Final = np.pi**2 / 6 + (1 - np.euler_gamma) ** 2
"""What one failure tells about the log-shape (Fisher information of a Weibull sample at known scale)."""
_LOG_LN2: Final = float(np.log(np.log(2)))
"""Logarithm of the median over the scale at shape 1."""
_LEAST_CONDITION: Final = 0.05
"""A condition counts at least as this part of the rating's, so that its logarithm exists. Ours. [-]"""


@dataclass(frozen=True)
class PartHistories:
    """Parts of one kind, removed or still in place, arrays of one length."""

    entry_age: Floats
    """Age when records of the part began; 0 when known since new. [gal or day]"""
    exit_age: Floats
    """Age at removal, or today while in place. [gal or day]"""
    ended: Flags
    """Came out worn or failed."""
    covariates: Floats
    """(parts, covariates) as ``relative_conditions`` gives them; NaN where unknown. [-]"""
    covariate_names: tuple[str, ...] = COVARIATES

    def __post_init__(self) -> None:
        shape = (len(self.exit_age), len(self.covariate_names))
        if not len(self.entry_age) == len(self.exit_age) == len(self.ended):
            raise ValueError("entry_age, exit_age and ended must have one length.")
        if self.covariates.shape != shape:
            raise ValueError(f"covariates must be {shape}; they are {self.covariates.shape}.")


@dataclass(frozen=True)
class LearningSettings:
    """How far the rating is believed. Raises ValueError for a number out of range."""

    rating_weight_failures: float = 10.0
    """The rating weighs as much as this many failures of our own. Ours."""
    expected_shape: float = 2.5
    """Weibull shape expected of parts that wear, before any was seen. Ours. [-]"""
    failures_needed: int = 5
    """Fewer give no learned life. Ours."""
    law_of_chlorine: float = -1.0
    """Change of the log-life for the log of chlorine that the dose law applies already: life is dose over
    chlorine. What is learned of chlorine leans on it, and wear keeps applying it. [-]"""
    failures_per_covariate: int = 10
    """A covariate is learned only with this many failures for each: the rule of ten events per variable,
    common practice."""

    def __post_init__(self) -> None:
        if self.rating_weight_failures < 0 or self.expected_shape <= 0:
            raise ValueError("rating_weight_failures must be 0 or more and expected_shape above 0.")
        if self.failures_needed < 2 or self.failures_per_covariate < 1:
            raise ValueError("failures_needed must be at least 2 and failures_per_covariate at least 1.")


def ends_a_life(reasons: ArrayLike) -> Flags:
    """
    Tell removals that ended a life from those that only cut it short.

    Parameters
    ----------
    reasons : array of text (parts,)
        Reason of removal, empty for a part still in place. [word]

    Returns
    -------
    array (parts,)
        True for worn and failed.

    Raises
    ------
    ValueError
        When a word is none of the known reasons.
    """
    words = np.asarray(reasons, dtype=str)
    unknown = set(np.unique(words)) - ENDING_REASONS - CENSORING_REASONS
    if unknown:
        known = ", ".join(sorted(ENDING_REASONS | CENSORING_REASONS - {""}))
        raise ValueError(f"Unknown reason of removal {str(min(unknown))!r}; use one of {known}.")
    return np.asarray(np.isin(words, sorted(ENDING_REASONS)))


def relative_conditions(conditions: ArrayLike, at_rating: ArrayLike) -> Floats:
    """
    Return covariates: the logarithm of what parts saw over what their rating assumes.

    Parameters
    ----------
    conditions : array (parts, covariates)
        E.g. mean chlorine [mg/L], hardness [mg/L as CaCO3] and use [gal/day]; NaN where unknown.
    at_rating : array (covariates,) or (parts, covariates)
        The same at the conditions of the rating, above 0; otherwise NaN comes back.

    Returns
    -------
    array (parts, covariates)
        ``ln(condition / rating)``, condition no less than 5 % of the rating's. [-]

    Notes
    -----
    A coefficient of -1 is the dose law: twice the concentration, half the life.
    """
    rating = as_floats(at_rating)
    rating = np.where(rating > 0, rating, np.nan)
    return np.asarray(np.log(np.maximum(as_floats(conditions) / rating, _LEAST_CONDITION)))


def learn_life(
    histories: PartHistories, rated_life: float, settings: LearningSettings | None = None
) -> LearnedLife | NotEnoughData:
    """
    Return the Weibull life of a kind of part, drawn to its rating while failures are few.

    Parameters
    ----------
    histories : PartHistories
        Removed parts and parts in place of one kind.
    rated_life : float
        Age by which half are expected to be used up at the conditions of the rating, above 0. NaN when
        there is no rating: then the data stand alone. [gal or day]
    settings : LearningSettings, optional
        How far the rating is believed.

    Returns
    -------
    LearnedLife or NotEnoughData
        The life, or why there is none. Data never raise.

    Notes
    -----
    Maximum likelihood of the censored, truncated Weibull by lifelines; then the posterior mean under a
    normal prior (both normal: estimates weighted by their inverse variances). The prior is centred at the
    rating, the expected shape, and coefficients of 0, of chlorine the dose law's -1, and is worth
    ``rating_weight_failures``: n failures tell n β² about the log of the median or a coefficient and 1.82 n
    about the log-shape. Ages count as the
    law of each covariate has them, so that what is learned is what lies beyond it.
    Rows without time under observation are left out; an unknown covariate counts as the median of the
    known. "Worn" is found at a visit, so such lives are a little long, at most by the time between visits.

    Source
    ------
    Likelihood: NIST e-Handbook of Statistical Methods 8.4.1.3 and lifelines' documentation. Shrinkage:
    normal-normal posterior of the textbooks, value from memory.
    """
    settings = settings or LearningSettings()
    used = (histories.exit_age > np.maximum(histories.entry_age, 0)) & np.isfinite(histories.exit_age)
    parts, failures = int(used.sum()), int((histories.ended & used).sum())

    def refused(reason: str) -> NotEnoughData:
        return NotEnoughData(reason, parts, failures, settings.failures_needed)

    if failures == 0:
        return refused(message("No part of this kind is exhausted or has failed yet."))
    if failures < settings.failures_needed:
        return refused(
            message(
                "Only {failures} failures; {failures_needed} are needed.",
                failures=failures,
                failures_needed=settings.failures_needed,
            )
        )
    if np.unique(histories.exit_age[used & histories.ended]).size < 2:
        return refused(message("All failures came at the same age, so the spread can't be learned."))
    names = histories.covariate_names
    laws = np.array([settings.law_of_chlorine if name == "chlorine" else 0.0 for name in names])
    table, typical = _known_covariates(histories.covariates[used])
    by_law = np.exp(-table @ laws)
    frame, chosen = _frame(histories, used, by_law, table, failures, settings)
    fitted = _fit(frame)
    if fitted is None:
        return refused(message("The fit did not settle on these histories."))
    return _shrink(fitted, chosen, names, laws, typical, rated_life, parts, failures, settings)


def _known_covariates(covariates: Floats) -> tuple[Floats, Floats]:
    """Covariates with the median of the known for an unknown one, 0 where all are; and those medians."""
    known = [column[np.isfinite(column)] for column in covariates.T]
    typical = np.array([np.median(column) if column.size else 0.0 for column in known])
    return np.where(np.isfinite(covariates), covariates, typical), typical


@dataclass(frozen=True)
class _Fitted:
    """Log-scale, log-shape, coefficients of the chosen covariates, and their covariance."""

    estimate: Floats
    covariance: Floats


def _frame(
    histories: PartHistories,
    used: Flags,
    by_law: Floats,
    table: Floats,
    failures: int,
    settings: LearningSettings,
) -> tuple[pd.DataFrame, list[int]]:
    """Rows for lifelines, and which covariates vary and have failures enough, first named first."""
    frame = pd.DataFrame(
        {
            "entry": np.maximum(histories.entry_age[used], 0) * by_law,
            "exit": histories.exit_age[used] * by_law,
            "ended": histories.ended[used],
        }
    )
    room = failures // settings.failures_per_covariate
    chosen: list[int] = []
    for column in range(len(histories.covariate_names)):
        if len(chosen) < room and np.ptp(table[:, column]) > 0:
            frame[f"x{column}"] = table[:, column]
            chosen.append(column)
    return frame, chosen


def _fit(frame: pd.DataFrame) -> _Fitted | None:
    """Maximum likelihood, or nothing where there is no maximum to be found."""
    names = [name for name in frame.columns if name.startswith("x")]
    # Ages near 1 keep the optimiser away from overflow; the logarithm is put back below.
    size = float(frame["exit"].median())
    scaled = frame.assign(entry=frame["entry"] / size, exit=frame["exit"] / size)
    fitter = WeibullAFTFitter()
    with warnings.catch_warnings():
        warnings.simplefilter("error")
        try:
            fitter.fit(scaled, "exit", "ended", entry_col="entry", formula=" + ".join(["1", *names]))
        except (ConvergenceError, ArithmeticError, ValueError, np.linalg.LinAlgError, Warning):
            return None
    order = [("lambda_", "Intercept"), ("rho_", "Intercept"), *(("lambda_", name) for name in names)]
    estimate = fitter.params_.loc[order].to_numpy(dtype=np.float64, copy=True)
    covariance = fitter.variance_matrix_.loc[order, order].to_numpy(dtype=np.float64)
    estimate[0] += np.log(size)
    if not np.isfinite(covariance).all() or (np.diag(covariance) <= 0).any():
        return None
    return _Fitted(estimate, covariance)


def _shrink(
    fitted: _Fitted,
    chosen: list[int],
    names: tuple[str, ...],
    laws: Floats,
    typical: Floats,
    rated_life: float,
    parts: int,
    failures: int,
    settings: LearningSettings,
) -> LearnedLife:
    """Weigh the fit against the rating, which speaks of the median and not of the scale."""
    shape = settings.expected_shape
    is_rated = rated_life > 0
    turn = np.eye(len(fitted.estimate))
    turn[0, 1] = -_LOG_LN2 * np.exp(-fitted.estimate[1])
    estimate = fitted.estimate.copy()
    estimate[0] += _LOG_LN2 * np.exp(-estimate[1])
    at_rating = np.log(rated_life) if is_rated else estimate[0]
    centre = np.concatenate([[at_rating, np.log(shape)], np.zeros(len(chosen))])
    told = np.full(len(centre), shape**2)
    told[1] = _SHAPE_INFORMATION
    if not is_rated:
        told[0] = 0.0
    prior = np.diag(settings.rating_weight_failures * told)
    data = np.linalg.inv(turn @ fitted.covariance @ turn.T)
    covariance = np.linalg.inv(data + prior)
    posterior = covariance @ (data @ estimate + prior @ centre)
    back = np.eye(len(posterior))
    back[0, 1] = _LOG_LN2 * np.exp(-posterior[1])
    errors = np.sqrt(np.diag(back @ covariance @ back.T))
    coefficients, coefficient_errors = laws.copy(), np.full(len(names), np.nan)
    coefficients[chosen] += posterior[2:]
    coefficient_errors[chosen] = errors[2:]
    return LearnedLife(
        log_scale=float(posterior[0] - _LOG_LN2 * np.exp(-posterior[1])),
        log_shape=float(posterior[1]),
        coefficients=coefficients,
        laws=laws,
        typical=typical,
        standard_errors=np.concatenate([errors[:2], coefficient_errors]),
        covariate_names=names,
        covariates_used=tuple(names[column] for column in chosen),
        parts=parts,
        failures=failures,
        rating_share=float((covariance @ prior)[0, 0]),
    )
