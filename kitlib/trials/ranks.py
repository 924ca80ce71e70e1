"""Ranks of entries, the selection line, and the chance of being selected.

Two layers of uncertainty are kept apart. With the *correction only*, the plots'
yields are taken as they were weighed and only their moistures are uncertain. With
*plot error* as well, the entry means are uncertain as the trial's own error says.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from math import floor, hypot, inf, nan, sqrt

import numpy as np
from scipy.stats import kendalltau, rankdata
from scipy.stats.contingency import association

from kitlib.curves.audit import Correction, t_stretch
from kitlib.statistics.estimates import Estimate, not_known
from kitlib.trials.means import EntryMeans, Layout, lay_out
from kitlib.trials.yields import TrialPlots
from kitlib.words.limits import threshold

# Means closer than this differ by rounding only. [decimals of 1 kg/ha]
TIED_DECIMALS = 6


def ranks(means) -> np.ndarray:
    """Return ranks, 1 for the highest mean; ties share the better rank.

    Parameters
    ----------
    means : array_like, shape (..., entries), no missing values
        Means to rank along the last axis. Those equal to a millionth count as tied.

    Returns
    -------
    ndarray of int, same shape

    Examples
    --------
    >>> ranks([9.1, 9.8, 9.1, 8.0]).tolist()
    [2, 1, 2, 4]
    """
    falling = -np.round(means, TIED_DECIMALS)
    order = np.argsort(falling, axis=-1)
    in_order = np.take_along_axis(falling, order, axis=-1)
    if (in_order[..., 1:] == in_order[..., :-1]).any():
        return rankdata(falling, method="min", axis=-1).astype(int)
    found = np.empty_like(order)
    places = np.broadcast_to(np.arange(1, order.shape[-1] + 1), order.shape)
    np.put_along_axis(found, order, places, axis=-1)
    return found


def selection_count(select: float, candidates: int) -> int:
    """Return how many entries are selected.

    Parameters
    ----------
    select : float
        A share of the candidates if below 1, else a whole number of entries.
    candidates : int
        Entries that can be selected: all but the checks.

    Returns
    -------
    int
        At least 1 and at most all; a share is rounded half up.

    Raises
    ------
    ValueError
        If `select` is neither a share nor a whole number.

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
    """Ranks before and after, and who crosses the selection line.

    Attributes
    ----------
    rank_before, rank_after : ndarray of float, shape (entries,)
        1 is best; entries that tie share the better rank; nan for a check.
    kendall_tau : float
        Kendall's tau-b of the two orders; nan for a single entry or where all tie.
    selected_before, selected_after : ndarray of bool, shape (entries,)
        Whether the rank is within the number selected.
    """

    rank_before: np.ndarray
    rank_after: np.ndarray
    kendall_tau: float
    selected_before: np.ndarray
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

    Parameters
    ----------
    before, after : array_like, shape (entries,), no missing values
        Entry means, same order of entries. [kg/ha]
    count : int
        How many entries are selected; where entries tie at the line, all of them.
    candidate : array_like of bool, shape (entries,), optional
        False for checks, which take no rank and no place. Left out: all true.

    Returns
    -------
    RankChanges

    Examples
    --------
    >>> found = rank_changes([9.0, 8.0, 7.0], [8.2, 8.4, 7.0], count=1)
    >>> found.entered.tolist(), found.left.tolist(), round(found.kendall_tau, 3)
    ([False, True, False], [True, False, False], 0.333)
    """
    before, after = np.asarray(before, float), np.asarray(after, float)
    ranked = np.full(before.shape, True) if candidate is None else np.asarray(candidate)
    rank_before, rank_after = _among(before, ranked), _among(after, ranked)
    orders = [np.unique(rank[ranked]).size for rank in (rank_before, rank_after)]
    tau = nan
    if min(orders) > 1:
        tau = kendalltau(rank_before[ranked], rank_after[ranked]).statistic
    return RankChanges(
        rank_before=rank_before,
        rank_after=rank_after,
        kendall_tau=float(tau),
        selected_before=rank_before <= count,
        selected_after=rank_after <= count,
    )


def _among(means: np.ndarray, ranked: np.ndarray) -> np.ndarray:
    """Return ranks among the flagged entries, nan for the others."""
    found = np.full(means.shape, nan)
    found[..., ranked] = ranks(means[..., ranked])
    return found


SAME = "same"
SIGN = "sign changes"
GAINED = "becomes significant"
LOST = "no longer significant"


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckChanges:
    """Differences of every entry to one check, before and after.

    Attributes
    ----------
    check : str
        Name of the check.
    difference_before, difference_after : ndarray, shape (entries,)
        Entry − check; 0 for the check itself. [kg/ha]
    lsd_before, lsd_after : ndarray, shape (entries,)
        Least significant difference of the pair, nan where not known. [kg/ha]
    change : ndarray of str, shape (entries,)
        "same", "sign changes", "becomes significant" or "no longer significant";
        a change of sign is told first.
    """

    check: str
    difference_before: np.ndarray
    difference_after: np.ndarray
    lsd_before: np.ndarray
    lsd_after: np.ndarray
    change: np.ndarray


def check_changes(
    before: EntryMeans, after: EntryMeans, check: str, level: float = 0.95
) -> CheckChanges:
    """Return how the entries' differences to a check change.

    Parameters
    ----------
    before, after : EntryMeans
        Of the same entries.
    check : str
        One of the entries.
    level : float
        Confidence level of the least significant differences. Several entries are
        compared with no allowance for their number.

    Returns
    -------
    CheckChanges
        Where there is no estimate of error only signs are compared.

    Examples
    --------
    >>> from kitlib.trials.means import entry_means
    >>> before = entry_means([10, 20, 12, 22], list("abab"), [1, 1, 2, 2])
    >>> after = entry_means([20, 10, 23, 12], list("abab"), [1, 1, 2, 2])
    >>> check_changes(before, after, "a").change.tolist()
    ['same', 'sign changes']
    """
    at = before.entries.tolist().index(check)
    differences = [means.mean - means.mean[at] for means in (before, after)]
    lsds = [means.lsd_to(at, level) for means in (before, after)]
    return CheckChanges(
        check=check,
        difference_before=differences[0],
        difference_after=differences[1],
        lsd_before=lsds[0],
        lsd_after=lsds[1],
        change=_name_changes(differences, lsds),
    )


def _name_changes(differences, lsds) -> np.ndarray:
    """Return in words what becomes of each difference."""
    before, after = (np.round(each, TIED_DECIMALS) for each in differences)
    # A comparison with a nan LSD is False on both sides: no change of significance.
    was, is_now = (np.abs(d) > lsd for d, lsd in zip(differences, lsds, strict=True))
    conditions = [np.sign(before) != np.sign(after), is_now & ~was, was & ~is_now]
    return np.select(conditions, [SIGN, GAINED, LOST], SAME)


PLOT_ERROR_ONLY = "plot error only, moistures as read"
CORRECTION_ONLY = "correction only, plot errors held fixed"
CORRECTION_AND_PLOT_ERROR = "correction and plot error"

SAFE = "selection safe"
BORDERLINE = "borderline"
OUT = "safely out"
NO_VERDICT = "not known"


@dataclass(frozen=True, kw_only=True, eq=False)
class Chances:
    """Where each entry ranks over many draws of what is uncertain.

    Attributes
    ----------
    layer : str
        What was drawn, as printed with the numbers.
    draws : int
        Number of draws; a chance is known to about ±1/√draws.
    chance_selected : ndarray, shape (entries,)
        Share of draws in which the entry is selected; nan for a check.
    expected_rank : ndarray, shape (entries,)
        Mean rank over the draws; nan for a check.
    rank_low, rank_high : ndarray, shape (entries,)
        Interval of the rank; nan for a check.
    """

    layer: str
    draws: int
    chance_selected: np.ndarray
    expected_rank: np.ndarray
    rank_low: np.ndarray
    rank_high: np.ndarray

    @property
    def verdicts(self) -> np.ndarray:
        """What the chance of each entry says, ndarray of str."""
        return verdicts(self.chance_selected)


def verdicts(chance) -> np.ndarray:
    """Return what chances of being selected say.

    "selection safe" from the threshold `selection_safe` up, "safely out" from its
    complement down, "borderline" between.

    Examples
    --------
    >>> verdicts([0.9, 0.5, 0.1, float("nan")]).tolist()
    ['selection safe', 'borderline', 'safely out', 'not known']
    """
    chance, safe = np.asarray(chance, float), threshold("selection_safe")
    conditions = [np.isnan(chance), chance >= safe, 1 - chance >= safe]
    return np.select(conditions, [NO_VERDICT, SAFE, OUT], BORDERLINE)


def rank_chances(
    drawn: np.ndarray, count: int, layer: str, level: float = 0.95, candidate=None
) -> Chances:
    """Return chances and ranks from draws of the entry means.

    Parameters
    ----------
    drawn : ndarray, shape (draws, entries)
        Entry means in each draw. [kg/ha]
    count : int
        How many entries are selected.
    layer : str
        What was drawn.
    level : float
        Share of the draws that the interval of a rank holds, at least.
    candidate : array_like of bool, shape (entries,), optional
        False for checks, which take no rank and no place. Left out: all true.

    Returns
    -------
    Chances

    Examples
    --------
    >>> found = rank_chances(np.array([[9, 8], [9, 8], [7, 8], [9, 8]]), 1, "")
    >>> found.chance_selected.tolist(), found.expected_rank.tolist()
    ([0.75, 0.25], [1.25, 1.75])
    """
    ranked = np.full(drawn.shape[1], True) if candidate is None else candidate
    rank = ranks(drawn[:, ranked])
    tail = (1 - level) / 2
    low, high = np.quantile(rank, [tail, 1 - tail], axis=0, method="inverted_cdf")

    def of_all(values: np.ndarray) -> np.ndarray:
        found = np.full(drawn.shape[1], nan)
        found[ranked] = values
        return found

    return Chances(
        layer=layer,
        draws=len(drawn),
        chance_selected=of_all(np.mean(rank <= count, axis=0)),
        expected_rank=of_all(rank.mean(axis=0)),
        rank_low=of_all(low),
        rank_high=of_all(high),
    )


def draw_correction_errors(
    plots: TrialPlots,
    weights: np.ndarray,
    corrections: Mapping[str, Correction],
    *,
    draws: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Draw by how much corrected entry means may be off through the corrections.

    A yield is a straight line in moisture and a mean a weighted sum of yields, so
    each curve acts through two numbers per entry, worked out once.

    Parameters
    ----------
    plots : TrialPlots
        The plots behind the means.
    weights : ndarray, shape (entries, plots)
        What turns plot yields into entry means; held fixed over the draws, as is
        with it the ratio of block to plot variance.
    corrections : mapping of str to Correction
        One for every curve of the plots; drawn independently of one another.
    draws : int
        Number of draws.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (draws, entries)
        Deviations from the corrected means. [kg/ha]
    """
    deviations = np.zeros((draws, len(weights)))
    for curve in np.unique(plots.curve):
        correction, served = corrections[curve], plots.only(plots.curve == curve)
        by_shift = weights[:, plots.curve == curve] * served.per_point
        by_tilt = by_shift @ (served.sensor - correction.pivot)
        response = np.column_stack([by_shift.sum(axis=1), by_tilt])
        deviations += (response @ correction.draw_errors(draws, rng)).T
    return deviations


def draw_entry_errors(
    plots: TrialPlots,
    means: EntryMeans,
    entry_sd: float,
    draws: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Draw by how much corrected means may be off through the entries' own errors.

    Parameters
    ----------
    plots : TrialPlots
        The plots behind the means.
    means : EntryMeans
    entry_sd : float
        SD of the error that an entry shows wherever it is grown. [% moisture]
    draws : int
        Number of draws.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (draws, entries)
        Deviations from the corrected means. [kg/ha]
    """
    # Through the blocks an entry's error reaches the means of others too.
    reached = np.zeros((means.entries.size, means.entries.size))
    by_plot = (means.weights * plots.per_point).T
    np.add.at(reached, np.searchsorted(means.entries, plots.entry), by_plot)
    return entry_sd * rng.standard_normal((draws, means.entries.size)) @ reached


def draw_plot_errors(
    means: EntryMeans, draws: int, rng: np.random.Generator
) -> np.ndarray:
    """Draw by how much entry means may be off through plot error.

    Parameters
    ----------
    means : EntryMeans
        With an estimate of error.
    draws : int
        Number of draws.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (draws, entries)
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


# A trend of this size in the yield change is rounding. [kg/ha per % moisture]
NO_TREND = 1e-9


@dataclass(frozen=True, kw_only=True)
class MoistureTrend:
    """How the change of yield goes with the moisture of the entries.

    Attributes
    ----------
    slope : Estimate
        Change of an entry's yield (after − before) per point of its mean moisture.
        Its interval tells the scatter of the entries about the line, not how well
        the correction is known. [kg/ha per % moisture]
    from_tilt : float
        The part of the slope that the tilt of the curves' corrections makes; the
        rest is the shift, which takes a greater share of wet grain's dry matter
        and more from heavy plots, and differences between curves.
    """

    slope: Estimate
    from_tilt: float

    @property
    def share_from_tilt(self) -> float:
        """Part made by the tilt as a share of the slope; nan without a slope.

        Beyond 0 to 1 where tilt and the rest work against each other.
        """
        if not abs(self.slope.value) > NO_TREND:
            return nan
        return self.from_tilt / self.slope.value


def trend_against_moisture(change, moisture, tilt_change) -> MoistureTrend:
    """Return how the change of yield goes with the moisture of the entries.

    Parameters
    ----------
    change : array_like, shape (entries,)
        Entry yield after − before. [kg/ha]
    moisture : array_like, shape (entries,)
        Entry mean of the readings. [% moisture, wet basis]
    tilt_change : array_like, shape (entries,)
        What the tilts alone would change; nan where not known. [kg/ha]

    Returns
    -------
    MoistureTrend
        Least squares over entries; not known for fewer than 3 entries or where all
        have one moisture.

    Examples
    --------
    >>> found = trend_against_moisture([-5, -15, -25], [14, 15, 16], [0, -4, -8])
    >>> round(found.slope.value, 9), round(found.share_from_tilt, 9)
    (-10.0, 0.4)
    """
    change, moisture = np.asarray(change, float), np.asarray(moisture, float)
    if change.size < 3:
        why = f"{change.size} entries; a trend with an interval needs 3"
        return MoistureTrend(slope=not_known(why), from_tilt=nan)
    centred = moisture - moisture.mean()
    spread = centred @ centred
    if np.ptp(moisture) < NO_TREND:
        why = "all entries have the same moisture"
        return MoistureTrend(slope=not_known(why), from_tilt=nan)
    slope = centred @ change / spread
    residual = change - change.mean() - slope * centred
    df = change.size - 2
    estimate = Estimate(
        value=float(slope),
        se=float(np.sqrt(residual @ residual / df / spread)),
        df=df,
        method="least squares over entries, t",
    )
    from_tilt = float(centred @ np.asarray(tilt_change, float) / spread)
    return MoistureTrend(slope=estimate, from_tilt=from_tilt)


def changes_by_tilt(
    plots: TrialPlots, corrections: Mapping[str, Correction]
) -> np.ndarray:
    """Return what the tilts alone change in each plot's yield, nan where unknown."""
    changes = np.full(plots.sensor.shape, np.nan)
    for curve, correction in corrections.items():
        served = plots.curve == curve
        above_pivot = plots.sensor[served] - correction.pivot
        changes[served] = plots.per_point[served] * correction.tilt * above_pivot
    return changes


@dataclass(frozen=True, kw_only=True, eq=False)
class ServedBy:
    """What the error of each curve added to the yields of the plots it served.

    Attributes
    ----------
    curves : ndarray of str, shape (curves,)
        Curves (or sensors, or chamber configurations), sorted.
    n_plots : ndarray of int, shape (curves,)
        Plots served by each.
    added_kg_ha, added_pct : ndarray, shape (curves,)
        Mean of yield before − after, which is artificial: what the moisture error
        added; in percent of the yield after.
    added_se : ndarray, shape (curves,)
        Its standard error through the correction; nan where not known. [kg/ha]
    difference : Estimate
        Largest difference between two curves, highest − lowest added. [kg/ha]
    difference_pct : float
        The same, of the added percents.
    unevenness : float
        Cramér's V of plots by entry and curve: 0 where every entry has the same
        shares of the curves, 1 where no entry is served by two; nan for one curve.
    on_one_curve : tuple of str
        Entries with all plots served by one curve of several.
    blocks_split : int
        Blocks served by more than one curve; a block served by one curve takes that
        curve's error out of the comparison of entries.
    entry_spread : float
        Largest difference that this makes between two entry means. [kg/ha]
    """

    curves: np.ndarray
    n_plots: np.ndarray
    added_kg_ha: np.ndarray
    added_pct: np.ndarray
    added_se: np.ndarray
    difference: Estimate
    difference_pct: float
    unevenness: float
    on_one_curve: tuple[str, ...]
    blocks_split: int
    entry_spread: float


def served_by(
    plots: TrialPlots,
    weights: np.ndarray,
    corrections: Mapping[str, Correction],
) -> ServedBy:
    """Return what each curve's error added to the plots it served.

    Curves may have served plots of unlike moisture and yield; the percents allow
    for unlike yields.

    Parameters
    ----------
    plots : TrialPlots
        Plots with both yields.
    weights : ndarray, shape (entries, plots)
        What turns plot yields into entry means.
    corrections : mapping of str to Correction
        Those of the curves that are known; a curve without has no standard error.

    Returns
    -------
    ServedBy
    """
    served = lay_out(plots.entry, plots.curve)
    n_plots = served.counts.sum(axis=0)
    artificial = plots.before - plots.after
    added = np.bincount(served.block, artificial) / n_plots
    added_pct = 100 * added * n_plots / np.bincount(served.block, plots.after)
    errors = [
        _added_by(plots.only(plots.curve == curve), corrections.get(curve))
        for curve in served.blocks
    ]
    return ServedBy(
        curves=served.blocks,
        n_plots=n_plots.astype(int),
        added_kg_ha=added,
        added_pct=added_pct,
        added_se=np.array([error.se for error in errors]),
        difference=_largest_difference(errors),
        difference_pct=float(np.ptp(added_pct)),
        unevenness=_unevenness(served.counts),
        on_one_curve=_on_one_curve(served),
        blocks_split=_blocks_split(plots),
        entry_spread=float(np.ptp(weights @ added[served.block])),
    )


def _added_by(plots: TrialPlots, correction: Correction | None) -> Estimate:
    """Return what one curve's error added to its plots, on average."""
    added = float(np.mean(plots.before - plots.after))
    if correction is None or not correction.uncertainty_known:
        return Estimate(value=added)
    above_pivot = plots.sensor - correction.pivot
    response = np.array(
        [np.mean(plots.per_point), np.mean(plots.per_point * above_pivot)]
    )
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


def _unevenness(counts: np.ndarray) -> float:
    """Return Cramér's V of entry by curve, nan for one entry or one curve."""
    if min(counts.shape) < 2:
        return nan
    return float(association(counts.astype(int), method="cramer"))


def _on_one_curve(served: Layout) -> tuple[str, ...]:
    """Name the entries served by one curve where there are several."""
    if served.blocks.size < 2:
        return ()
    return tuple(served.entries[(served.counts > 0).sum(axis=1) == 1].tolist())


def _blocks_split(plots: TrialPlots) -> int:
    """Count the blocks served by more than one curve."""
    split = lay_out(plots.curve, plots.block).counts > 0
    return int(np.count_nonzero(split.sum(axis=0) > 1))
