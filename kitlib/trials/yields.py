"""Yield at standard moisture: of any mass, of a season's plots, of one trial's.

Beside it the sensor's test weight, which moisture readings rest on.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitlib.curves.audit import Correction, CurveAudit
from kitlib.intake.pairs import Pairing
from kitlib.intake.schema import FACTORS, by_value, plot_places
from kitlib.intake.settings import Season
from kitlib.statistics.agreement import agreement, limits_of_agreement
from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.estimates import tried
from kitlib.words.terms import columns_of, counted, listed, show

M2_PER_HA = 10_000.0
NOT_GIVEN = "not given"


def flag_unusable_plots(mass_kg, area_m2, moisture_pct) -> np.ndarray:
    """Flag plots whose yield cannot be calculated.

    True where a value is missing, mass [kg] or area [m²] is not above zero, or moisture
    [% wet basis] is below 0 or not below 100 %. The three may broadcast.
    """
    mass, area, moisture = _floats(mass_kg, area_m2, moisture_pct)
    # A comparison with nan is False, so a missing value is flagged as well.
    mass_and_area = (mass > 0) & (area > 0) & np.isfinite(mass) & np.isfinite(area)
    return ~(mass_and_area & (moisture >= 0) & (moisture < 100))


def yield_kg_ha(mass_kg, area_m2, moisture_pct, standard_pct) -> np.ndarray:
    """Return the yield brought to standard moisture, nan for unusable plots. [kg/ha]

    The dry matter stays, the water changes: mass × (100 − M) / (100 − standard).
    A shrink factor per point is the same correction written otherwise and is
    never applied on top; handling losses are left out. `standard_pct` is the moisture
    the yield is stated at, 0 to below 100; nan gives nan. [% wet basis]

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
    """Return by how much a plot's yield changes per point of moisture. [kg/ha]

    The yield is a straight line in the moisture, so this holds for a change of any
    size. Negative: wetter grain holds less; nan where mass or area is not above zero.

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
    """A unit yields are shown in."""

    name: str  # t/ha, kg/ha or bu/ac
    kg_ha: float  # what one of it is
    decimals: int  # on display

    def of(self, yield_kg_ha):
        """Return a yield or a difference of yields in this unit."""
        return yield_kg_ha / self.kg_ha

    def said(self, yield_kg_ha: float) -> str:
        """Return a yield or a difference of yields as a reader sees it."""
        return f"{show(self.of(yield_kg_ha), self.decimals)} {self.name}"


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
        return YieldUnit(name, bushel_lb * FACTORS["lb"] * M2_PER_HA / FACTORS["ac"], 1)
    return YieldUnit("t/ha", 1000.0, 2)


def corrected_plots(
    pairing: Pairing,
    corrections: Mapping[str, Correction],
    audits: Mapping[str, CurveAudit],
    settings: Season,
) -> pd.DataFrame:
    """Return every plot with moisture and yield as recorded, corrected and by oven.

    A plot of a curve without samples has no corrected moisture.
    """
    plots = pairing.plots
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
    oven = pairing.pairs[pairing.pairs["reference_pct"].notna()]
    by_plot = oven.drop_duplicates("sample").groupby(["trial", "plot"])
    means = by_plot["reference_pct"].mean()
    at = plot_places(plots, means.index.to_frame())
    reference = np.full(len(plots), np.nan)
    reference[at[at >= 0]] = means[at >= 0]
    standard = by_value(plots["crop"], settings.standard_moisture_of).astype(float)
    mass, area = (plots[c].to_numpy(float) for c in ("plot_mass_kg", "plot_area_m2"))
    recorded = plots["recorded_pct"].to_numpy(float)
    return plots.assign(
        moisture_after_pct=after,
        yield_before_kg_ha=yield_kg_ha(mass, area, recorded, standard),
        yield_after_kg_ha=yield_kg_ha(mass, area, after, standard),
        reference_pct=reference,
        yield_reference_kg_ha=yield_kg_ha(mass, area, reference, standard),
        unusable=flag_unusable_plots(mass, area, recorded),
        outside_audit=outside,
    )


def read_trial_plots(plots: pd.DataFrame, standard_pct: float) -> pd.DataFrame:
    """Return one trial's plots with both yields, every row in its order.

    From the columns trial (one name), plot, entry, curve, plot_mass_kg, plot_area_m2,
    sensor_pct, recorded_pct, moisture_after_pct, and block where there are any, with
    yields stated at `standard_pct`. Returned: plot, entry, block, curve as text, a gap
    "not given", the block of a trial without blocks empty; sensor, the reading restated
    to the offset in the register [% moisture]; per_point, before and after, the yield
    per point of moisture, as recorded and corrected, nan where not known [kg/ha].

    Examples
    --------
    >>> table = pd.DataFrame({"trial": "T1", "plot": ["1"], "entry": ["a"],
    ...     "curve": ["A"], "plot_mass_kg": 8.45, "plot_area_m2": 8.0,
    ...     "sensor_pct": 20.0, "recorded_pct": 20.0, "moisture_after_pct": 21.0})
    >>> read_trial_plots(table, standard_pct=15.5)[["before", "after"]].round(6)
        before   after
    0  10000.0  9875.0
    """
    if plots["trial"].nunique() != 1:
        held = counted(plots["trial"].nunique(), "trial")
        raise ValueError(
            f"read_trial_plots: the table holds {held}; expected the plots of one."
        )
    mass, area, before, after = _numbers(plots)
    columns = {name: _names(plots[name]) for name in ("plot", "entry", "curve")}
    has_blocks = "block" in plots and plots["block"].notna().any()
    return pd.DataFrame(
        {
            **columns,
            "block": _names(plots["block"]) if has_blocks else "",
            "sensor": plots["sensor_pct"].to_numpy(float, na_value=np.nan),
            "per_point": yield_per_point(mass, area, standard_pct),
            "before": yield_kg_ha(mass, area, before, standard_pct),
            "after": yield_kg_ha(mass, area, after, standard_pct),
        }
    )


def compared(plots: pd.DataFrame) -> np.ndarray:
    """Flag the plots of `read_trial_plots` that have both yields."""
    return np.isfinite(plots[["before", "after"]].to_numpy()).all(axis=1)


def remark_plots(plots: pd.DataFrame, standard_pct: float) -> tuple[str, ...]:
    """Return what must be said of plots that cannot be used, one sentence a problem.

    Parameters as for `read_trial_plots`.
    """
    mass, area, before, after = _numbers(plots)
    usable, known = ~flag_unusable_plots(mass, area, before), np.isfinite(after)
    reading, corrected = "the sensor's reading", "the corrected moisture"
    not_read, not_corrected = (flag_unusable_plots(1, 1, m) for m in (before, after))
    gaps = {
        "plot_mass_kg is missing or not above 0 kg": ~(mass > 0) | np.isinf(mass),
        "plot_area_m2 is missing or not above 0 m²": ~(area > 0) | np.isinf(area),
        f"{reading} is missing or not within 0 to below 100 %": not_read,
        f"{corrected} is not within 0 to below 100 %": usable & known & not_corrected,
        # Where none is known that is said once, below.
        f"{corrected} is not known": usable & ~known & (usable & known).any(),
    }
    remarks = [
        f"{_named(plots, rows)} left out before and after: {why}"
        for why, rows in gaps.items()
        if rows.any()
    ]
    if not (usable & known).any():
        remarks.append("no plot has a corrected moisture: nothing to compare with")
    if np.isnan(standard_pct):
        remarks.append("the standard moisture is not known: no yields")
    if "block" in plots:
        no_block = plots["block"].isna().to_numpy()
        if no_block.any() and not no_block.all():
            said = _named(plots, no_block)
            remarks.append(f"{said} of no block: taken as a block of their own")
    return tuple(remarks)


def _numbers(plots: pd.DataFrame) -> list[np.ndarray]:
    """Return mass, area and both moistures, gaps as nan."""
    columns = ("plot_mass_kg", "plot_area_m2", "recorded_pct", "moisture_after_pct")
    return [plots[column].to_numpy(float, na_value=np.nan) for column in columns]


def _names(column: pd.Series) -> np.ndarray:
    """Return a column of names as text, gaps named."""
    return column.astype(object).where(column.notna(), NOT_GIVEN).to_numpy(str)


def _named(plots: pd.DataFrame, rows: np.ndarray) -> str:
    """Return the plots of the rows flagged as a phrase."""
    noun = "plot" if rows.sum() == 1 else "plots"
    return f"{noun} {listed(plots['plot'][rows])}"


def audit_test_weight(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return how the sensor's test weight agrees with the benchtop's.

    Estimand of the bias: mean of sensor − benchtop over trials like these, by crop
    and chamber configuration, whose volume is what test weight is measured by. Pairs
    with both test weights count, each sample once; columns as declared for
    `test_weight`.
    """
    both = pairs[~pairs["parallel"]]
    both = both.dropna(subset=["test_weight_kg_hl", "benchtop_test_weight_kg_hl"])
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
        "bias_lb_bu": bias.value / FACTORS["lb_bu"],
    }
    agreed, _ = tried(agreement, sensor, benchtop)
    if agreed is not None:
        row |= {"sep_kg_hl": agreed.sep, "sep_lb_bu": agreed.sep / FACTORS["lb_bu"]}
    limits, _ = tried(limits_of_agreement, sensor, benchtop)
    if limits is not None:
        row["limit_low_kg_hl"], row["limit_high_kg_hl"] = (x.value for x in limits)
    return row
