"""Control charts: what a sensor in order would hardly ever show."""

from dataclasses import dataclass
from math import sqrt

import numpy as np
from scipy.stats import norm
from scipy.stats import t as student_t

from kitlib.statistics.arrays import finite_array
from kitlib.words.errors import NoSpread, TooFewSamples

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (from memory): a weight
# of 0.2 to 0.3 for the newest value, limits at 3 SD.
EWMA_WEIGHT, SIGMAS = 0.3, 3.0
# Slack and decision limit of a CUSUM in SDs: Montgomery, Introduction to
# Statistical Quality Control, chapter 9 (from memory).
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 5.0


def joint_quantile(df: float, values: int = 1, level: float = 0.95) -> float:
    """Return t*: how many SDs the farthest of several values may lie off.

    Šidák's: each of `values` values is held to level^(1 / values), so that all
    stay inside with at least the chance `level`.

    Parameters
    ----------
    df : float
        Degrees of freedom of the SD.
    values : int
        Values judged together.
    level : float

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6.7.

    Examples
    --------
    >>> print(f"{joint_quantile(38, 3):.4f}")
    2.4976
    """
    return float(student_t.ppf((1 + level ** (1 / values)) / 2, df))


def sigmas(df: float, number: float = SIGMAS) -> float:
    """Return the t quantile as rare as `number` SDs of a normal distribution.

    Examples
    --------
    >>> print(f"{sigmas(1e9):.3f} {sigmas(10):.2f}")
    3.000 3.96
    """
    return float(student_t.ppf(norm.cdf(number), df))


@dataclass(frozen=True, kw_only=True)
class CalibrationLine:
    """Readings of known samples as a line: reading = start + slope × known.

    Attributes
    ----------
    start, slope : float
        Reading at 0, and points of reading per point of moisture.
    residual_sd : float
        SD of a reading about the line, n - 2. [% moisture]
    n : int
    """

    start: float
    slope: float
    residual_sd: float
    n: int

    @property
    def df(self) -> int:
        """Degrees of freedom of the residual SD."""
        return self.n - 2

    def departure(self, known, readings):
        """Return W: the moisture a reading stands for on the line, less the known."""
        readings = np.asarray(readings, float)
        return (readings - self.start) / self.slope - np.asarray(known, float)

    def limit(self, values: int = 1, level: float = 0.95) -> float:
        """Return how far off `values` departures may lie, all of them. [% moisture].

        The line's own uncertainty is not in it, as in the e-Handbook.
        """
        return joint_quantile(self.df, values, level) * self.residual_sd / self.slope


def calibration_line(known, readings) -> CalibrationLine:
    """Return the line of the readings on the known moistures, by least squares.

    Parameters
    ----------
    known, readings : array_like, shape (n,), n >= 3
        [% moisture, wet basis]

    Raises
    ------
    TooFewSamples
        If n < 3.
    NoSpread
        If the moistures are all the same, or the readings do not rise with them.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6.7 and 2.3.7.

    Examples
    --------
    >>> line = calibration_line([10, 20, 30], [10.5, 20.5, 30.5])
    >>> float(line.departure(25, 26.5))
    1.0
    """
    known = finite_array("calibration_line: known", known)
    readings = finite_array("calibration_line: readings", readings)
    if known.size < 3:
        raise TooFewSamples(
            f"calibration_line: got n = {known.size} sample(s); needs at least 3."
        )
    spread = known - known.mean()
    if not np.ptp(known) > 0:
        raise NoSpread(
            f"calibration_line: all samples hold {known[0]:g} %; expected moistures "
            "that differ. A line needs a drier and a wetter sample."
        )
    slope = float(spread @ readings / (spread @ spread))
    if slope <= 0:
        raise NoSpread(
            f"calibration_line: readings move by {slope:g} points per point; expected "
            "them to rise with moisture. Check the labels of the samples."
        )
    start = float(readings.mean() - slope * known.mean())
    left = readings - start - slope * known
    sd = sqrt(float(left @ left) / (known.size - 2))
    return CalibrationLine(start=start, slope=slope, residual_sd=sd, n=known.size)


def ewma(values, start: float = 0.0, weight: float = EWMA_WEIGHT) -> np.ndarray:
    """Return the exponentially weighted moving average of values in order of time.

    Parameters
    ----------
    values : array_like, shape (n,)
    start : float
        Average before the first value.
    weight : float
        Share of the newest value.

    Examples
    --------
    >>> ewma([1.0, 1.0], weight=0.5).tolist()
    [0.5, 0.75]
    """
    average, averages = start, []
    for value in finite_array("ewma: values", values):
        average = weight * value + (1 - weight) * average
        averages.append(average)
    return np.array(averages)


def ewma_weights(n: int, weight: float = EWMA_WEIGHT) -> np.ndarray:
    """Return the share of each value in each average, shape (n, n).

    Examples
    --------
    >>> ewma_weights(2, 0.5).tolist()
    [[0.5, 0.0], [0.25, 0.5]]
    """
    age = np.subtract.outer(np.arange(n), np.arange(n))
    return np.where(age >= 0, weight * (1 - weight) ** np.maximum(age, 0), 0.0)


def ewma_sd(sd: float, weight: float = EWMA_WEIGHT) -> float:
    """Return the SD of the average after many values of one SD."""
    return sd * sqrt(weight / (2 - weight))


@dataclass(frozen=True, kw_only=True, eq=False)
class Cusum:
    """Sums of what values lie above and below their target, less a slack.

    Attributes
    ----------
    high, low : ndarray, shape (n,)
        Sums upward and downward; both 0 or more.
    """

    high: np.ndarray
    low: np.ndarray

    def beyond(self, limit: float) -> np.ndarray:
        """Flag the values at which either sum is above the decision limit."""
        return np.maximum(self.high, self.low) > limit


def cusum(values, target: float = 0.0, slack: float = 0.0) -> Cusum:
    """Return the tabular CUSUM of values in order of time.

    Parameters
    ----------
    values : array_like, shape (n,)
    target : float
    slack : float
        What a value may lie off the target for nothing.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (from memory).

    Examples
    --------
    >>> cusum([1.0, 2.0, 0.0], slack=0.5).high.tolist()
    [0.5, 2.0, 1.5]
    """
    high, low, sums = 0.0, 0.0, []
    for value in finite_array("cusum: values", values):
        high = max(0.0, high + value - target - slack)
        low = max(0.0, low + target - slack - value)
        sums.append((high, low))
    both = np.array(sums).reshape(-1, 2)
    return Cusum(high=both[:, 0], low=both[:, 1])


def first_of(times, flagged) -> object:
    """Return the first time that is flagged, None if there is none."""
    where = np.flatnonzero(flagged)
    return times[where[0]] if where.size else None
