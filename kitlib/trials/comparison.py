"""One trial with moisture as read beside the same plots corrected."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from kitlib.curves.corrections import Correction
from kitlib.trials.designs import entry_means
from kitlib.trials.means import EntryMeans
from kitlib.trials.ranks import CheckChanges, RankChanges, check_changes, rank_changes
from kitlib.trials.trial_plots import TrialPlots
from kitlib.trials.yield_changes import (
    MoistureTrend,
    ServedBy,
    served_by,
    trend_against_moisture,
)


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """What the correction of moisture changes in one trial.

    Attributes
    ----------
    before, after : EntryMeans
        Entry means with moisture as read, and corrected; same plots. [kg/ha]
    ranks : RankChanges
        Ranks and selection before and after.
    checks : tuple of CheckChanges
        For each check found among the entries.
    trend : MoistureTrend
        How the change of yield goes with the moisture of the entries.
    served : ServedBy
        What each curve's error added to the plots it served.
    """

    before: EntryMeans
    after: EntryMeans
    ranks: RankChanges
    checks: tuple[CheckChanges, ...]
    trend: MoistureTrend
    served: ServedBy


def compare(
    plots: TrialPlots,
    before: EntryMeans,
    corrections: Mapping[str, Correction],
    *,
    count: int,
    checks: Sequence[str] = (),
    level: float = 0.95,
) -> Comparison:
    """Return what the correction of moisture changes in one trial.

    Parameters
    ----------
    plots : TrialPlots
        Plots with both yields.
    before : EntryMeans
        Of their yields with moisture as read.
    corrections : mapping of str to Correction
        By curve, where known; for the share of the tilt and standard errors.
    count : int
        How many entries are selected.
    checks : sequence of str
        Entries to compare the others with; those absent are passed over.
    level : float
        Confidence level of least significant differences.

    Returns
    -------
    Comparison
    """
    after = entry_means(plots.after, plots.entry, plots.block)
    present = [check for check in checks if check in before.entries]
    # One set of weights throughout, so that the parts of the change add up.
    change = after.weights @ (plots.after - plots.before)
    trend = trend_against_moisture(
        change,
        after.weights @ plots.sensor,
        after.weights @ _changes_by_tilt(plots, corrections),
    )
    return Comparison(
        before=before,
        after=after,
        ranks=rank_changes(before.mean, after.mean, count),
        checks=tuple(check_changes(before, after, each, level) for each in present),
        trend=trend,
        served=served_by(plots, after.weights, corrections),
    )


def _changes_by_tilt(plots: TrialPlots, corrections) -> np.ndarray:
    """Return what the tilts alone change in each plot's yield, nan where unknown."""
    changes = np.full(plots.sensor.shape, np.nan)
    for curve, correction in corrections.items():
        served = plots.curve == curve
        above_pivot = plots.sensor[served] - correction.pivot
        changes[served] = plots.per_point[served] * correction.tilt * above_pivot
    return changes
