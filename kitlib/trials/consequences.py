"""What the moisture errors did to one trial: yields, ranks, chances and selection."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from math import nan

import numpy as np
import pandas as pd

from kitlib.curves.audit import Correction
from kitlib.trials.means import EntryMeans, entry_means
from kitlib.trials.ranks import (
    BORDERLINE,
    CORRECTION_AND_PLOT_ERROR,
    CORRECTION_ONLY,
    NO_VERDICT,
    PLOT_ERROR_ONLY,
    Chances,
    CheckChanges,
    MoistureTrend,
    RankChanges,
    ServedBy,
    changes_by_tilt,
    check_changes,
    draw_correction_errors,
    draw_entry_errors,
    draw_plot_errors,
    rank_chances,
    rank_changes,
    selection_count,
    served_by,
    trend_against_moisture,
)
from kitlib.trials.yields import TrialPlots, read_trial_plots, remark_plots
from kitlib.words.terms import columns_of, listed

DRAWS = 1_000

HOLDS, OPEN, CHANGES = "selection holds", "selection open", "selection changes"
NOT_TESTED = "not tested"


@dataclass(frozen=True, kw_only=True)
class Selection:
    """Whether the moisture errors changed what was selected.

    Attributes
    ----------
    word : str
        "selection holds"; "selection open", where entries at the line cannot be told
        apart; "selection changes"; or "not tested".
    entered, left : tuple of str
        Entries selected only after correction, and only before it.
    open : tuple of str
        Entries of which the data cannot say on which side of the line they belong.
    gap, lsd : float
        Largest difference of a pair that changes places, after correction, and the
        least significant difference of that pair; nan without. [kg/ha]
    """

    word: str = NOT_TESTED
    entered: tuple[str, ...] = ()
    left: tuple[str, ...] = ()
    open: tuple[str, ...] = ()
    gap: float = nan
    lsd: float = nan


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
    candidate : ndarray of bool, shape (entries,)
        False for checks, which take no rank and no place.
    count : int
        Entries selected.
    ranks : RankChanges or None
        Ranks and selection before and after; None without `after`.
    selection : Selection
        What follows for the selection.
    checks : tuple of CheckChanges
        For each check found among the entries.
    trend : MoistureTrend or None
        How the change of yield goes with the moisture of the entries.
    served : ServedBy or None
        Which entry met which curve, and what that did.
    chances : mapping of str to Chances
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
    candidate: np.ndarray = field(default_factory=lambda: np.zeros(0, bool))
    count: int = 0
    ranks: RankChanges | None = None
    selection: Selection = Selection()
    checks: tuple[CheckChanges, ...] = ()
    trend: MoistureTrend | None = None
    served: ServedBy | None = None
    chances: Mapping[str, Chances] = field(default_factory=dict)
    entries: pd.DataFrame = field(default_factory=pd.DataFrame)
    remarks: tuple[str, ...] = ()

    @property
    def is_used(self) -> np.ndarray:
        """Plots behind the means: those with both yields, if there are any."""
        compared = self.plots.compared
        return compared if compared.any() else np.isfinite(self.plots.before)

    @property
    def used(self) -> TrialPlots:
        """The plots behind the means."""
        return self.plots.only(self.is_used)


def trial_consequences(
    plots: pd.DataFrame,
    corrections: Mapping[str, Correction],
    *,
    standard_pct: float,
    select: float,
    rng: np.random.Generator,
    checks: Sequence[str] = (),
    entry_sd: float = 0.0,
    tested: bool = True,
    level: float = 0.95,
    draws: int = DRAWS,
) -> TrialConsequences:
    """Return what the moisture errors did to one trial.

    Parameters
    ----------
    plots : DataFrame
        The plots of one trial: trial, plot, entry, curve, plot_mass_kg,
        plot_area_m2, sensor_pct (restated to the offset in the register),
        recorded_pct, moisture_after_pct (missing where not known), and block where
        the trial has blocks. [kg; m²; % moisture, wet basis]
    corrections : mapping of str to Correction
        By curve. They give the uncertainty in this trial and the part of the tilt;
        the corrected moistures themselves are those of the table.
    standard_pct : float
        Moisture yields are stated at; nan where not known. [% wet basis]
    select : float
        Share of the candidates selected if below 1, else their number.
    rng : numpy.random.Generator
        Source of randomness.
    checks : sequence of str
        Entries that the others are compared with; they take no place.
    entry_sd : float
        SD of the entries' own errors of moisture. [% moisture]
    tested : bool
        Whether any curve of the trial was judged; else its selection is not.
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
    ...     "sensor_pct": 20.0, "recorded_pct": 20.0,
    ...     "moisture_after_pct": [20.0, 19.0] * 2})
    >>> found = trial_consequences(table, {}, standard_pct=15.5, select=1,
    ...                            rng=np.random.default_rng(1))
    >>> found.entries[["entry", "rank_before", "rank_after"]].to_numpy().tolist()
    [['a', 1, 2], ['b', 2, 1]]
    """
    every_plot = read_trial_plots(plots, standard_pct)
    found = TrialConsequences(trial=every_plot.trial, plots=every_plot)
    found = _with_means(found, corrections, select, checks, level)
    if found.before and found.candidate.sum() > 1:
        drawn = draw_means(found, corrections, entry_sd, draws, rng)
        chances = {
            layer: rank_chances(means, found.count, layer, level, found.candidate)
            for layer, means in drawn.items()
        }
        found = replace(found, chances=chances)
    if tested:
        found = replace(found, selection=judge_selection(found, level))
    remarks = (
        *remark_plots(plots, standard_pct),
        *_remark_entries(found, checks),
        *_remark_means(found),
        *_remark_corrections(found, corrections),
    )
    return replace(found, entries=entry_table(found, level), remarks=remarks)


def _with_means(
    found: TrialConsequences,
    corrections: Mapping[str, Correction],
    select: float,
    checks: Sequence[str],
    level: float,
) -> TrialConsequences:
    """Return it with entry means before and after, and what differs between them."""
    used = found.used
    if not used.plot.size:
        return found
    before = entry_means(used.before, used.entry, used.block)
    candidate = ~np.isin(before.entries, list(checks))
    count = selection_count(select, int(candidate.sum())) if candidate.any() else 0
    found = replace(found, before=before, candidate=candidate, count=count)
    if not found.plots.compared.any():
        return found
    after = entry_means(used.after, used.entry, used.block)
    # One set of weights throughout, so that the parts of the change add up.
    weights = after.weights
    return replace(
        found,
        after=after,
        ranks=rank_changes(before.mean, after.mean, count, candidate),
        checks=tuple(
            check_changes(before, after, check, level)
            for check in before.entries[~candidate].tolist()
        ),
        trend=trend_against_moisture(
            weights @ (used.after - used.before),
            weights @ used.sensor,
            weights @ changes_by_tilt(used, corrections),
        ),
        served=served_by(used, weights, corrections),
    )


def judge_selection(found: TrialConsequences, level: float = 0.95) -> Selection:
    """Return whether the moisture errors changed what was selected.

    A pair that changes places is told apart where it then differs by more than its
    least significant difference, and the correction alone leaves neither entry
    borderline; in a trial without replication the correction alone decides.
    """
    ranks, after = found.ranks, found.after
    if ranks is None or after is None or found.candidate.sum() < 2:
        return Selection()
    alone = found.chances.get(CORRECTION_ONLY)
    unsure = alone.verdicts == BORDERLINE if alone else np.zeros_like(ranks.entered)
    told = np.zeros_like(ranks.entered)
    gap, widest = nan, nan
    left = np.flatnonzero(ranks.left)
    for at in np.flatnonzero(ranks.entered):
        ahead, lsd = after.mean[at] - after.mean[left], after.lsd_to(int(at), level)
        apart = (ahead > lsd[left]) | bool(after.no_error)
        told[at] |= apart.any()
        told[left] |= apart
        if left.size and not ahead.max() <= gap:
            gap, widest = float(ahead.max()), float(lsd[left[ahead.argmax()]])
    crossing = ranks.entered | ranks.left
    settled = crossing & told & ~unsure & bool(alone)
    is_open = (crossing & ~settled) | unsure
    word = OPEN if is_open.any() or not alone else HOLDS
    names = after.entries
    return Selection(
        word=CHANGES if settled.any() else word,
        entered=tuple(names[ranks.entered].tolist()),
        left=tuple(names[ranks.left].tolist()),
        open=tuple(names[is_open].tolist()),
        gap=gap,
        lsd=widest,
    )


def selected_under(
    found: TrialConsequences, corrections: Mapping[str, Correction]
) -> tuple[str, ...]:
    """Return the entries selected if readings were corrected so, by name.

    Plots of curves without a correction stay as recorded.
    """
    if found.before is None:
        return ()
    used = found.used
    yields = used.before.copy()
    for curve, correction in corrections.items():
        served = used.curve == curve
        dry = 100 - correction.apply(used.sensor[served])
        yields[served] = -used.per_point[served] * dry
    means = entry_means(yields, used.entry, used.block).mean
    chosen = rank_changes(means, means, found.count, found.candidate).selected_after
    return tuple(found.before.entries[chosen].tolist())


def draw_means(
    found: TrialConsequences,
    corrections: Mapping[str, Correction],
    entry_sd: float,
    draws: int,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    """Draw entry means, for each layer of uncertainty that is known."""
    drawn: dict[str, np.ndarray] = {}
    before, after, used = found.before, found.after, found.used
    # The same plot errors before and after: what differs is then the correction.
    seed = rng.integers(2**63)
    if before and not before.no_error:
        errors = draw_plot_errors(before, draws, np.random.default_rng(seed))
        drawn[PLOT_ERROR_ONLY] = before.mean + errors
    if after is None or _uncertain_of(used, corrections):
        return drawn
    corrected = after.mean + draw_correction_errors(
        used, after.weights, corrections, draws=draws, rng=rng
    )
    if entry_sd > 0:
        corrected += draw_entry_errors(used, after, entry_sd, draws, rng)
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


def _remark_entries(found: TrialConsequences, checks: Sequence[str]) -> list[str]:
    """Name entries that have lost their plots and checks that are not there."""
    remarks = []
    grown = set(found.plots.entry)
    lost = sorted(grown - set(found.used.entry))
    if lost:
        noun = "entry" if len(lost) == 1 else "entries"
        remarks.append(f"{noun} {listed(lost)} without a plot left: not known")
    absent = [check for check in checks if check not in grown]
    if absent:
        noun = "check" if len(absent) == 1 else "checks"
        remarks.append(f"{noun} {listed(absent)} not in this trial: not compared with")
    return remarks


def _remark_means(found: TrialConsequences) -> tuple[str, ...]:
    """Say what the entry means want said, and what is not known of them."""
    means = found.after or found.before
    if means is None:
        return ("no plot can be used: nothing is known of this trial",)
    remarks = means.remarks
    if found.candidate.sum() < 2:
        one = "one entry" if means.entries.size == 1 else "one entry beside its checks"
        few = one if found.candidate.any() else "no entry beside its checks"
        remarks += (f"the trial has {few}: nothing to rank or to select",)
    if means.no_error:
        remarks += (
            f"{means.no_error}: no least significant difference and no chances that "
            "count plot error",
        )
    return remarks


def _remark_corrections(
    found: TrialConsequences, corrections: Mapping[str, Correction]
) -> tuple[str, ...]:
    """Name the curves whose correction is of unknown uncertainty."""
    unknown = _uncertain_of(found.used, corrections)
    if found.after is None or not unknown:
        return ()
    noun = "curve" if len(unknown) == 1 else "curves"
    return (
        f"how well the correction of {noun} {listed(unknown)} is known is not known: "
        "no chances after correction",
    )


def entry_table(found: TrialConsequences, level: float = 0.95) -> pd.DataFrame:
    """Return one row per entry of a trial, those without a usable plot included."""
    names = np.unique(found.plots.entry)
    known = _known_of(found, level)
    at = np.isin(names, found.before.entries) if found.before else names == ""
    columns = {
        name: _column(name, known.get(name), at)
        for name in list(columns_of("entries"))[2:]
    }
    return pd.DataFrame({"trial": found.trial, "entry": names, **columns})


def _column(name: str, known, at: np.ndarray):
    """Return a column of all entries from what is known of the flagged ones."""
    if name.startswith("verdict"):
        said = np.full(at.size, NO_VERDICT, object)
        said[at] = NO_VERDICT if known is None else known
        return said
    values = np.full(at.size, nan)
    values[at] = nan if known is None else known
    if name == "n_plots":
        values = np.nan_to_num(values)
    elif not name.startswith(("is_", "selected_", "rank_")):
        return values
    gaps = np.isnan(values)
    whole = np.nan_to_num(values).astype(int)
    if name.startswith(("is_", "selected_")):
        return pd.arrays.BooleanArray(whole.astype(bool), gaps)
    return pd.arrays.IntegerArray(whole, gaps)


def _known_of(found: TrialConsequences, level: float) -> dict:
    """Return what is known of the entries that have a mean, by column."""
    if found.before is None:
        return {}
    means = found.before.mean
    ranks = found.ranks or rank_changes(means, means, found.count, found.candidate)
    known = {
        "n_plots": found.before.n_plots,
        "is_check": ~found.candidate,
        "yield_before": means,
        "rank_before": ranks.rank_before,
        "selected_before": ranks.selected_before,
        "lsd": (found.after or found.before).lsd(level).value,
    }
    if found.after:
        known["yield_after"] = found.after.mean
        known["rank_after"] = ranks.rank_after
        known["selected_after"] = ranks.selected_after
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
