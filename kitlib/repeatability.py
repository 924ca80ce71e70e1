"""How near the readings of one and the same grain lie to each other."""

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
from scipy.stats import chi2

from kitlib.arrays import cluster_codes, finite_array, sums_by_cluster
from kitlib.estimates import NO_INTERVAL, Interval


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """Standard deviation of a reading of the same grain by the same sensor.

    Attributes
    ----------
    sd : float
        Within samples, pooled; nan where no sample was run twice. [% moisture]
    df : int
        Runs beyond the first of each sample.
    n_samples : int
        Samples run at least twice.
    """

    sd: float
    df: int
    n_samples: int

    @property
    def limit(self) -> float:
        """Difference two runs exceed once in twenty times, 2.8 SD. [% moisture]."""
        return 2.8 * self.sd

    def interval(self, level: float = 0.95) -> Interval:
        """Return the chi-squared interval of the SD, for normal errors."""
        if not self.df:
            return NO_INTERVAL
        tails = chi2.ppf([(1 + level) / 2, (1 - level) / 2], self.df)
        low, high = self.sd * np.sqrt(self.df / tails)
        return Interval(float(low), float(high))


def repeatability(readings, sample) -> Repeatability:
    """Return the SD of repeated runs about the mean of their sample.

    Estimand: the SD of a single reading of grain that stays the same, the sensor
    filled anew each time. It holds neither the error a sample keeps from run to
    run nor that of the oven.

    Parameters
    ----------
    readings : array_like, shape (n,)
        Readings, or errors: a known value common to a sample drops out. [%]
    sample : array_like, shape (n,)
        Label of the sample; of sample and day where only runs of one day count.

    Raises
    ------
    NotFinite
        If a value or a label is missing.

    References
    ----------
    .. [1] ISO 5725-2, 7.4: the pooled within-cell SD (from memory).

    Examples
    --------
    >>> found = repeatability([15.1, 15.3, 20.0, 20.2, 25.0], list("AABBC"))
    >>> print(f"{found.sd:.3f} with {found.df} degrees of freedom")
    0.141 with 2 degrees of freedom
    """
    readings = finite_array("repeatability: readings", readings)
    if readings.size == 0:
        return Repeatability(sd=nan, df=0, n_samples=0)
    codes, n_samples = cluster_codes("repeatability: sample", sample, readings.size)
    counts = np.bincount(codes, minlength=n_samples)
    means = sums_by_cluster(codes, n_samples, readings) / counts
    df = readings.size - n_samples
    squares = float(((readings - means[codes]) ** 2).sum())
    sd = sqrt(squares / df) if df else nan
    return Repeatability(sd=sd, df=int(df), n_samples=int((counts > 1).sum()))


@dataclass(frozen=True, kw_only=True)
class DayToDay:
    """Scatter of readings of one sample within a day and between days.

    Attributes
    ----------
    mean : float
        Mean of the days' means.
    sd_run : float
        Within days. [% moisture]
    sd_day_means : float
        Of the means of the days, runs included. [% moisture]
    runs : float
        Runs a day: the harmonic mean.
    n_days : int
    """

    mean: float
    sd_run: float
    sd_day_means: float
    runs: float
    n_days: int

    @property
    def sd(self) -> float:
        """SD of a single reading on a day drawn at random. [% moisture]."""
        return sqrt(self.sd_day_means**2 + (1 - 1 / self.runs) * self.sd_run**2)

    @property
    def df(self) -> float:
        """Degrees of freedom of `sd`, after Satterthwaite."""
        between = self.sd_day_means**2
        within = (1 - 1 / self.runs) * self.sd_run**2
        spread = between**2 / (self.n_days - 1)
        if within:
            spread += within**2 / (self.n_days * (self.runs - 1))
        return (between + within) ** 2 / spread if spread else nan


def day_to_day(readings, day) -> DayToDay | None:
    """Return how readings of one sample scatter within and between days.

    Estimand: the SD within a day, and that of a reading on any day. None under two
    days. Days count alike; exact where each day has as many runs.

    Parameters
    ----------
    readings : array_like, shape (n,)
        Readings of one sample, or errors. [% moisture]
    day : array_like, shape (n,)

    References
    ----------
    .. [1] Chesher, Clinical Biochemist Reviews 29 Suppl 1 (2008) S23-S26.

    Examples
    --------
    >>> found = day_to_day([15.0, 15.2, 15.4, 15.6], [1, 1, 2, 2])
    >>> print(f"{found.sd_run:.3f} {found.sd_day_means:.3f} {found.sd:.3f}")
    0.141 0.283 0.300
    """
    readings = finite_array("day_to_day: readings", readings)
    codes, n_days = cluster_codes("day_to_day: day", day, readings.size)
    if n_days < 2:
        return None
    counts = np.bincount(codes, minlength=n_days)
    means = sums_by_cluster(codes, n_days, readings) / counts
    sd_run = repeatability(readings, codes).sd
    return DayToDay(
        mean=float(means.mean()),
        sd_run=0.0 if readings.size == n_days else sd_run,
        sd_day_means=float(means.std(ddof=1)),
        runs=float(1 / np.mean(1 / counts)),
        n_days=n_days,
    )
