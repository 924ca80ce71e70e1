"""The trials a curve served, ready to be asked what another correction would do."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from kitlib.explorer.entry_lines import PlotYields, TrialLines, trial_lines
from kitlib.season.season import SeasonAudit
from kitlib.trials.yields import NOT_GIVEN, yield_per_point
from kitlib.words.terms import BLOCK, ENTRY, crop_key


def served_trials(season: SeasonAudit, curve: str) -> dict[str, TrialLines]:
    """Return the trials with plots that a curve has read, in order of name.

    Parameters
    ----------
    season : SeasonAudit
    curve : str
        One of its audited curves.

    Returns
    -------
    dict of TrialLines
        Of the plots that the audit compares: those with a yield both as recorded and
        as corrected. Plots of other curves stay as the audit corrects them. Empty
        where the curve was only recorded in parallel.
    """
    plots, crop = season.plots, season.audits[curve].crop
    names = plots.loc[plots["curve"] == curve, "trial"].unique()
    compared = np.isfinite(plots["yield_before_kg_ha"] * plots["yield_after_kg_ha"])
    of_crop = plots["crop"].map(crop_key) == crop
    chosen = plots[plots["trial"].isin(names) & of_crop & compared]
    chosen = chosen.sort_values("trial", kind="stable")
    standard = season.settings.standard_moisture_of(crop)
    if not len(chosen):
        return {}
    return dict(_lines(chosen, curve, standard, season.settings.check_entries))


def _lines(plots: pd.DataFrame, curve: str, standard, checks) -> Iterator[tuple]:
    """Yield names and lines of trials, from plots sorted by trial."""
    numbers = {
        "served": (plots["curve"] == curve).to_numpy(bool),
        "reading": plots["sensor_pct"].to_numpy(float),
        "before": plots["yield_before_kg_ha"].to_numpy(float),
        "after": plots["yield_after_kg_ha"].to_numpy(float),
        "per_point": yield_per_point(
            plots["plot_mass_kg"], plots["plot_area_m2"], standard
        ),
    }
    entry, block = (_names(plots[term.name]) for term in (ENTRY, BLOCK))
    trial = plots["trial"].to_numpy(str)
    starts = np.flatnonzero(np.append(True, trial[1:] != trial[:-1]))
    for low, high in zip(starts, [*starts[1:], trial.size], strict=True):
        rows, name = slice(low, high), str(trial[low])
        of_trial = PlotYields(
            entry=entry[rows],
            block=None if (block[rows] == NOT_GIVEN).all() else block[rows],
            **{column: values[rows] for column, values in numbers.items()},
        )
        if of_trial.served.any():
            yield name, trial_lines(name, of_trial, checks)


def _names(column: pd.Series) -> np.ndarray:
    """Return a column of names as text, gaps named."""
    return column.astype(object).where(column.notna(), NOT_GIVEN).to_numpy(str)
