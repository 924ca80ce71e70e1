"""Yield at standard moisture: of any mass, of a season's plots, of one trial's."""

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from kitlib.curves.audit import Correction, CurveAudit
from kitlib.intake.pairs import Pairing
from kitlib.intake.schema import by_value, plot_places
from kitlib.intake.settings import Season
from kitlib.statistics.agreement import agreement, limits_of_agreement
from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.estimates import tried
from kitlib.words.terms import (
    columns_of,
    counted,
    listed,
)

# Exact by definition: avoirdupois pound and international acre.
KG_PER_LB = 0.45359237
M2_PER_ACRE = 4046.8564224
M2_PER_HA = 10_000.0


def flag_unusable_plots(mass_kg, area_m2, moisture_pct) -> np.ndarray:
    """Flag plots whose yield cannot be calculated.

    Parameters
    ----------
    mass_kg, area_m2, moisture_pct : array_like, shapes that broadcast
        Harvested mass, harvested area, moisture. [kg; m²; % wet basis]

    Returns
    -------
    ndarray of bool
        True where a value is missing, mass or area is not above zero, or moisture
        is below 0 or not below 100 %.

    Examples
    --------
    >>> flag_unusable_plots([6.2, 0.0, 6.2], 8.0, [21.0, 21.0, 100.0]).tolist()
    [False, True, True]
    """
    mass, area, moisture = _floats(mass_kg, area_m2, moisture_pct)
    # A comparison with nan is False, so a missing value is flagged as well.
    mass_and_area = (mass > 0) & (area > 0) & np.isfinite(mass) & np.isfinite(area)
    return ~(mass_and_area & (moisture >= 0) & (moisture < 100))


def yield_kg_ha(mass_kg, area_m2, moisture_pct, standard_pct) -> np.ndarray:
    """Return the yield brought to standard moisture.

    The dry matter stays, the water changes: mass × (100 − M) / (100 − standard).
    A shrink factor per point is the same correction written otherwise and is
    never applied on top; handling losses are left out.

    Parameters
    ----------
    mass_kg, area_m2, moisture_pct : array_like, shapes that broadcast
        Harvested mass, harvested area, moisture. [kg; m²; % wet basis]
    standard_pct : float or array_like
        Moisture the yield is stated at; nan gives nan. [% wet basis]

    Returns
    -------
    ndarray
        Yield, nan where `flag_unusable_plots`. [kg/ha]

    Raises
    ------
    ValueError
        If the standard moisture is outside 0 to below 100.

    References
    ----------
    .. [1] Mulvaney and Devkota, UF/IFAS Extension SS-AGR-443 (AG442), 2020.

    Examples
    --------
    8.45 kg at 20 % hold 6.76 kg of dry matter, which is 8 kg at 15.5 %.

    >>> round(float(yield_kg_ha(8.45, 8.0, 20.0, 15.5)), 9)
    10000.0
    """
    mass, area, moisture = _floats(mass_kg, area_m2, moisture_pct)
    # Outside its range the moisture is flagged and its yield replaced below.
    with np.errstate(invalid="ignore"):
        found = -yield_per_point(mass, area, standard_pct) * (100 - moisture)
    return np.where(flag_unusable_plots(mass, area, moisture), np.nan, found)


def yield_per_point(mass_kg, area_m2, standard_pct) -> np.ndarray:
    """Return by how much a plot's yield changes per point of moisture.

    The yield is a straight line in the moisture, so this holds for a change of any
    size; relative to the yield it is −1 / (100 − M) per point.

    Parameters
    ----------
    mass_kg, area_m2 : array_like, shapes that broadcast
        Harvested mass and area. [kg; m²]
    standard_pct : float or array_like
        Moisture the yield is stated at. [% wet basis]

    Returns
    -------
    ndarray
        Negative: wetter grain holds less; nan where mass or area is not above
        zero. [kg/ha per % moisture]

    Raises
    ------
    ValueError
        If the standard moisture is outside 0 to below 100.

    Examples
    --------
    >>> round(float(yield_per_point(8.45, 8.0, 15.5)), 9)
    -125.0
    """
    mass, area, standard = _floats(mass_kg, area_m2, standard_pct)
    if np.any((standard < 0) | (standard >= 100)):
        raise ValueError(
            f"yield_per_point: standard_pct is {standard_pct}; expected 0 to below "
            "100 % moisture. Check the crop's standard moisture."
        )
    usable = (mass > 0) & (area > 0)
    per_plot = -np.where(usable, mass, np.nan) / (100 - standard)
    return per_plot / np.where(usable, area, np.nan) * M2_PER_HA


def _floats(*values) -> list[np.ndarray]:
    """Return each value as an array of floats."""
    return [np.asarray(value, float) for value in values]


@dataclass(frozen=True)
class YieldUnit:
    """A unit yields are shown in.

    Attributes
    ----------
    name : str
        t/ha, kg/ha or bu/ac.
    kg_ha : float
        What one of it is. [kg/ha]
    decimals : int
        On display.
    """

    name: str
    kg_ha: float
    decimals: int

    def of(self, yield_kg_ha):
        """Return a yield or a difference of yields in this unit."""
        return yield_kg_ha / self.kg_ha


TONNES = YieldUnit("t/ha", 1000.0, 2)


def yield_unit(name: str, bushel_lb: float) -> YieldUnit:
    """Return a unit by its name; t/ha where a bushel's weight is not known.

    Examples
    --------
    >>> round(float(yield_unit("bu/ac", 56).of(7322.020)), 2)
    116.65
    """
    if name == "kg/ha":
        return YieldUnit(name, 1.0, 0)
    if name == "bu/ac" and bushel_lb > 0:
        # The crop's fixed trade bushel; a measured test weight has no place here.
        return YieldUnit(name, bushel_lb * KG_PER_LB * M2_PER_HA / M2_PER_ACRE, 1)
    return TONNES


READING, CORRECTED = "the sensor's reading", "the corrected moisture"
NOT_GIVEN = "not given"


def corrected_plots(
    pairing: Pairing,
    corrections: Mapping[str, Correction],
    audits: Mapping[str, CurveAudit],
    settings: Season,
) -> pd.DataFrame:
    """Return every plot with moisture and yield as recorded, corrected and by oven.

    A plot of a curve without samples has no corrected moisture.
    """
    plots, pairs = pairing.plots, pairing.pairs
    after = pd.Series(np.nan, index=plots.index)
    outside = pd.Series(False, index=plots.index)
    for name, rows in plots.groupby("curve").groups.items():
        curve = str(name)
        if curve in corrections:
            readings = plots.loc[rows, "sensor_pct"].to_numpy(float)
            after[rows] = corrections[curve].apply(readings)
            cover = audits[curve].coverage
            if cover is not None:
                outside[rows] = (readings < cover.low) | (readings > cover.high)
    standard = by_value(plots["crop"], settings.standard_moisture_of).astype(float)
    mass = plots["plot_mass_kg"].to_numpy(float)
    area = plots["plot_area_m2"].to_numpy(float)

    def stated(moisture: pd.Series) -> np.ndarray:
        return yield_kg_ha(mass, area, moisture.to_numpy(float), standard)

    reference = _sampled_moisture(pairs, plots)
    return plots.assign(
        moisture_after_pct=after,
        yield_before_kg_ha=stated(plots["recorded_pct"]),
        yield_after_kg_ha=stated(after),
        reference_pct=reference,
        yield_reference_kg_ha=stated(reference),
        unusable=flag_unusable_plots(mass, area, plots["recorded_pct"]),
        outside_audit=outside,
    )


def _sampled_moisture(pairs: pd.DataFrame, plots: pd.DataFrame) -> pd.Series:
    """Return each plot's air-oven moisture, nan where it was not sampled."""
    oven = pairs[pairs["reference_pct"].notna()].drop_duplicates("sample")
    means = oven.groupby(["trial", "plot"])["reference_pct"].mean()
    at = plot_places(plots, means.index.to_frame())
    found = np.full(len(plots), np.nan)
    found[at[at >= 0]] = means[at >= 0]
    return pd.Series(found, index=plots.index)


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialPlots:
    """Arrays over the plots of one trial, all of shape (plots,).

    Attributes
    ----------
    trial : str
        Name of the trial.
    plot, entry, curve : ndarray of str
        Names; a curve that is not known is "not given".
    block : ndarray of str or None
        None where the trial has no blocks.
    sensor : ndarray
        Reading restated to the offset in the register. [% moisture, wet basis]
    per_point : ndarray
        Change of the yield per point of moisture. [kg/ha per % moisture]
    before, after : ndarray
        Yield at standard moisture with moisture as read and corrected; nan where
        it cannot be calculated or is not known. [kg/ha]
    """

    trial: str
    plot: np.ndarray
    entry: np.ndarray
    block: np.ndarray | None
    curve: np.ndarray
    sensor: np.ndarray
    per_point: np.ndarray
    before: np.ndarray
    after: np.ndarray

    @property
    def compared(self) -> np.ndarray:
        """Plots with both yields, boolean."""
        return np.isfinite(self.before) & np.isfinite(self.after)

    def only(self, plots: np.ndarray) -> "TrialPlots":
        """Return the plots flagged True."""
        arrays = {
            name: values[plots]
            for name, values in vars(self).items()
            if isinstance(values, np.ndarray)
        }
        return replace(self, **arrays)


def read_trial_plots(plots: pd.DataFrame, standard_pct: float) -> TrialPlots:
    """Return the arrays of one trial's table of plots.

    Parameters
    ----------
    plots : DataFrame
        Columns trial (one name), plot, entry, curve, plot_mass_kg, plot_area_m2,
        sensor_pct, recorded_pct, moisture_after_pct, and block where there are any.
    standard_pct : float
        Moisture the yield is stated at. [% wet basis]

    Returns
    -------
    TrialPlots
        Every row of the table, in its order.

    Raises
    ------
    ValueError
        If the table holds no trial or several.

    Examples
    --------
    >>> table = pd.DataFrame({"trial": "T1", "plot": ["1"], "entry": ["a"],
    ...     "curve": ["A"], "plot_mass_kg": 8.45, "plot_area_m2": 8.0,
    ...     "sensor_pct": 20.0, "recorded_pct": 20.0, "moisture_after_pct": 21.0})
    >>> found = read_trial_plots(table, standard_pct=15.5)
    >>> found.before.round(6).tolist(), found.after.round(6).tolist()
    ([10000.0], [9875.0])
    """
    mass, area, before, after = _numbers(plots)
    has_blocks = "block" in plots and plots["block"].notna().any()
    return TrialPlots(
        trial=_only_trial(plots),
        plot=_names(plots["plot"]),
        entry=_names(plots["entry"]),
        block=_names(plots["block"]) if has_blocks else None,
        curve=_names(plots["curve"]),
        sensor=plots["sensor_pct"].to_numpy(float, na_value=np.nan),
        per_point=yield_per_point(mass, area, standard_pct),
        before=yield_kg_ha(mass, area, before, standard_pct),
        after=yield_kg_ha(mass, area, after, standard_pct),
    )


def remark_plots(plots: pd.DataFrame, standard_pct: float) -> tuple[str, ...]:
    """Return what must be said of plots that cannot be used, by kind of problem.

    Parameters
    ----------
    plots : DataFrame
        As for `read_trial_plots`.
    standard_pct : float
        Moisture the yield is stated at; nan where it is not known.

    Returns
    -------
    tuple of str
        One sentence for each kind, naming the plots.
    """
    mass, area, before, after = _numbers(plots)
    usable = ~flag_unusable_plots(mass, area, before)
    known = np.isfinite(after)
    gaps = {
        "plot_mass_kg is missing or not above 0 kg": ~(mass > 0) | np.isinf(mass),
        "plot_area_m2 is missing or not above 0 m²": ~(area > 0) | np.isinf(area),
        f"{READING} is missing or not within 0 to below 100 %": (
            flag_unusable_plots(1, 1, before)
        ),
        f"{CORRECTED} is not within 0 to below 100 %": (
            usable & known & flag_unusable_plots(1, 1, after)
        ),
        f"{CORRECTED} is not known": usable & ~known & (usable & known).any(),
    }
    remarks = [
        f"{_plots(plots, rows)} left out before and after: {why}"
        for why, rows in gaps.items()
        if rows.any()
    ]
    if not (usable & known).any():
        remarks.append("no plot has a corrected moisture: nothing to compare with")
    if np.isnan(standard_pct):
        remarks.append("the standard moisture is not known: no yields")
    return (*remarks, *_remark_blocks(plots))


def _remark_blocks(plots: pd.DataFrame) -> tuple[str, ...]:
    """Name the plots without a block in a trial with blocks."""
    if "block" not in plots:
        return ()
    missing = plots["block"].isna().to_numpy()
    if missing.all() or not missing.any():
        return ()
    return (f"{_plots(plots, missing)} of no block: taken as a block of their own",)


def _numbers(plots: pd.DataFrame) -> list[np.ndarray]:
    """Return mass, area and both moistures, gaps as nan."""
    columns = ("plot_mass_kg", "plot_area_m2", "recorded_pct", "moisture_after_pct")
    return [plots[column].to_numpy(float, na_value=np.nan) for column in columns]


def _only_trial(plots: pd.DataFrame) -> str:
    """Return the one trial of the table."""
    trials = plots["trial"].unique()
    if len(trials) != 1:
        raise ValueError(
            f"read_trial_plots: the table holds {counted(len(trials), 'trial')}; "
            "expected the plots of one."
        )
    return str(trials[0])


def _names(column: pd.Series) -> np.ndarray:
    """Return a column of names as text, gaps named."""
    return column.astype(object).where(column.notna(), NOT_GIVEN).to_numpy(str)


def _plots(plots: pd.DataFrame, rows: np.ndarray) -> str:
    """Return the plots of the rows flagged as a phrase."""
    noun = "plot" if rows.sum() == 1 else "plots"
    return f"{noun} {listed(plots['plot'][rows])}"


# The Winchester bushel of 2150.42 cubic inches (7 CFR 810.102(d)), an inch of
# 25.4 mm. Volume arithmetic only: some grading tables use fitted lines per crop,
# which allow for packing and differ from it.
HL_PER_WINCHESTER_BUSHEL = 0.3523907016688
KG_HL_PER_LB_BU = KG_PER_LB / HL_PER_WINCHESTER_BUSHEL


def audit_test_weight(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return how the sensor's test weight agrees with the benchtop's.

    Estimand of the bias: mean of sensor − benchtop over trials like these, by crop
    and chamber configuration, whose volume is what test weight is measured by.

    Parameters
    ----------
    pairs : DataFrame
        The season's pairs; those with both test weights count, each sample once.
    level : float
        Confidence level, clustered by trial.

    Returns
    -------
    DataFrame
        Columns as declared for `test_weight`, empty where no sample has both.
    """
    both = pairs[~pairs["parallel"]]
    both = both.dropna(subset=["test_weight_kg_hl", "benchtop_test_weight_kg_hl"])
    both = both.drop_duplicates(["sample", "trial", "plot"])
    config = both["chamber_config"].fillna(NOT_GIVEN)
    rows = [
        {"crop": crop, "chamber_config": configuration, **_agreed(group, level)}
        for (crop, configuration), group in both.groupby(["crop", config], sort=True)
    ]
    return pd.DataFrame(rows, columns=list(columns_of("test_weight")))


def _agreed(group: pd.DataFrame, level: float) -> dict:
    """Return how the test weights of one crop and chamber configuration agree."""
    sensor = group["test_weight_kg_hl"].to_numpy(float)
    benchtop = group["benchtop_test_weight_kg_hl"].to_numpy(float)
    bias = clustered_mean(sensor - benchtop, group["trial"].to_numpy(object))
    ends = bias.interval(level)
    row = {
        "n": len(group),
        "n_trials": group["trial"].nunique(),
        "mean_kg_hl": benchtop.mean(),
        "bias_kg_hl": bias.value,
        "bias_low_kg_hl": ends.low,
        "bias_high_kg_hl": ends.high,
        "bias_method": bias.method or bias.remark,
        "bias_lb_bu": bias.value / KG_HL_PER_LB_BU,
    }
    agreed, _ = tried(agreement, sensor, benchtop)
    if agreed is not None:
        row |= {"sep_kg_hl": agreed.sep, "sep_lb_bu": agreed.sep / KG_HL_PER_LB_BU}
    limits, _ = tried(limits_of_agreement, sensor, benchtop)
    if limits is not None:
        row["limit_low_kg_hl"] = limits.lower.value
        row["limit_high_kg_hl"] = limits.upper.value
    return row
