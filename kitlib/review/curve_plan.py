"""What the errors of one curve come from, and how to sample it next season."""

from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np
import pandas as pd

from kitlib.intake.reference import pooled_sd
from kitlib.review.error_sources import (
    FEW_TRIALS,
    MOISTURE,
    SENSOR,
    ErrorSources,
    error_sources,
)
from kitlib.review.plan_costs import Costs, plan_table
from kitlib.review.sampling_plan import Scatter

OWN = "the curve's own components"


@dataclass(frozen=True, kw_only=True, eq=False)
class CurvePlan:
    """What next season's sampling of a curve can reach.

    Attributes
    ----------
    scatter : Scatter or None
        What the plan is made from; None where it is not known.
    remark : str
        Whose components they are, or why there is no plan.
    table : DataFrame or None
        As from `plan_table`.
    wanted : float
        Half-width of the bias's interval that is wanted. [% moisture]
    """

    scatter: Scatter | None
    remark: str
    table: pd.DataFrame | None
    wanted: float


def curve_plan(
    found: tuple[Scatter | None, str], costs: Costs, wanted: float, level: float
) -> CurvePlan:
    """Return a curve's plan from what `scatter_of` found."""
    scatter, remark = found
    table = None
    if scatter is not None and wanted > 0:
        table = plan_table(scatter, costs, wanted, level)
    return CurvePlan(scatter=scatter, remark=remark, table=table, wanted=wanted)


def sources_of(pairs: pd.DataFrame, sd_run: float, curves: bool = False):
    """Return what the errors of pairs are made of; None where they do not tell.

    `along` is the part of each error that goes with moisture, see `along_moisture`;
    `curves` takes the curve for a sensor that is not named, for a whole crop.
    """
    if pairs.empty:
        return None
    sensor = pairs["sensor"].fillna(pairs["curve"]) if curves else pairs["sensor"]
    return error_sources(
        pairs["error"],
        pairs["trial"],
        reference_se=float(np.sqrt((pairs["reference_se"] ** 2).mean(skipna=False))),
        dishes=float(pairs["n_dishes"].mean()),
        sd_run=sd_run,
        sensor=_labels(sensor),
        location=_labels(pairs["location"]),
        along=pairs["along"],
    )


def along_moisture(pairs: pd.DataFrame, corrections) -> pd.Series:
    """Return the part of each error that a recommended slope takes away. [points].

    About 0 on each curve's samples; 0 throughout where no slope is recommended.
    """
    along = pd.Series(0.0, index=pairs.index)
    for curve, rows in pairs.groupby("curve").groups.items():
        found = corrections.get(curve)
        if found is not None:
            readings = pairs.loc[rows, "sensor_pct"].to_numpy(float)
            along[rows] = -found.tilt * (readings - readings.mean())
    return along


def _labels(column: pd.Series):
    """Return labels to tell samples apart by, None where they do not."""
    return column if column.notna().all() and column.nunique() > 1 else None


def error_sd(sources: ErrorSources | None) -> float:
    """Return the SD of one sample's error about its curve. [% moisture]."""
    if sources is None:
        return nan
    parts = [sd for name, sd in sources.sds.items() if name not in (SENSOR, MOISTURE)]
    return sqrt(sum(sd**2 for sd in parts))


def scatter_of(
    crop: str,
    pairs: pd.DataFrame,
    own: ErrorSources | None,
    shared: ErrorSources | None,
    sd_benchtop: float,
) -> tuple[Scatter | None, str]:
    """Return what a curve's plan is made from, and whose components they are.

    Its own from `FEW_TRIALS` trials on, else those of all its crop's curves.

    Parameters
    ----------
    crop : str
    pairs : DataFrame
        The curve's samples, for their moistures.
    own, shared : ErrorSources or None
        Of the curve and of the crop.
    sd_benchtop : float
        SD of a benchtop mean's own error, nan if not known. [% moisture]
    """
    used, remark = own, OWN
    enough = own and isfinite(own.sd_trial) and own.n_trials >= FEW_TRIALS
    if not enough and shared and isfinite(shared.sd_trial):
        used, remark = (
            shared,
            f"components of all {crop} curves, its own trials are few",
        )
    if used is None or not isfinite(used.sd_trial) or pairs.empty:
        return None, "how much trials and samples differ is not known"
    if used.sd_trial == 0:
        remark += f"; {used.n_trials} trials did not show to differ, so it is hopeful"
    if not isfinite(used.sd_dish):
        remark += "; a dish's error is not known and lies with the samples'"
    moisture = pairs["reference_pct"]
    centres = moisture.groupby(pairs["trial"]).transform("mean")
    variance = float(moisture.var(ddof=0))
    scatter = Scatter(
        sd_trial=used.sd_trial,
        sd_own=used.sd_own,
        sd_dish=used.sd_dish if isfinite(used.sd_dish) else 0.0,
        sd_benchtop=sd_benchtop,
        sd_moisture=sqrt(variance) if variance > 0 else nan,
        between=float(centres.var(ddof=0)) / variance if variance > 0 else 1.0,
    )
    return scatter, remark


def benchtop_sd(pairs: pd.DataFrame) -> float:
    """Return the SD of a benchtop mean's own error within trials, nan if unknown.

    The meter against the oven, the oven's own error taken off. [% moisture]
    """
    both = pairs[pairs["benchtop_pct"].notna()]
    if both.empty:
        return nan
    error = both["benchtop_pct"] - both["reference_pct"]
    sd, df = pooled_sd(error, both["meter"] + "\0" + both["trial"])
    reference = float((both["reference_se"].fillna(0.0) ** 2).mean())
    return sqrt(max(sd**2 - reference, 0.0)) if df else nan
