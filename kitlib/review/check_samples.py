"""What check samples are held to: their own first days, and the set-up runs' line.

Whether a curve held through the season, as its retained check samples tell.
"""

from dataclasses import dataclass, field
from math import nan, sqrt

import numpy as np
import pandas as pd

from kitlib.review.control_charts import (
    CUSUM_LIMIT,
    CUSUM_SLACK,
    EWMA_WEIGHT,
    SIGMAS,
    CalibrationLine,
    CheckRuns,
    cusum,
    ewma,
    ewma_weights,
    first_of,
    joint_quantile,
    sigmas,
)
from kitlib.statistics.clustered import clustered_fit
from kitlib.words.errors import KitError
from kitlib.words.estimates import Estimate, not_known
from kitlib.words.terms import counted

# Days that set centre and limits, those of the set-up first: our choice. Fewer
# hold no scatter to speak of, more leave a season of weekly runs nothing to judge.
BASE_DAYS = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class Base:
    """What a curve's check samples did on the days that set its chart up.

    Attributes
    ----------
    centre, n : Series
        Mean error of each sample, and the days it rests on, by sample.
    squares : float
        Sum of squares about those means.
    df : int
        Degrees of freedom of `squares`.
    days : ndarray of datetime64
    """

    centre: pd.Series
    n: pd.Series
    squares: float
    df: int
    days: np.ndarray


def base_of(checks: CheckRuns) -> Base:
    """Return what the first days say of each sample's error and of its scatter."""
    days = checks.days[:BASE_DAYS]
    cells = checks.cells[checks.cells["day"].isin(days)]
    by_sample = cells.groupby("sample")["error"]
    away = cells["error"] - by_sample.transform("mean")
    return Base(
        centre=by_sample.mean(),
        n=by_sample.size(),
        squares=float((away**2).sum()),
        df=len(cells) - by_sample.ngroups,
        days=days,
    )


def pooled_scatter(bases: list[Base]) -> tuple[float, int]:
    """Return the SD of a check sample from day to day over curves, and its df.

    A few days of one curve say little of their scatter. Sensors of one kind are
    taken to repeat alike; a noisier one then shows as out of its limits.
    """
    df = sum(base.df for base in bases)
    squares = sum(base.squares for base in bases)
    return (sqrt(squares / df), df) if df and squares > 0 else (nan, 0)


@dataclass(frozen=True, kw_only=True, eq=False)
class SetupChart:
    """Check samples against the line of the set-up runs.

    Attributes
    ----------
    cells : DataFrame
        sample, day, departure W and whether it is `out`. [% moisture]
    limit : float
        How far off all samples of a day may lie. [% moisture]
    line : CalibrationLine
    first_out : object
        First day with a sample out of limits; None if there is none.
    """

    cells: pd.DataFrame
    limit: float
    line: CalibrationLine
    first_out: object


def setup_chart(
    checks: CheckRuns, line: CalibrationLine, level: float = 0.95
) -> SetupChart:
    """Return how far check samples depart from the set-up runs' line.

    W = (reading - start) / slope - known, held to ± t* residual SD / slope with
    Šidák's t* over the samples of a day. A retained sample keeps its own error, so
    one out of limits stays out.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6.7.
    """
    cells = checks.cells[~checks.cells["at_setup"]]
    a_day = int(cells.groupby("day").size().max()) if len(cells) else 1
    limit = line.limit(a_day, level)
    departure = line.departure(cells["known"], cells["reading"])
    cells = cells[["sample", "day"]].assign(departure=departure)
    cells["out"] = cells["departure"].abs() > limit
    first = first_of(cells["day"].to_list(), cells["out"])
    return SetupChart(cells=cells, limit=limit, line=line, first_out=first)


SHEWHART, EWMA, CUSUM = "Shewhart", "EWMA", "CUSUM"
DRIFT_DAYS = 30


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckChart:
    """Control charts of one curve's retained check samples.

    Attributes
    ----------
    cells : DataFrame
        Days after the base: sample, day, deviation from the sample's centre,
        `limit` it is held to, whether it is `out`. [% moisture]
    occasions : DataFrame
        Each such day: day, mean deviation, ewma and its limit [% moisture], cusum
        (the larger sum) in SDs.
    cusum_limit : float
        Decision limit of the CUSUM, in SDs.
    sd, df : float, int
        Day-to-day SD of a check sample the limits rest on.
    first_out : dict
        First day out of limits by each chart; None if there is none.
    drift, drift_held : Estimate
        Change of the error in `DRIFT_DAYS` days, with the samples' own change
        taken out and without. [% moisture]
    runs : CheckRuns
    remark : str
        Why nothing could be judged.
    """

    cells: pd.DataFrame
    occasions: pd.DataFrame
    cusum_limit: float
    sd: float
    df: int
    drift: Estimate
    drift_held: Estimate
    runs: CheckRuns
    base: Base
    remark: str = ""
    first_out: dict = field(default_factory=dict)

    @property
    def base_cells(self) -> pd.DataFrame:
        """Deviations on the base days: sample, day, deviation. [% moisture]."""
        cells = self.runs.cells[self.runs.cells["day"].isin(self.base.days)]
        centre = cells["sample"].map(self.base.centre).astype(float)
        return cells[["sample", "day"]].assign(deviation=cells["error"] - centre)


def check_chart(
    checks: CheckRuns, base: Base, sd: float, df: int, level: float = 0.95
) -> CheckChart:
    """Return the control charts of a curve's check samples.

    A sample keeps an error of its own; what is charted is how far its error lies
    from that of the base days.

    Parameters
    ----------
    checks : CheckRuns
    base : Base
        Of the same runs.
    sd, df : float, int
        Day-to-day SD of a check sample, as from `pooled_scatter`. [% moisture]
    level : float
        Chance that a sensor in order stays inside all Shewhart limits of its
        season.

    Notes
    -----
    Shewhart: ± t* sd sqrt(1 + 1 / base days), Šidák's t* over all deviations.
    EWMA of the days' means: ± the t quantile as rare as 3 SD, times its SD, the
    error of the centres counted. CUSUM: self-starting [1]_, each error against the
    mean of all before it, so that an unlucky centre does not add up; slack 0.5 and
    limit 5 SD, the limit widened as the t quantile is beyond 3. In own simulation
    (two samples, 4 to 20 days, df 4 to 24) a sensor in order is called out by each
    chart in 0 to 6 % of seasons.

    References
    ----------
    .. [1] Hawkins, J. Quality Technology 19 (1987) 299-315 (from memory).
    """
    cells = checks.cells[~checks.cells["day"].isin(base.days)]
    cells = cells[cells["sample"].isin(base.centre.index)]
    why = _why_not(checks, cells, sd)
    cells = cells.assign(
        deviation=cells["error"] - cells["sample"].map(base.centre).astype(float),
        base_days=cells["sample"].map(base.n).astype(float),
        news=_news(checks.cells).reindex(cells.index),
    )
    factor = joint_quantile(df, len(cells), level) if not why else nan
    limit = factor * sd * np.sqrt(1 + 1 / cells["base_days"])
    cells = cells.assign(limit=limit, out=cells["deviation"].abs() > limit)
    occasions, cusum_limit = _occasions(cells, base, sd, df if not why else 0)
    return CheckChart(
        cells=cells[["sample", "day", "deviation", "limit", "out"]],
        occasions=occasions,
        cusum_limit=cusum_limit,
        sd=sd,
        df=df,
        drift=drift_of(checks, "error"),
        drift_held=drift_of(checks, "error_held"),
        runs=checks,
        base=base,
        remark=why,
        first_out=_first_out(cells, occasions, cusum_limit) if not why else {},
    )


def _why_not(checks: CheckRuns, cells, sd: float) -> str:
    """Say why no chart can be drawn; empty if it can."""
    if cells.empty:
        n = len(checks.days)
        return (
            f"check samples were run on {counted(n, 'day')}; the first {BASE_DAYS} set "
            "the limits, so nothing is left to judge"
        )
    if not sd > 0:
        return "no check sample was run on two of the first days, so no SD is known"
    return ""


def _news(cells) -> pd.Series:
    """Return each error against the mean of its sample's before, all of one SD."""
    by_sample = cells.groupby("sample")["error"]
    earlier = by_sample.cumcount()
    before = (by_sample.cumsum() - cells["error"]) / earlier.where(earlier > 0)
    return (cells["error"] - before) * np.sqrt(earlier / (earlier + 1))


def _occasions(cells, base: Base, sd: float, df: int):
    """Return the days' means with their EWMA and CUSUM, and the CUSUM's limit."""
    table = cells.pivot(index="day", columns="sample", values="deviation")
    member = table.notna().to_numpy(float)
    share = member / member.sum(axis=1, keepdims=True)
    means = table.mean(axis=1).to_numpy(float)
    weights = ewma_weights(len(means), EWMA_WEIGHT)
    # Each average holds the days' own scatter and, whole, the error of the centres.
    scatter = (weights**2) @ (share**2).sum(axis=1)
    centre = 1 / base.n.reindex(table.columns).to_numpy(float)
    scatter += ((weights @ share) ** 2) @ centre
    news = cells.groupby("day")["news"].agg(["mean", "size"])
    news = (news["mean"] * np.sqrt(news["size"]) / sd).to_numpy(float)
    sums = cusum(news, slack=CUSUM_SLACK) if df else None
    wide = sigmas(df) if df else nan
    occasions = pd.DataFrame(
        {
            "day": table.index,
            "mean": means,
            "ewma": ewma(means, weight=EWMA_WEIGHT),
            "ewma_limit": wide * sd * np.sqrt(scatter),
            "cusum": np.maximum(sums.high, sums.low) if df else means * nan,
        }
    )
    return occasions, CUSUM_LIMIT * wide / SIGMAS


def _first_out(cells, occasions, cusum_limit) -> dict:
    """Return the first day each chart is out of its limits."""
    cells = cells.sort_values("day", kind="stable")
    beyond = occasions["ewma"].abs() > occasions["ewma_limit"]
    return {
        SHEWHART: first_of(cells["day"].to_list(), cells["out"]),
        EWMA: first_of(occasions["day"].to_list(), beyond),
        CUSUM: first_of(occasions["day"].to_list(), occasions["cusum"] > cusum_limit),
    }


def drift_of(checks: CheckRuns, error: str = "error") -> Estimate:
    """Return how far the check samples' error moves in `DRIFT_DAYS` days.

    Estimand: the slope of a common straight line in time, each sample having its
    own level; runs of one day share what that day did to them. The season's runs
    only, without those of the set-up. [% moisture]
    """
    cells = checks.cells[~checks.cells["at_setup"]]
    if cells.empty:
        return not_known("no check sample was run in the season")
    levels = pd.get_dummies(cells["sample"], dtype=float).to_numpy()
    days = (cells["day"] - cells["day"].min()).dt.days.to_numpy(float)
    design = np.column_stack([levels, days / DRIFT_DAYS])
    try:
        fit = clustered_fit(design, cells[error].to_numpy(float), cells["day"])
    except KitError:
        n = counted(cells["day"].nunique(), "day")
        return not_known(f"check samples were run on {n}: too few for a drift")
    return fit.contrast(np.r_[np.zeros(levels.shape[1]), 1.0])
