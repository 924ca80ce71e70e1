"""Offsets of the curves of one crop taken together: how they differ, shrunk ones."""

from dataclasses import dataclass
from math import inf, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import chdtri, digamma, ndtr, polygamma, stdtrit
from scipy.stats import false_discovery_control

from kitlib.statistics.estimates import Estimate, finite_array, not_known
from kitlib.statistics.reml import (
    Strata,
    deviance,
    deviance_slopes,
    lowest_from_zero,
)
from kitlib.words.findings import NoSpread, TooFewSamples


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
    largest = 10 * np.ptp(offsets) ** 2  # the slope is above 0 from here on
    if largest == 0:
        return 0.0
    grid = np.concatenate([[0.0], np.geomspace(1e-8 * largest, largest, 60)])
    root = 1 / np.sqrt(variances)
    strata = Strata(
        size=root**2,
        x=root[:, None],
        y=root * (offsets - offsets.mean()),
        xx=np.zeros((1, 1)),
        xy=np.zeros(1),
        yy=0.0,
        n_within=0,
    )
    return lowest_from_zero(
        lambda between: deviance(strata, between, s2=1.0),
        lambda between: float(deviance_slopes(strata, between, s2=1.0)[0]),
        grid,
    )


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


HARTUNG_KNAPP = "random effects by REML, Hartung-Knapp"
NEW_CURVE = "prediction, SD between curves by its confidence distribution"
TO_MEAN = "empirical Bayes (Morris), shrunk towards the mean of the curves"
# With fewer curves the mean they would be shrunk to is itself hardly known.
ENOUGH_CURVES = 5
FEW_CURVES = "not known: fewer than five curves"


@dataclass(frozen=True, kw_only=True)
class Pooled:
    """Offsets of several curves as draws from one population of curves.

    Attributes
    ----------
    mean : Estimate
        Mean offset over curves like these.
    new_curve : Estimate
        Offset of one more curve like these; its interval is a prediction interval.
    sd_between : float
        SD of the true offsets between curves, by REML; nan if not known.
    shrunken : tuple of Estimate
        Offset of each curve, drawn towards the others in the order given.
    remark : str
        What the reader must know.
    """

    mean: Estimate
    new_curve: Estimate
    sd_between: float
    shrunken: tuple[Estimate, ...]
    remark: str


def pool_offsets(
    offsets: ArrayLike, ses: ArrayLike, dfs: ArrayLike | None = None
) -> Pooled:
    """Return what the offsets of a crop's curves say of each other.

    Estimands: `mean`, the average true offset over curves like these, every curve
    counting alike; `shrunken`, the true offset of each curve.

    Parameters
    ----------
    offsets, ses : array_like, shape (k,), k >= 1
        Offset of each curve and its standard error, above 0. [% moisture]
    dfs : array_like, shape (k,), optional
        Degrees of freedom of the standard errors. With them each offset counts as
        the mean of df + 1 trials, and the variances of the curves' trials are drawn
        towards each other as far as they are alike [3]_. Without them the standard
        errors are taken as known.

    Raises
    ------
    TooFewSamples
        If there is no curve.
    NoSpread
        If a standard error is not above 0.
    NotFinite
        If a value is missing or infinite; leave out curves not known.

    Notes
    -----
    The Hartung-Knapp standard error is kept from falling below that for a known
    SD between curves (Röver et al. [1]_). The prediction interval rests on k - 1
    degrees of freedom. Shrinkage from 5 curves on follows Morris [2]_, equations
    recalled from memory; for equal standard errors it is that of James and Stein.
    With 2 to 4 curves shrunken offsets are not known.

    References
    ----------
    .. [1] Röver, Knapp, Friede, BMC Medical Research Methodology 15 (2015) 99.
    .. [2] Morris, J. American Statistical Association 78 (1983) 47-55.
    .. [3] Smyth, Statistical Applications in Genetics and Molecular Biology 3 (2004)
       no. 3 (from memory).

    Examples
    --------
    >>> pooled = pool_offsets([0.1, 0.3, 0.5, 0.7, 0.9], [0.1] * 5)
    >>> print(f"mean {pooled.mean.value:.2f}, SD between {pooled.sd_between:.2f}")
    mean 0.50, SD between 0.30
    >>> print(f"{pooled.shrunken[0].value:.2f}")  # 0.40 from the mean, less 5 %
    0.12
    """
    offsets = finite_array("pool_offsets: offsets", offsets)
    variances, freedom = _variances(offsets.size, ses, dfs)
    if offsets.size == 1:
        return _one_curve(offsets[0], variances[0], freedom[0])
    between = reml_variance(offsets, variances)
    mean = _mean(offsets, variances, between)
    return Pooled(
        mean=mean,
        new_curve=Estimate(
            value=mean.value,
            # No new curve is known better than the mean of all.
            se=max(
                spread_of_new_curve(offsets, variances, float(freedom.mean())), mean.se
            ),
            df=mean.df,
            method=NEW_CURVE,
        ),
        sd_between=sqrt(between),
        shrunken=_shrunken(offsets, variances, between, freedom),
        remark=_remark(offsets.size, between),
    )


def false_discovery(p_values: ArrayLike) -> np.ndarray:
    """Return q-values: the false discovery rate if each curve up to it is flagged.

    Benjamini and Hochberg's; a p-value not known (nan) stays nan and is not counted.

    Parameters
    ----------
    p_values : array_like, shape (k,)

    References
    ----------
    .. [1] Benjamini, Hochberg, J. Royal Statistical Society B 57 (1995) 289-300.

    Examples
    --------
    >>> false_discovery([0.01, float("nan"), 0.04])
    array([0.02,  nan, 0.04])
    """
    p_values = np.asarray(p_values, float)
    known = ~np.isnan(p_values)
    q_values = np.full(p_values.shape, nan)
    q_values[known] = false_discovery_control(p_values[known])
    return q_values


def _variances(k, ses, dfs):
    """Return the squared standard errors and their degrees of freedom."""
    ses = finite_array("pool_offsets: ses", ses)
    if k == 0:
        raise TooFewSamples("pool_offsets: got no curve; pooling needs at least one.")
    if ses.shape != (k,):
        raise ValueError(f"pool_offsets: got {ses.size} ses for {k} offsets.")
    if ses.min() <= 0:
        raise NoSpread(
            f"pool_offsets: ses[{ses.argmin()}] is {ses.min():g}; expected above 0. "
            "Leave that curve out, and say so."
        )
    if dfs is None:
        return ses**2, np.full(k, inf)
    return _moderated(ses, finite_array("pool_offsets: dfs", dfs))


def _mean(offsets, variances, between):
    """Return the mean offset with its Hartung-Knapp standard error."""
    weights, mean, away = weighted(offsets, variances, between)
    df = offsets.size - 1
    factor = max(1.0, weights @ away**2 / df)
    se = sqrt(factor / weights.sum())
    return Estimate(value=float(mean), se=se, df=df, method=HARTUNG_KNAPP)


def _one_curve(offset, variance, freedom):
    """Return the result for one curve, which is left as it was."""
    remark = "one curve only: nothing to pool with, its offset stands as measured"
    alone = Estimate(value=float(offset), se=sqrt(variance), df=freedom, remark=remark)
    return Pooled(
        mean=not_known(remark),
        new_curve=not_known(remark),
        sd_between=nan,
        shrunken=(alone,),
        remark=remark,
    )


def _shrunken(offsets, variances, between, freedom):
    """Return the shrunken offset of each curve; not known with few curves."""
    if offsets.size < ENOUGH_CURVES:
        return (not_known(FEW_CURVES),) * offsets.size
    values, squares = _towards_mean(offsets, variances, between)
    return tuple(
        Estimate(value=float(value), se=sqrt(square), df=float(df), method=TO_MEAN)
        for value, square, df in zip(values, squares, freedom, strict=True)
    )


def _towards_mean(offsets, variances, between):
    """Return offsets shrunk after Morris, and their squared errors."""
    k = offsets.size
    weights, _, away = weighted(offsets, variances, between)
    share = weights / weights.sum()
    # (k - 3) / (k - 1) allows for the variance between curves being estimated.
    shrinkage = (k - 3) / (k - 1) * variances * weights
    unsure = 2 / (k - 3) * shrinkage**2 * (share @ variances + between) * weights
    squares = variances * (1 - (1 - share) * shrinkage) + unsure * away**2
    return offsets - shrinkage * away, squares


def _remark(k, between):
    """Return what the reader must know of so many curves."""
    if k < ENOUGH_CURVES:
        return FEW_CURVES
    return "" if between > 0 else "no difference between the curves was detectable"


def _moderated(ses, dfs):
    """Return squared standard errors and their df, moderated over the curves.

    The variance of a curve's trial means, squared error times trials, is drawn towards
    the others' as far as these are alike: their prior is a scaled inverse chi-squared
    distribution fitted to them, whose degrees of freedom add to the curve's own.
    """
    trials = dfs + 1
    own = ses**2 * trials
    if ses.size == 1:
        return ses**2, dfs
    centred = np.log(own) - digamma(dfs / 2) + np.log(dfs / 2)
    chance = polygamma(1, dfs / 2).mean()
    # Two standard errors more than found: few curves hardly tell how alike they are.
    excess = max(0.0, centred.var(ddof=1) - chance) + 2 * chance * sqrt(
        2 / (ses.size - 1)
    )
    prior_df = 2 * brentq(lambda x: polygamma(1, x) - excess, 1e-6, 1e8)
    prior = np.exp(centred.mean() + digamma(prior_df / 2) - np.log(prior_df / 2))
    together = np.minimum(prior_df + dfs, dfs.sum())
    return (prior_df * prior + dfs * own) / (prior_df + dfs) / trials, together
