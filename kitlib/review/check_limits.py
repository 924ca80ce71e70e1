"""What check samples are held to: their own first days, and the set-up runs' line."""

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
import pandas as pd

from kitlib.review.check_occasions import CheckRuns
from kitlib.review.control_charts import CalibrationLine, first_of

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
