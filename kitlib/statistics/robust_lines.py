"""Order statistics of all pairwise slopes of n points, without keeping n^2 of them.

Slopes are told as angles from -90 to 90 degrees. Up to a few thousand points all
angles are listed. Beyond that the rank wanted is closed in on by counting, until
few enough pairs are left to be listed. A pair lies below an angle if its points
change order when seen along it, so that counting pairs is counting inversions,
O(n log n), and listing those between two angles is listing inversions [1]_.

References
----------
.. [1] Dillencourt, Mount, Netanyahu, Int. J. Computational Geometry and
   Applications 2 (1992) 1-27; Matousek, Information Processing Letters 39 (1991)
   183-187 (from memory).

Passing-Bablok: a line that a few wild samples do not move.
"""

from dataclasses import dataclass, replace
from functools import cached_property
from math import inf, isfinite, nan, pi, sqrt, tan

import numpy as np
from scipy.stats import norm
from scipy.stats import t as student_t

from kitlib.statistics.agreement import paired
from kitlib.statistics.arrays import cluster_codes
from kitlib.words.errors import NoSpread
from kitlib.words.estimates import NO_INTERVAL, Interval

LISTED_POINTS = 3_000  # points whose pairs, 36 MB, are simply listed
LISTED_PAIRS = 4_000_000  # pairs that are simply listed
SAMPLED_PAIRS = 250_000  # pairs looked at to know where to count
CLOSE = 1e-12  # angles this near are one [radian]
DIGITS = 13  # significant digits in which two values are the same


@dataclass(frozen=True)
class _Bracket:
    """Two angles, and how many pairs lie below each."""

    low: float
    high: float
    below_low: int
    below_high: int

    @property
    def n_pairs(self) -> int:
        """Pairs from low to high."""
        return self.below_high - self.below_low

    def holds(self, rank) -> bool:
        """Say whether a rank, 1 for the lowest pair, lies inside."""
        return self.below_low < rank <= self.below_high


class PairSlopes:
    """The slopes of all pairs of points that differ across.

    Attributes
    ----------
    n_pairs : int
        Pairs that have a slope: those of equal `across` have none.
    """

    def __init__(self, across, along):
        order = np.lexsort((along, across))
        self._across, self._along = across[order], along[order]
        _, self._place = np.unique(_rounded(self._across), return_inverse=True)
        ties = np.bincount(self._place)
        n = self._across.size
        self.n_pairs = n * (n - 1) // 2 - int((ties * (ties - 1) // 2).sum())

    def angles(self, ranks) -> list[float]:
        """Return the angles of the given ranks, 1 for the lowest. [radian]."""
        if self._across.size <= LISTED_POINTS:
            listed = self._all_angles
            places = [rank - 1 for rank in ranks]
            return [float(a) for a in np.partition(listed, places)[places]]
        sample, found = self._sampled_angles, []
        whole = bracket = _Bracket(-pi / 2, pi / 2, 0, self.n_pairs)
        for rank in ranks:
            # Neighbouring ranks, as those of a median, share their bracket.
            start = bracket if bracket.holds(rank) else whole
            bracket = self._narrowed(start, rank, sample)
            found.append(self._angle_within(bracket, rank))
        return found

    @cached_property
    def _all_angles(self):
        """Return the angles of all pairs, one distance in the order at a time."""
        parts = [
            self._angles_of(slice(None, -lag), slice(lag, None))
            for lag in range(1, self._across.size)
        ]
        return np.concatenate(parts)

    @cached_property
    def _sampled_angles(self):
        """Return the sorted angles of pairs spread over all pairs alike."""
        n = self._across.size
        first = np.arange(n)
        leap = int(n * 0.618034) | 1
        parts = []
        for turn in range(-(-SAMPLED_PAIRS // n)):
            second = (first * leap + turn * (n // 7 + 1)) % n
            parts.append(
                self._angles_of(np.minimum(first, second), np.maximum(first, second))
            )
        return np.sort(np.concatenate(parts))

    def _angles_of(self, first, second):
        """Return the angles of pairs, those without a slope left out."""
        apart = self._place[first] < self._place[second]
        rise = (self._along[second] - self._along[first])[apart]
        return np.arctan(rise / (self._across[second] - self._across[first])[apart])

    def _narrowed(self, bracket, rank, sample) -> _Bracket:
        """Close in on a rank from both sides until its pairs can be listed."""
        turn = 0
        while bracket.n_pairs > LISTED_PAIRS and bracket.high - bracket.low > CLOSE:
            turn += 1
            guess, is_tied = _guess(bracket, rank, sample, turn)
            below = self._below(guess)
            if below >= rank:
                bracket = replace(bracket, high=guess, below_high=below)
                continue
            bracket = replace(bracket, low=guess, below_low=below)
            if is_tied:
                below_or_at = self.n_pairs - self._above(guess)
                if below_or_at >= rank:
                    return _Bracket(guess, guess, below, below_or_at)
        return bracket

    def _angle_within(self, bracket, rank) -> float:
        """Return the angle of a rank inside a narrow bracket."""
        if bracket.high - bracket.low <= CLOSE:
            return (bracket.low + bracket.high) / 2
        order = np.lexsort((self._place, self._seen_along(bracket.low)))
        one, other = _inverted_pairs(self._seen_along(bracket.high)[order])
        listed = self._angles_of(order[one], order[other])
        place = min(rank - bracket.below_low, listed.size) - 1
        return float(np.partition(listed, place)[place])

    def _seen_along(self, angle):
        """Return the ranks of the points seen along an angle, equal if in line."""
        seen = self._along * np.cos(angle) - self._across * np.sin(angle)
        return np.unique(_rounded(seen), return_inverse=True)[1]

    def _below(self, angle) -> int:
        """Return how many pairs have a lower angle."""
        seen = self._seen_along(angle)
        return _inversions(seen[np.lexsort((seen, self._place))])

    def _above(self, angle) -> int:
        """Return how many pairs have a higher angle."""
        seen = self._seen_along(angle)
        seen = seen.max() - seen
        return _inversions(seen[np.lexsort((seen, self._place))])


def _guess(bracket, rank, sample, turn):
    """Return an angle to count at next, and whether many pairs share it."""
    low, high = bracket.low, bracket.high
    if turn % 4 == 0:
        return (low + high) / 2, False
    # Aim a little past the goal, to either side in turn, so that both ends close in.
    goal = (rank - bracket.below_low) / bracket.n_pairs
    first, last = np.searchsorted(sample, low, "right"), np.searchsorted(sample, high)
    if last > first:
        share = np.clip(goal + (-1) ** turn / np.sqrt(last - first), 0, 1)
        spot = first + int(share * (last - first - 1))
        near = sample[max(spot - 1, 0) : spot + 2]
        return float(sample[spot]), bool(np.diff(near).min() < CLOSE)
    share = np.clip(goal + (-1) ** turn / np.sqrt(bracket.n_pairs), 0.02, 0.98)
    return float(low + (high - low) * share), False


def _rounded(values):
    """Return values rounded so that equal decimals are equal numbers."""
    size = np.abs(values).max()
    return np.round(values, DIGITS - int(np.ceil(np.log10(size)))) if size else values


def _inversions(ranks) -> int:
    """Count the pairs i < j with ranks[i] > ranks[j]."""
    return sum(int((before - earlier).sum()) for *_, before, earlier in _by_bit(ranks))


def _inverted_pairs(ranks):
    """Return all pairs i < j with ranks[i] > ranks[j], as two arrays of places."""
    firsts, seconds = [], []
    for ones, zeros, before, earlier in _by_bit(ranks):
        count = before - earlier
        ends = np.cumsum(count)
        within = np.arange(count.sum()) - np.repeat(ends - count, count)
        firsts.append(ones[np.repeat(earlier, count) + within])
        seconds.append(np.repeat(zeros, count))
    return np.concatenate(firsts), np.concatenate(seconds)


def _by_bit(ranks):
    """Split inversions by the highest bit in which the two ranks differ.

    Yields for each bit the places of ranks with and without it, in order, and for
    each place without: how many places with it come before, in all and in groups
    of other higher bits. The difference are the ones it is inverted with.
    """
    place = np.arange(ranks.size)
    for bit in range(int(ranks.max()).bit_length() - 1, -1, -1):
        with_bit = (ranks >> bit) & 1 == 1
        before = np.cumsum(with_bit)
        group = ranks >> (bit + 1)
        starts = np.flatnonzero(np.r_[True, group[1:] != group[:-1]])
        sizes = np.diff(np.r_[starts, ranks.size])
        earlier = np.repeat(np.r_[0, before][starts], sizes)
        yield place[with_bit], place[~with_bit], before[~with_bit], earlier[~with_bit]
        order = np.argsort(ranks >> bit, kind="stable")
        ranks, place = ranks[order], place[order]


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
    any n: see `kitlib.statistics.robust_lines`.

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
