"""Whether a curve held through the season, as its retained check samples tell.

Runs become one error for each sample and day; the first days set a centre for each
sample and a scatter for all; what comes after is held to limits that a sensor in
order would hardly ever pass.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from math import nan, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import chi2, linregress, norm
from scipy.stats import t as student_t

from kitlib.intake.reference import pooled_sd
from kitlib.statistics.clustered import clustered_fit
from kitlib.statistics.estimates import (
    Estimate,
    Interval,
    finite_array,
    not_known,
    tried,
)
from kitlib.words.terms import counted

# Optional column of set-up and check runs: the offset each reading includes.
IN_FORCE = "offset_in_force"
SHEWHART, EWMA, CUSUM = "Shewhart", "EWMA", "CUSUM"
CHARTS = (SHEWHART, EWMA, CUSUM)
# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (from memory): a weight
# of 0.2 to 0.3 for the newest value, limits at 3 SD.
EWMA_WEIGHT, SIGMAS = 0.3, 3.0
# Slack and decision limit of a CUSUM in SDs: Montgomery, Introduction to
# Statistical Quality Control, chapter 9 (from memory).
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 5.0
DRIFT_DAYS = 30
# Days that set centre and limits, those of the set-up first: our choice. Fewer
# hold no scatter to speak of, more leave a season of weekly runs nothing to judge.
BASE_DAYS = 3


class Repeatability(NamedTuple):
    """SD of a reading of the same grain by the same sensor. [% moisture]."""

    sd: float  # nan where no sample was run twice
    df: int  # runs beyond the first of each sample

    def interval(self, level: float = 0.95) -> Interval:
        """Return the chi-squared interval of the SD, for normal errors."""
        tails = chi2.ppf([(1 + level) / 2, (1 - level) / 2], self.df)
        low, high = self.sd * np.sqrt(self.df / tails)
        return Interval(float(low), float(high))


def repeatability(readings, sample) -> Repeatability:
    """Return the SD of a reading of grain that stays the same, filled in anew."""
    # Neither the error a sample keeps from run to run nor that of the oven is in it.
    # Errors do as well as readings: what a sample's runs have in common drops out.
    # ISO 5725-2, 7.4: the pooled within-cell SD (from memory).
    return Repeatability(*pooled_sd(readings, sample))


def offsets_in(runs: pd.DataFrame, default) -> np.ndarray:
    """Return the offset in each reading: as recorded, or `default`. [% moisture]."""
    told = runs.get(IN_FORCE, pd.Series(nan, index=runs.index))
    known = pd.to_numeric(told, errors="coerce").to_numpy(float)
    return np.where(np.isfinite(known), known, default)


def repeated_runs(setup: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Return each run's curve and error, and a label that runs of one grain share."""
    days = checks["run_at"].dt.strftime(" on %Y-%m-%d")
    grain = [setup["sample"].astype(object), (checks["sample"] + days).astype(object)]
    runs = pd.concat([setup, checks], ignore_index=True)
    # Samples of one name on two curves do not repeat each other.
    labels = runs["curve"] + "\0" + pd.concat(grain, ignore_index=True)
    error = runs["sensor_pct"] - runs["known_pct"] - offsets_in(runs, 0.0)
    return runs[["curve"]].assign(error=error, repeats=labels).dropna()


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckRuns:
    """Mean error of each check sample on each day it was run. [% moisture]."""

    # One row per sample and day in order of time: sample, day, known (its own change
    # joined up), reading, error (reading - known), error_held (against its first
    # known value), at_setup; whether the day is one of the `base`, the error's
    # deviation from its sample's mean there, and the base_days of that sample.
    cells: pd.DataFrame
    own_change: dict[str, float]  # by sample re-tested: last known moisture - first
    n_runs: int
    n_open: int  # runs whose offset nobody can tell, or without time or number

    @property
    def season(self) -> pd.DataFrame:
        """Cells of the season, those of the set-up left out."""
        return self.cells[~self.cells["at_setup"]]


def check_runs(runs: pd.DataFrame, offset, loaded: float) -> CheckRuns:
    """Return the errors of one curve's check samples, day by day."""
    # `runs` has sample, known_pct, sensor_pct, run_at and at_setup (one of the runs the
    # curve was set up with); `offset` is what each reading includes, nan where nobody
    # can tell, and `loaded` the register's, to which readings are restated.
    told = runs.assign(reading=runs["sensor_pct"] - offset + loaded, known=np.nan)
    told = told.dropna(subset=["run_at", "known_pct", "reading"])
    told = told.sort_values(["sample", "run_at"], kind="stable")
    by_sample = told.groupby("sample")["known_pct"]
    for rows in by_sample.groups.values():
        of_sample = told.loc[rows, "run_at"], told.loc[rows, "known_pct"]
        told.loc[rows, "known"] = known_at(*of_sample)
    by_cell = told.assign(
        sample=told["sample"].astype(object),
        day=told["run_at"].dt.floor("D"),
        error=told["reading"] - told["known"],
        error_held=told["reading"] - by_sample.transform("first"),
    ).groupby(["day", "sample"])
    means = by_cell[["known", "reading", "error", "error_held"]].mean()
    cells = means.assign(at_setup=by_cell["at_setup"].all().astype(bool)).reset_index()
    base = cells["day"].isin(cells["day"].unique()[:BASE_DAYS])
    first = cells[base].groupby("sample")["error"]
    centre, days = (cells["sample"].map(s()) for s in (first.mean, first.size))
    cells = cells.assign(base=base, base_days=days.astype(float))
    cells["deviation"] = cells["error"] - centre.astype(float)
    change = (by_sample.last() - by_sample.first())[by_sample.nunique() > 1]
    return CheckRuns(
        cells=cells,
        own_change={str(sample): float(by) for sample, by in change.items()},
        n_runs=len(told),
        n_open=len(runs) - len(told),
    )


def offset_at(run_at, harvested_at, in_force, loaded: float) -> np.ndarray:
    """Return the offset in force at each run, as the plots around it tell."""
    # nan where it was changed between the plot before a run and the one after it, so
    # that nobody can say; `loaded`, the register's, where no plot tells anything.
    run_at, at = (np.asarray(a, "datetime64[s]") for a in (run_at, harvested_at))
    plots = pd.Series(np.asarray(in_force, float), at).dropna()
    plots = plots[plots.index.notna()].sort_index(kind="stable")
    if plots.empty:
        return np.full(run_at.shape, float(loaded))
    after = np.searchsorted(plots.index.to_numpy(), run_at, side="right")
    next_ = plots.to_numpy()[np.minimum(after, len(plots) - 1)]
    before = plots.to_numpy()[np.maximum(after - 1, 0)]
    return np.where(before == next_, before, np.nan)


def known_at(run_at, known) -> np.ndarray:
    """Return a retained sample's own moisture at each run, its re-tests joined up."""
    # A value first written at a run was tested then; between two tests the sample is
    # taken to change evenly, after the last one not at all. [% moisture, wet basis]
    known = np.asarray(known, float)
    time = np.asarray(run_at, "datetime64[s]").astype(float)
    tested = np.r_[True, known[1:] != known[:-1]]
    return np.interp(time, time[tested], known[tested])


def pooled_scatter(curves: Iterable[CheckRuns]) -> tuple[float, int]:
    """Return the SD of a check sample from day to day over curves, and its df."""
    # From the base days of each. A few days of one curve say little of their scatter.
    # Sensors of one kind are taken to repeat alike; a noisier one then shows as out of
    # its limits.
    bases = [checks.cells[checks.cells["base"]] for checks in curves]
    df = sum(len(base) - base["sample"].nunique() for base in bases)
    squares = sum(float((base["deviation"] ** 2).sum()) for base in bases)
    return (sqrt(squares / df), df) if df and squares > 0 else (nan, 0)


def drift_of(checks: CheckRuns, error: str = "error") -> Estimate:
    """Return how far the check samples' error moves in `DRIFT_DAYS` days. [points]."""
    # The slope of a common straight line in time, each sample having its own level;
    # runs of one day share what that day did to them. Without those of the set-up.
    cells = checks.season
    if cells.empty:
        return not_known("no check sample was run in the season")
    levels = pd.get_dummies(cells["sample"], dtype=float).to_numpy()
    days = (cells["day"] - cells["day"].min()).dt.days.to_numpy(float)
    design = np.column_stack([levels, days / DRIFT_DAYS])
    fit, _ = tried(clustered_fit, design, cells[error].to_numpy(float), cells["day"])
    if fit is None:
        n = counted(cells["day"].nunique(), "day")
        return not_known(f"check samples were run on {n}: too few for a drift")
    return fit.contrast(np.r_[np.zeros(levels.shape[1]), 1.0])


def joint_quantile(df: float, values: int = 1, level: float = 0.95) -> float:
    """Return t*: how many SDs the farthest of several values may lie off."""
    # Šidák's: each is held to level^(1 / values), so that all stay inside with at least
    # the chance `level`. NIST/SEMATECH e-Handbook, 2.3.6.7.
    return float(student_t.ppf((1 + level ** (1 / values)) / 2, df))


def sigmas(df: float) -> float:
    """Return the t quantile as rare as `SIGMAS` SDs of a normal distribution."""
    return float(student_t.ppf(norm.cdf(SIGMAS), df))


def ewma_weights(n: int, weight: float = EWMA_WEIGHT) -> np.ndarray:
    """Return the share of each of n values in each moving average, shape (n, n)."""
    # The averages are `weights @ values` for a start at 0.
    age = np.subtract.outer(np.arange(n), np.arange(n))
    return np.where(age >= 0, weight * (1 - weight) ** np.maximum(age, 0), 0.0)


def cusum(values, target: float = 0.0, slack: float = 0.0):
    """Return the sums of what values lie above and below their target, less a slack."""
    # NIST/SEMATECH e-Handbook, 6.3.2.3 (from memory).
    above, below, sums = 0.0, 0.0, []
    for value in finite_array("cusum: values", values):
        above = max(0.0, above + value - target - slack)
        below = max(0.0, below + target - slack - value)
        sums.append((above, below))
    return tuple(np.array(sums).reshape(-1, 2).T)


class SetupLine(NamedTuple):
    """Readings of known samples as a line: reading = start + slope × known."""

    start: float
    slope: float
    # How far off the departures of one day may lie, all of them; the line's own
    # uncertainty is not in it, as in the e-Handbook. [% moisture]
    limit: float

    def departure(self, known, readings):
        """Return W: the moisture a reading stands for on the line, less the known."""
        return (readings - self.start) / self.slope - known


def setup_line(known, readings, a_day: int = 1, level: float = 0.95):
    """Return the line of readings on known moistures, and the limit of departures."""
    # Ordinary least squares; limit t* residual SD / slope, with Šidák's t* over the
    # `a_day` samples of a day (NIST/SEMATECH e-Handbook, 2.3.6.7 and 2.3.7). None under
    # three samples, where readings do not rise with moisture or do not scatter.
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


def held_to_line(checks: CheckRuns, known, readings, level: float = 0.95):
    """Return the set-up line of other samples, and the first day checks leave it."""
    # A retained sample keeps its own error, so one out of limits stays out. None for
    # either that is not there.
    cells = checks.season
    a_day = cells.groupby("day").size().max() if len(cells) else 1
    line = setup_line(known, readings, int(a_day), level)
    if line is None:
        return None, None
    departure = line.departure(cells["known"], cells["reading"])
    return line, next(iter(cells.loc[departure.abs() > line.limit, "day"]), None)


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckChart:
    """Control charts of one curve's retained check samples. [% moisture]."""

    # Days after the base: sample, day, deviation from the sample's centre, the limit
    # it is held to, whether it is out.
    cells: pd.DataFrame
    # Each day after the base: mean deviation, ewma and its limit; cusum, the larger
    # of its two sums, in SDs.
    occasions: pd.DataFrame
    sd: float  # day-to-day SD of a check sample that the limits rest on, and its df
    df: int
    drift: Estimate  # of the error in `DRIFT_DAYS` days, the samples' change taken out
    drift_held: Estimate  # likewise with it
    runs: CheckRuns
    remark: str  # why nothing could be judged
    first_out: dict  # first day out by each chart or None; empty if none was judged


def check_chart(
    checks: CheckRuns, sd: float, df: int, level: float = 0.95
) -> CheckChart:
    """Return the control charts of a curve's check samples.

    A sample keeps an error of its own; what is charted is how far its error lies
    from that of the base days. `sd` and `df` are as from `pooled_scatter`; `level` is
    the chance that a sensor in order stays inside all Shewhart limits of its season.

    Shewhart: ± t* sd sqrt(1 + 1 / base days), Šidák's t* over all deviations.
    EWMA of the days' means: ± the t quantile as rare as 3 SD, times its SD, the
    error of the centres counted. CUSUM: self-starting (Hawkins, J. Quality
    Technology 19, 1987, 299-315, from memory), each error against the mean of all
    before it, so that an unlucky centre does not add up; slack 0.5 and limit 5 SD,
    the limit widened as the t quantile is beyond 3. In simulation (two samples, 4 to
    20 days, df 4 to 24) each chart calls out a sensor in order in 0 to 6 % of seasons.
    """
    cells = checks.cells[checks.cells["base_days"].notna()]
    by_sample = cells.groupby("sample")["error"]
    earlier = by_sample.cumcount()
    before = (by_sample.cumsum() - cells["error"]) / earlier.where(earlier > 0)
    # The error of a mean of few before it is larger: all are brought to one SD.
    news = (cells["error"] - before) * np.sqrt(earlier / (earlier + 1))
    later = cells.assign(news=news)[~cells["base"]]
    limit = joint_quantile(df, max(len(later), 1), level) * sd
    limit = limit * np.sqrt(1 + 1 / later["base_days"])
    later = later.assign(limit=limit, out=later["deviation"].abs() > limit)
    days = _occasions(later, sd, df)
    out = {
        SHEWHART: later[later["out"]],
        EWMA: days[days["ewma"].abs() > days["ewma_limit"]],
        CUSUM: days[days["cusum"] > CUSUM_LIMIT * sigmas(df) / SIGMAS],
    }
    first_out, why = {n: next(iter(rows["day"]), None) for n, rows in out.items()}, ""
    if later.empty:
        n = counted(checks.cells["day"].nunique(), "day")
        why = f"only {n} of check runs, all needed to set the limits: nothing to test"
    elif not sd > 0:
        why = "no check sample was run on two of the first days, so no SD is known"
    return CheckChart(
        cells=later[["sample", "day", "deviation", "limit", "out"]],
        occasions=days,
        sd=sd,
        df=df,
        drift=drift_of(checks, "error"),
        drift_held=drift_of(checks, "error_held"),
        runs=checks,
        remark=why,
        first_out={} if why else first_out,
    )


def _occasions(later: pd.DataFrame, sd: float, df: int) -> pd.DataFrame:
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
    ewma = {"ewma": weights @ means, "ewma_limit": sigmas(df) * sd * np.sqrt(scatter)}
    return pd.DataFrame({"day": table.index, "mean": means, **ewma, "cusum": sums})
