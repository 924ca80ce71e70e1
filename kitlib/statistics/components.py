"""Where scatter comes from: SDs between trials, between sensors, and within."""

from dataclasses import dataclass
from itertools import product
from math import nan, sqrt
from typing import Any

import numpy as np
from numpy.typing import ArrayLike
from scipy.optimize import minimize

from kitlib.statistics.arrays import cluster_codes, finite_array
from kitlib.statistics.reml import (
    LARGEST,
    deviance,
    deviance_slopes,
    random_intercept,
    solve,
    split,
)
from kitlib.words.errors import NoSpread, TooFewSamples

NO_RESIDUAL = "samples alike in these labels do not differ, so no SD is known"


@dataclass(frozen=True, kw_only=True)
class VarianceComponents:
    """Standard deviations of the random parts of a response about its mean, by REML.

    Attributes
    ----------
    sd_trial, sd_sensor, sd_residual : float
        In the unit of the response; 0 if none is detectable, nan if not known.
    n, n_trials : int
        Samples and trials.
    remark : str
        What the reader must know.
    """

    sd_trial: float
    sd_sensor: float
    sd_residual: float
    n: int
    n_trials: int
    remark: str = ""


def variance_components(
    response: ArrayLike, trial: Any, sensor: Any = None
) -> VarianceComponents:
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
    remarks |= {
        name: f"no variation between {name}s beyond the rest was detectable"
        for name in used
        if sds[name] == 0
    }
    return VarianceComponents(
        sd_trial=sds.get("trial", nan),
        sd_sensor=sds.get("sensor", nan),
        sd_residual=sd_residual,
        n=response.size,
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
    # The one with more groups makes the strata: what is left to solve is small.
    order = sorted(range(2), key=lambda k: -groups[k][1])
    (codes, many), (other, few) = (groups[k] for k in order)
    scale = response.std()
    columns = [np.eye(few)[other], np.ones(response.size)]
    scaled = (response - response.mean()) / scale
    strata = split(codes, many, np.column_stack(columns), scaled, random=few)

    def height(ratios):
        return deviance(strata, *ratios), deviance_slopes(strata, *ratios)

    runs = [
        minimize(
            height,
            start,
            jac=True,
            method="L-BFGS-B",
            bounds=[(0, LARGEST)] * 2,
            options={"ftol": 0, "gtol": 1e-9},
        )
        for start in product((0.1, 1.0, 10.0), repeat=2)
    ]
    ratios = min(runs, key=lambda run: run.fun).x
    if ratios.max() > LARGEST / 10:
        return [nan, nan], 0.0
    sd = scale * sqrt(solve(strata, *ratios).squares / strata.freedom)
    return [float(sd * sqrt(ratios[order.index(k)])) for k in range(2)], float(sd)
