"""An estimate with its standard error, its degrees of freedom and its method."""

from dataclasses import dataclass
from math import isfinite, nan, sqrt
from typing import NamedTuple

from scipy.stats import t as student_t


class Interval(NamedTuple):
    """Two ends of an interval, in the unit of the estimate."""

    low: float
    high: float

    def holds(self, value: float) -> bool:
        """Say whether `value` lies inside, ends included."""
        return self.low <= value <= self.high

    def inside(self, margin: float) -> bool:
        """Say whether the whole interval lies inside -margin to +margin."""
        return -margin <= self.low and self.high <= margin

    def shifted(self, by: float) -> "Interval":
        """Return the interval moved by `by`."""
        return Interval(self.low + by, self.high + by)

    def mirrored(self) -> "Interval":
        """Return the interval of the estimate with its sign changed."""
        return Interval(-self.high, -self.low)


NO_INTERVAL = Interval(nan, nan)


@dataclass(frozen=True, kw_only=True)
class Estimate:
    """A number, how well it is known, and by which method.

    Attributes
    ----------
    value, se : float
        The estimate and its standard error, in the unit of the quantity.
    df : float
        Degrees of freedom of the t distribution its interval rests on.
    method : str
        Name of the method, as printed beside the interval.
    remark : str
        What the reader must know, or why the number is not known.

    Examples
    --------
    >>> Estimate(value=0.30, se=0.10, df=9, method="t").interval().inside(0.6)
    True
    """

    value: float
    se: float = nan
    df: float = nan
    method: str = ""
    remark: str = ""

    @property
    def known(self) -> bool:
        """Whether there is a number at all."""
        return isfinite(self.value)

    @property
    def t(self) -> float:
        """The estimate in units of its standard error."""
        return self.value / self.se if self.se > 0 else nan

    def interval(self, level: float = 0.95) -> Interval:
        """Return the two-sided t interval at `level`; nan ends if not known."""
        if not (isfinite(self.se) and self.df > 0):
            return NO_INTERVAL
        half = float(student_t.ppf((1 + level) / 2, self.df)) * self.se
        return Interval(self.value - half, self.value + half)

    def chance_within(self, low: float, high: float) -> float:
        """Return the chance that the quantity lies from `low` to `high`.

        Reads the t distribution about the estimate as what is known of the
        quantity (a flat prior); nan where the standard error is not known.
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


def combined_se(*parts: float) -> float:
    """Return the standard error of a sum of independent parts."""
    return sqrt(sum(part * part for part in parts))
