"""Readings by themselves: moisture bands, and readings that do not move.

Six sums per trial, from which every headline statistic follows.

Leaving a trial out is a subtraction, drawing trials again a matrix product: no
statistic is ever fitted twice.
"""

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from math import isfinite, log, sqrt

import numpy as np
import pandas as pd

from kitlib.statistics.agreement import errors_of, paired
from kitlib.statistics.arrays import cluster_codes, finite_array, sums_by_cluster
from kitlib.statistics.clustered import NO_SCATTER
from kitlib.words.estimates import Estimate, not_known

PILE = 5  # identical readings that make a pile worth a look: our choice
CHANCE = 0.01  # a run longer than chance gives once in 100 such records: our choice


def moisture_bands(reference, width: float = 2.0) -> np.ndarray:
    """Return the lower edge of the moisture band each sample falls into.

    Bands are [edge, edge + width), with edges at whole multiples of the width, so
    that bands of 2 points run from even number to even number in every season.

    Parameters
    ----------
    reference : array_like, shape (n,)
        Moistures, not rounded first. [% moisture, wet basis]
    width : float
        A whole number of points, 1 or more.

    Returns
    -------
    ndarray of int, shape (n,)

    Examples
    --------
    >>> moisture_bands([13.99, 14.0, 15.2, 16.0])
    array([12, 14, 14, 16])
    """
    if width < 1 or width != int(width):
        raise ValueError(
            f"moisture_bands: width is {width}; expected whole points, 1 or more."
        )
    reference = finite_array("moisture_bands: reference", reference)
    return (np.floor(reference / width) * width).astype(int)


@dataclass(frozen=True)
class StuckReading:
    """A reading that came back more often than a moving sensor would give it.

    Attributes
    ----------
    value : float
        The reading. [its own unit]
    count : int
        How often it was read: in all for a pile, in a row for a run.
    where : str
        "top" or "bottom" for a pile at an end of the range, "run" for a run.
    """

    value: float
    count: int
    where: str


def stuck_readings(values) -> list[StuckReading]:
    """Return readings that look stuck: at a limit of the sensor, or in a run.

    A pile: the highest (or lowest) reading came at least 5 times, and more often
    than the next two readings inward together; honest readings thin out towards
    their ends. A run: at least 5 identical readings in a row, and so many that
    chance would give such a run less than once in 100 records of this length, if
    each reading repeated the one before it as often as they do outside the run.

    Both are reasons to look again, not proof. Coarsely rounded readings of a
    narrow range can pile up honestly.

    Parameters
    ----------
    values : array_like, shape (n,)
        Readings of one sensor in the order of harvest.

    Returns
    -------
    list of StuckReading
        Piles first, then runs from the longest.

    Examples
    --------
    >>> stuck_readings([14.2, 15.1, 35.0, 35.0, 16.3, 35.0, 35.0, 35.0, 14.8])
    [StuckReading(value=35.0, count=5, where='top')]
    """
    values = finite_array("stuck_readings: values", values)
    if values.size < PILE:
        return []
    # Readings that never moved are one pile, and no run besides.
    return _piles(values) + (_runs(values) if np.ptp(values) > 0 else [])


def _piles(values):
    """Return the piles at the two ends; one only if all readings are the same."""
    levels, counts = np.unique(values, return_counts=True)
    ends = [(levels[-1], counts[::-1], "top"), (levels[0], counts, "bottom")]
    return [
        StuckReading(float(level), int(count[0]), where)
        for level, count, where in ends[: min(levels.size, 2)]
        if count[0] >= PILE and count[0] > count[1:3].sum()
    ]


def _runs(values):
    """Return the runs too long for chance, the longest first."""
    repeats = values[1:] == values[:-1]
    starts = np.flatnonzero(np.r_[True, ~repeats])
    lengths = np.diff(np.r_[starts, values.size])
    # A run of k takes k - 1 repeats in a row: n share^(k - 1) are expected by chance,
    # the share being that outside the run, with one repeat in two more to be safe.
    within = lengths - 1
    share = (repeats.sum() - within + 1) / (repeats.size - within + 2)
    longest = 1 + log(values.size / CHANCE) / -np.log(share)
    long = np.flatnonzero((lengths >= PILE) & (lengths > longest))
    order = long[np.argsort(-lengths[long], kind="stable")]
    return [
        StuckReading(float(values[starts[i]]), int(lengths[i]), "run") for i in order
    ]


JACKKNIFE = "jackknife over trials, t"
ROUNDING = 1e-12  # a sum of squares this much below its parts is rounding


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
        """Samples, or the sum of their weights."""
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
    weighted : bool
        Whether samples stand for unlike numbers of plots.
    """

    trials: tuple
    table: np.ndarray
    centre: tuple[float, float]
    weighted: bool = False

    @property
    def total(self) -> Sums:
        """Sums over all trials."""
        return Sums(table=self.table.sum(axis=0), centre=self.centre)

    @property
    def each(self) -> Sums:
        """Sums of each trial by itself."""
        return Sums(table=self.table, centre=self.centre)

    @property
    def without_each(self) -> Sums:
        """Sums of all trials but one, each in turn."""
        rest = self.table.sum(axis=0) - self.table
        return Sums(table=rest, centre=self.centre)

    def drawn(self, times: np.ndarray) -> Sums:
        """Return sums with each trial taken so many times, (draws, n_trials)."""
        return Sums(table=times @ self.table, centre=self.centre)


def trial_sums(sensor, reference, trial, weights=None) -> TrialSums:
    """Return the six sums of every trial.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 2
        Results for the same samples, same order. [% moisture, wet basis]
    trial : array_like, shape (n,)
        Trial of each sample, labels of any kind.
    weights : array_like, shape (n,), more than 0, optional
        How many plots each sample stands for; scaled to add up to n, so that
        SEP keeps its n - 1.

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
    table = sums_by_cluster(codes, n_trials, powers * _scaled(weights, error.size))
    labels = pd.Index(trial).unique().tolist()
    order = sorted(range(n_trials), key=lambda i: str(labels[i]))
    trials = tuple(labels[i] for i in order)
    return TrialSums(
        trials=trials,
        table=table[order],
        centre=centre,
        weighted=weights is not None,
    )


def jackknife(sums: TrialSums, statistic: Callable[[Sums], np.ndarray]) -> Estimate:
    """Return a statistic with its standard error from leaving each trial out.

    Estimand: the statistic in the population of trials that these were drawn from.

    Parameters
    ----------
    sums : TrialSums
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


def _scaled(weights, n):
    """Return weights as a column that adds up to n."""
    if weights is None:
        return np.ones((n, 1))
    weights = finite_array("trial_sums: weights", weights)
    if weights.shape != (n,) or not (weights > 0).all():
        raise ValueError(
            f"trial_sums: weights have shape {weights.shape} and start at "
            f"{weights.min():g}; expected {n} weights above 0."
        )
    return (weights * n / weights.sum())[:, None]
