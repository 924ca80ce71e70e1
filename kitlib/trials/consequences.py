"""What the moisture errors did to one trial: yields, ranks, chances and selection."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pandas as pd

from kitlib.curves.corrections import Correction
from kitlib.trials.changes import (
    MoistureTrend,
    ServedBy,
    changes_by_tilt,
    served_by,
    trend_against_moisture,
)
from kitlib.trials.designs import entry_means
from kitlib.trials.means import EntryMeans
from kitlib.trials.ranks import (
    CORRECTION_AND_PLOT_ERROR,
    CORRECTION_ONLY,
    NO_VERDICT,
    PLOT_ERROR_ONLY,
    Chances,
    CheckChanges,
    RankChanges,
    check_changes,
    draw_correction_errors,
    draw_plot_errors,
    rank_chances,
    rank_changes,
    ranks,
    selection_count,
)
from kitlib.trials.yields import TrialPlots, read_trial_plots, remark_plots
from kitlib.words.terms import columns_of, listed

DRAWS = 1_000


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialConsequences:
    """What the moisture errors did to one trial.

    Attributes
    ----------
    trial : str
        Name of the trial.
    plots : TrialPlots
        Every plot with both yields, in the order of the table read.
    before, after : EntryMeans or None
        Entry means with moisture as read, and corrected, of the same plots; None
        where no plot has such a yield.
    count : int
        Entries selected.
    ranks : RankChanges or None
        Ranks and selection before and after; None without `after`.
    checks : tuple of CheckChanges
        For each check found among the entries.
    trend : MoistureTrend or None
        How the change of yield goes with the moisture of the entries.
    served : ServedBy or None
        What each curve's error added to the plots it served.
    chances : dict of str to Chances
        By layer of uncertainty: `PLOT_ERROR_ONLY` (before correction),
        `CORRECTION_ONLY` and `CORRECTION_AND_PLOT_ERROR` (after). A layer that is
        not known is absent.
    entries : DataFrame
        One row per entry, columns as declared for `entries`.
    remarks : tuple of str
        What the reader must know, and why something is not known.
    """

    trial: str
    plots: TrialPlots
    before: EntryMeans | None = None
    after: EntryMeans | None = None
    count: int = 0
    ranks: RankChanges | None = None
    checks: tuple[CheckChanges, ...] = ()
    trend: MoistureTrend | None = None
    served: ServedBy | None = None
    chances: Mapping[str, Chances] = field(default_factory=dict)
    entries: pd.DataFrame
    remarks: tuple[str, ...]


def trial_consequences(
    plots: pd.DataFrame,
    corrections: Mapping[str, Correction],
    *,
    standard_pct: float,
    select: float,
    rng: np.random.Generator,
    checks: Sequence[str] = (),
    level: float = 0.95,
    draws: int = DRAWS,
) -> TrialConsequences:
    """Return what the moisture errors did to one trial.

    Parameters
    ----------
    plots : DataFrame
        The plots of one trial: trial, plot, entry, curve, plot_mass_kg,
        plot_area_m2, recorded_pct, moisture_after_pct (missing where not known), and
        block where the trial has blocks. [kg; m²; % moisture, wet basis]
    corrections : mapping of str to Correction
        By curve. They give the uncertainty and the part of the tilt; the corrected
        moistures themselves are those of the table.
    standard_pct : float
        Moisture yields are stated at; nan where not known. [% wet basis]
    select : float
        Share of the entries selected if below 1, else their number.
    rng : numpy.random.Generator
        Source of randomness.
    checks : sequence of str
        Entries that the others are compared with; they rank among the entries.
    level : float
        Confidence level of least significant differences and rank intervals.
    draws : int
        Draws per layer of uncertainty.

    Returns
    -------
    TrialConsequences
        Whatever can be worked out, with remarks on what cannot.

    Notes
    -----
    Chances read sampling distributions as what is known of the true values (flat
    priors). Plots are weighted into entry means as in the trial itself: where
    blocks are random, the ratio of block to plot variance is held as fitted. The
    sensor's random error is part of the plots' own error.

    Examples
    --------
    The reading of curve B is a point too high: its plots yield more than it says.

    >>> table = pd.DataFrame({"trial": "T1", "plot": list("1234"),
    ...     "entry": list("abab"), "block": [1, 1, 2, 2], "curve": list("ABAB"),
    ...     "plot_mass_kg": [8.45, 8.40, 8.55, 8.52], "plot_area_m2": 8.0,
    ...     "recorded_pct": 20.0, "moisture_after_pct": [20.0, 19.0] * 2})
    >>> found = trial_consequences(table, {}, standard_pct=15.5, select=1,
    ...                            rng=np.random.default_rng(1))
    >>> found.entries[["entry", "rank_before", "rank_after"]].to_numpy().tolist()
    [['a', 1, 2], ['b', 2, 1]]
    """
    every_plot = read_trial_plots(plots, standard_pct)
    compared = every_plot.compared
    used = every_plot.only(
        compared if compared.any() else np.isfinite(every_plot.before)
    )
    before = after = None
    found: dict = {}
    if used.plot.size:
        before = entry_means(used.before, used.entry, used.block)
        found["count"] = selection_count(select, before.entries.size)
    if before and compared.any():
        after = entry_means(used.after, used.entry, used.block)
        found |= _changes(used, before, after, corrections, found["count"])
        present = [check for check in checks if check in before.entries]
        found["checks"] = tuple(
            check_changes(before, after, each, level) for each in present
        )
    if before and before.entries.size > 1:
        drawn = draw_means(used, before, after, corrections, draws, rng)
        found["chances"] = {
            layer: rank_chances(means, found["count"], layer, level)
            for layer, means in drawn.items()
        }
    unfinished = TrialConsequences(
        trial=every_plot.trial,
        plots=every_plot,
        before=before,
        after=after,
        entries=pd.DataFrame(),
        remarks=(
            *remark_plots(plots, standard_pct),
            *_remark_entries(every_plot, used, checks),
            *_remark_means(after or before),
            *_remark_corrections(used, after, corrections),
        ),
        **found,
    )
    return replace(unfinished, entries=entry_table(unfinished, level))


def _changes(used, before, after, corrections, count: int) -> dict:
    """Return ranks, trend and what each curve did, before and after correction."""
    # One set of weights throughout, so that the parts of the change add up.
    weights = after.weights
    return {
        "ranks": rank_changes(before.mean, after.mean, count),
        "trend": trend_against_moisture(
            weights @ (used.after - used.before),
            weights @ used.sensor,
            weights @ changes_by_tilt(used, corrections),
        ),
        "served": served_by(used, weights, corrections),
    }


def draw_means(
    plots: TrialPlots,
    before: EntryMeans,
    after: EntryMeans | None,
    corrections: Mapping[str, Correction],
    draws: int,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    """Draw entry means, for each layer of uncertainty that is known."""
    drawn = {}
    # The same plot errors before and after: what differs is then the correction.
    seed = rng.integers(2**63)
    if not before.no_error:
        errors = draw_plot_errors(before, draws, np.random.default_rng(seed))
        drawn[PLOT_ERROR_ONLY] = before.mean + errors
    if after is None or _uncertain_of(plots, corrections):
        return drawn
    corrected = after.mean + draw_correction_errors(
        plots, after.weights, corrections, draws=draws, rng=rng
    )
    drawn[CORRECTION_ONLY] = corrected
    if not after.no_error:
        errors = draw_plot_errors(after, draws, np.random.default_rng(seed))
        drawn[CORRECTION_AND_PLOT_ERROR] = corrected + errors
    return drawn


def _uncertain_of(plots: TrialPlots, corrections: Mapping[str, Correction]) -> list:
    """Return the curves of which it is not known how well they are corrected."""
    return [
        curve
        for curve in np.unique(plots.curve).tolist()
        if curve not in corrections or not corrections[curve].uncertainty_known
    ]


def _remark_entries(
    every_plot: TrialPlots, used: TrialPlots, checks: Sequence[str]
) -> list[str]:
    """Name entries that have lost their plots and checks that are not there."""
    remarks = []
    lost = sorted(set(every_plot.entry) - set(used.entry))
    if lost:
        noun = "entry" if len(lost) == 1 else "entries"
        remarks.append(f"{noun} {listed(lost)} without a plot left: not known")
    absent = [check for check in checks if check not in every_plot.entry]
    if absent:
        noun = "check" if len(absent) == 1 else "checks"
        remarks.append(f"{noun} {listed(absent)} not in this trial: not compared with")
    return remarks


def _remark_means(means: EntryMeans | None) -> tuple[str, ...]:
    """Say what the entry means want said, and what is not known of them."""
    if means is None:
        return ("no plot can be used: nothing is known of this trial",)
    remarks = means.remarks
    if means.entries.size == 1:
        remarks += ("the trial has one entry: nothing to rank or to select",)
    if means.no_error:
        remarks += (
            f"{means.no_error}: no least significant difference and no chances that "
            "count plot error",
        )
    return remarks


def _remark_corrections(
    used: TrialPlots, after: EntryMeans | None, corrections: Mapping[str, Correction]
) -> tuple[str, ...]:
    """Name the curves whose correction is of unknown uncertainty."""
    unknown = _uncertain_of(used, corrections)
    if after is None or not unknown:
        return ()
    noun = "curve" if len(unknown) == 1 else "curves"
    return (
        f"how well the correction of {noun} {listed(unknown)} is known is not known: "
        "no chances after correction",
    )


def entry_table(found: TrialConsequences, level: float = 0.95) -> pd.DataFrame:
    """Return one row per entry of a trial, those without a usable plot included."""
    names = found.before.entries if found.before else None
    table = pd.DataFrame(_known_of(found, level), index=names)
    types = {name: _type_of(name) for name in list(columns_of("entries"))[2:]}
    table = table.reindex(index=np.unique(found.plots.entry), columns=list(types))
    unknown = {"n_plots": 0, "verdict": NO_VERDICT, "verdict_correction": NO_VERDICT}
    table = table.astype(types).fillna(unknown)
    table = table.rename_axis("entry").reset_index()
    table.insert(0, "trial", found.trial)
    return table


def _type_of(name: str) -> str:
    """Return the type of a column of the entries; Int64 knows missing."""
    if name == "n_plots" or name.startswith("rank_"):
        return "Int64"
    return "object" if name.startswith("verdict") else "float"


def _known_of(found: TrialConsequences, level: float) -> dict:
    """Return what is known of the entries that have a mean, by column."""
    if found.before is None:
        return {}
    known = {
        "n_plots": found.before.n_plots,
        "yield_before": found.before.mean,
        "rank_before": ranks(found.before.mean),
        "lsd": (found.after or found.before).lsd(level).value,
    }
    if found.after and found.ranks:
        known["yield_after"] = found.after.mean
        known["rank_after"] = found.ranks.rank_after
    for layer, chances in found.chances.items():
        known |= _of_layer(layer, chances)
    return known


def _of_layer(layer: str, chances: Chances) -> dict:
    """Return the columns of one layer of uncertainty."""
    if layer == PLOT_ERROR_ONLY:
        return {"chance_selected_before": chances.chance_selected}
    end = "_correction" if layer == CORRECTION_ONLY else ""
    of_layer = {
        f"chance_selected{end or '_after'}": chances.chance_selected,
        f"rank_low{end}": chances.rank_low,
        f"rank_high{end}": chances.rank_high,
        f"verdict{end}": chances.verdicts,
    }
    return of_layer if end else of_layer | {"expected_rank": chances.expected_rank}
