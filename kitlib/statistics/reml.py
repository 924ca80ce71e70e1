"""Restricted maximum likelihood (REML) of the variances between and within trials.

With a random intercept per trial, a trial of n samples falls into its mean times
sqrt(n), of variance s^2 + n t^2, and deviations from it, of variance s^2; s is the
SD within and t the SD between trials. All is done in an orthonormal design, on what
ordinary least squares leaves of the response.

A line with a random intercept for each trial: REML, Kenward-Roger, Satterthwaite.

Where the scatter comes from: variance between trials, between sensors, within.
"""

from dataclasses import dataclass, field
from itertools import product
from math import inf, nan, sqrt
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq, minimize

from kitlib.statistics.arrays import (
    cluster_codes,
    finite_array,
    left_over,
    orthonormal,
    sums_by_cluster,
)
from kitlib.statistics.clustered import NO_SCATTER, too_few_trials
from kitlib.words.errors import NoSpread, TooFewSamples
from kitlib.words.estimates import Estimate

# Ratios t^2 / s^2 among which optima are sought; 1e6 is a t of a thousand s.
LARGEST = 1e6
RATIOS = np.concatenate([[0.0], np.geomspace(1e-6, LARGEST, 73)])


class Strata(NamedTuple):
    """A design and a response, split into trial means and deviations from them."""

    size: np.ndarray  # samples of each trial, (G,)
    x_between: np.ndarray  # sqrt(size) * trial means of the design, (G, p)
    y_between: np.ndarray  # the same of the response, (G,)
    x_within: np.ndarray  # deviations from the trial means, (n, p)
    y_within: np.ndarray  # the same of the response, (n,)

    @property
    def freedom(self) -> int:
        """Samples less coefficients."""
        return self.x_within.shape[0] - self.x_within.shape[1]

    def variances(self, s2: float, ratio: float) -> tuple[np.ndarray, np.ndarray]:
        """Return slopes with s^2 and t^2, (2, G), and variances, of `y_between`."""
        slopes = np.stack([np.ones_like(self.size), self.size])
        return slopes, s2 * (1 + ratio * self.size)


class Solution(NamedTuple):
    """Generalised least squares at one ratio of the variances, s = 1."""

    covariance: np.ndarray  # of the coefficients, (p, p)
    coefficients: np.ndarray  # (p,)
    squares: float  # weighted sum of squared residuals


class Inference(NamedTuple):
    """What Kenward-Roger and Satterthwaite need; variances in the order s^2, t^2."""

    covariance: np.ndarray  # of the coefficients, variances known, (p, p)
    adjusted: np.ndarray  # of the coefficients, variances estimated, (p, p)
    slopes: np.ndarray  # of `covariance` with each variance, (2, p, p)
    expected: np.ndarray  # covariance of the variances, expected information, (2, 2)
    observed: np.ndarray  # the same by observed information, (2, 2)

    def turned(self, back) -> "Inference":
        """Return it for the coefficients `back` @ those it was made for."""
        return self._replace(
            covariance=back @ self.covariance @ back.T,
            adjusted=back @ self.adjusted @ back.T,
            slopes=back @ self.slopes @ back.T,
        )


def split(codes, n_clusters: int, q, residual) -> Strata:
    """Return the strata of an orthonormal design and a response."""
    size = np.bincount(codes, minlength=n_clusters).astype(float)
    both = np.column_stack([q, residual])
    means = sums_by_cluster(codes, n_clusters, both) / size[:, None]
    within, between = both - means[codes], means * np.sqrt(size)[:, None]
    return Strata(size, between[:, :-1], between[:, -1], within[:, :-1], within[:, -1])


def solve(strata: Strata, ratio: float) -> Solution:
    """Return the generalised least squares fit at one ratio of the variances."""
    weighted = strata.x_between.T / (1 + ratio * strata.size)
    normal = strata.x_within.T @ strata.x_within + weighted @ strata.x_between
    right = strata.x_within.T @ strata.y_within + weighted @ strata.y_between
    covariance = np.linalg.inv(normal)
    coefficients = covariance @ right
    between = strata.y_between - strata.x_between @ coefficients
    within = strata.y_within - strata.x_within @ coefficients
    squares = between**2 @ (1 / (1 + ratio * strata.size)) + within @ within
    return Solution(covariance, coefficients, float(squares))


def deviance(strata: Strata, ratio: float) -> float:
    """Return -2 log restricted likelihood, less a constant, best s taken."""
    fit = solve(strata, ratio)
    determinants = np.log1p(ratio * strata.size).sum()
    determinants -= np.linalg.slogdet(fit.covariance)[1]
    return float(determinants + strata.freedom * np.log(fit.squares))


def deviance_slope(strata: Strata, ratio: float) -> float:
    """Return the derivative of `deviance` with the ratio."""
    fit = solve(strata, ratio)
    between = strata.y_between - strata.x_between @ fit.coefficients
    scale = 1 + ratio * strata.size
    spread = np.einsum(
        "gi,ij,gj->g", strata.x_between, fit.covariance, strata.x_between
    )
    relative = (spread + strata.freedom * between**2 / fit.squares) / scale
    return float((strata.size / scale) @ (1 - relative))


def best_ratio(strata: Strata) -> float:
    """Return the ratio t^2 / s^2 of highest restricted likelihood; inf if s is 0."""
    return lowest_from_zero(
        lambda ratio: deviance(strata, ratio),
        lambda ratio: deviance_slope(strata, ratio),
        RATIOS,
    )


def lowest_from_zero(deviance, slope, grid) -> float:
    """Return where a deviance is lowest; inf if it still falls at the end.

    Parameters
    ----------
    deviance, slope : callable
        A function of one number from 0 up, and its derivative.
    grid : ndarray
        Where the slope is looked at, from 0; its roots are sought in between.
    """
    slopes = np.array([slope(value) for value in grid])
    valleys = np.flatnonzero((slopes[:-1] < 0) & (slopes[1:] >= 0))
    found = [brentq(slope, grid[k], grid[k + 1], xtol=1e-300) for k in valleys]
    if slopes[0] >= 0:
        found.append(0.0)
    return float(min(found, key=deviance, default=inf))


def information(strata: Strata, ratio: float) -> tuple[np.ndarray, ...]:
    """Return expected information of (s^2, t^2), and P and Q of Kenward and Roger.

    Shapes (2, 2), (2, p, p) and (2, 2, p, p); P with its sign changed.
    """
    fit = solve(strata, ratio)
    s2 = fit.squares / strata.freedom
    by, variance = strata.variances(s2, ratio)
    x, x_within = strata.x_between, strata.x_within.T @ strata.x_within
    p = np.einsum("ig,gp,gq->ipq", by / variance**2, x, x)
    q = np.einsum("ig,jg,gp,gq->ijpq", by, by / variance**3, x, x)
    traces = by / variance**2 @ by.T
    p[0] += x_within / s2**2
    q[0, 0] += x_within / s2**3
    traces[0, 0] += (len(strata.y_within) - len(strata.size)) / s2**2
    left = s2 * fit.covariance @ p
    traces -= 2 * s2 * np.einsum("pq,ijqp->ij", fit.covariance, q)
    return (traces + np.einsum("ipq,jqp->ij", left, left)) / 2, p, q


def told_apart(strata: Strata) -> bool:
    """Say whether the samples can tell t from s at all."""
    expected, _, _ = information(strata, 0.0)
    return bool(np.linalg.det(expected) > 1e-10 * expected[0, 0] * expected[1, 1])


def inference(strata: Strata, ratio: float) -> Inference:
    """Return what Kenward-Roger and Satterthwaite need at the best ratio.

    Where t cannot be told from s, and for Satterthwaite also where t is 0, only
    s^2 counts as uncertain.
    """
    fit = solve(strata, ratio)
    s2 = fit.squares / strata.freedom
    covariance = s2 * fit.covariance
    expected, p, q = information(strata, ratio)
    only_s2 = np.diag([1 / expected[0, 0], 0.0])
    of_variances = np.linalg.inv(expected) if told_apart(strata) else only_s2
    excess = np.einsum("ij,ijpq->pq", of_variances, q - _between(p, covariance))
    return Inference(
        covariance=covariance,
        adjusted=covariance + 2 * covariance @ excess @ covariance,
        slopes=covariance @ p @ covariance,
        expected=of_variances,
        observed=(
            np.linalg.inv(_observed(strata, fit, ratio) - expected)
            if ratio > 0
            else only_s2
        ),
    )


def _between(p, covariance):
    """Return P_i covariance P_j for each i and j, (2, 2, p, p)."""
    return np.einsum("ipq,qr,jrs->ijps", p, covariance, p)


def _observed(strata, fit, ratio):
    """Return observed plus expected information of (s^2, t^2), (2, 2)."""
    s2 = fit.squares / strata.freedom
    by, variance = strata.variances(s2, ratio)
    between = strata.y_between - strata.x_between @ fit.coefficients
    within = strata.y_within - strata.x_within @ fit.coefficients
    squares = by * between**2 / variance**3 @ by.T
    squares[0, 0] += within @ within / s2**3
    along = by * between / variance**2 @ strata.x_between
    along[0] += strata.x_within.T @ within / s2**2
    return squares - s2 * along @ fit.covariance @ along.T


KENWARD_ROGER = "REML, Kenward-Roger"
SATTERTHWAITE = "REML, Satterthwaite df"
SINGULAR = "no variation between trials beyond that within them was detectable"
UNREPEATED = "no trial gave two samples, so its own variation cannot be told apart"
NOT_TOLD = "these samples cannot tell variation between trials from that within"
NO_WITHIN = "samples of a trial do not differ about the fit, so no interval is known"


@dataclass(frozen=True, kw_only=True, eq=False)
class RandomIntercept:
    """A linear model with a random intercept for each trial, fitted by REML.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
        By generalised least squares.
    sd_trial : float
        SD between trials; 0 if the fit is singular, nan if it is not known.
    sd_residual : float
        SD within trials, in the unit of the response.
    n, n_clusters : int
        Samples, and the trials they come from.
    remark : str
        What the reader must know of the fit.
    why_no_interval : str
        Why nothing here has an interval; empty if there is no such reason.
    moments : Inference or None
        Covariances and their slopes; None where no interval is known.

    Examples
    --------
    >>> fit = random_intercept([[1]] * 4, [0.1, 0.5, 0.2, 0.4], list("AABB"))
    >>> fit.singular, round(fit.kenward_roger([1]).df), round(fit.satterthwaite([1]).df)
    (True, 1, 3)
    """

    coefficients: np.ndarray
    sd_trial: float
    sd_residual: float
    n: int
    n_clusters: int
    remark: str = ""
    why_no_interval: str = ""
    moments: Inference | None = field(repr=False)

    @property
    def singular(self) -> bool:
        """Whether the SD between trials is estimated as exactly 0."""
        return self.sd_trial == 0

    def kenward_roger(self, weights) -> Estimate:
        """Return a weighted sum of the coefficients after Kenward and Roger.

        Its standard error allows for the SDs being estimated, and its degrees of
        freedom stay near trials - 1 for a mean even if the fit is singular.

        Parameters
        ----------
        weights : array_like, shape (p,)
        """
        return self._contrast(weights, "adjusted", "expected", KENWARD_ROGER)

    def satterthwaite(self, weights) -> Estimate:
        """Return a weighted sum of the coefficients with Satterthwaite df.

        If the fit is singular it takes all samples as independent, which flatters.

        Parameters
        ----------
        weights : array_like, shape (p,)
        """
        return self._contrast(weights, "covariance", "observed", SATTERTHWAITE)

    def _contrast(self, weights, covariance, of_variances, method):
        """Return a contrast whose squared error is like a scaled chi-squared."""
        weights = np.asarray(weights, float)
        value = float(weights @ self.coefficients)
        if self.why_no_interval:
            return Estimate(value=value, remark=self.why_no_interval)
        slope = self.moments.slopes @ weights @ weights
        spread = slope @ getattr(self.moments, of_variances) @ slope
        if not spread > 0:
            return Estimate(value=value, remark=NOT_TOLD)
        return Estimate(
            value=value,
            se=sqrt(weights @ getattr(self.moments, covariance) @ weights),
            df=2 * float(weights @ self.moments.covariance @ weights) ** 2 / spread,
            method=method,
            remark=self.remark,
        )


def random_intercept(design, response, cluster) -> RandomIntercept:
    """Fit a line, or any small linear model, with a random intercept per trial.

    Estimand: the coefficients of the line of a trial drawn at random, every trial
    lying parallel to it at a normally distributed distance. Trials count by size
    where they hardly differ, and equally where they differ much; `clustered_fit`
    always counts them by size.

    Parameters
    ----------
    design : array_like, shape (n, p), n > p
        One column per coefficient; ones for the intercept.
    response : array_like, shape (n,)
    cluster : array_like, shape (n,)
        Trial of each sample, labels of any kind.

    Raises
    ------
    TooFewSamples
        If n <= p.
    NoSpread
        If a column of the design is a combination of the ones before it.
    NotFinite
        If a value or a trial is missing, or a value infinite.

    Notes
    -----
    The restricted likelihood is profiled to the ratio of the two variances; every
    root of its slope is compared with a ratio of 0. For one contrast the scale of
    the Kenward-Roger F is 1, and its degrees of freedom 2 / A2 of [1]_.

    References
    ----------
    .. [1] Kenward, Roger, Biometrics 53 (1997) 983-997.
    .. [2] Halekoh, Højsgaard, J. Statistical Software 59 (2014) no. 9.

    Examples
    --------
    >>> errors = [0.1, 0.3, 0.7, 0.9, 0.4, 0.6]
    >>> fit = random_intercept([[1]] * 6, errors, list("AABBCC"))
    >>> bias = fit.kenward_roger([1])  # balanced: 0.2, 0.8 and 0.5 averaged
    >>> print(f"{bias.value:.2f}, standard error {bias.se:.3f}, df {bias.df:.0f}")
    0.50, standard error 0.173, df 2
    """
    design = finite_array("random_intercept: design", design)
    response = finite_array("random_intercept: response", response)
    n, p = design.shape
    codes, n_clusters = cluster_codes("random_intercept: cluster", cluster, n)
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
        n=n,
        n_clusters=n_clusters,
        remark=remark,
        why_no_interval=unsure,
        moments=None if unsure else inference(strata, used).turned(back),
    )


def _ratio_of_variances(strata):
    """Return (t / s)^2, nan if not to be told, a remark, and why it is no use."""
    if not (strata.y_between.any() or strata.y_within.any()):
        return nan, "", NO_SCATTER
    if not told_apart(strata):
        repeated = strata.size.max() > 1
        return nan, "" if repeated else UNREPEATED, NOT_TOLD if repeated else ""
    ratio = best_ratio(strata)
    if ratio == inf:
        return nan, "", NO_WITHIN
    return ratio, "" if ratio > 0 else SINGULAR, ""


METHOD = "REML"
NO_RESIDUAL = "samples alike in these labels do not differ, so no SD is known"


@dataclass(frozen=True, kw_only=True)
class VarianceComponents:
    """Standard deviations of the random parts of a response about its mean.

    Attributes
    ----------
    sd_trial, sd_sensor, sd_residual : float
        In the unit of the response; 0 if none is detectable, nan if not known.
    n, n_trials, n_sensors : int
        Samples, trials and sensors; no sensors if none were given.
    method, remark : str
        Name of the method, and what the reader must know.
    """

    sd_trial: float
    sd_sensor: float
    sd_residual: float
    n: int
    n_trials: int
    n_sensors: int
    method: str = METHOD
    remark: str = ""

    @property
    def singular(self) -> bool:
        """Whether a standard deviation is estimated as exactly 0."""
        return 0 in (self.sd_trial, self.sd_sensor)


def variance_components(response, trial, sensor=None) -> VarianceComponents:
    """Return how much of the scatter lies between trials, sensors and samples.

    Estimand: the SDs of independent normal effects of trials, of sensors and of
    samples, in whatever way trials and sensors are crossed or nested.

    Parameters
    ----------
    response : array_like, shape (n,), n >= 2
        Such as the errors of one curve. [% moisture]
    trial, sensor : array_like, shape (n,)
        Labels of each sample; without sensors only trials are told apart.

    Raises
    ------
    TooFewSamples
        If n < 2.
    NoSpread
        If all responses are the same.
    NotFinite
        If a value or a label is missing, or a value infinite.

    Notes
    -----
    Restricted maximum likelihood about one common mean, the ratios of the
    variances bounded by 0, from several starts. A grouping that the samples cannot
    tell from another, or from the samples themselves, is not estimated.

    References
    ----------
    .. [1] Patterson, Thompson, Biometrika 58 (1971) 545-554.

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
    parts, sd_residual = _sds([groups[name] for name in used], response)
    sds = dict(zip(used, parts, strict=True))
    if sd_residual == 0:
        remarks["residual"] = NO_RESIDUAL
    remarks |= {name: _none_seen(name) for name in used if sds[name] == 0}
    return VarianceComponents(
        sd_trial=sds.get("trial", nan),
        sd_sensor=sds.get("sensor", nan),
        sd_residual=sd_residual,
        n=response.size,
        n_trials=groups["trial"][1],
        n_sensors=groups["sensor"][1] if "sensor" in groups else 0,
        remark="; ".join(remark for remark in remarks.values() if remark),
    )


def _none_seen(name):
    """Return the remark for a variance of 0."""
    return f"no variation between {name}s beyond the rest was detectable"


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


def _sds(groups, response):
    """Return the SD of each grouping, and of the samples."""
    if not groups:
        return [], float(response.std(ddof=1))
    if len(groups) == 1:
        fit = random_intercept(np.ones((response.size, 1)), response, groups[0][0])
        return [fit.sd_trial], fit.sd_residual
    return _crossed_sds(groups, response)


def _crossed_sds(groups, response):
    """Return the same for two groupings, crossed or nested."""
    sums = _GroupSums(groups, response)
    runs = [
        minimize(
            sums.deviance,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=[(0, LARGEST)] * len(groups),
            options={"ftol": 0, "gtol": 1e-9},
        )
        for start in product((0.1, 1.0, 10.0), repeat=len(groups))
    ]
    ratios = min(runs, key=lambda run: run.fun).x
    if ratios.max() > LARGEST / 10:
        return [nan] * len(groups), 0.0
    sd = sums.scale * sqrt(sums.solved(ratios).squares / (response.size - 1))
    return list(sd * np.sqrt(ratios)), sd


class _Solved(NamedTuple):
    """Generalised least squares of the mean at given ratios, residual variance 1."""

    log_determinant: float  # of the covariance of the responses
    information: float  # of the mean
    squares: float  # weighted sum of squared residuals
    leverage: list[np.ndarray]  # of each grouping, the diagonal of its Z'PZ
    pull: list[np.ndarray]  # of each grouping, its Z'Py


class _GroupSums:
    """Counts and sums by group of two groupings, all that the likelihood needs.

    The grouping with more groups comes first here: no sample is in two of its groups,
    so they are eliminated one by one, and what is left to solve is small.
    """

    def __init__(self, groups, response):
        self.order = sorted(range(2), key=lambda k: -groups[k][1])
        self.n, self.scale = response.size, response.std()
        scaled = (response - response.mean()) / self.scale
        both = np.column_stack([np.ones(self.n), scaled])
        (first, a), (second, b) = (groups[k] for k in self.order)
        self.counts = np.bincount(first, minlength=a), np.bincount(second, minlength=b)
        self.shared = np.zeros((a, b))
        np.add.at(self.shared, (first, second), 1)
        self.sums = np.zeros((a, 2)), np.zeros((b, 2))
        np.add.at(self.sums[0], first, both)
        np.add.at(self.sums[1], second, both)
        self.totals = both.T @ both

    def solved(self, ratios) -> _Solved:
        """Return the fit of the mean; V = I + Z diag(ratios) Z' is never formed."""
        (many, few), (own, other) = self.sums, np.asarray(ratios)[self.order]
        spread = 1 + own * self.counts[0]
        shared = self.shared / spread[:, None]
        kept = np.diag(self.counts[1]) - own * shared.T @ self.shared
        rest = np.eye(len(kept)) + other * kept
        known = np.hstack([kept, few - own * shared.T @ many, shared.T])
        found = np.linalg.solve(rest, known)
        inner_few = found[:, len(kept) : len(kept) + 2]
        inner_many = (many - other * self.shared @ inner_few) / spread[:, None]
        crossed = (self.shared * found[:, len(kept) + 2 :].T).sum(axis=1)
        cross = (self.counts[0] - other * crossed) / spread, np.diag(found)
        left = self.totals - own * many.T @ inner_many - other * few.T @ inner_few
        mean = left[0, 1] / left[0, 0]
        inner = [(inner_many, inner_few)[k] for k in self.order]
        return _Solved(
            log_determinant=np.log(spread).sum() + np.linalg.slogdet(rest)[1],
            information=left[0, 0],
            squares=left[1, 1] - mean * left[0, 1],
            leverage=[
                cross[k] - of_one[:, 0] ** 2 / left[0, 0]
                for k, of_one in zip(self.order, inner, strict=True)
            ],
            pull=[of_one[:, 1] - mean * of_one[:, 0] for of_one in inner],
        )

    def deviance(self, ratios):
        """Return -2 log restricted likelihood, less a constant, and its gradient."""
        fit, freedom = self.solved(ratios), self.n - 1
        value = fit.log_determinant + np.log(fit.information)
        slope = [
            leverage.sum() - freedom * pull @ pull / fit.squares
            for leverage, pull in zip(fit.leverage, fit.pull, strict=True)
        ]
        return value + freedom * np.log(fit.squares), np.array(slope)
