"""Passing-Bablok: a line that a few wild samples do not move."""

from dataclasses import dataclass
from math import inf, isfinite, nan, pi, sqrt, tan

import numpy as np
from scipy.stats import norm

from kitlib.errors import NoSpread
from kitlib.estimates import NO_INTERVAL, Interval
from kitlib.pair_slopes import PairSlopes
from kitlib.stats import paired

PASSING_BABLOK = "Passing-Bablok, samples taken as independent"
NOT_TOGETHER = "readings and reference do not rise together, so no line joins them"
TOO_FEW = "too few samples for an interval at this level"
OPEN = "the steepest slope not ruled out is vertical, so the interval has no end"


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
    level : float
        Confidence level of the intervals.
    method, remark : str
        Name of the method, and what the reader must know.
    """

    slope: float
    intercept: float
    slope_interval: Interval
    intercept_interval: Interval
    n: int
    n_pairs: int
    level: float
    method: str = PASSING_BABLOK
    remark: str = ""


def passing_bablok(sensor, reference, level: float = 0.95) -> RobustLine:
    """Fit a Passing-Bablok line of the reference on the sensor.

    The robust check beside `prediction_line` and `gain`: it takes both methods as
    equally precise for their scale, and samples as independent, so the intervals
    are too narrow where samples come several to a trial.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 2
        Results for the same samples, same order. [% moisture, wet basis]
    level : float
        Confidence level of the intervals.

    Returns
    -------
    RobustLine

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
    come after the vertical. With N slopes the interval lies between ranks
    (N -/+ z sqrt(n (n - 1) (2 n + 5) / 18)) / 2. All slopes are used, for any n:
    see `kitlib.pair_slopes`.

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
    slopes = PairSlopes(across=sensor + reference, along=reference - sensor)
    n, n_pairs = sensor.size, slopes.n_pairs
    half = float(norm.ppf((1 + level) / 2)) * sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((n_pairs - half) / 2)
    ranks = [(n_pairs + 1) // 2, n_pairs // 2 + 1]
    ranks += [first, n_pairs - first + 1] if first >= 1 else []
    angles = slopes.angles(ranks) if n_pairs else [-pi / 2, -pi / 2]
    slope = (_slope(angles[0]) + _slope(angles[1])) / 2
    if not (isfinite(slope) and slope > 0):
        line, remark = _line(sensor, reference, nan, NO_INTERVAL), NOT_TOGETHER
    elif first < 1:
        line, remark = _line(sensor, reference, slope, NO_INTERVAL), TOO_FEW
    else:
        interval = Interval(_slope(angles[2]), _slope(angles[3]))
        line = _line(sensor, reference, slope, interval)
        remark = "" if isfinite(interval.high) else OPEN
    return RobustLine(**line, n=n, n_pairs=n_pairs, level=level, remark=remark)


def _slope(angle):
    """Return the slope of an angle turned back by 45 degrees; inf from vertical on."""
    if angle >= pi / 4:
        return inf
    return round(tan(angle + pi / 4), 12)  # clears what turning there and back left


def _line(sensor, reference, slope, interval):
    """Return the parts of a line whose slope and its interval are known."""

    def intercept(b):
        return float(np.median(reference - b * sensor)) if isfinite(b) else nan

    low, high = intercept(interval.high), intercept(interval.low)
    known = isfinite(low) and isfinite(high)
    return {
        "slope": slope,
        "intercept": intercept(slope),
        "slope_interval": interval,
        "intercept_interval": Interval(low, high) if known else NO_INTERVAL,
    }
