"""Six sums per trial, from which every headline statistic follows.

Leaving a trial out is a subtraction: no statistic is ever fitted twice. So what
other trials would show costs nothing: corrections on trials left out, and the SEP in
new trials.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from math import exp, isfinite, nan, sqrt
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import chi2, norm
from scipy.stats import t as student_t

from kitlib.statistics.clustered import NO_SCATTER
from kitlib.statistics.estimates import (
    NO_INTERVAL,
    ROUNDING,
    Estimate,
    Interval,
    cluster_codes,
    errors_of,
    not_known,
    paired,
    sums_by_cluster,
)
from kitlib.words.findings import TooFewSamples

JACKKNIFE = "jackknife over trials, t"
SEP_METHOD = "high end Graybill-Wang, low end jackknife over trials"
NEEDS_THREE = "an SEP of new trials needs at least 3 trials"


@dataclass(frozen=True, kw_only=True, eq=False)
class Sums:
    """Sums over one or many sets of samples, and the statistics they give.

    Sums of errors rather than of readings: a small SEP is then not the
    difference of two large sums. A statistic that a set of samples does not
    define, such as a slope where all readings are the same, is nan.
    """

    # Sums of 1, r, e, r r, e e and r e, shape (..., 6), with r the reference and e the
    # error (sensor - reference), both less `centre`. [% moisture]
    table: np.ndarray
    centre: tuple[float, float]

    @property
    def n(self) -> np.ndarray:
        """Samples."""
        return self.table[..., 0]

    @property
    def bias(self) -> np.ndarray:
        """Mean error. [% moisture]."""
        return _ratio(self.table[..., 2], self.n) + self.centre[1]

    @property
    def mean_reference(self) -> np.ndarray:
        """Mean reference value. [% moisture, wet basis]."""
        return _ratio(self.table[..., 1], self.n) + self.centre[0]

    @property
    def sep(self) -> np.ndarray:
        """Standard deviation of the errors, n - 1. [% moisture]."""
        return np.sqrt(_ratio(self._about_mean(2, 2, 4), self.n - 1))

    @property
    def rmsep(self) -> np.ndarray:
        """Root mean square error. [% moisture]."""
        return np.sqrt(self.bias**2 + _ratio(self._about_mean(2, 2, 4), self.n))

    @cached_property
    def squares(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Sums of squares about the mean: sensor, reference, and their products."""
        reference, error = self._about_mean(1, 1, 3), self._about_mean(2, 2, 4)
        product = self._about_mean(1, 2, 5)
        sensor = reference + 2 * product + error
        sensor = np.where(sensor > ROUNDING * (reference + error), sensor, 0)
        return sensor, reference, reference + product

    @property
    def slope(self) -> np.ndarray:
        """Prediction slope: the reference regressed on the sensor."""
        sensor, _, product = self.squares
        return _ratio(product, sensor)

    def _about_mean(self, first, second, product):
        """Return sums of products about the means, squares cleared of rounding."""
        crude = self.table[..., product]
        fine = crude - _ratio(self.table[..., first] * self.table[..., second], self.n)
        if first != second:
            return fine
        return np.where(fine > ROUNDING * crude, fine, 0)


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialSums:
    """The six sums of every trial: `table` (n_trials, 6) and `centre` as in `Sums`."""

    trials: tuple  # labels, sorted as text, so that the order of rows never matters
    table: np.ndarray
    centre: tuple[float, float]

    @property
    def total(self) -> Sums:
        """Sums over all trials."""
        return Sums(table=self.table.sum(axis=0), centre=self.centre)

    @property
    def without_each(self) -> Sums:
        """Sums of all trials but one, each in turn."""
        rest = self.table.sum(axis=0) - self.table
        return Sums(table=rest, centre=self.centre)


def trial_sums(sensor: ArrayLike, reference: ArrayLike, trial: Any) -> TrialSums:
    """Return the six sums of every trial.

    `sensor` and `reference` are results for the same n >= 2 samples [% moisture, wet
    basis], `trial` the trial of each, labels of any kind.
    """
    sensor, reference = paired("trial_sums", sensor, reference)
    error = errors_of(sensor, reference)
    codes, n_trials = cluster_codes("trial_sums: trial", trial, error.size)
    centre = (float(reference.mean()), float(error.mean()))
    r, e = reference - centre[0], error - centre[1]
    powers = np.column_stack([np.ones_like(r), r, e, r * r, e * e, r * e])
    table = sums_by_cluster(codes, n_trials, powers)
    labels = pd.Index(trial).unique().tolist()
    order = sorted(range(n_trials), key=lambda i: str(labels[i]))
    trials = tuple(labels[i] for i in order)
    return TrialSums(trials=trials, table=table[order], centre=centre)


def jackknife(sums: Any, statistic: Callable[[Any], np.ndarray]) -> Estimate:
    """Return a statistic with its standard error from leaving each trial out.

    Estimand: the statistic in the population of trials that these were drawn from
    (Efron, Tibshirani, An Introduction to the Bootstrap (1993), chapter 11). Without an
    interval, saying why, under 3 trials or where a trial cannot be left out.
    `statistic` turns the `total` of the sums into a value, and `without_each` into one
    for each of the `trials`.
    """
    value, n_trials = float(statistic(sums.total)), len(sums.trials)
    if not isfinite(value):
        return not_known("these samples do not define it")
    if n_trials < 3:
        why = f"only {n_trials} of the 3 trials that a jackknife needs"
        return Estimate(value=value, remark=why)
    rest = statistic(sums.without_each)
    if not np.isfinite(rest).all():
        needed = sums.trials[int(np.argmin(np.isfinite(rest)))]
        return Estimate(value=value, remark=f"not defined without trial {needed}")
    se = sqrt((n_trials - 1) / n_trials * float(((rest - rest.mean()) ** 2).sum()))
    if se <= ROUNDING * abs(value):
        return Estimate(value=value, remark=NO_SCATTER)
    return Estimate(value=value, se=se, df=n_trials - 1, method=JACKKNIFE)


def _ratio(above, below):
    """Divide, giving nan where the divisor is not above zero."""
    above, below = np.broadcast_arrays(above, below)
    return np.divide(above, below, where=below > 0, out=np.full(below.shape, np.nan))


# ---- corrections on trials left out --------------------------------------------------


def squares_left_out(
    sums: TrialSums, start: np.ndarray, slope: np.ndarray
) -> np.ndarray:
    """Return the sums of squared errors of trials, each corrected in its own way.

    corrected = start + slope * sensor, readings and result both less the mean
    reference of all samples, the readings less their mean error too; `start` and
    `slope` hold one number a trial, (..., n_trials).
    """
    n, r, e, rr, ee, re = sums.table.T
    tilt = slope - 1
    squares = n * start**2 + tilt**2 * rr + slope**2 * ee
    squares += 2 * (start * (tilt * r + slope * e) + slope * tilt * re)
    return np.maximum(squares, 0)


class LeaveOneTrialOut(NamedTuple):
    """RMSEP on trials that had no part in a correction. [% moisture]."""

    rmsep_none: float  # without a change
    rmsep_offset: float  # with the offset of the other trials
    rmsep_line: float  # with the prediction line of the other trials, nan if none


def leave_one_trial_out(sums: TrialSums) -> LeaveOneTrialOut:
    """Return how no change, an offset and a line perform on trials left out.

    Estimand: RMSEP in a new trial, with a correction estimated from one trial fewer
    than these; in-sample figures flatter. Each trial is corrected by all the others,
    and trials count by their samples. The line is not known under 3 trials, or where
    the other trials define none; of one trial only, `TooFewSamples` is raised.
    """
    if len(sums.trials) < 2:
        raise TooFewSamples("leave_one_trial_out: got 1 trial; needs at least 2.")
    rest, one = sums.without_each, np.ones(len(sums.trials))
    slope = rest.slope
    at_mean = rest.mean_reference - sums.centre[0]
    mean_sensor = at_mean + rest.bias - sums.centre[1]
    if len(sums.trials) < 3 or not np.isfinite(slope).all():
        slope = np.full_like(slope, nan)
    corrections = (
        (one * sums.centre[1], one),
        (sums.centre[1] - rest.bias, one),
        (at_mean - slope * mean_sensor, slope),
    )
    squares = [squares_left_out(sums, *correction).sum() for correction in corrections]
    return LeaveOneTrialOut(*(sqrt(s / sums.total.n) for s in squares))


# ---- SEP in new trials ---------------------------------------------------------------

# Chosen by simulation: for heavy tails, and trials at which a jackknife counts half.
ALLOWANCE, TRIALS_OF_THEORY = 1.3, 20


@dataclass(frozen=True, kw_only=True, eq=False)
class SepInterval:
    """The SD of the errors to expect in new trials, with its interval.

    SD about the bias of all trials, between and within trials; the SEP of the
    samples falls short of it with few trials, as trials share errors.
    """

    total_sd: float = nan  # [% moisture]
    interval: Interval = NO_INTERVAL  # of `total_sd` [% moisture]
    df: float = nan  # degrees of freedom of `total_sd` squared
    method: str = SEP_METHOD  # or why there is no interval

    def error_limits(self, bias: Estimate, level: float = 0.95) -> Interval:
        """Return where the error of one new sample of a new trial lies.

        A prediction interval: bias -/+ t sqrt(total_sd^2 + se^2), for normal
        errors. nan ends if bias or SD is not known. [% moisture]
        """
        if not isfinite(self.df * bias.se):
            return NO_INTERVAL
        half = float(student_t.ppf((1 + level) / 2, self.df))
        half *= sqrt(self.total_sd**2 + bias.se**2)
        return Interval(bias.value - half, bias.value + half)


def sep_interval(sums: TrialSums, level: float = 0.95) -> SepInterval:
    """Return an interval for the SEP to expect in new trials like these.

    Estimand: the SD of errors about the bias of the population of trials,
    variance between trials plus variance within. Not the SEP of these samples,
    which is simply known. Not known under 3 trials or without scatter.

    Total variance = A + B with A = MSB / n0 and B = (1 - 1 / n0) MSW from the
    one-way analysis of variance. The high end joins those of A and B (Graybill, Wang,
    J. American Statistical Association 75 (1980) 869-873, from memory), with
    G - 1 and N - G (at least G - 1) degrees of freedom, both lowered by one
    factor: normal-theory variance of A + B over 1.3 times a mean of that
    variance and a jackknife over trials, weights 20 and G - 1. The low end is the
    jackknife's, for a few wild errors pull the SEP up and theory does not see it.
    """
    n_trials = len(sums.trials)
    n, _, e, _, ee, _ = sums.table.T
    parts = np.column_stack([np.ones_like(n), n, n**2, e, ee, e**2 / n])
    variances = _variances(parts.sum(axis=0)) if n_trials > 2 else np.full(2, nan)
    total = float(variances.sum())
    if n_trials < 3 or total <= 0:
        why = NO_SCATTER if n_trials > 2 else NEEDS_THREE
        return SepInterval(total_sd=sqrt(total), method=why)
    without_each = _variances(parts.sum(axis=0) - parts).sum(axis=-1)
    # A few wild errors pull the estimate up; then leaving their trial out moves it
    # far, which the theory of normal errors does not know.
    logs = np.log(np.maximum(without_each, ROUNDING * total))
    unsure = sqrt((n_trials - 1) * float(np.var(logs)))
    low = sqrt(total) * exp(-float(norm.ppf((1 + level) / 2)) * unsure / 2)
    dfs = np.array([n_trials - 1, max(n.sum() - n_trials, n_trials - 1)])
    theory = float((2 * variances**2 / dfs).sum())
    by_jackknife = (n_trials - 1) * float(np.var(without_each))
    weights = [n_trials - 1, TRIALS_OF_THEORY]
    spread = ALLOWANCE * float(np.average([by_jackknife, theory], weights=weights))
    dfs = dfs * min(theory / spread, 1.0)
    excess = dfs / chi2.ppf((1 - level) / 2, dfs) - 1
    high = sqrt(total + sqrt(float(((excess * variances) ** 2).sum())))
    df = 2 * total**2 / max(theory, spread)
    return SepInterval(total_sd=sqrt(total), interval=Interval(low, high), df=df)


def _variances(parts):
    """Return A and B, (..., 2), of sums over trials of 1, n, n^2, e, e e, e^2 / n."""
    n_trials, n, n2, errors, squares, means = np.moveaxis(parts, -1, 0)
    between, within = means - errors**2 / n, squares - means
    between = np.where(between > ROUNDING * squares, between, 0) / (n_trials - 1)
    repeats = np.maximum(n - n_trials, 1)  # without repeats there is nothing within
    within = np.where(within > ROUNDING * squares, within, 0) / repeats
    per_trial = (n - n2 / n) / (n_trials - 1)
    return np.stack([between / per_trial, (1 - 1 / per_trial) * within], axis=-1)
