"""Passing-Bablok: a line that a few wild samples do not move."""

from dataclasses import dataclass
from math import ceil, inf, isfinite, log10, nan, pi, sqrt, tan
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import norm
from scipy.stats import t as student_t

from kitlib.statistics.arrays import cluster_codes, paired
from kitlib.words.errors import NoSpread
from kitlib.words.estimates import NO_INTERVAL, Interval

MOST_POINTS = 3_000  # whose 4.5 million pairs are simply listed, 36 MB
DIGITS = 13  # significant digits in which two values are the same

PUBLISHED = "Passing-Bablok, samples taken as independent"
BY_TRIAL = "Passing-Bablok, jackknife over trials, t"
NOT_TOGETHER = "readings and reference do not rise together, so no line joins them"
TOO_FEW = "too few samples for an interval at this level"
TOO_MANY = f"over {MOST_POINTS} samples: all pairs of them are too many to list"
OPEN = "the steepest slope not ruled out is vertical, so the interval has no end"
NEVER_MOVES = "the same whichever trial is left out, so no interval is known"


@dataclass(frozen=True, kw_only=True)
class RobustLine:
    """A Passing-Bablok line with its intervals.

    Attributes
    ----------
    slope, intercept : float
        Reference on sensor: reference = intercept + slope * sensor. nan if not
        known.
    slope_interval, intercept_interval : Interval
        nan ends if not known.
    n, n_pairs : int
        Samples, and pairs of them that have a slope.
    method, remark : str
        Name of the method, and what the reader must know.
    """

    slope: float
    intercept: float
    slope_interval: Interval = NO_INTERVAL
    intercept_interval: Interval = NO_INTERVAL
    n: int
    n_pairs: int
    method: str = PUBLISHED
    remark: str = ""


class _Pairs(NamedTuple):
    """All pairs of samples that have a slope."""

    angles: np.ndarray  # of their slopes, turned by 45 degrees [radian]
    first: np.ndarray  # place of the one sample
    second: np.ndarray  # and of the other

    def middle(self) -> float:
        """Return the median slope, nan where it does not rise."""
        n = self.angles.size
        if not n:
            return nan
        slope = sum(map(_slope, self.ranked([(n + 1) // 2, n // 2 + 1]))) / 2
        return slope if isfinite(slope) and slope > 0 else nan

    def ranked(self, ranks: list[int]) -> np.ndarray:
        """Return the angles of the given ranks, 1 for the lowest. [radian]."""
        places = [rank - 1 for rank in ranks]
        return np.partition(self.angles, places)[places]

    def without(self, out: np.ndarray) -> "_Pairs":
        """Return the pairs that none of some samples, a boolean each, is in."""
        rest = ~(out[self.first] | out[self.second])
        return _Pairs(*(values[rest] for values in self))


def passing_bablok(
    sensor: ArrayLike, reference: ArrayLike, level: float = 0.95, trial: Any = None
) -> RobustLine:
    """Fit a Passing-Bablok line of the reference on the sensor.

    The robust check beside `prediction_line` and `gain`: it takes both methods as
    equally precise for their scale. With `trial` the intervals allow for samples
    that come several to a trial. Without it they are the published ones, which
    take samples as independent: of 95 % intervals, 71 to 84 % covered in simulated
    seasons with half the error variance or more between trials of unlike moisture,
    where those by trial covered 92 to 97 %.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 2
        Results for the same samples, same order. [% moisture, wet basis]
    level : float
        Confidence level of the intervals.
    trial : array_like, shape (n,), optional
        Trial of each sample, labels of any kind.

    Returns
    -------
    RobustLine
        Without an interval, saying why, under 3 trials; not known for more samples
        than `MOST_POINTS`.

    Raises
    ------
    NoSpread
        If all readings, or all reference values, are the same.

    Notes
    -----
    Of all pairwise slopes, those of identical samples and those of exactly -1
    left out, take the median shifted up by the number of slopes below -1. Turned
    by 45 degrees, sensor + reference across and reference - sensor along, this is
    the plain median of the slopes: -1 has become vertical, and slopes below -1
    come after the vertical. With N slopes the published interval lies between
    ranks (N -/+ z sqrt(n (n - 1) (2 n + 5) / 18)) / 2.

    References
    ----------
    .. [1] Passing, Bablok, J. Clinical Chemistry and Clinical Biochemistry 21
       (1983) 709-720.

    Examples
    --------
    >>> line = passing_bablok([1, 2, 3, 4, 5, 6], [2, 1.2, 4.1, 3.5, 6.3, 3])
    >>> print(f"{line.slope:.3f}, {line.intercept:.3f}")  # R deming's own test
    1.050, 0.125
    """
    sensor, reference = paired("passing_bablok", sensor, reference)
    for name, values in (("readings", sensor), ("reference values", reference)):
        if np.ptp(values) == 0:
            raise NoSpread(
                f"passing_bablok: all {name} are {values[0]:g}; expected values that "
                "differ. Report the bias alone."
            )
    if sensor.size > MOST_POINTS:
        return RobustLine(
            slope=nan, intercept=nan, n=sensor.size, n_pairs=0, remark=TOO_MANY
        )
    pairs = _pairs_of(sensor, reference)
    slope = pairs.middle()
    if not isfinite(slope):
        intervals, remark = (NO_INTERVAL, NO_INTERVAL), NOT_TOGETHER
    elif trial is None:
        intervals, remark = _published(sensor, reference, pairs, level)
    else:
        intervals, remark = _by_trial(sensor, reference, pairs, trial, level)
    return RobustLine(
        slope=slope,
        intercept=_intercept(sensor, reference, slope),
        slope_interval=intervals[0],
        intercept_interval=intervals[1],
        n=sensor.size,
        n_pairs=pairs.angles.size,
        method=PUBLISHED if trial is None else BY_TRIAL,
        remark=remark,
    )


def _pairs_of(sensor, reference) -> _Pairs:
    """Return the pairs of samples that have a slope, turned by 45 degrees."""
    across, along = sensor + reference, reference - sensor
    _, place = np.unique(_rounded(across), return_inverse=True)
    first, second = np.triu_indices(sensor.size, 1)
    apart = place[first] != place[second]
    first, second = first[apart], second[apart]
    rise, run = along[second] - along[first], across[second] - across[first]
    return _Pairs(np.arctan(rise / run), first, second)


def _rounded(values):
    """Return values rounded so that equal decimals are equal numbers."""
    size = np.abs(values).max()
    return np.round(values, DIGITS - ceil(log10(size))) if size else values


def _slope(angle):
    """Return the slope of an angle turned back by 45 degrees; inf from vertical on."""
    if angle > pi / 4 - 1e-9:  # vertical, but for the last bits of sums
        return inf
    return round(tan(angle + pi / 4), 12)  # clears what turning there and back left


def _intercept(sensor, reference, slope):
    """Return the median intercept of a slope, nan if that is not finite."""
    return float(np.median(reference - slope * sensor)) if isfinite(slope) else nan


def _published(sensor, reference, pairs, level):
    """Return the intervals of the paper, of slope and intercept, and a remark."""
    n, n_pairs = sensor.size, pairs.angles.size
    spread = sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((n_pairs - float(norm.ppf((1 + level) / 2)) * spread) / 2)
    if first < 1:
        return (NO_INTERVAL, NO_INTERVAL), TOO_FEW
    low, high = map(_slope, pairs.ranked([first, n_pairs - first + 1]))
    ends = (_intercept(sensor, reference, slope) for slope in (high, low))
    intercepts = Interval(*ends) if isfinite(high) else NO_INTERVAL
    return (Interval(low, high), intercepts), "" if isfinite(high) else OPEN


def _by_trial(sensor, reference, pairs, trial, level):
    """Return the intervals from leaving each trial out, and a remark."""
    none = NO_INTERVAL, NO_INTERVAL
    codes, n_trials = cluster_codes("passing_bablok: trial", trial, sensor.size)
    if n_trials < 3:
        return none, f"got {n_trials} trial(s); a jackknife over trials needs 3"
    rest = []
    for one in range(n_trials):
        out = codes == one
        slope = pairs.without(out).middle()
        rest.append((slope, _intercept(sensor[~out], reference[~out], slope)))
    se = np.sqrt((n_trials - 1) * np.array(rest).var(axis=0))
    half = float(student_t.ppf((1 + level) / 2, n_trials - 1)) * se
    if not np.isfinite(half).all():
        return none, "without one of the trials no line joins the samples"
    if half[0] <= 1e-12:
        return none, NEVER_MOVES
    slope = pairs.middle()
    line = np.array([slope, _intercept(sensor, reference, slope)])
    ends = zip((line - half).tolist(), (line + half).tolist(), strict=True)
    return tuple(Interval(*both) for both in ends), ""
