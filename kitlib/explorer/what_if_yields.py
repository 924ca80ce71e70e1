"""What another offset or slope would do to yields, ranks and selection."""

from collections.abc import Iterable
from dataclasses import dataclass, fields

import numpy as np

from kitlib.explorer.entry_lines import EntryLines, TrialLines
from kitlib.trials.ranks import (
    TIED_DECIMALS,
    RankChanges,
    rank_changes,
    selection_count,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialOutlook:
    """What a choice does to one trial.

    Attributes
    ----------
    lines : TrialLines
    before, after : ndarray, shape (entries,)
        Means at the standard moisture chosen. [kg/ha]
    ranks : RankChanges
    count : int
        Entries selected.
    """

    lines: TrialLines
    before: np.ndarray
    after: np.ndarray
    ranks: RankChanges
    count: int


def trial_outlook(
    lines: TrialLines, offset, tilt, pivot, *, select: float, scale: float = 1.0
) -> TrialOutlook:
    """Return what an offset and a tilt do to one trial.

    Parameters
    ----------
    lines : TrialLines
    offset, tilt, pivot : float
        As for `kitlib.explorer.what_if.outlook`.
    select : float
        Share of the entries selected if below 1, else their number.
    scale : float
        From yields at the audit's standard moisture to yields at another, see
        `standard_scale`; it changes no rank.
    """
    count = _count(select, lines.candidate)
    after = lines.means(offset, tilt, pivot)
    return TrialOutlook(
        lines=lines,
        before=lines.before * scale,
        after=after * scale,
        ranks=rank_changes(lines.before, after, count, lines.candidate),
        count=count,
    )


def standard_scale(audited_pct: float, chosen_pct: float) -> float:
    """Return the factor from yields at one standard moisture to another.

    Examples
    --------
    >>> round(standard_scale(15.5, 14.0), 6)  # 84.5 / 86
    0.982558
    """
    return (100 - audited_pct) / (100 - chosen_pct)


def stacked(trials: Iterable[TrialLines]) -> list[EntryLines]:
    """Return trials of as many entries put together, for speed over many trials."""
    by_size: dict[tuple[int, int], list[TrialLines]] = {}
    for lines in trials:
        size = lines.entries.size, int(lines.candidate.sum())
        by_size.setdefault(size, []).append(lines)
    return [
        EntryLines(
            **{
                field.name: np.array([getattr(lines, field.name) for lines in same])
                for field in fields(EntryLines)
            }
        )
        for same in by_size.values()
    ]


def changed_selections(
    trials: Iterable[EntryLines], offsets, tilt=0.0, pivot=0.0, *, select: float
) -> np.ndarray:
    """Return how many entries are selected that were not as recorded, by offset.

    Parameters
    ----------
    trials : iterable of EntryLines
        Single trials, or `stacked` ones.
    offsets : array_like, shape (k,)
    tilt, pivot : float
        As for `kitlib.explorer.what_if.outlook`.
    select : float
        Share of each trial's entries selected if below 1, else their number.

    Returns
    -------
    ndarray of int, shape (k,)
        Over all trials; as `RankChanges.entered`, where entries tie at the line all
        of them are selected.
    """
    offsets = np.asarray(offsets, float)
    changed = np.zeros(offsets.shape, int)
    for lines in trials:
        count = _count(select, lines.candidate)
        if count == 0:
            continue
        before = _selected(lines.before, count, lines.candidate)
        after = _selected(lines.means(offsets, tilt, pivot), count, lines.candidate)
        entered = (after & ~before).reshape(offsets.size, -1)
        changed += np.count_nonzero(entered, axis=1)
    return changed


def _count(select: float, candidate: np.ndarray) -> int:
    """Return how many entries of each trial are selected."""
    candidates = int(candidate.sum(axis=-1).flat[0])
    return selection_count(select, candidates) if candidates else 0


def _selected(means, count: int, candidate: np.ndarray) -> np.ndarray:
    """Flag the entries whose rank is within the number selected, (..., entries)."""
    rounded = np.where(candidate, np.round(means, TIED_DECIMALS), -np.inf)
    last = rounded.shape[-1] - count
    line = np.partition(rounded, last, axis=-1)[..., last, None]
    return rounded >= line
