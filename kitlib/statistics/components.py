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
    leverage: np.ndarray  # diagonal of Z'PZ, one entry a group
    pull: np.ndarray  # Z'Py, one entry a group


class _GroupSums:
    """Counts and sums by group, all that the likelihood of the variances needs."""

    def __init__(self, groups, response):
        self.which = np.repeat(range(len(groups)), [count for _, count in groups])
        self.n, self.scale = response.size, response.std()
        both = np.column_stack(
            [np.ones(self.n), (response - response.mean()) / self.scale]
        )
        member = np.hstack([np.eye(count)[codes] for codes, count in groups])
        self.counts, self.sums = member.T @ member, member.T @ both
        self.totals = both.T @ both

    def solved(self, ratios) -> _Solved:
        """Return the fit of the mean; V = I + Z diag(ratios) Z' is never formed."""
        ratio = ratios[self.which]
        spread = np.eye(ratio.size) + self.counts * ratio
        inner = np.linalg.solve(spread, np.column_stack([self.counts, self.sums]))
        cross, inner = np.diag(inner[:, :-2]), inner[:, -2:]
        left = self.totals - (self.sums * ratio[:, None]).T @ inner
        mean = left[0, 1] / left[0, 0]
        return _Solved(
            log_determinant=np.linalg.slogdet(spread)[1],
            information=left[0, 0],
            squares=left[1, 1] - mean * left[0, 1],
            leverage=cross - inner[:, 0] ** 2 / left[0, 0],
            pull=inner[:, 1] - mean * inner[:, 0],
        )

    def deviance(self, ratios):
        """Return -2 log restricted likelihood, less a constant, and its gradient."""
        fit, freedom = self.solved(ratios), self.n - 1
        value = fit.log_determinant + np.log(fit.information)
        slope = fit.leverage - freedom * fit.pull**2 / fit.squares
        return value + freedom * np.log(fit.squares), np.bincount(self.which, slope)
