"""Passing-Bablok: a line that a few wild samples do not move."""

from dataclasses import dataclass
from math import inf, isfinite, nan, pi, sqrt, tan

import numpy as np
from scipy.stats import norm
from scipy.stats import t as student_t

from kitlib.statistics.arrays import cluster_codes
from kitlib.statistics.pair_slopes import PairSlopes
from kitlib.statistics.stats import paired
from kitlib.words.errors import NoSpread
from kitlib.words.estimates import NO_INTERVAL, Interval

PUBLISHED = "Passing-Bablok, samples taken as independent"
BY_TRIAL = "Passing-Bablok, jackknife over trials, t"
NOT_TOGETHER = "readings and reference do not rise together, so no line joins them"
TOO_FEW = "too few samples for an interval at this level"
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
    method: str = PUBLISHED
    remark: str = ""


def passing_bablok(sensor, reference, level: float = 0.95, trial=None) -> RobustLine:
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
        Trial of each sample, labels of any kind. The line is fitted again without
        each: beyond some thousand samples that takes its time.

    Returns
    -------
    RobustLine
        Without an interval, saying why, under 3 trials.

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
    ranks (N -/+ z sqrt(n (n - 1) (2 n + 5) / 18)) / 2. All slopes are used, for
    any n: see `kitlib.statistics.pair_slopes`.

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
    if trial is None:
        return _published(sensor, reference, level)
    return _by_trial(sensor, reference, trial, level)


def _published(sensor, reference, level):
    """Return the line with the intervals of the paper."""
    n = sensor.size
    slopes = PairSlopes(across=sensor + reference, along=reference - sensor)
    spread = sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((slopes.n_pairs - float(norm.ppf((1 + level) / 2)) * spread) / 2)
    slope, interval = _middle(slopes), NO_INTERVAL
    remark = "" if isfinite(slope) else NOT_TOGETHER
    if not remark and first < 1:
        remark = TOO_FEW
    elif not remark:
        ends = slopes.angles([first, slopes.n_pairs - first + 1])
        interval = Interval(*(_slope(angle) for angle in ends))
        remark = "" if isfinite(interval.high) else OPEN
    return RobustLine(
        slope=slope,
        intercept=_intercept(sensor, reference, slope),
        slope_interval=interval,
        intercept_interval=_intercepts(sensor, reference, interval),
        n=n,
        n_pairs=slopes.n_pairs,
        level=level,
        remark=remark,
    )


def _by_trial(sensor, reference, trial, level):
    """Return the line with intervals from leaving each trial out."""
    codes, n_trials = cluster_codes("passing_bablok: trial", trial, sensor.size)
    slopes = PairSlopes(across=sensor + reference, along=reference - sensor)
    slope = _middle(slopes)
    line = np.array([slope, _intercept(sensor, reference, slope)])
    intervals, remark = (NO_INTERVAL, NO_INTERVAL), ""
    if not isfinite(slope):
        remark = NOT_TOGETHER
    elif n_trials < 3:
        remark = f"got {n_trials} trial(s); a jackknife over trials needs 3"
    else:
        rest = [
            _line(sensor[codes != g], reference[codes != g]) for g in range(n_trials)
        ]
        half = _half_widths(np.array(rest), level)
        remark = _why_no_width(half)
        if not remark:
            ends = zip(line - half, line + half, strict=True)
            intervals = tuple(Interval(float(low), float(high)) for low, high in ends)
    return RobustLine(
        slope=slope,
        intercept=float(line[1]),
        slope_interval=intervals[0],
        intercept_interval=intervals[1],
        n=sensor.size,
        n_pairs=slopes.n_pairs,
        level=level,
        method=BY_TRIAL,
        remark=remark,
    )


def _half_widths(rest, level):
    """Return jackknife half-widths of slope and intercept, of rows without a trial."""
    n_trials = len(rest)
    se = np.sqrt((n_trials - 1) * rest.var(axis=0))
    return float(student_t.ppf((1 + level) / 2, n_trials - 1)) * se


def _why_no_width(half):
    """Say why half-widths are not known; empty if they are."""
    if not np.isfinite(half).all():
        return "without one of the trials no line joins the samples"
    return "" if half[0] > 1e-12 else NEVER_MOVES


def _line(sensor, reference):
    """Return slope and intercept, nan where no line joins the samples."""
    if sensor.size < 2:
        return nan, nan
    slope = _middle(PairSlopes(across=sensor + reference, along=reference - sensor))
    return slope, _intercept(sensor, reference, slope)


def _middle(slopes):
    """Return the median slope, nan where it does not rise."""
    if not slopes.n_pairs:
        return nan
    angles = slopes.angles([(slopes.n_pairs + 1) // 2, slopes.n_pairs // 2 + 1])
    slope = sum(_slope(angle) for angle in angles) / 2
    return slope if isfinite(slope) and slope > 0 else nan


def _slope(angle):
    """Return the slope of an angle turned back by 45 degrees; inf from vertical on."""
    if angle > pi / 4 - 1e-9:  # vertical, but for the last bits of sums
        return inf
    return round(tan(angle + pi / 4), 12)  # clears what turning there and back left


def _intercept(sensor, reference, slope):
    """Return the median intercept of a slope, nan if that is not finite."""
    return float(np.median(reference - slope * sensor)) if isfinite(slope) else nan


def _intercepts(sensor, reference, slopes):
    """Return the interval of the intercept of that of the slope; nan ends if open."""
    low, high = (_intercept(sensor, reference, b) for b in reversed(slopes))
    return Interval(low, high) if isfinite(low + high) else NO_INTERVAL
