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
"""

from dataclasses import dataclass, replace
from functools import cached_property
from math import pi

import numpy as np

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
