"""What goes into a statistic, finite and paired, and what comes out: an estimate."""

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import isfinite, nan
from typing import Any, NamedTuple, TypeVar

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.sparse import csr_array
from scipy.stats import t as student_t

from kitlib.words.findings import KitError, NoSpread, NotFinite, TooFewSamples


class Interval(NamedTuple):
    """Two ends of an interval, in the unit of the estimate."""

    low: float
    high: float

    def holds(self, value: float) -> bool:
        """Say whether `value` lies inside, ends included."""
        return self.low <= value <= self.high

    def shifted(self, by: float) -> "Interval":
        """Return the interval moved by `by`."""
        return Interval(self.low + by, self.high + by)


NO_INTERVAL = Interval(nan, nan)


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A number, how well it is known, and by which method."""

    value: float  # in the unit of the quantity
    se: float = nan  # its standard error, nan if not known
    df: float = nan  # degrees of freedom of the t distribution of its interval
    method: str = ""  # as printed beside the interval
    remark: str = ""  # what the reader must know, or why the number is not known

    @property
    def known(self) -> bool:
        """Whether there is a number at all."""
        return isfinite(self.value)

    @property
    def t(self) -> float:
        """The estimate in units of its standard error."""
        return self.value / self.se if self.se > 0 else nan

    @property
    def p_value(self) -> float:
        """Chance of an estimate so far from zero if there were nothing."""
        return float(2 * student_t.sf(abs(self.t), self.df))

    def interval(self, level: float = 0.95) -> Interval:
        """Return the two-sided t interval at `level`; nan ends if not known."""
        if not (isfinite(self.se) and self.df > 0):
            return NO_INTERVAL
        half = float(student_t.ppf((1 + level) / 2, self.df)) * self.se
        return Interval(self.value - half, self.value + half)

    def chance_within(self, low: float, high: float) -> float:
        """Return the chance that the quantity lies from `low` to `high`.

        Reads the t distribution about the estimate as what is known (a flat prior).
        """
        if not (isfinite(self.se) and self.df > 0):
            return nan
        if self.se == 0:
            return float(low <= self.value <= high)
        upper, lower = (high - self.value) / self.se, (low - self.value) / self.se
        return float(student_t.cdf(upper, self.df) - student_t.cdf(lower, self.df))


def not_known(why: str) -> Estimate:
    """Return an estimate that says why there is no number."""
    return Estimate(value=nan, remark=why)


def cells_of(row: Mapping[str, Any], level: float) -> dict[str, Any]:
    """Return a row, each estimate in it as cells: its value, interval, SE and df."""
    cells: dict[str, Any] = {}
    for name, cell in row.items():
        cells[name] = cell
        if isinstance(cell, Estimate):
            low, high = cell.interval(level)
            cells |= {name: cell.value, f"{name}_low": low, f"{name}_high": high}
            cells |= {f"{name}_se": cell.se, f"{name}_df": cell.df}
    return cells


Found = TypeVar("Found")


def tried(make: Callable[..., Found], *args: Any) -> tuple[Found | None, str]:
    """Return a statistic, or None and why the samples do not give it."""
    try:
        return make(*args), ""
    except KitError as reason:
        return None, str(reason)


# ---- arrays --------------------------------------------------------------------------

ROUNDING = 1e-12  # a sum of squares this much below its parts is rounding


def finite_array(place: str, values: ArrayLike) -> np.ndarray:
    """Return values as floats, or raise `NotFinite` naming place and first bad."""
    values = np.asarray(values, float)
    bad = np.argwhere(~np.isfinite(values))
    if bad.size:
        spot = ", ".join(str(index) for index in bad[0])
        raise NotFinite(
            f"{place}[{spot}] is {values[tuple(bad[0])]}; expected a finite number. "
            "Leave it out, and say so."
        )
    return values


def paired(
    place: str, sensor: ArrayLike, reference: ArrayLike, at_least: int = 2
) -> tuple[np.ndarray, np.ndarray]:
    """Return readings and reference values of the same samples, fit to be compared.

    Raises `TooFewSamples`, `NotFinite`, or ValueError where the shapes differ.
    """
    sensor = finite_array(f"{place}: sensor", sensor)
    reference = finite_array(f"{place}: reference", reference)
    if sensor.ndim != 1 or sensor.shape != reference.shape:
        raise ValueError(
            f"{place}: sensor has shape {sensor.shape} and reference "
            f"{reference.shape}; expected one result of each per sample."
        )
    if sensor.size < at_least:
        raise TooFewSamples(
            f"{place}: got n = {sensor.size} sample(s); needs at least {at_least}."
        )
    return sensor, reference


def errors_of(sensor: np.ndarray, reference: np.ndarray) -> np.ndarray:
    """Return sensor - reference, exactly constant where only rounding differs."""
    # 15.3 - 15.2 and 14.1 - 14.0 differ in the last bit, and an SEP made of last
    # bits would pass for a very good sensor.
    error = sensor - reference
    scale = max(np.abs(sensor).max(), np.abs(reference).max())
    if np.ptp(error) <= 4 * np.finfo(float).eps * scale:
        return np.full_like(error, error.mean())
    return error


def moisture_bands(reference: ArrayLike) -> np.ndarray:
    """Return the lower edge of the moisture band each sample falls into, (n,).

    Bands are [edge, edge + 2), with edges at even points, so that they are the same in
    every season.
    """
    reference = finite_array("moisture_bands: reference", reference)
    return (np.floor(reference / 2) * 2).astype(int)


# ---- samples that come in trials -----------------------------------------------------


def cluster_codes(place: str, labels: Any, n: int) -> tuple[np.ndarray, int]:
    """Return a number from 0 for the cluster of each of n samples, and how many.

    Labels may be of any kind, such as names of trials; numbers follow the order in
    which they first appear. Raises `NotFinite` if one is missing.
    """
    known = isinstance(labels, np.ndarray)
    codes, names = pd.factorize(labels if known else pd.Index(labels))
    if codes.size != n:
        raise ValueError(f"{place}: got {codes.size} label(s) for {n} sample(s).")
    if (codes < 0).any():
        raise NotFinite(
            f"{place}[{np.argmin(codes)}] is missing; expected a label for every "
            "sample. Give it, or leave the sample out, and say so."
        )
    return codes, len(names)


def sums_by_cluster(codes: np.ndarray, count: int, values: np.ndarray) -> np.ndarray:
    """Return the sums of rows, (n, ...), over each cluster, (count, ...)."""
    # A sparse product: np.add.at would be ten times slower on a million plots.
    positions = (codes, np.arange(codes.size))
    member = csr_array((np.ones(codes.size), positions), (count, codes.size))
    sums = member @ values.reshape(codes.size, -1)
    return sums.reshape(count, *values.shape[1:])


def orthonormal(place: str, design: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return Q, with orthonormal columns, and R of a design, (n, p).

    Raises `TooFewSamples` if nothing is left to judge a fit by, and `NoSpread` if a
    column is a combination of the ones before it.
    """
    n, p = design.shape
    if n <= p:
        raise TooFewSamples(
            f"{place}: got n = {n} sample(s); {p} coefficient(s) need at least {p + 1}."
        )
    q, r = np.linalg.qr(design)
    own = np.abs(np.diag(r))
    empty = own <= 1e-10 * np.linalg.norm(design, axis=0)
    if empty.any():
        raise NoSpread(
            f"{place}: column {np.argmax(empty)} of the design says nothing beyond the "
            "columns before it; expected values that differ. Leave it out."
        )
    return q, r


def left_over(response: np.ndarray, q: np.ndarray) -> np.ndarray:
    """Return the residuals of a fit on Q, exactly zero where only rounding is left."""
    residual = response - q @ (q.T @ response)
    if np.linalg.norm(residual) <= 1e-13 * np.linalg.norm(response):
        return np.zeros_like(residual)
    return residual
