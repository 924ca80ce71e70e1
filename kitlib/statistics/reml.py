"""Restricted maximum likelihood (REML) of variances, and Kenward-Roger intervals.

With a random intercept per trial, a trial of n samples falls into its mean times
sqrt(n), of variance s^2 + n t^2, and deviations from it, of variance s^2; s is the
SD within and t the SD between trials. One likelihood of the ratio t^2 / s^2 serves
lines with a random intercept, variance components and offsets of several curves: they
differ only in what they put into the strata.
"""

from collections.abc import Callable
from dataclasses import dataclass, field
from itertools import product
from math import inf, nan, sqrt
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import brentq, minimize

from kitlib.statistics.clustered import NO_SCATTER, too_few_trials
from kitlib.statistics.estimates import (
    Estimate,
    cluster_codes,
    finite_array,
    left_over,
    orthonormal,
    sums_by_cluster,
)
from kitlib.words.findings import NoSpread, TooFewSamples

# Ratios t^2 / s^2 among which optima are sought; 1e6 is a t of a thousand s.
LARGEST = 1e6
RATIOS = np.concatenate([[0.0], np.geomspace(1e-6, LARGEST, 73)])

KENWARD_ROGER = "REML, Kenward-Roger"
SINGULAR = "no variation between trials beyond that within them was detectable"
UNREPEATED = "no trial gave two samples, so its own variation cannot be told apart"
NOT_TOLD = "these samples cannot tell variation between trials from that within"
NO_WITHIN = "samples of a trial do not differ about the fit, so no interval is known"
NO_RESIDUAL = "samples alike in these labels do not differ, so no SD is known"


class Strata(NamedTuple):
    """Independent parts of a design and a response, of variance s^2 + size t^2 or s^2.

    Columns of the design may be random effects of a second grouping, whose ratio of
    variances is `other` below; all others are fixed effects.
    """

    size: np.ndarray  # of each part between trials, (G,)
    x: np.ndarray  # design between trials, such as sqrt(size) * trial means, (G, p)
    y: np.ndarray  # the same of the response, (G,)
    xx: np.ndarray  # cross-products of the design within trials, (p, p)
    xy: np.ndarray  # the same with the response, (p,)
    yy: float  # and of the response with itself
    n_within: int  # independent values within trials
    random: int = 0  # columns that are random effects, the first of the design

    @property
    def freedom(self) -> int:
        """Values less fixed coefficients."""
        return self.size.size + self.n_within - self.xy.size + self.random

    def scaled(self, other: float) -> np.ndarray:
        """Return what the columns count: the SD of a random one, 1 of a fixed one."""
        fixed = np.arange(self.xy.size) >= self.random
        return np.where(fixed, 1.0, sqrt(other))


class Solution(NamedTuple):
    """Generalised least squares at given ratios of the variances, s = 1."""

    normal: np.ndarray  # weighted cross-products of the design, (p, p)
    covariance: np.ndarray  # of the coefficients (random ones: in units of their SD)
    coefficients: np.ndarray  # (p,)
    squares: float  # weighted sum of squared residuals
    left: np.ndarray  # weighted products of design and residuals, (p,)


def split(
    codes: np.ndarray,
    n_clusters: int,
    design: np.ndarray,
    response: np.ndarray,
    random: int = 0,
) -> Strata:
    """Return the strata of a design and a response that come in trials."""
    size = np.bincount(codes, minlength=n_clusters).astype(float)
    both = np.column_stack([design, response])
    means = sums_by_cluster(codes, n_clusters, both) / size[:, None]
    within, between = both - means[codes], means * np.sqrt(size)[:, None]
    squares = within.T @ within
    return Strata(
        size=size,
        x=between[:, :-1],
        y=between[:, -1],
        xx=squares[:-1, :-1],
        xy=squares[:-1, -1],
        yy=float(squares[-1, -1]),
        n_within=codes.size - n_clusters,
        random=random,
    )


def solve(strata: Strata, ratio: float, other: float = 0.0) -> Solution:
    """Return the generalised least squares fit at given ratios of the variances."""
    weighted = strata.x.T / (1 + ratio * strata.size)
    normal = strata.xx + weighted @ strata.x
    right = strata.xy + weighted @ strata.y
    scale = strata.scaled(other)
    ridge = np.diag(np.arange(scale.size) < strata.random).astype(float)
    covariance = np.linalg.inv(scale[:, None] * normal * scale + ridge)
    scaled = covariance @ (scale * right)
    coefficients = scale * scaled
    between = strata.y - strata.x @ coefficients
    within = strata.yy - coefficients @ (2 * strata.xy - strata.xx @ coefficients)
    squares = between**2 @ (1 / (1 + ratio * strata.size)) + max(within, 0.0)
    squares += scaled @ ridge @ scaled
    left = right - normal @ coefficients
    return Solution(normal, covariance, coefficients, float(squares), left)


def deviance(
    strata: Strata, ratio: float, other: float = 0.0, s2: float | None = None
) -> float:
    """Return -2 log restricted likelihood, less a constant.

    The variance within is the best one, or `s2` if that is known.
    """
    fit = solve(strata, ratio, other)
    determinants = np.log1p(ratio * strata.size).sum()
    determinants -= np.linalg.slogdet(fit.covariance)[1]
    best = strata.freedom * np.log(fit.squares) if s2 is None else fit.squares / s2
    return float(determinants + best)


def deviance_slopes(
    strata: Strata, ratio: float, other: float = 0.0, s2: float | None = None
) -> np.ndarray:
    """Return the derivatives of `deviance` with both ratios, (2,)."""
    fit, scales = solve(strata, ratio, other), strata.scaled(other)
    s2 = fit.squares / strata.freedom if s2 is None else s2
    grown = 1 + ratio * strata.size
    between = strata.y - strata.x @ fit.coefficients
    x = strata.x * scales
    spread = np.einsum("gi,ij,gj->g", x, fit.covariance, x)
    first = strata.size / grown @ (1 - (spread + between**2 / s2) / grown)
    few = slice(strata.random)
    taken = fit.normal[few] * scales
    second = np.trace(fit.normal[few, few])
    second -= np.einsum("ij,jk,ik->", taken, fit.covariance, taken)
    second -= fit.left[few] @ fit.left[few] / s2
    return np.array([float(first), float(second)])


def lowest_from_zero(
    deviance: Callable[[float], float],
    slope: Callable[[float], float],
    grid: np.ndarray,
) -> float:
    """Return where a deviance is lowest, from 0 up; inf if it still falls at the end.

    `slope` is its derivative, and roots are sought between the values of `grid`.
    """
    slopes = np.array([slope(value) for value in grid])
    valleys = np.flatnonzero((slopes[:-1] < 0) & (slopes[1:] >= 0))
    found = [brentq(slope, grid[k], grid[k + 1], xtol=1e-300) for k in valleys]
    found += [0.0] if slopes[0] >= 0 else []
    return float(min(found, key=deviance, default=inf))


def lowest_ratio(
    strata: Strata, grid: np.ndarray = RATIOS, s2: float | None = None
) -> float:
    """Return the ratio t^2 / s^2 of highest restricted likelihood; inf if s is 0."""
    return lowest_from_zero(
        lambda ratio: deviance(strata, ratio, s2=s2),
        lambda ratio: float(deviance_slopes(strata, ratio, s2=s2)[0]),
        grid,
    )


# ---- Kenward and Roger ---------------------------------------------------------------


class Inference(NamedTuple):
    """What Kenward-Roger needs; variances in the order s^2, t^2."""

    covariance: np.ndarray  # of the coefficients, variances known, (p, p)
    adjusted: np.ndarray  # of the coefficients, variances estimated, (p, p)
    slopes: np.ndarray  # of `covariance` with each variance, (2, p, p)
    of_variances: np.ndarray  # covariance of the variances, (2, 2)


def _information(strata: Strata, ratio: float) -> tuple[np.ndarray, ...]:
    """Return expected information of (s^2, t^2), and P and Q of Kenward and Roger.

    Shapes (2, 2), (2, p, p) and (2, 2, p, p); P with its sign changed.
    """
    fit, x = solve(strata, ratio), strata.x
    s2 = fit.squares / strata.freedom
    by = np.stack([np.ones_like(strata.size), strata.size])
    variance = s2 * (1 + ratio * strata.size)
    # Products of matrices, not sums over all indices: entries may be hundreds.
    p = x.T @ ((by / variance**2)[..., None] * x)
    q = x.T @ ((by[:, None] * by / variance**3)[..., None] * x)
    traces = by / variance**2 @ by.T
    p[0] += strata.xx / s2**2
    q[0, 0] += strata.xx / s2**3
    traces[0, 0] += strata.n_within / s2**2
    left = s2 * fit.covariance @ p
    traces -= 2 * s2 * np.einsum("pq,ijqp->ij", fit.covariance, q)
    return (traces + np.einsum("ipq,jqp->ij", left, left)) / 2, p, q


def _told_apart(strata: Strata) -> bool:
    """Say whether the samples can tell t from s at all."""
    expected, _, _ = _information(strata, 0.0)
    return bool(np.linalg.det(expected) > 1e-10 * expected[0, 0] * expected[1, 1])


def inference(strata: Strata, ratio: float, back: np.ndarray) -> Inference:
    """Return what Kenward-Roger needs for the coefficients turned by `back`."""
    fit = solve(strata, ratio)
    covariance = fit.squares / strata.freedom * fit.covariance
    expected, p, q = _information(strata, ratio)
    # Where t cannot be told from s only s^2 counts as uncertain.
    only_s2 = np.diag([1 / expected[0, 0], 0.0])
    of_variances = np.linalg.inv(expected) if _told_apart(strata) else only_s2
    known = p[:, None] @ covariance @ p
    excess = np.einsum("ij,ijpq->pq", of_variances, q - known)
    adjusted = covariance + 2 * covariance @ excess @ covariance
    return Inference(
        covariance=back @ covariance @ back.T,
        adjusted=back @ adjusted @ back.T,
        slopes=back @ (covariance @ p @ covariance) @ back.T,
        of_variances=of_variances,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class RandomIntercept:
    """A linear model with a random intercept for each trial, fitted by REML."""

    coefficients: np.ndarray  # by generalised least squares, (p,)
    sd_trial: float  # between trials; 0 if the fit is singular, nan if not known
    sd_residual: float  # within trials, in the unit of the response
    remark: str  # what the reader must know of the fit
    why_no_interval: str  # empty if there is no such reason
    moments: Inference | None = field(repr=False)  # None where no interval is known

    def kenward_roger(self, weights: ArrayLike) -> Estimate:
        """Return a weighted sum, weights (p,), of the coefficients.

        Its standard error allows for the SDs being estimated, and its degrees of
        freedom stay near trials - 1 for a mean even if the fit is singular.
        """
        weights = np.asarray(weights, float)
        value, found = float(weights @ self.coefficients), self.moments
        if found is None:
            return Estimate(value=value, remark=self.why_no_interval)
        slope = found.slopes @ weights @ weights
        spread = slope @ found.of_variances @ slope
        if not spread > 0:
            return Estimate(value=value, remark=NOT_TOLD)
        return Estimate(
            value=value,
            se=sqrt(weights @ found.adjusted @ weights),
            df=2 * float(weights @ found.covariance @ weights) ** 2 / spread,
            method=KENWARD_ROGER,
            remark=self.remark,
        )


def random_intercept(
    design: ArrayLike, response: ArrayLike, cluster: ArrayLike
) -> RandomIntercept:
    """Fit a line, or any small linear model, with a random intercept per trial.

    Estimand: the coefficients of the line of a trial drawn at random, every trial lying
    parallel to it at a normally distributed distance. Trials count by size where they
    hardly differ, and equally where they differ much; `clustered_fit`, whose arguments
    and errors are the same, always counts them by size. For one contrast the scale of
    the Kenward-Roger F is 1, and its degrees of freedom 2 / A2 (Kenward, Roger,
    Biometrics 53 (1997) 983-997; Halekoh, Højsgaard, J. Statistical Software 59 (2014)
    no. 9).
    """
    design = finite_array("random_intercept: design", design)
    response = finite_array("random_intercept: response", response)
    n, p = design.shape
    codes, n_clusters = cluster_codes("random_intercept: cluster", cluster, n)
    # In an orthonormal design, on what least squares leaves: nothing large cancels.
    q, r = orthonormal("random_intercept", design)
    strata = split(codes, n_clusters, q, left_over(response, q))
    ratio, remark, why = _ratio_of_variances(strata)
    used = float(np.nan_to_num(ratio))
    fit = solve(strata, used)
    variance = fit.squares / (n - p)
    back = np.linalg.inv(r)
    unsure = too_few_trials(p, n_clusters) or why
    return RandomIntercept(
        coefficients=back @ (q.T @ response + fit.coefficients),
        sd_trial=sqrt(ratio * variance),
        sd_residual=0.0 if why == NO_WITHIN else sqrt(variance),
        remark=remark,
        why_no_interval=unsure,
        moments=None if unsure else inference(strata, used, back),
    )


def _ratio_of_variances(strata):
    """Return (t / s)^2, nan if not to be told, a remark, and why it is no use."""
    if not (strata.y.any() or strata.yy > 0):
        return nan, "", NO_SCATTER
    if not _told_apart(strata):
        repeated = strata.size.max() > 1
        return nan, "" if repeated else UNREPEATED, NOT_TOLD if repeated else ""
    ratio = lowest_ratio(strata)
    if ratio == inf:
        return nan, "", NO_WITHIN
    return ratio, "" if ratio > 0 else SINGULAR, ""


# ---- where scatter comes from --------------------------------------------------------


@dataclass(frozen=True, kw_only=True)
class VarianceComponents:
    """Standard deviations of the random parts of a response about its mean, by REML.

    In the unit of the response; 0 if none is detectable, nan if not known.
    """

    sd_trial: float
    sd_sensor: float
    sd_residual: float
    n_trials: int
    remark: str  # what the reader must know


def variance_components(
    response: ArrayLike, trial: Any, sensor: Any = None
) -> VarianceComponents:
    """Return how much of the scatter lies between trials, sensors and samples.

    Estimand: the SDs of independent normal effects of trials, of sensors and of samples
    about one mean, in whatever way trials and sensors are crossed or nested (REML:
    Patterson, Thompson, Biometrika 58 (1971) 545-554). A grouping that the samples
    cannot tell from another, or from the samples themselves, is not estimated; without
    sensors only trials are told apart. `TooFewSamples` and `NoSpread` are raised of
    fewer than 2 responses, or of responses that are all the same.

    Examples
    --------
    >>> found = variance_components([1, 3, 7, 9, 4, 6], list("AABBCC"))
    >>> print(f"{found.sd_trial**2:.1f} between, {found.sd_residual**2:.1f} within")
    8.0 between, 2.0 within
    """
    response = finite_array("variance_components: response", response)
    if response.size < 2:
        raise TooFewSamples(
            f"variance_components: got n = {response.size} sample(s); needs at least 2."
        )
    if np.ptp(response) == 0:
        raise NoSpread(
            f"variance_components: all {response.size} responses are {response[0]:g}; "
            "expected values that differ. Check that the readings are not copied."
        )
    labels = {"trial": trial} if sensor is None else {"trial": trial, "sensor": sensor}
    groups = {
        name: cluster_codes(f"variance_components: {name}", of_one, response.size)
        for name, of_one in labels.items()
    }
    remarks = {name: _why_not(name, groups) for name in groups}
    used = [name for name in groups if not remarks[name]]
    sds, sd_residual = {}, float(response.std(ddof=1))
    if len(used) == 2:
        *parts, sd_residual = _crossed_sds([groups[name] for name in used], response)
        sds = dict(zip(used, parts, strict=True))
    elif used:
        ones = np.ones((response.size, 1))
        fit = random_intercept(ones, response, groups[used[0]][0])
        sds, sd_residual = {used[0]: fit.sd_trial}, fit.sd_residual
    if sd_residual == 0:
        remarks["residual"] = NO_RESIDUAL
    remarks |= {
        name: f"no variation between {name}s beyond the rest was detectable"
        for name, sd in sds.items()
        if sd == 0
    }
    return VarianceComponents(
        sd_trial=sds.get("trial", nan),
        sd_sensor=sds.get("sensor", nan),
        sd_residual=sd_residual,
        n_trials=groups["trial"][1],
        remark="; ".join(remark for remark in remarks.values() if remark),
    )


def _why_not(name, groups):
    """Return why a grouping cannot be told apart; empty if it can."""
    codes, count = groups[name]
    if count == 1:
        return f"one {name} only, so variation between {name}s is not known"
    if count == codes.size:
        return f"no {name} gave two samples, so its own variation is within them"
    if name == "sensor":
        trials, n_trials = groups["trial"]
        if count == n_trials == len(set(zip(trials, codes, strict=True))):
            return "each trial had a sensor of its own: both are in the trials' SD"
    return ""


def _crossed_sds(groups, response):
    """Return the SDs of two groupings, crossed or nested, and of the samples."""
    # The one with more groups makes the strata: what is left to solve is small.
    order = sorted(range(2), key=lambda k: -groups[k][1])
    (codes, many), (other, few) = (groups[k] for k in order)
    scale = response.std()
    design = np.column_stack([np.eye(few)[other], np.ones(response.size)])
    scaled = (response - response.mean()) / scale
    strata = split(codes, many, design, scaled, random=few)

    def judged(ratios):
        return deviance(strata, *ratios), deviance_slopes(strata, *ratios)

    bounds, fine = [(0, LARGEST)] * 2, {"ftol": 0, "gtol": 1e-9}
    how = {"jac": True, "method": "L-BFGS-B", "bounds": bounds, "options": fine}
    starts = product((0.1, 1.0, 10.0), repeat=2)
    runs = [minimize(judged, start, **how) for start in starts]
    ratios = min(runs, key=lambda run: run.fun).x
    if ratios.max() > LARGEST / 10:
        return nan, nan, 0.0
    sd = scale * sqrt(solve(strata, *ratios).squares / strata.freedom)
    first, second = (sd * sqrt(ratios[order.index(k)]) for k in range(2))
    return float(first), float(second), float(sd)
