"""Six sums per trial, from which every headline statistic follows.

Leaving a trial out is a subtraction: no statistic is ever fitted twice.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from math import isfinite, sqrt
from typing import Any, Protocol

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kitlib.statistics.arrays import (
    ROUNDING,
    cluster_codes,
    errors_of,
    paired,
    sums_by_cluster,
)
from kitlib.statistics.clustered import NO_SCATTER
from kitlib.words.estimates import Estimate, not_known

JACKKNIFE = "jackknife over trials, t"


@dataclass(frozen=True, kw_only=True, eq=False)
class Sums:
    """Sums over one or many sets of samples, and the statistics they give.

    Sums of errors rather than of readings: a small SEP is then not the
    difference of two large sums. A statistic that a set of samples does not
    define, such as a slope where all readings are the same, is nan.

    Attributes
    ----------
    table : ndarray, shape (..., 6)
        Sums of 1, r, e, r r, e e and r e, with r the reference and e the error
        (sensor - reference), both about `centre`.
    centre : tuple of float
        What was taken off reference and error. [% moisture]
    """

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

    @property
    def intercept(self) -> np.ndarray:
        """Corrected moisture at a reading of 0. [% moisture]."""
        mean_sensor = self.mean_reference + self.bias
        return self.mean_reference - self.slope * mean_sensor

    def _about_mean(self, first, second, product):
        """Return sums of products about the means, squares cleared of rounding."""
        crude = self.table[..., product]
        fine = crude - _ratio(self.table[..., first] * self.table[..., second], self.n)
        if first != second:
            return fine
        return np.where(fine > ROUNDING * crude, fine, 0)


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialSums:
    """The six sums of every trial.

    Attributes
    ----------
    trials : tuple
        Labels, sorted as text, so that the order of rows never matters.
    table : ndarray, shape (n_trials, 6)
        As `Sums.table`.
    centre : tuple of float
        As `Sums.centre`.
    """

    trials: tuple
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

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 2
        Results for the same samples, same order. [% moisture, wet basis]
    trial : array_like, shape (n,)
        Trial of each sample, labels of any kind.

    Raises
    ------
    TooFewSamples
        If n < 2.
    NotFinite
        If a value or a trial is missing or infinite.

    Examples
    --------
    >>> sums = trial_sums([15.2, 14.1, 16.3], [15.0, 14.0, 16.0], ["A", "A", "B"])
    >>> sums.trials, sums.without_each.bias.round(6).tolist()
    (('A', 'B'), [0.3, 0.15])
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


class LeftOutOneByOne(Protocol):
    """Sums of trials that can be left out one at a time."""

    @property
    def trials(self) -> tuple:
        """Names of the trials."""

    @property
    def total(self) -> Any:
        """Sums over all trials."""

    @property
    def without_each(self) -> Any:
        """Sums of all trials but one, each in turn."""


def jackknife(
    sums: LeftOutOneByOne, statistic: Callable[[Any], np.ndarray]
) -> Estimate:
    """Return a statistic with its standard error from leaving each trial out.

    Estimand: the statistic in the population of trials that these were drawn from.

    Parameters
    ----------
    sums : TrialSums
        Or sums of another kind that leave trials out one at a time.
    statistic : callable
        From `Sums` of any shape to values of that shape.

    Returns
    -------
    Estimate
        With trials - 1 degrees of freedom; without an interval, and saying why,
        under 3 trials or where a trial cannot be left out.

    References
    ----------
    .. [1] Efron, Tibshirani, An Introduction to the Bootstrap (1993), chapter 11.

    Examples
    --------
    >>> sums = trial_sums([1.1, 2.2, 3.6], [1.0, 2.0, 3.0], ["A", "B", "C"])
    >>> bias = jackknife(sums, lambda s: s.bias)  # sd(0.1, 0.2, 0.6) / sqrt(3)
    >>> print(f"{bias.value:.2f}, standard error {bias.se:.4f}, df {bias.df}")
    0.30, standard error 0.1528, df 2
    """
    value, n_trials = float(statistic(sums.total)), len(sums.trials)
    if not isfinite(value):
        return not_known("these samples do not define it")
    if n_trials < 3:
        why = f"got {n_trials} trial(s); a jackknife over trials needs 3"
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
