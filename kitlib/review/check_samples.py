"""Whether a curve held through the season, as its retained check samples tell.

Runs become one error for each sample and day; the first days set a centre for each
sample and a scatter for all; what comes after is held to limits that a sensor in
order would hardly ever pass.
"""

from collections.abc import Iterable
from dataclasses import dataclass, field
from math import nan, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import linregress, norm
from scipy.stats import t as student_t

from kitlib.statistics.clustered import clustered_fit
from kitlib.statistics.estimates import Estimate, finite_array, not_known, tried
from kitlib.words.terms import counted

# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (from memory): a weight
# of 0.2 to 0.3 for the newest value, limits at 3 SD.
EWMA_WEIGHT, SIGMAS = 0.3, 3.0
# Slack and decision limit of a CUSUM in SDs: Montgomery, Introduction to
# Statistical Quality Control, chapter 9 (from memory).
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 5.0


def joint_quantile(df: float, values: int = 1, level: float = 0.95) -> float:
    """Return t*: how many SDs the farthest of several values may lie off.

    Šidák's: each of `values` values is held to level^(1 / values), so that all stay
    inside with at least the chance `level`; `df` is that of the SD.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6.7.

    Examples
    --------
    >>> print(f"{joint_quantile(38, 3):.4f}")
    2.4976
    """
    return float(student_t.ppf((1 + level ** (1 / values)) / 2, df))


def sigmas(df: float, number: float = SIGMAS) -> float:
    """Return the t quantile as rare as `number` SDs of a normal distribution.

    Examples
    --------
    >>> print(f"{sigmas(1e9):.3f} {sigmas(10):.2f}")
    3.000 3.96
    """
    return float(student_t.ppf(norm.cdf(number), df))


def ewma_weights(n: int, weight: float = EWMA_WEIGHT) -> np.ndarray:
    """Return the share of each of n values in each moving average, shape (n, n).

    The averages are `weights @ values` for a start at 0.

    Examples
    --------
    >>> ewma_weights(2, 0.5).tolist()
    [[0.5, 0.0], [0.25, 0.5]]
    """
    age = np.subtract.outer(np.arange(n), np.arange(n))
    return np.where(age >= 0, weight * (1 - weight) ** np.maximum(age, 0), 0.0)


def cusum(values, target: float = 0.0, slack: float = 0.0):
    """Return the sums of what values lie above and below their target, less a slack.

    Two arrays of the values' length, in order of time; both 0 or more.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (from memory).

    Examples
    --------
    >>> above, below = cusum([1.0, 2.0, 0.0], slack=0.5)
    >>> above.tolist()
    [0.5, 2.0, 1.5]
    """
    above, below, sums = 0.0, 0.0, []
    for value in finite_array("cusum: values", values):
        above = max(0.0, above + value - target - slack)
        below = max(0.0, below + target - slack - value)
        sums.append((above, below))
    return tuple(np.array(sums).reshape(-1, 2).T)


class SetupLine(NamedTuple):
    """Readings of known samples as a line: reading = start + slope × known.

    `limit` is how far off the departures of one day may lie, all of them; the line's
    own uncertainty is not in it, as in the e-Handbook. [% moisture]
    """

    start: float
    slope: float
    limit: float

    def departure(self, known, readings):
        """Return W: the moisture a reading stands for on the line, less the known."""
        return (readings - self.start) / self.slope - known


def setup_line(known, readings, a_day: int = 1, level: float = 0.95):
    """Return the line of readings on known moistures, and the limit of departures.

    Ordinary least squares; limit t* residual SD / slope, with Šidák's t* over the
    `a_day` samples of a day. None under three samples, where the readings do not
    rise with moisture, and where they do not scatter.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6.7 and 2.3.7.

    Examples
    --------
    >>> line = setup_line([10, 20, 30], [10.5, 20.8, 30.5])
    >>> print(f"{line.departure(25, 26.6):.2f}")
    1.00
    """
    known, readings = np.asarray(known, float), np.asarray(readings, float)
    if known.size < 3 or not np.ptp(known) > 0:
        return None
    fit = linregress(known, readings)
    left = readings - fit.intercept - fit.slope * known
    sd = sqrt(float(left @ left) / (known.size - 2))
    if not (fit.slope > 0 and sd > 0):
        return None
    limit = joint_quantile(known.size - 2, a_day, level) * sd / fit.slope
    return SetupLine(float(fit.intercept), float(fit.slope), float(limit))


SHEWHART, EWMA, CUSUM = "Shewhart", "EWMA", "CUSUM"
CHARTS = (SHEWHART, EWMA, CUSUM)
DRIFT_DAYS = 30
# Days that set centre and limits, those of the set-up first: our choice. Fewer
# hold no scatter to speak of, more leave a season of weekly runs nothing to judge.
BASE_DAYS = 3


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckRuns:
    """Mean error of each check sample on each day it was run.

    Attributes
    ----------
    cells : DataFrame
        One row per sample × day in order of time: sample, day, known (the sample's
        own change joined up), reading, error = reading - known, error_held (against
        its first known value), runs, at_setup; whether the day is one of the `base`,
        the error's deviation from its sample's mean there, and the base_days of that
        sample. [% moisture]
    own_change : dict of float
        By sample: its last known moisture less its first, where re-tested.
    n_runs, n_open : int
        Runs used; and those whose offset nobody can tell, or without time or number.
    """

    cells: pd.DataFrame
    own_change: dict[str, float]
    n_runs: int
    n_open: int

    @property
    def days(self) -> np.ndarray:
        """The days with a run, in order."""
        return np.unique(self.cells["day"].to_numpy("datetime64[s]"))

    @property
    def season(self) -> pd.DataFrame:
        """Cells of the season, those of the set-up left out."""
        return self.cells[~self.cells["at_setup"]]


def check_runs(runs: pd.DataFrame, offset, loaded: float) -> CheckRuns:
    """Return the errors of one curve's check samples, day by day.

    Parameters
    ----------
    runs : DataFrame
        sample, known_pct, sensor_pct, run_at and at_setup (whether the run is one
        of those the curve was set up with) of one curve.
    offset : array_like, shape (n,)
        Offset in each reading; nan where nobody can tell. [% moisture]
    loaded : float
        The register's offset, to which readings are restated. [% moisture]
    """
    told = runs.assign(reading=runs["sensor_pct"] - offset + loaded)
    whole = told[["run_at", "known_pct", "reading"]].notna().all(axis=1)
    told = told[whole].sort_values(["sample", "run_at"], kind="stable")
    by_sample = told.groupby("sample")["known_pct"]
    told["known"] = np.nan
    for _, rows in told.groupby("sample").groups.items():
        told.loc[rows, "known"] = known_at(
            told.loc[rows, "run_at"].to_numpy(), told.loc[rows, "known_pct"]
        )
    errors = told.assign(
        sample=told["sample"].astype(object),
        day=told["run_at"].dt.floor("D"),
        error=told["reading"] - told["known"],
        error_held=told["reading"] - by_sample.transform("first"),
        at_setup=told["at_setup"].astype(bool),
    )
    cells = errors.groupby(["day", "sample"], sort=True).agg(
        known=("known", "mean"),
        reading=("reading", "mean"),
        error=("error", "mean"),
        error_held=("error_held", "mean"),
        runs=("error", "size"),
        at_setup=("at_setup", "all"),
    )
    change = by_sample.last() - by_sample.first()
    retested = change[by_sample.nunique() > 1]
    return CheckRuns(
        cells=_about_the_base(cells.reset_index()),
        own_change={str(sample): float(by) for sample, by in retested.items()},
        n_runs=len(told),
        n_open=len(runs) - len(told),
    )


def _about_the_base(cells: pd.DataFrame) -> pd.DataFrame:
    """Set each error against what its sample did on the first days."""
    days = np.unique(cells["day"])[:BASE_DAYS]
    base = cells["day"].isin(days)
    first = cells[base].groupby("sample")["error"]
    sample = cells["sample"]
    return cells.assign(
        base=base,
        deviation=cells["error"] - sample.map(first.mean()).astype(float),
        base_days=sample.map(first.size()).astype(float),
    )


def offset_at(run_at, harvested_at, in_force, loaded: float) -> np.ndarray:
    """Return the offset in force at each run, as the plots around it tell.

    Parameters
    ----------
    run_at : array_like of datetime64, shape (n,)
    harvested_at, in_force : array_like, shape (m,)
        When each plot of the curve was harvested, and the offset then in force.
        [% moisture]
    loaded : float
        The register's, for a season whose plots tell nothing. [% moisture]

    Returns
    -------
    ndarray, shape (n,)
        nan where the offset was changed between the plot before a run and the one
        after it, so that nobody can say.

    Examples
    --------
    >>> days = np.array(["2025-10-01", "2025-10-09"], "datetime64[D]")
    >>> runs = np.array(["2025-09-30", "2025-10-05", "2025-10-12"], "datetime64[D]")
    >>> offset_at(runs, days, [0.6, 0.3], 0.3)
    array([0.6, nan, 0.3])
    """
    run_at = np.asarray(run_at, "datetime64[s]")
    at = np.asarray(harvested_at, "datetime64[s]")
    in_force = np.asarray(in_force, float)
    told = np.isfinite(in_force) & ~np.isnat(at)
    if not told.any():
        return np.full(run_at.shape, float(loaded))
    order = np.argsort(at[told], kind="stable")
    at, in_force = at[told][order], in_force[told][order]
    after = np.searchsorted(at, run_at, side="right")
    next_ = in_force[np.minimum(after, at.size - 1)]
    before = np.where(after == 0, next_, in_force[np.maximum(after - 1, 0)])
    return np.where(before == next_, before, np.nan)


def known_at(run_at, known) -> np.ndarray:
    """Return a retained sample's own moisture at each run, its re-tests joined up.

    A value first written at a run was tested then; between two tests the sample is
    taken to change evenly, after the last one not at all. [% moisture, wet basis]

    Examples
    --------
    >>> days = np.array([0, 1, 2, 3], "datetime64[D]")
    >>> known_at(days, [15.0, 15.0, 14.6, 14.6]).round(2).tolist()
    [15.0, 14.8, 14.6, 14.6]
    """
    known = np.asarray(known, float)
    time = np.asarray(run_at, "datetime64[s]").astype(float)
    tested = np.r_[True, known[1:] != known[:-1]]
    return np.interp(time, time[tested], known[tested])


def held_to_line(checks: CheckRuns, known, readings, level: float = 0.95):
    """Return the set-up line of other samples, and the first day check runs leave it.

    A retained sample keeps its own error, so one out of limits stays out. None for
    either that is not there.
    """
    cells = checks.season
    a_day = int(cells.groupby("day").size().max()) if len(cells) else 1
    line = setup_line(known, readings, a_day, level)
    if line is None:
        return None, None
    departure = line.departure(cells["known"], cells["reading"])
    return line, _first(cells["day"], np.abs(departure) > line.limit)


def _first(days, flagged):
    """Return the first day that is flagged, None if there is none."""
    where = np.flatnonzero(flagged)
    return days.iloc[where[0]] if where.size else None


def pooled_scatter(curves: Iterable[CheckRuns]) -> tuple[float, int]:
    """Return the SD of a check sample from day to day over curves, and its df.

    From the base days of each. A few days of one curve say little of their scatter.
    Sensors of one kind are taken to repeat alike; a noisier one then shows as out of
    its limits.
    """
    bases = [checks.cells[checks.cells["base"]] for checks in curves]
    df = sum(len(base) - base["sample"].nunique() for base in bases)
    squares = sum(float((base["deviation"] ** 2).sum()) for base in bases)
    return (sqrt(squares / df), df) if df and squares > 0 else (nan, 0)


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckChart:
    """Control charts of one curve's retained check samples.

    Attributes
    ----------
    cells : DataFrame
        Days after the base: sample, day, deviation from the sample's centre, the
        `limit` it is held to, whether it is `out`. [% moisture]
    base_cells : DataFrame
        Deviations on the base days themselves.
    occasions : DataFrame
        Each day after the base: day, mean deviation, ewma and its limit
        [% moisture], cusum (the larger sum) in SDs.
    sd, df : float, int
        Day-to-day SD of a check sample the limits rest on.
    drift, drift_held : Estimate
        Change of the error in `DRIFT_DAYS` days, with the samples' own change
        taken out and without. [% moisture]
    runs : CheckRuns
    remark : str
        Why nothing could be judged.
    first_out : dict
        First day out of limits by each chart, None if there is none; empty where
        nothing could be judged.
    """

    cells: pd.DataFrame
    base_cells: pd.DataFrame
    occasions: pd.DataFrame
    sd: float
    df: int
    drift: Estimate
    drift_held: Estimate
    runs: CheckRuns
    remark: str = ""
    first_out: dict = field(default_factory=dict)


def check_chart(
    checks: CheckRuns, sd: float, df: int, level: float = 0.95
) -> CheckChart:
    """Return the control charts of a curve's check samples.

    A sample keeps an error of its own; what is charted is how far its error lies
    from that of the base days.

    Parameters
    ----------
    checks : CheckRuns
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
    limit 5 SD, the limit widened as the t quantile is beyond 3. In simulation (two
    samples, 4 to 20 days, df 4 to 24) a sensor in order is called out by each chart
    in 0 to 6 % of seasons.

    References
    ----------
    .. [1] Hawkins, J. Quality Technology 19 (1987) 299-315 (from memory).
    """
    cells = checks.cells.assign(news=_news(checks.cells))
    cells = cells[cells["base_days"].notna()]
    later = cells[~cells["base"]]
    why = _why_not(checks, later, sd)
    factor = joint_quantile(df, len(later), level) if not why else nan
    limit = factor * sd * np.sqrt(1 + 1 / later["base_days"])
    later = later.assign(limit=limit, out=later["deviation"].abs() > limit)
    occasions = _occasions(later, sd, df if not why else 0)
    return CheckChart(
        cells=later[["sample", "day", "deviation", "limit", "out"]],
        base_cells=cells.loc[cells["base"], ["sample", "day", "deviation"]],
        occasions=occasions,
        sd=sd,
        df=df,
        drift=drift_of(checks, "error"),
        drift_held=drift_of(checks, "error_held"),
        runs=checks,
        remark=why,
        first_out=_first_out(later, occasions, df) if not why else {},
    )


def _why_not(checks: CheckRuns, later, sd: float) -> str:
    """Say why no chart can be drawn; empty if it can."""
    if later.empty:
        n = counted(len(checks.days), "day")
        return f"only {n} of check runs, all needed to set the limits: nothing to test"
    if not sd > 0:
        return "no check sample was run on two of the first days, so no SD is known"
    return ""


def _news(cells) -> pd.Series:
    """Return each error against the mean of its sample's before, all of one SD."""
    by_sample = cells.groupby("sample")["error"]
    earlier = by_sample.cumcount()
    before = (by_sample.cumsum() - cells["error"]) / earlier.where(earlier > 0)
    return (cells["error"] - before) * np.sqrt(earlier / (earlier + 1))


def _occasions(later, sd: float, df: int) -> pd.DataFrame:
    """Return the days' means with their EWMA and its limit, and their CUSUM."""
    table = later.pivot(index="day", columns="sample", values="deviation")
    member = table.notna().to_numpy(float)
    share = member / member.sum(axis=1, keepdims=True)
    means = table.mean(axis=1).to_numpy(float)
    weights = ewma_weights(len(means))
    # Each average holds the days' own scatter and, whole, the error of the centres.
    scatter = (weights**2) @ (share**2).sum(axis=1)
    centre = 1 / later.groupby("sample")["base_days"].first().to_numpy(float)
    scatter += ((weights @ share) ** 2) @ centre
    news = later.groupby("day")["news"].agg(["mean", "size"])
    news = (news["mean"] * np.sqrt(news["size"]) / sd).to_numpy(float)
    sums = np.maximum(*cusum(news, slack=CUSUM_SLACK)) if df else means * nan
    return pd.DataFrame(
        {
            "day": table.index,
            "mean": means,
            "ewma": weights @ means,
            "ewma_limit": (sigmas(df) if df else nan) * sd * np.sqrt(scatter),
            "cusum": sums,
        }
    )


def _first_out(cells, occasions, df: int) -> dict:
    """Return the first day each chart is out of its limits."""
    cells = cells.sort_values("day", kind="stable")
    beyond = {
        SHEWHART: (cells["day"], cells["out"]),
        EWMA: (occasions["day"], occasions["ewma"].abs() > occasions["ewma_limit"]),
        CUSUM: (
            occasions["day"],
            occasions["cusum"] > CUSUM_LIMIT * sigmas(df) / SIGMAS,
        ),
    }
    return {name: _first(*days) for name, days in beyond.items()}


def drift_of(checks: CheckRuns, error: str = "error") -> Estimate:
    """Return how far the check samples' error moves in `DRIFT_DAYS` days.

    Estimand: the slope of a common straight line in time, each sample having its
    own level; runs of one day share what that day did to them. The season's runs
    only, without those of the set-up. [% moisture]
    """
    cells = checks.season
    if cells.empty:
        return not_known("no check sample was run in the season")
    levels = pd.get_dummies(cells["sample"], dtype=float).to_numpy()
    days = (cells["day"] - cells["day"].min()).dt.days.to_numpy(float)
    design = np.column_stack([levels, days / DRIFT_DAYS])
    response = cells[error].to_numpy(float)
    fit, _ = tried(clustered_fit, design, response, cells["day"])
    if fit is None:
        n = counted(cells["day"].nunique(), "day")
        return not_known(f"check samples were run on {n}: too few for a drift")
    return fit.contrast(np.r_[np.zeros(levels.shape[1]), 1.0])
