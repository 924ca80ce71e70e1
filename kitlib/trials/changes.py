"""What a correction of moisture does to yields: by moisture, and by curve."""

from collections.abc import Mapping
from dataclasses import dataclass
from math import inf, nan, sqrt

import numpy as np
from scipy.stats.contingency import association

from kitlib.curves.corrections import Correction
from kitlib.trials.means import Layout, lay_out
from kitlib.trials.yields import TrialPlots
from kitlib.words.estimates import Estimate, combined_se, not_known

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
    se = combined_se(high.se, low.se)
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
