"""Control charts: what a sensor in order would hardly ever show."""

from math import sqrt
from typing import NamedTuple

import numpy as np
from scipy.stats import linregress, norm
from scipy.stats import t as student_t

from kitlib.statistics.arrays import finite_array

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (from memory): a weight
# of 0.2 to 0.3 for the newest value, limits at 3 SD.
EWMA_WEIGHT, SIGMAS = 0.3, 3.0
# Slack and decision limit of a CUSUM in SDs: Montgomery, Introduction to
# Statistical Quality Control, chapter 9 (from memory).
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 5.0


def joint_quantile(df: float, values: int = 1, level: float = 0.95) -> float:
    """Return t*: how many SDs the farthest of several values may lie off.

    Šidák's: each of `values` values is held to level^(1 / values), so that all stay
    inside with at least the chance `level`; `df` is that of the SD.

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


def ewma_weights(n: int, weight: float = EWMA_WEIGHT) -> np.ndarray:
    """Return the share of each of n values in each moving average, shape (n, n).

    The averages are `weights @ values` for a start at 0.

    Examples
    --------
    >>> ewma_weights(2, 0.5).tolist()
    [[0.5, 0.0], [0.25, 0.5]]
    """
    age = np.subtract.outer(np.arange(n), np.arange(n))
    return np.where(age >= 0, weight * (1 - weight) ** np.maximum(age, 0), 0.0)


def cusum(values, target: float = 0.0, slack: float = 0.0):
    """Return the sums of what values lie above and below their target, less a slack.

    Two arrays of the values' length, in order of time; both 0 or more.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (from memory).

    Examples
    --------
    >>> above, below = cusum([1.0, 2.0, 0.0], slack=0.5)
    >>> above.tolist()
    [0.5, 2.0, 1.5]
    """
    above, below, sums = 0.0, 0.0, []
    for value in finite_array("cusum: values", values):
        above = max(0.0, above + value - target - slack)
        below = max(0.0, below + target - slack - value)
        sums.append((above, below))
    return tuple(np.array(sums).reshape(-1, 2).T)


class SetupLine(NamedTuple):
    """Readings of known samples as a line: reading = start + slope × known.

    `limit` is how far off the departures of one day may lie, all of them; the line's
    own uncertainty is not in it, as in the e-Handbook. [% moisture]
    """

    start: float
    slope: float
    limit: float

    def departure(self, known, readings):
        """Return W: the moisture a reading stands for on the line, less the known."""
        return (readings - self.start) / self.slope - known


def setup_line(known, readings, a_day: int = 1, level: float = 0.95):
    """Return the line of readings on known moistures, and the limit of departures.

    Ordinary least squares; limit t* residual SD / slope, with Šidák's t* over the
    `a_day` samples of a day. None under three samples, where the readings do not
    rise with moisture, and where they do not scatter.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6.7 and 2.3.7.

    Examples
    --------
    >>> line = setup_line([10, 20, 30], [10.5, 20.8, 30.5])
    >>> print(f"{line.departure(25, 26.6):.2f}")
    1.00
    """
    known, readings = np.asarray(known, float), np.asarray(readings, float)
    if known.size < 3 or not np.ptp(known) > 0:
        return None
    fit = linregress(known, readings)
    left = readings - fit.intercept - fit.slope * known
    sd = sqrt(float(left @ left) / (known.size - 2))
    if not (fit.slope > 0 and sd > 0):
        return None
    limit = joint_quantile(known.size - 2, a_day, level) * sd / fit.slope
    return SetupLine(float(fit.intercept), float(fit.slope), float(limit))
