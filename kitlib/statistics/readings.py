"""Readings by themselves: moisture bands, and readings that do not move."""

from dataclasses import dataclass
from math import log

import numpy as np

from kitlib.statistics.arrays import finite_array

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
