"""What the moisture errors did to one trial: yields, ranks, chances and selection."""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from math import nan

import numpy as np
import pandas as pd

from kitlib.curves.audit import Correction
from kitlib.statistics.estimates import Estimate
from kitlib.trials import ranks as ranking
from kitlib.trials.means import EntryMeans, entry_means
from kitlib.trials.yields import compared, read_trial_plots, remark_plots
from kitlib.words.terms import columns_of, listed

DRAWS = 1_000

HOLDS, OPEN, CHANGES = "selection holds", "selection open", "selection changes"
NOT_TESTED = "not tested"

PLOT_ERROR_ONLY = "plot error only, moistures as read"
CORRECTION_ONLY = "correction only, plot errors held fixed"
CORRECTION_AND_PLOT_ERROR = "correction and plot error"
# Layers of uncertainty, and how their columns in the table of entries end.
_ENDS = {
    PLOT_ERROR_ONLY: "_before",
    CORRECTION_ONLY: "_correction",
    CORRECTION_AND_PLOT_ERROR: "",
}


@dataclass(frozen=True, kw_only=True)
class SelectionChange:
    """Whether the moisture errors changed what was selected.

    It is open where entries at the line cannot be told apart. `gap` is the largest
    difference of a pair that changes places, after correction, and `lsd` the least
    significant difference of that pair; nan without. [kg/ha]
    """

    word: str = NOT_TESTED
    entered: tuple[str, ...] = ()  # selected only after correction
    left: tuple[str, ...] = ()  # selected only before it
    open: tuple[str, ...] = ()  # on which side of the line the data cannot say
    gap: float = nan
    lsd: float = nan


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialConsequences:
    """What the moisture errors did to one trial; None or empty where not known."""

    plots: pd.DataFrame  # every plot, as `read_trial_plots` returns them
    before: EntryMeans | None = None  # with moisture as read
    after: EntryMeans | None = None  # and corrected, of the same plots
    # False for checks, which take no rank and no place.
    candidate: np.ndarray = field(default_factory=lambda: np.zeros(0, bool))
    count: int = 0  # entries selected
    ranks: ranking.RankChanges | None = None
    selection: SelectionChange = SelectionChange()
    # By check: what becomes of each entry's difference to it, in words.
    checks: Mapping[str, np.ndarray] = field(default_factory=dict)
    trend: Estimate | None = None  # change of yield per point of moisture [kg/ha]
    served: ranking.ServedBy | None = None
    # By layer of uncertainty that is known.
    chances: Mapping[str, pd.DataFrame] = field(default_factory=dict)
    # One row per entry, columns as declared for `entries`.
    entries: pd.DataFrame = field(default_factory=pd.DataFrame)
    remarks: tuple[str, ...] = ()  # what the reader must know

    @cached_property
    def is_used(self) -> np.ndarray:
        """Plots behind the means: those with both yields, if there are any."""
        both = compared(self.plots)
        return both if both.any() else np.isfinite(self.plots["before"].to_numpy())

    @cached_property
    def used(self) -> pd.DataFrame:
        """The plots behind the means."""
        return self.plots[self.is_used]


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
) -> TrialConsequences:
    """Return what the moisture errors did to one trial.

    `plots` as for `read_trial_plots`. `corrections` by curve are as uncertain as in
    this trial; the corrected moistures themselves are those of the table. `select` is a
    share of the candidates if below 1, else their number; `checks` are compared with
    and take no place. `entry_sd` is the SD of the entries' own errors of moisture
    [% moisture]. The selection of a trial none of whose curves was judged is not
    `tested`.

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
    found = TrialConsequences(plots=read_trial_plots(plots, standard_pct))
    found = _with_means(found, corrections, select, checks, level)
    if found.candidate.sum() > 1:
        drawn = draw_means(found, corrections, entry_sd, rng)
        chances = {
            layer: ranking.rank_chances(means, found.count, level, found.candidate)
            for layer, means in drawn.items()
        }
        found = replace(found, chances=chances)
    if tested:
        found = replace(found, selection=_judged(found, level))
    remarks = remark_plots(plots, standard_pct)
    remarks += _remarks(found, corrections, checks)
    entries = _entry_table(found, str(plots["trial"].iloc[0]), level)
    return replace(found, entries=entries, remarks=remarks)


def _with_means(
    found: TrialConsequences,
    corrections: Mapping[str, Correction],
    select: float,
    checks: Sequence[str],
    level: float,
) -> TrialConsequences:
    """Return it with entry means before and after, and what differs between them."""
    used = found.used
    if used.empty:
        return found
    before = entry_means(used["before"], used["entry"], used["block"])
    candidate = ~np.isin(before.entries, list(checks))
    n = int(candidate.sum())
    count = ranking.selection_count(select, n) if n else 0
    found = replace(found, before=before, candidate=candidate, count=count)
    if not compared(used).any():
        return found
    after = entry_means(used["after"], used["entry"], used["block"])
    # One set of weights for what is compared, also where those of `before` differ.
    change = after.weights @ (used["after"] - used["before"])
    return replace(
        found,
        after=after,
        ranks=ranking.rank_changes(before.mean, after.mean, count, candidate),
        checks={
            check: ranking.check_changes(before, after, check, level)
            for check in before.entries[~candidate].tolist()
        },
        # Of two sensors the trend would be the difference between their errors.
        trend=ranking.yield_trend(change, after.weights @ used["sensor"])
        if used["curve"].nunique() == 1
        else None,
        served=ranking.served_by(used, after.weights, corrections),
    )


def draw_means(
    found: TrialConsequences,
    corrections: Mapping[str, Correction],
    entry_sd: float,
    rng: np.random.Generator,
) -> dict[str, np.ndarray]:
    """Draw entry means a thousand times, for each layer of uncertainty that is known.

    Parameters as for `trial_consequences`; arrays of shape (draws, entries). [kg/ha]
    """
    drawn: dict[str, np.ndarray] = {}
    before, after, used = found.before, found.after, found.used
    # The same plot errors before and after: what differs is then the correction.
    seed = rng.integers(2**63)
    if before and not before.no_error:
        errors = ranking.draw_plot_errors(before, DRAWS, np.random.default_rng(seed))
        drawn[PLOT_ERROR_ONLY] = before.mean + errors
    if after is None or _uncertain_of(used, corrections):
        return drawn
    corrected = after.mean + ranking.draw_correction_errors(
        used, after.weights, corrections, DRAWS, rng
    )
    if entry_sd > 0:
        corrected += ranking.draw_entry_errors(used, after, entry_sd, DRAWS, rng)
    drawn[CORRECTION_ONLY] = corrected
    if not after.no_error:
        errors = ranking.draw_plot_errors(after, DRAWS, np.random.default_rng(seed))
        drawn[CORRECTION_AND_PLOT_ERROR] = corrected + errors
    return drawn


def _judged(found: TrialConsequences, level: float) -> SelectionChange:
    """Return whether the moisture errors changed what was selected.

    A pair that changes places is told apart where it then differs by more than its
    least significant difference, and the correction alone leaves neither entry
    borderline; in a trial without replication the correction alone decides.
    """
    ranks, after = found.ranks, found.after
    if ranks is None or after is None or found.candidate.sum() < 2:
        return SelectionChange()
    alone = found.chances.get(CORRECTION_ONLY)
    unsure, told = np.zeros((2, found.candidate.size), bool)
    if alone is not None:
        unsure = (alone["verdict"] == ranking.BORDERLINE).to_numpy()
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
    settled = crossing & told & ~unsure & (alone is not None)
    is_open = (crossing & ~settled) | unsure
    word = OPEN if is_open.any() or alone is None else HOLDS
    return SelectionChange(
        word=CHANGES if settled.any() else word,
        entered=tuple(after.entries[ranks.entered].tolist()),
        left=tuple(after.entries[ranks.left].tolist()),
        open=tuple(after.entries[is_open].tolist()),
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
    used, yields = found.used, found.used["before"].copy()
    for curve, correction in corrections.items():
        served = used[used["curve"] == curve]
        corrected = correction.apply(served["sensor"].to_numpy())
        yields[served.index] = -served["per_point"] * (100 - corrected)
    means = entry_means(yields, used["entry"], used["block"], errors=False).mean
    ranks = ranking.rank_changes(means, means, found.count, found.candidate)
    return tuple(found.before.entries[ranks.selected_after].tolist())


def _uncertain_of(plots: pd.DataFrame, corrections: Mapping[str, Correction]) -> list:
    """Return the curves of which it is not known how well they are corrected."""
    known = {c for c, correction in corrections.items() if correction.uncertainty_known}
    return sorted(set(plots["curve"]) - known)


def _remarks(
    found: TrialConsequences,
    corrections: Mapping[str, Correction],
    checks: Sequence[str],
) -> tuple[str, ...]:
    """Return what the reader must know of entries, means and corrections."""
    grown, means, remarks = set(found.plots["entry"]), found.after or found.before, []
    if lost := sorted(grown - set(found.used["entry"])):
        noun = "entry" if len(lost) == 1 else "entries"
        remarks.append(f"no plot of {noun} {listed(lost)} can be used")
    if absent := [check for check in checks if check not in grown]:
        noun = "check" if len(absent) == 1 else "checks"
        remarks.append(f"{noun} {listed(absent)} not in this trial: not compared with")
    if means is None:
        return (*remarks, "no plot can be used: nothing is known of this trial")
    remarks += means.remarks
    if found.candidate.sum() < 2:
        few = "one entry" if found.candidate.any() else "no entry"
        few += " beside its checks" if not found.candidate.all() else ""
        remarks.append(f"the trial has {few}: nothing to rank or to select")
    if means.no_error:
        said = "no least significant difference and no chances that count plot error"
        remarks.append(f"{means.no_error}: {said}")
    unknown = _uncertain_of(found.used, corrections)
    if found.after and unknown:
        noun = "curve" if len(unknown) == 1 else "curves"
        said = f"how well the correction of {noun} {listed(unknown)} is known is not "
        remarks.append(said + "known: no chances after correction")
    return tuple(remarks)


# Kinds of the entries' columns, by how their names begin; others are numbers.
_KINDS: dict = dict.fromkeys(["is", "selected"], "boolean")
_KINDS |= {"verdict": "str", "rank": "Int64"}


def _entry_table(found: TrialConsequences, trial: str, level: float) -> pd.DataFrame:
    """Return one row per entry of a trial, those without a usable plot included."""
    before, after, ranks = found.before, found.after, found.ranks
    known = pd.DataFrame(index=before.entries if before else [])
    if before:
        means = before.mean
        ranks = ranks or ranking.rank_changes(
            means, means, found.count, found.candidate
        )
        known = known.assign(
            yield_before=means,
            rank_before=ranks.rank_before,
            selected_before=ranks.selected_before,
            lsd=(after or before).lsd(level).value,
            n_plots=before.n_plots,
            is_check=~found.candidate,
        )
        if after:
            known = known.assign(
                yield_after=after.mean,
                rank_after=ranks.rank_after,
                selected_after=ranks.selected_after,
            )
    for layer, chances in found.chances.items():
        known = known.join(chances.add_suffix(_ENDS[layer]).set_axis(known.index))
    known = known.rename(columns={"chance_selected": "chance_selected_after"})
    names = np.unique(found.plots["entry"].to_numpy(str))
    # What was drawn and is not declared as a column goes here.
    table = known.reindex(index=names, columns=list(columns_of("entries")))
    kinds = {c: _KINDS.get(c.partition("_")[0], float) for c in table.columns[2:]}
    table = table.astype(kinds).assign(trial=trial, entry=names)
    nothing = {c: ranking.NO_VERDICT for c, kind in kinds.items() if kind == "str"}
    return table.fillna(nothing | {"n_plots": 0.0}).reset_index(drop=True)
