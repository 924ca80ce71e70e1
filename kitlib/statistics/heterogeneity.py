"""How much offsets differ between curves beyond their standard errors."""

from math import inf

import numpy as np
from scipy.optimize import brentq
from scipy.special import chdtri, ndtr, stdtrit

from kitlib.statistics.reml import lowest_from_zero


def weighted(
    offsets, variances, between: float
) -> tuple[np.ndarray, float, np.ndarray]:
    """Return weights, the weighted mean, and distances of the offsets from it.

    Parameters
    ----------
    offsets, variances : ndarray, shape (k,)
        Offsets, and their squared standard errors.
    between : float
        Variance between curves.
    """
    weights = 1 / (variances + between)
    mean = weights @ offsets / weights.sum()
    return weights, float(mean), offsets - mean


def reml_variance(offsets, variances) -> float:
    """Return the variance between curves by restricted maximum likelihood.

    Parameters
    ----------
    offsets, variances : ndarray, shape (k,), k >= 2
        Offsets, and their squared standard errors.

    Examples
    --------
    >>> offsets = np.array([0.1, 0.3, 0.5])
    >>> round(reml_variance(offsets, np.full(3, 0.01)), 6)  # 0.04 less 0.01
    0.03
    """

    def deviance(between):
        weights, _, away = weighted(offsets, variances, between)
        return np.log(weights.sum()) - np.log(weights).sum() + weights @ away**2

    def slope(between):
        weights, _, away = weighted(offsets, variances, between)
        squared = weights**2
        return weights.sum() - squared.sum() / weights.sum() - squared @ away**2

    largest = 10 * np.ptp(offsets) ** 2  # the slope is above 0 from here on
    if largest == 0:
        return 0.0
    grid = np.concatenate([[0.0], np.geomspace(1e-8 * largest, largest, 60)])
    return lowest_from_zero(deviance, slope, grid)


def paule_mandel_variance(offsets, variances) -> float:
    """Return the variance between curves at which the weighted scatter is k - 1.

    Parameters
    ----------
    offsets, variances : ndarray, shape (k,), k >= 2
        Offsets, and their squared standard errors.

    References
    ----------
    .. [1] Paule, Mandel, J. Research of the NBS 87 (1982) 377-385.

    Examples
    --------
    >>> offsets = np.array([0.1, 0.3, 0.5])
    >>> round(paule_mandel_variance(offsets, np.full(3, 0.01)), 6)  # 0.04 less 0.01
    0.03
    """

    def excess(between):
        weights, _, away = weighted(offsets, variances, between)
        return weights @ away**2 - (offsets.size - 1)

    if excess(0.0) <= 0:
        return 0.0
    return brentq(excess, 0.0, 10 * np.ptp(offsets) ** 2, xtol=1e-300)


def typical_variance(variances) -> float:
    """Return the squared standard error that stands for all in I-squared.

    Parameters
    ----------
    variances : ndarray, shape (k,), k >= 2
        Squared standard errors.

    References
    ----------
    .. [1] Higgins, Thompson, Statistics in Medicine 21 (2002) 1539-1558, eq. 9.

    Examples
    --------
    >>> round(typical_variance(np.array([0.01, 0.01])), 6)
    0.01
    """
    weights = 1 / variances
    spare = weights.sum() ** 2 - weights @ weights
    return float((weights.size - 1) * weights.sum() / spare)


# Values of a variance that stand for all it may have: between curves, and within.
BETWEEN = (np.arange(200) + 0.5) / 200
WITHIN = (np.arange(10) + 0.5) / 10


def spread_of_new_curve(offsets, variances, freedom: float) -> float:
    """Return the spread of a new curve's offset about the mean of the others.

    Scaled so that spread times the 97.5 % point of t with k - 1 degrees of freedom
    is half the 95 % prediction interval. The variance between curves is not taken
    as known: it goes through the values that Q, the weighted scatter, leaves
    open, each as likely as chi-squared makes it [1]_, and so do the variances
    within. Where all variances are known to be 0 this is the t interval.

    Parameters
    ----------
    offsets, variances : ndarray, shape (k,), k >= 2
        Offsets, and their squared standard errors.
    freedom : float
        Degrees of freedom of the squared standard errors, pooled.

    References
    ----------
    .. [1] Nagashima, Noma, Furukawa, Statistical Methods in Medical Research 28
       (2019) 1689-1702 (from memory): prediction by a confidence distribution.
    """
    df = offsets.size - 1
    wanted = chdtri(df, 1 - BETWEEN)
    scales = np.ones(1)
    if freedom < inf:
        scales = freedom / chdtri(freedom, 1 - WITHIN)
    spreads = np.concatenate([_spreads(offsets, variances * s, wanted) for s in scales])

    def short(half):
        return ndtr(half / spreads).mean() - 0.975

    half = brentq(short, 0.0, 10 * spreads.max())
    return float(half / stdtrit(df, 0.975))


def _spreads(offsets, variances, wanted):
    """Return SDs of a new offset about the mean, for each value Q may have."""
    largest = 10 * offsets.size * np.ptp(offsets) ** 2 / wanted.min()
    grid = np.concatenate([[0.0], np.geomspace(1e-8, 1.0, 200) * (largest + 1e-300)])
    weights = 1 / (variances + grid[:, None])
    mean = weights @ offsets / weights.sum(axis=1)
    scatter = (weights * (offsets - mean[:, None]) ** 2).sum(axis=1)
    between = np.interp(-wanted, -scatter, grid)  # Q falls as the variance grows
    return np.sqrt(between + 1 / (1 / (variances + between[:, None])).sum(axis=1))
