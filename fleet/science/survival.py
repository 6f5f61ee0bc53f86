"""Lives of parts as Weibull distributions: what is learned, and its value for arrays of parts at once.

Ages are in whatever measure the life is learned in, gallons or days, the same one throughout.
``learning`` fits these from the fleet's own removals; nothing here needs the fitting library.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import gamma

from fleet.science.arrays import as_floats
from fleet.science.columns import Floats


@dataclass(frozen=True)
class LearnedLife:
    """Weibull life of one kind of part, its scale log-linear in the covariates."""

    log_scale: float
    """Logarithm of the scale (63 % used up) with every covariate at 0, the conditions of the rating."""
    log_shape: float
    coefficients: Floats
    """(covariates,) change of the log-scale for each covariate; 0 for one that was not used."""
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
