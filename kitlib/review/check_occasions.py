"""Runs of retained check samples as errors, one for each sample and day."""

from dataclasses import dataclass

import numpy as np
import pandas as pd


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
