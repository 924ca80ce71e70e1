"""Runs of retained check samples as errors, one for each sample and day.

Control charts: what a sensor in order would hardly ever show.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np
import pandas as pd
from scipy.stats import norm
from scipy.stats import t as student_t

from kitlib.statistics.arrays import finite_array
from kitlib.words.errors import NoSpread, TooFewSamples


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
    before = in_force[np.maximum(after - 1, 0)]
    next_ = in_force[np.minimum(after, at.size - 1)]
    before = np.where(after == 0, next_, before)
    return np.where(before == next_, before, np.nan)


def known_at(run_at, known) -> np.ndarray:
    """Return a retained sample's own moisture at each run, its re-tests joined up.

    A value first written at a run was tested then; between two tests the sample is
    taken to change evenly, after the last one not at all. [% moisture, wet basis]

    Parameters
    ----------
    run_at : array_like of datetime64, shape (n,)
        Runs of one sample in order of time.
    known : array_like, shape (n,)
        The value known at each run.

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


@dataclass(frozen=True, kw_only=True, eq=False)
class CheckRuns:
    """Mean error of each check sample on each day it was run.

    Attributes
    ----------
    cells : DataFrame
        One row per sample × day in order of time: sample, day, known (the sample's
        own change joined up), reading, error = reading - known, error_held (against
        its first known value), runs, at_setup.
    own_change : dict of float
        By sample: its last known moisture less its first, where re-tested.
    n_runs : int
        Runs the cells come from.
    n_open : int
        Runs not used: whose offset nobody can tell, or without time or number.
    """

    cells: pd.DataFrame
    own_change: dict[str, float]
    n_runs: int
    n_open: int

    @property
    def days(self) -> np.ndarray:
        """The days with a run, in order."""
        return np.unique(self.cells["day"].to_numpy("datetime64[s]"))


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

    Returns
    -------
    CheckRuns
        Runs in = runs used + runs open.
    """
    told = runs.assign(sensor_pct=runs["sensor_pct"] - offset + loaded)
    whole = told[["run_at", "known_pct", "sensor_pct"]].notna().all(axis=1)
    told = told[whole].sort_values(["sample", "run_at"], kind="stable")
    known, change = _known(told)
    errors = pd.DataFrame(
        {
            "sample": told["sample"].astype(object),
            "day": told["run_at"].dt.floor("D"),
            "at_setup": told["at_setup"].astype(bool),
            "known": known,
            "reading": told["sensor_pct"],
            "error": told["sensor_pct"] - known,
            "error_held": told["sensor_pct"]
            - told.groupby("sample")["known_pct"].transform("first"),
        }
    )
    by_cell = errors.groupby(["day", "sample"], sort=True)
    cells = by_cell.agg(
        known=("known", "mean"),
        reading=("reading", "mean"),
        error=("error", "mean"),
        error_held=("error_held", "mean"),
        runs=("error", "size"),
        at_setup=("at_setup", "all"),
    )
    return CheckRuns(
        cells=cells.reset_index(),
        own_change=change,
        n_runs=len(told),
        n_open=len(runs) - len(told),
    )


def _known(told: pd.DataFrame) -> tuple[pd.Series, dict[str, float]]:
    """Return each run's known moisture, and the change of samples tested again."""
    known, change = pd.Series(np.nan, index=told.index), {}
    for sample, group in told.groupby("sample"):
        values = group["known_pct"].to_numpy(float)
        known[group.index] = known_at(group["run_at"].to_numpy(), values)
        if np.ptp(values) > 0:
            change[str(sample)] = float(values[-1] - values[0])
    return known, change


# NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.4 (from memory): a weight
# of 0.2 to 0.3 for the newest value, limits at 3 SD.
EWMA_WEIGHT, SIGMAS = 0.3, 3.0
# Slack and decision limit of a CUSUM in SDs: Montgomery, Introduction to
# Statistical Quality Control, chapter 9 (from memory).
CUSUM_SLACK, CUSUM_LIMIT = 0.5, 5.0


def joint_quantile(df: float, values: int = 1, level: float = 0.95) -> float:
    """Return t*: how many SDs the farthest of several values may lie off.

    Šidák's: each of `values` values is held to level^(1 / values), so that all
    stay inside with at least the chance `level`.

    Parameters
    ----------
    df : float
        Degrees of freedom of the SD.
    values : int
        Values judged together.
    level : float

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


@dataclass(frozen=True, kw_only=True)
class CalibrationLine:
    """Readings of known samples as a line: reading = start + slope × known.

    Attributes
    ----------
    start, slope : float
        Reading at 0, and points of reading per point of moisture.
    residual_sd : float
        SD of a reading about the line, n - 2. [% moisture]
    n : int
    """

    start: float
    slope: float
    residual_sd: float
    n: int

    @property
    def df(self) -> int:
        """Degrees of freedom of the residual SD."""
        return self.n - 2

    def departure(self, known, readings):
        """Return W: the moisture a reading stands for on the line, less the known."""
        readings = np.asarray(readings, float)
        return (readings - self.start) / self.slope - np.asarray(known, float)

    def limit(self, values: int = 1, level: float = 0.95) -> float:
        """Return how far off `values` departures may lie, all of them. [% moisture].

        The line's own uncertainty is not in it, as in the e-Handbook.
        """
        return joint_quantile(self.df, values, level) * self.residual_sd / self.slope


def calibration_line(known, readings) -> CalibrationLine:
    """Return the line of the readings on the known moistures, by least squares.

    Parameters
    ----------
    known, readings : array_like, shape (n,), n >= 3
        [% moisture, wet basis]

    Raises
    ------
    TooFewSamples
        If n < 3.
    NoSpread
        If the moistures are all the same, or the readings do not rise with them.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 2.3.6.7 and 2.3.7.

    Examples
    --------
    >>> line = calibration_line([10, 20, 30], [10.5, 20.5, 30.5])
    >>> float(line.departure(25, 26.5))
    1.0
    """
    known = finite_array("calibration_line: known", known)
    readings = finite_array("calibration_line: readings", readings)
    if known.size < 3:
        raise TooFewSamples(
            f"calibration_line: got n = {known.size} sample(s); needs at least 3."
        )
    spread = known - known.mean()
    if not np.ptp(known) > 0:
        raise NoSpread(
            f"calibration_line: all samples hold {known[0]:g} %; expected moistures "
            "that differ. A line needs a drier and a wetter sample."
        )
    slope = float(spread @ readings / (spread @ spread))
    if slope <= 0:
        raise NoSpread(
            f"calibration_line: readings move by {slope:g} points per point; expected "
            "them to rise with moisture. Check the labels of the samples."
        )
    start = float(readings.mean() - slope * known.mean())
    left = readings - start - slope * known
    sd = sqrt(float(left @ left) / (known.size - 2))
    return CalibrationLine(start=start, slope=slope, residual_sd=sd, n=known.size)


def ewma(values, start: float = 0.0, weight: float = EWMA_WEIGHT) -> np.ndarray:
    """Return the exponentially weighted moving average of values in order of time.

    Parameters
    ----------
    values : array_like, shape (n,)
    start : float
        Average before the first value.
    weight : float
        Share of the newest value.

    Examples
    --------
    >>> ewma([1.0, 1.0], weight=0.5).tolist()
    [0.5, 0.75]
    """
    average, averages = start, []
    for value in finite_array("ewma: values", values):
        average = weight * value + (1 - weight) * average
        averages.append(average)
    return np.array(averages)


def ewma_weights(n: int, weight: float = EWMA_WEIGHT) -> np.ndarray:
    """Return the share of each value in each average, shape (n, n).

    Examples
    --------
    >>> ewma_weights(2, 0.5).tolist()
    [[0.5, 0.0], [0.25, 0.5]]
    """
    age = np.subtract.outer(np.arange(n), np.arange(n))
    return np.where(age >= 0, weight * (1 - weight) ** np.maximum(age, 0), 0.0)


def ewma_sd(sd: float, weight: float = EWMA_WEIGHT) -> float:
    """Return the SD of the average after many values of one SD."""
    return sd * sqrt(weight / (2 - weight))


@dataclass(frozen=True, kw_only=True, eq=False)
class Cusum:
    """Sums of what values lie above and below their target, less a slack.

    Attributes
    ----------
    high, low : ndarray, shape (n,)
        Sums upward and downward; both 0 or more.
    """

    high: np.ndarray
    low: np.ndarray

    def beyond(self, limit: float) -> np.ndarray:
        """Flag the values at which either sum is above the decision limit."""
        return np.maximum(self.high, self.low) > limit


def cusum(values, target: float = 0.0, slack: float = 0.0) -> Cusum:
    """Return the tabular CUSUM of values in order of time.

    Parameters
    ----------
    values : array_like, shape (n,)
    target : float
    slack : float
        What a value may lie off the target for nothing.

    References
    ----------
    .. [1] NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2.3 (from memory).

    Examples
    --------
    >>> cusum([1.0, 2.0, 0.0], slack=0.5).high.tolist()
    [0.5, 2.0, 1.5]
    """
    high, low, sums = 0.0, 0.0, []
    for value in finite_array("cusum: values", values):
        high = max(0.0, high + value - target - slack)
        low = max(0.0, low + target - slack - value)
        sums.append((high, low))
    both = np.array(sums).reshape(-1, 2)
    return Cusum(high=both[:, 0], low=both[:, 1])


def first_of(times, flagged) -> object:
    """Return the first time that is flagged, None if there is none."""
    where = np.flatnonzero(flagged)
    return times[where[0]] if where.size else None
