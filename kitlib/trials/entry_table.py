"""The table of a trial's entries: yields, ranks and chances, before and after."""

from collections.abc import Mapping

import numpy as np
import pandas as pd

from kitlib.trials.chances import (
    CORRECTION_AND_PLOT_ERROR,
    CORRECTION_ONLY,
    NO_VERDICT,
    PLOT_ERROR_ONLY,
    Chances,
)
from kitlib.trials.comparison import Comparison
from kitlib.trials.means import EntryMeans
from kitlib.trials.ranks import ranks
from kitlib.trials.trial_plots import TrialPlots

# Columns after the entry's name, with their types; Int64 knows missing.
COLUMNS = {
    "n_plots": "Int64",
    "yield_before": "float",
    "yield_after": "float",
    "rank_before": "Int64",
    "rank_after": "Int64",
    "lsd": "float",
    "chance_selected_before": "float",
    "chance_selected_correction": "float",
    "chance_selected_after": "float",
    "expected_rank": "float",
    "rank_low": "Int64",
    "rank_high": "Int64",
    "rank_low_correction": "Int64",
    "rank_high_correction": "Int64",
    "verdict": "object",
    "verdict_correction": "object",
}


def entry_table(
    every_plot: TrialPlots,
    before: EntryMeans | None,
    comparison: Comparison | None,
    chances: Mapping[str, Chances],
    level: float = 0.95,
) -> pd.DataFrame:
    """Return one row per entry of a trial.

    Parameters
    ----------
    every_plot : TrialPlots
        All plots of the trial, those included that cannot be used.
    before : EntryMeans or None
        With moisture as read, of the plots used.
    comparison : Comparison or None
        The same plots, before and after correction.
    chances : mapping of str to Chances
        By layer of uncertainty.
    level : float
        Confidence level of the least significant difference.

    Returns
    -------
    DataFrame
        trial, entry, n_plots (used); yield_before, yield_after [kg/ha]; rank_before,
        rank_after (1 is best, ties share the better); lsd [kg/ha], after correction
        where known; chance_selected_before (plot error only),
        chance_selected_correction (after; correction only, plot errors held fixed)
        and chance_selected_after (correction and plot error); expected_rank,
        rank_low, rank_high and verdict (correction and plot error);
        rank_low_correction, rank_high_correction and verdict_correction (correction
        only). Missing where not known.
    """
    known = _of_chances(chances)
    names = []
    if before:
        names = before.entries
        known |= _of_means(before, comparison, level)
    table = pd.DataFrame(known, index=names, columns=list(COLUMNS))
    table = table.reindex(np.unique(every_plot.entry)).astype(COLUMNS)
    unknown = {"n_plots": 0, "verdict": NO_VERDICT, "verdict_correction": NO_VERDICT}
    table = table.fillna(unknown).rename_axis("entry").reset_index()
    table.insert(0, "trial", every_plot.trial)
    return table


def _of_means(before: EntryMeans, comparison: Comparison | None, level: float) -> dict:
    """Return the columns of yields and ranks."""
    found = {
        "n_plots": before.n_plots,
        "yield_before": before.mean,
        "rank_before": ranks(before.mean),
    }
    if comparison is None:
        return found | {"lsd": before.lsd(level).value}
    return found | {
        "yield_after": comparison.after.mean,
        "rank_after": comparison.ranks.rank_after,
        "lsd": comparison.after.lsd(level).value,
    }


def _of_chances(chances: Mapping[str, Chances]) -> dict:
    """Return the columns of the layers that are known."""
    found = {}
    if PLOT_ERROR_ONLY in chances:
        found["chance_selected_before"] = chances[PLOT_ERROR_ONLY].chance_selected
    if CORRECTION_ONLY in chances:
        layer = chances[CORRECTION_ONLY]
        found |= {
            "chance_selected_correction": layer.chance_selected,
            "rank_low_correction": layer.rank_low,
            "rank_high_correction": layer.rank_high,
            "verdict_correction": layer.verdicts,
        }
    if CORRECTION_AND_PLOT_ERROR in chances:
        layer = chances[CORRECTION_AND_PLOT_ERROR]
        found |= {
            "chance_selected_after": layer.chance_selected,
            "expected_rank": layer.expected_rank,
            "rank_low": layer.rank_low,
            "rank_high": layer.rank_high,
            "verdict": layer.verdicts,
        }
    return found
