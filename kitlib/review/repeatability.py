"""How near the readings of one and the same grain lie to each other."""

from dataclasses import dataclass
from math import nan, sqrt

import numpy as np
from scipy.stats import chi2

from kitlib.statistics.arrays import cluster_codes, finite_array, sums_by_cluster
from kitlib.words.estimates import NO_INTERVAL, Interval


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
