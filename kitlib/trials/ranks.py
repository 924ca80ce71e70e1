"""Ranks of entries, the selection line, and the chance of being selected.

Two layers of uncertainty are kept apart. With the *correction only*, the plots'
yields are taken as they were weighed and only their moistures are uncertain. With
*plot error* as well, the entry means are uncertain as the trial's own error says.

Beside ranks stands what a correction does to yields, by moisture and by curve.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import floor, hypot, inf, nan, sqrt

import numpy as np
import pandas as pd
from scipy.stats import kendalltau, rankdata
from scipy.stats.contingency import association

from kitlib.curves.audit import Correction, t_stretch
from kitlib.statistics.estimates import Estimate, not_known
from kitlib.trials.means import EntryMeans, lay_out
from kitlib.words.limits import threshold

# Means closer than this differ by rounding only. [decimals of 1 kg/ha]
TIED_DECIMALS = 6

SAME, SIGN = "same", "sign changes"
GAINED, LOST = "becomes significant", "no longer significant"
SAFE, BORDERLINE, OUT = "selection safe", "borderline", "safely out"
NO_VERDICT = "not known"


def ranks(means) -> np.ndarray:
    """Return ranks along the last axis, 1 for the highest; ties share the better rank.

    Means equal to a millionth count as tied; none may be missing.
    """
    falling = -np.round(means, TIED_DECIMALS)
    return rankdata(falling, method="min", axis=-1).astype(int)


def selection_count(select: float, candidates: int) -> int:
    """Return how many entries are selected, at least 1 and at most all candidates.

    `select` is a share of them if below 1, rounded half up, else a whole number.

    Examples
    --------
    >>> selection_count(0.2, 36), selection_count(0.01, 36), selection_count(5, 36)
    (7, 1, 5)
    """
    if not (0 < select < 1 or (select >= 1 and float(select).is_integer())):
        raise ValueError(
            f"selection_count: select is {select}; expected a share between 0 and 1 "
            "or a whole number of entries."
        )
    # Ten decimals keep 0.15 × 30 a half in spite of binary rounding.
    wanted = floor(round(select * candidates, 10) + 0.5) if select < 1 else int(select)
    return min(max(wanted, 1), candidates)


@dataclass(frozen=True, kw_only=True, eq=False)
class RankChanges:
    """Ranks before and after, and who crosses the selection line; by entry."""

    rank_before: np.ndarray  # 1 is best; ties share the better rank; nan for a check
    rank_after: np.ndarray
    kendall_tau: float  # tau-b of the two orders; nan for one entry or where all tie
    selected_before: np.ndarray  # whether the rank is within the number selected
    selected_after: np.ndarray

    @property
    def entered(self) -> np.ndarray:
        """Entries selected only after correction, boolean."""
        return self.selected_after & ~self.selected_before

    @property
    def left(self) -> np.ndarray:
        """Entries selected only before correction, boolean."""
        return self.selected_before & ~self.selected_after

    @property
    def largest_move(self) -> int:
        """Most ranks that any entry moves."""
        moves = np.abs(self.rank_after - self.rank_before)
        return int(np.nan_to_num(moves).max())


def rank_changes(before, after, count: int, candidate=None) -> RankChanges:
    """Return how ranks and selection change from one set of means to another.

    Entry means [kg/ha], none missing, in the same order of entries. `count` entries are
    selected, where entries tie at the line all of them; `candidate` is False for
    checks, which take no rank and no place.

    Examples
    --------
    >>> found = rank_changes([9.0, 8.0, 7.0], [8.2, 8.4, 7.0], count=1)
    >>> found.entered.tolist(), found.left.tolist(), round(found.kendall_tau, 3)
    ([False, True, False], [True, False, False], 0.333)
    """
    both = np.array([before, after], float)
    ranked = slice(None) if candidate is None else np.asarray(candidate)
    found, tau = np.full(both.shape, nan), nan
    found[:, ranked] = ranks(both[:, ranked])
    if min(np.unique(order[ranked]).size for order in found) > 1:
        tau = kendalltau(*found[:, ranked]).statistic
    return RankChanges(
        rank_before=found[0],
        rank_after=found[1],
        kendall_tau=float(tau),
        selected_before=found[0] <= count,
        selected_after=found[1] <= count,
    )


def check_changes(
    before: EntryMeans, after: EntryMeans, check: str, level: float = 0.95
) -> np.ndarray:
    """Return in words how each entry's difference to a check changes, (entries,).

    A change of sign is told before one of significance. Several entries are compared
    with no allowance for their number; without an estimate of error only signs are.
    """
    at = before.entries.tolist().index(check)
    both = (before, after)
    was, now = (np.round(m.mean - m.mean[at], TIED_DECIMALS) for m in both)
    # A comparison with a nan LSD is False on both sides: no change of significance.
    told, still = (np.abs(m.mean - m.mean[at]) > m.lsd_to(at, level) for m in both)
    conditions = [np.sign(was) != np.sign(now), still & ~told, told & ~still]
    return np.select(conditions, [SIGN, GAINED, LOST], SAME)


def verdicts(chance) -> np.ndarray:
    """Return what chances of being selected say, by the threshold `selection_safe`."""
    chance, safe = np.asarray(chance, float), threshold("selection_safe")
    conditions = [np.isnan(chance), chance >= safe, 1 - chance >= safe]
    return np.select(conditions, [NO_VERDICT, SAFE, OUT], BORDERLINE)


def rank_chances(
    drawn: np.ndarray, count: int, level: float = 0.95, candidate=None
) -> pd.DataFrame:
    """Return chances and ranks from draws of the entry means.

    `drawn` holds the means of each draw, (draws, entries) [kg/ha]; a chance is known to
    about ±1/√draws. `count` and `candidate` as for `rank_changes`. One row per entry,
    nan for a check: chance_selected, expected_rank (the mean over draws), verdict, and
    rank_low and rank_high, which hold at least `level` of the draws.

    Examples
    --------
    >>> found = rank_chances(np.array([[9, 8], [9, 8], [7, 8], [9, 8]]), 1)
    >>> found.chance_selected.tolist(), found.expected_rank.tolist()
    ([0.75, 0.25], [1.25, 1.75])
    """
    entries = np.arange(drawn.shape[1])
    ranked = entries if candidate is None else np.flatnonzero(candidate)
    rank = ranks(drawn[:, ranked])
    tail = (1 - level) / 2
    low, high = np.quantile(rank, [tail, 1 - tail], axis=0, method="inverted_cdf")
    columns = {
        "chance_selected": np.mean(rank <= count, axis=0),
        "expected_rank": rank.mean(axis=0),
        "rank_low": low,
        "rank_high": high,
    }
    found = pd.DataFrame(columns, index=ranked, dtype=float).reindex(entries)
    return found.assign(verdict=verdicts(found["chance_selected"]))


def draw_correction_errors(
    plots: pd.DataFrame,
    weights: np.ndarray,
    corrections: Mapping[str, Correction],
    draws: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Draw by how much corrected entry means may be off through the corrections.

    A yield is a straight line in moisture and a mean a weighted sum of yields, so
    each curve acts through two numbers per entry, worked out once. Deviations from the
    corrected means, (draws, entries) [kg/ha]. `plots` behind the means are as
    `read_trial_plots` returns them, `weights` (entries, plots) turn their yields into
    means and are held fixed, and each curve has its correction, drawn independently.
    """
    deviations = np.zeros((draws, len(weights)))
    for curve, served in plots.groupby("curve", sort=True).indices.items():
        correction = corrections[str(curve)]
        by_shift = weights[:, served] * plots["per_point"].to_numpy()[served]
        above_pivot = plots["sensor"].to_numpy()[served] - correction.pivot
        response = np.column_stack([by_shift.sum(axis=1), by_shift @ above_pivot])
        deviations += (response @ correction.draw_errors(draws, rng)).T
    return deviations


def draw_entry_errors(
    plots: pd.DataFrame,
    means: EntryMeans,
    entry_sd: float,
    draws: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Draw by how much corrected means may be off through the entries' own errors."""
    # Through the blocks an entry's error reaches the means of others too.
    reached = np.zeros((means.entries.size, means.entries.size))
    by_plot = (means.weights * plots["per_point"].to_numpy()).T
    np.add.at(reached, np.searchsorted(means.entries, plots["entry"]), by_plot)
    return entry_sd * rng.standard_normal((draws, means.entries.size)) @ reached


def draw_plot_errors(
    means: EntryMeans, draws: int, rng: np.random.Generator
) -> np.ndarray:
    """Draw by how much entry means may be off through plot error, (draws, entries).

    From the multivariate t distribution with the means' covariance as its scale
    matrix and their (average) degrees of freedom. [kg/ha]
    """
    # Cholesky on the scale of 1, so that an error of 0 needs no case of its own.
    size = float(np.mean(np.diag(means.covariance)))
    normal = rng.standard_normal((draws, means.mean.size))
    stretch = t_stretch(means.mean_df, draws, rng)
    if size == 0:
        return np.zeros_like(normal)
    root = np.linalg.cholesky(means.covariance / size)
    return np.sqrt(size) * stretch[:, None] * (normal @ root.T)


def yield_trend(change, moisture) -> Estimate:
    """Return how the change of entries' yield goes with their moisture.

    Its interval tells the scatter of the entries about the line, not how well the
    correction is known. [kg/ha per % moisture]
    """
    change, moisture = np.asarray(change, float), np.asarray(moisture, float)
    if change.size < 3:
        return not_known(f"{change.size} entries; a trend with an interval needs 3")
    if np.ptp(moisture) < 1e-9:
        return not_known("all entries have the same moisture")
    centred, df = moisture - moisture.mean(), change.size - 2
    spread = centred @ centred
    slope = centred @ change / spread
    residual = change - change.mean() - slope * centred
    return Estimate(
        value=float(slope),
        se=float(np.sqrt(residual @ residual / df / spread)),
        df=df,
        method="least squares over entries, t",
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class ServedBy:
    """Which entry met which curve, and what the curves' errors added to the yields."""

    curves: np.ndarray  # sorted
    # Mean of yield before − after over the plots of each curve: what its moisture
    # error added, which is artificial. [kg/ha]
    added_kg_ha: np.ndarray
    difference: Estimate  # the largest of two curves, highest − lowest added [kg/ha]
    # Cramér's V of plots by entry and curve: 0 where every entry has the same shares of
    # the curves, 1 where no entry is served by two; nan for one curve.
    unevenness: float
    on_one_curve: tuple[str, ...]  # entries all of whose plots one of several served
    # Blocks served by more than one curve; a block served by one curve takes that
    # curve's error out of the comparison of entries.
    blocks_split: int
    entry_spread: float  # largest difference this makes of two entry means [kg/ha]


def served_by(
    plots: pd.DataFrame, weights: np.ndarray, corrections: Mapping[str, Correction]
) -> ServedBy:
    """Return which entry met which curve, and what the curves' errors added.

    Parameters as for `draw_correction_errors`, all plots with both yields; a curve
    without a correction has no standard error.
    """
    met = lay_out(plots["entry"], plots["curve"])
    added = [
        _added_by(plots[met.block == at], corrections.get(curve))
        for at, curve in enumerate(met.blocks.tolist())
    ]
    on_one = met.entries[(met.counts > 0).sum(axis=1) == 1].tolist()
    values, unevenness = np.array([each.value for each in added]), nan
    if min(met.counts.shape) > 1:
        unevenness = float(association(met.counts.astype(int), method="cramer"))
    in_block = lay_out(plots["curve"], plots["block"]).counts > 0
    return ServedBy(
        curves=met.blocks,
        added_kg_ha=values,
        difference=_largest_difference(added),
        unevenness=unevenness,
        on_one_curve=tuple(on_one) if met.blocks.size > 1 else (),
        blocks_split=int(np.count_nonzero(in_block.sum(axis=0) > 1)),
        entry_spread=float(np.ptp(weights @ values[met.block])),
    )


def _added_by(plots: pd.DataFrame, correction: Correction | None) -> Estimate:
    """Return what one curve's error added to its plots, on average."""
    added = float(np.mean(plots["before"] - plots["after"]))
    if correction is None or not correction.uncertainty_known:
        return Estimate(value=added)
    by_tilt = plots["per_point"] * (plots["sensor"] - correction.pivot)
    response = np.array([plots["per_point"].mean(), by_tilt.mean()])
    variance = float(response @ correction.covariance @ response)
    return Estimate(value=added, se=sqrt(max(variance, 0)), df=correction.df)


def _largest_difference(added: list[Estimate]) -> Estimate:
    """Return highest − lowest, degrees of freedom after Welch and Satterthwaite."""
    if len(added) < 2:
        return not_known("one curve served all plots")
    low, *_, high = sorted(added, key=lambda each: each.value)
    se = hypot(high.se, low.se)
    shares = sum(each.se**4 / each.df for each in (low, high))
    return Estimate(
        value=high.value - low.value,
        se=se,
        df=se**4 / shares if shares else inf,
        method="t, Welch and Satterthwaite's degrees of freedom",
        remark="the curves are taken as independent; the two are chosen as extremes",
    )
