"""Entry means as straight lines in what is added to a curve's readings.

Yields are straight lines in moisture, and entry means are weighted sums of yields:
three numbers per entry answer for every offset and slope, and nothing is fitted again.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, fields

import numpy as np

from kitlib.explorer.what_if import Turn
from kitlib.trials.means import entry_means
from kitlib.trials.ranks import TIED_DECIMALS, selection_count


@dataclass(frozen=True, kw_only=True, eq=False)
class PlotYields:
    """The plots of one trial that have a yield before and after, as arrays.

    Attributes
    ----------
    entry, curve : ndarray of str, shape (plots,)
    block : ndarray of str or None
        None where the trial has no blocks.
    reading : ndarray
        Restated to the offset in the register. [% moisture, wet basis]
    per_point : ndarray
        Change of the yield per point of moisture. [kg/ha per % moisture]
    before, after : ndarray
        Yield at standard moisture, as recorded and as the audit corrects it. [kg/ha]
    """

    entry: np.ndarray
    block: np.ndarray | None
    curve: np.ndarray
    reading: np.ndarray
    per_point: np.ndarray
    before: np.ndarray
    after: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class EntryLines:
    """Entry means as straight lines in what is added to one curve's readings.

    Attributes
    ----------
    trial : str or ndarray of str
        With several trials of one size put together, all shapes gain a first axis.
    entries : ndarray of str, shape (..., entries)
    candidate : ndarray of bool, same shape
        False for checks, which take no place among the selected.
    before : ndarray, same shape
        Mean yield as recorded. [kg/ha]
    unmoved : ndarray, same shape
        With nothing added to the readings of this curve. [kg/ha]
    per_point, per_reading : ndarray, same shape
        Change per point added to every reading of the curve; per point added for
        every point of the reading itself. [kg/ha]
    """

    trial: str | np.ndarray
    entries: np.ndarray
    candidate: np.ndarray
    before: np.ndarray
    unmoved: np.ndarray
    per_point: np.ndarray
    per_reading: np.ndarray

    def means(self, offsets, tilt=0.0, pivot=0.0) -> np.ndarray:
        """Return entry means under offsets of shape (k,) or (), as first axis."""
        shift = np.asarray(offsets, float) - tilt * pivot
        turned = self.unmoved + tilt * self.per_reading
        return turned + np.multiply.outer(shift, self.per_point)


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialLines:
    """The entry means of one trial as lines in what is added to each curve's readings.

    Attributes
    ----------
    trial : str
    entries, candidate : ndarray, shape (entries,)
        Names, sorted; as in `EntryLines`.
    before, unmoved : ndarray, shape (entries,)
        As in `EntryLines`, with nothing added to any curve. [kg/ha]
    slopes : dict of ndarray, shape (2, entries)
        By curve: change per point added, and per point added for every point of the
        reading. [kg/ha]
    model : str
        How the means are made.
    ratio_held : bool
        Whether blocks are random, the ratio of their variance to the plots' held as
        fitted to the yields as recorded; the audit fits it anew once corrected.
    """

    trial: str
    entries: np.ndarray
    candidate: np.ndarray
    before: np.ndarray
    unmoved: np.ndarray
    slopes: dict[str, np.ndarray]
    model: str
    ratio_held: bool

    def about(self, curve: str, turns: Mapping[str, Turn]) -> EntryLines:
        """Return the lines in one curve's change, the other curves at their turns."""
        unmoved = self.unmoved
        for other, (per_point, per_reading) in self.slopes.items():
            if other != curve and other in turns:
                offset, tilt, pivot = turns[other]
                unmoved = unmoved + (offset - tilt * pivot) * per_point
                unmoved = unmoved + tilt * per_reading
        per_point, per_reading = self.slopes[curve]
        return EntryLines(
            trial=self.trial,
            entries=self.entries,
            candidate=self.candidate,
            before=self.before,
            unmoved=unmoved,
            per_point=per_point,
            per_reading=per_reading,
        )


def trial_lines(
    trial: str, plots: PlotYields, curves: Collection[str], checks: Collection[str] = ()
) -> TrialLines:
    """Return the entry means of a trial as lines in what is added to readings.

    Parameters
    ----------
    trial : str
    plots : PlotYields
        At least one plot.
    curves : collection of str
        Those that can be changed; plots of others stay as the audit corrects them.
    checks : collection of str
        Entries that take no place among the selected.

    Examples
    --------
    Both plots yield 10 t/ha at 20 %; a point more on the first takes 125 kg/ha off.

    >>> plots = PlotYields(entry=np.array(["a", "b"]), block=None,
    ...     curve=np.array(["X", "Y"]), reading=np.array([20.0, 20.0]),
    ...     per_point=np.array([-125.0, -125.0]), before=np.array([1e4, 1e4]),
    ...     after=np.array([1e4, 1e4]))
    >>> trial_lines("T1", plots, {"X"}).about("X", {}).means([0.0, 1.0]).tolist()
    [[10000.0, 10000.0], [9875.0, 10000.0]]
    """
    found = entry_means(plots.before, plots.entry, plots.block)
    slopes = {}
    for curve in sorted(set(plots.curve.tolist()) & set(curves)):
        per_point = np.where(plots.curve == curve, plots.per_point, 0.0)
        each = np.stack([per_point, per_point * plots.reading])
        slopes[curve] = each @ found.weights.T
    # The yield is −per_point × (100 − moisture), as `kitlib.trials.yields` has it.
    as_read = -plots.per_point * (100 - plots.reading)
    unmoved = np.where(np.isin(plots.curve, list(slopes)), as_read, plots.after)
    return TrialLines(
        trial=trial,
        entries=found.entries,
        candidate=~np.isin(found.entries, list(checks)),
        before=found.mean,
        unmoved=found.weights @ unmoved,
        slopes=slopes,
        model=found.model,
        ratio_held=bool(found.block_sd > 0),
    )


def stacked(trials: Iterable[EntryLines]) -> list[EntryLines]:
    """Return trials of as many entries and checks put together, for speed."""
    by_size: dict[tuple[int, int], list[EntryLines]] = {}
    for lines in trials:
        size = lines.entries.size, int(lines.candidate.sum())
        by_size.setdefault(size, []).append(lines)
    names = [field.name for field in fields(EntryLines)]
    return [
        EntryLines(
            **{name: np.array([getattr(k, name) for k in same]) for name in names}
        )
        for same in by_size.values()
    ]


def crossings(
    lines: EntryLines, offsets, tilt=0.0, pivot=0.0, *, select: float
) -> tuple[np.ndarray, np.ndarray]:
    """Flag the entries that move into the selection, and those that drop out.

    Parameters
    ----------
    lines : EntryLines
        A single trial, or several of one size.
    offsets : array_like, shape (k,)
    tilt, pivot : float
        As for `outlook`.
    select : float
        Share of each trial's entries selected if below 1, else their number.

    Returns
    -------
    entered, left : ndarray of bool, shape (k, ..., entries)
        As in `RankChanges`: where entries tie at the line all of them are selected.
    """
    count = selection_count(select, int(np.max(lines.candidate.sum(axis=-1))))
    before = _selected(lines.before, lines.candidate, count)
    means = lines.means(np.asarray(offsets, float), tilt, pivot)
    after = _selected(means, lines.candidate, count)
    return after & ~before, before & ~after


def changed_selections(
    trials: Iterable[EntryLines], offsets, tilt=0.0, pivot=0.0, *, select: float
) -> np.ndarray:
    """Return how many entries are selected that were not as recorded, (k,)."""
    changed = np.zeros(np.shape(offsets), int)
    for lines in trials:
        entered, _ = crossings(lines, offsets, tilt, pivot, select=select)
        changed += np.count_nonzero(entered.reshape(changed.size, -1), axis=1)
    return changed


def _selected(means: np.ndarray, candidate: np.ndarray, count: int) -> np.ndarray:
    """Flag the candidates whose rank is within the number selected, (..., entries)."""
    rounded = np.where(candidate, np.round(means, TIED_DECIMALS), -np.inf)
    last = rounded.shape[-1] - count
    line = np.partition(rounded, last, axis=-1)[..., last, None]
    return rounded >= line


def standard_scale(audited_pct: float, chosen_pct: float) -> float:
    """Return the factor from yields at one standard moisture to another.

    Examples
    --------
    >>> round(standard_scale(15.5, 14.0), 6)  # 84.5 / 86
    0.982558
    """
    return (100 - audited_pct) / (100 - chosen_pct)
