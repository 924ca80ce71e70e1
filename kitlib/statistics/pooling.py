"""Offsets of the curves of one crop taken together: how they differ, shrunken ones."""

from math import inf, nan, sqrt
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq
from scipy.special import chdtri, digamma, ndtr, polygamma, stdtrit
from scipy.stats import false_discovery_control

from kitlib.statistics.estimates import Estimate, finite_array, not_known
from kitlib.statistics.reml import Strata, lowest_ratio
from kitlib.words.findings import NoSpread, TooFewSamples

HARTUNG_KNAPP = "random effects by REML, Hartung-Knapp"
NEW_CURVE = "prediction, SD between curves by its confidence distribution"
TO_MEAN = "empirical Bayes (Morris), shrunk towards the mean of the curves"
# With fewer curves the mean they would be shrunk to is itself hardly known.
ENOUGH_CURVES = 5
FEW_CURVES = "not known: fewer than five curves"
ONE_CURVE = "one curve only: nothing to pool with, its offset stands as measured"
ALIKE = "no difference between the curves was detectable"

# Values of a variance that stand for all it may have: between curves, and within.
BETWEEN = (np.arange(200) + 0.5) / 200
WITHIN = (np.arange(10) + 0.5) / 10


class Pooled(NamedTuple):
    """Offsets of several curves as draws from one population of curves."""

    mean: Estimate  # offset over curves like these, every curve counting alike
    new_curve: Estimate  # of one more curve; its interval is a prediction interval
    sd_between: float  # SD of the true offsets, by REML; nan if not known
    shrunken: tuple[Estimate, ...]  # of each curve, drawn towards the others
    remark: str  # what the reader must know


def pool_offsets(
    offsets: ArrayLike, ses: ArrayLike, dfs: ArrayLike | None = None
) -> Pooled:
    """Return what the offsets of a crop's curves say of each other.

    `offsets` of k >= 1 curves and their standard errors `ses`, above 0 [% moisture],
    with the degrees of freedom `dfs` of these; leave out curves not known. Each offset
    counts as the mean of df + 1 trials, and the variances of the curves' trials are
    drawn towards each other as far as they are alike (Smyth, Statistical Applications
    in Genetics and Molecular Biology 3 (2004) no. 3, from memory). Without `dfs` the
    standard errors are taken as known.

    The Hartung-Knapp standard error is kept from falling below that for a known SD
    between curves (Röver, Knapp, Friede, BMC Medical Research Methodology 15 (2015)
    99). The prediction interval rests on k - 1 degrees of freedom. Shrinkage from 5
    curves on follows Morris (J. American Statistical Association 78 (1983) 47-55, from
    memory); for equal standard errors it is that of James and Stein. With 2 to 4 curves
    it is not known.
    """
    offsets = finite_array("pool_offsets: offsets", offsets)
    k = offsets.size
    variances, freedom = _variances(k, ses, dfs)
    if k == 1:
        se, none = sqrt(variances[0]), not_known(ONE_CURVE)
        value = float(offsets[0])
        own = Estimate(value=value, se=se, df=freedom[0], remark=ONE_CURVE)
        return Pooled(none, none, nan, (own,), ONE_CURVE)
    between = reml_variance(offsets, variances)
    weights, mean, away = _weighted(offsets, variances, between)
    se = sqrt(max(1.0, weights @ away**2 / (k - 1)) / weights.sum())
    spread = _spread_of_new_curve(offsets, variances, float(freedom.mean()))
    shrunken = (not_known(FEW_CURVES),) * k
    if k >= ENOUGH_CURVES:
        shrunken = _towards_mean(offsets, variances, between, freedom)
    few = FEW_CURVES if k < ENOUGH_CURVES else ""
    return Pooled(
        mean=Estimate(value=mean, se=se, df=k - 1, method=HARTUNG_KNAPP),
        # No new curve is known better than the mean of all.
        new_curve=Estimate(value=mean, se=max(spread, se), df=k - 1, method=NEW_CURVE),
        sd_between=sqrt(between),
        shrunken=shrunken,
        remark=few or ("" if between > 0 else ALIKE),
    )


def false_discovery(p_values: ArrayLike) -> np.ndarray:
    """Return q-values: the false discovery rate if each curve up to it is flagged.

    Benjamini and Hochberg's (J. Royal Statistical Society B 57 (1995) 289-300); a
    p-value not known (nan) stays nan and is not counted.
    """
    p_values = np.asarray(p_values, float)
    known = ~np.isnan(p_values)
    q_values = np.full(p_values.shape, nan)
    q_values[known] = false_discovery_control(p_values[known])
    return q_values


def reml_variance(offsets: np.ndarray, variances: np.ndarray) -> float:
    """Return the variance between curves by REML, their own variances known."""
    largest = 10 * np.ptp(offsets) ** 2  # the slope is above 0 from here on
    if largest == 0:
        return 0.0
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
    grid = np.concatenate([[0.0], np.geomspace(1e-8 * largest, largest, 60)])
    return lowest_ratio(strata, grid, s2=1.0)


def _weighted(offsets, variances, between):
    """Return weights, the weighted mean, and distances of the offsets from it."""
    weights = 1 / (variances + between)
    mean = float(weights @ offsets / weights.sum())
    return weights, mean, offsets - mean


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
    dfs = finite_array("pool_offsets: dfs", dfs)
    return (ses**2, dfs) if k == 1 else _moderated(ses, dfs)


def _moderated(ses, dfs):
    """Return squared standard errors and their df, moderated over the curves.

    The variance of a curve's trial means is drawn towards the others' as far as these
    are alike: their prior is a scaled inverse chi-squared distribution fitted to them,
    whose degrees of freedom add to the curve's own.
    """
    trials = dfs + 1
    own = ses**2 * trials
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


def _towards_mean(offsets, variances, between, freedom):
    """Return offsets shrunk after Morris."""
    k = offsets.size
    weights, _, away = _weighted(offsets, variances, between)
    share = weights / weights.sum()
    # (k - 3) / (k - 1) allows for the variance between curves being estimated.
    shrinkage = (k - 3) / (k - 1) * variances * weights
    unsure = 2 / (k - 3) * shrinkage**2 * (share @ variances + between) * weights
    squares = variances * (1 - (1 - share) * shrinkage) + unsure * away**2
    found = zip(offsets - shrinkage * away, np.sqrt(squares), freedom, strict=True)
    return tuple(
        Estimate(value=float(value), se=float(se), df=float(df), method=TO_MEAN)
        for value, se, df in found
    )


def _spread_of_new_curve(offsets, variances, freedom):
    """Return the spread of a new curve's offset about the mean of the others.

    Spread times the 97.5 % point of t with k - 1 degrees of freedom is half the 95 %
    prediction interval. The variance between curves is not taken as known: it goes
    through the values that Q, the weighted scatter, leaves open, each as likely as
    chi-squared makes it, and so do the variances within, which rest on `freedom`
    (Nagashima, Noma, Furukawa, Statistical Methods in Medical Research 28 (2019)
    1689-1702, from memory). Where all variances are known to be 0 this is the t
    interval.
    """
    df = offsets.size - 1
    wanted = chdtri(df, 1 - BETWEEN)
    scales = freedom / chdtri(freedom, 1 - WITHIN) if freedom < inf else np.ones(1)
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
