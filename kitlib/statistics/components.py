"""Where the scatter comes from: variance between trials, between sensors, within."""

from dataclasses import dataclass
from itertools import product
from math import nan, sqrt
from typing import NamedTuple

import numpy as np
from scipy.optimize import minimize

from kitlib.statistics.arrays import cluster_codes, finite_array
from kitlib.statistics.mixed import random_intercept
from kitlib.statistics.reml import LARGEST
from kitlib.words.errors import NoSpread, TooFewSamples

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
