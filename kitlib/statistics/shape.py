"""Shape of the errors over moisture: does the bias bend, does the spread grow.

Both are read against the reference, whose error is the smaller one: against the
sensor's own readings a straight and steady sensor would seem to bend where
moistures are spread unevenly.
"""

from dataclasses import dataclass
from math import exp
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from kitlib.statistics.arrays import errors_of, paired
from kitlib.statistics.clustered import clustered_fit
from kitlib.words.errors import NoSpread
from kitlib.words.estimates import NO_INTERVAL, Estimate, Interval, not_known

NO_TREND = "too few errors leave the line for the spread to be followed over moisture"
ENDS = (0.05, 0.95)  # quantiles that stand for the ends: one wet sample is no range


@dataclass(frozen=True, kw_only=True)
class Span:
    """The range of moistures within which shape is judged.

    Attributes
    ----------
    low, high : float
        5 % and 95 % points of the reference. [% moisture, wet basis]
    """

    low: float
    high: float

    def scaled(self, moisture: np.ndarray) -> np.ndarray:
        """Return moistures as -1 at the low end to +1 at the high end."""
        return (2 * moisture - self.low - self.high) / (self.high - self.low)


def span_of(reference: ArrayLike) -> Span:
    """Return the range within which shape is judged: the middle 90 % of moistures.

    Raises
    ------
    NoSpread
        If its two ends are the same.

    Examples
    --------
    >>> span_of([10.0, 15.0, 20.0])
    Span(low=10.5, high=19.5)
    """
    reference, _ = paired("span_of", reference, reference)
    low, high = (float(end) for end in np.quantile(reference, ENDS))
    if not high > low:
        raise NoSpread(
            f"span_of: the middle 90 % of the reference is all {low:g}; expected "
            "moistures that differ. Leave shape out of the audit."
        )
    return Span(low=low, high=high)


def curvature(sensor: ArrayLike, reference: ArrayLike, trial: Any) -> Estimate:
    """Return how far the errors bend: at the middle of the range less at its ends.

    Estimand: mean error at the middle of the span (`span_of`), less the mean of
    the errors at its two ends, along the best parabola, in the population of
    trials. 0 for a straight relation, whatever its slope; +0.3 says the sensor
    reads 0.3 points too high in mid-range once it is right at both ends.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 4
        Results for the same samples, same order. [% moisture, wet basis]
    trial : array_like, shape (n,)
        Trial of each sample, labels of any kind.

    Returns
    -------
    Estimate
        [% moisture]; without an interval, saying why, under 3 trials.

    Raises
    ------
    NoSpread
        If the reference takes fewer than three values, or hardly moves.

    Notes
    -----
    Errors on 1, z, z^2 with z = -1 to 1 over the span; the effect is minus the
    coefficient of z^2. CR2 errors, see `clustered_fit`.

    Examples
    --------
    >>> reference = [10.0, 12.0, 14.0, 16.0, 18.0]
    >>> sensor = [10.0, 12.3, 14.4, 16.3, 18.0]  # 0.4 (1 - (r - 14)^2 / 16)
    >>> found = curvature(sensor, reference, ["A", "B", "C", "D", "E"])
    >>> print(f"{found.value:.3f}")  # 5 % off either end: 0.4 * 0.9^2
    0.324
    """
    sensor, reference = paired("curvature", sensor, reference, at_least=4)
    z = span_of(reference).scaled(reference)
    if np.unique(reference).size < 3:
        raise NoSpread(
            "curvature: the reference takes 2 values only; expected 3 or more."
        )
    design = np.column_stack([np.ones_like(z), z, z * z])
    fit = clustered_fit(design, errors_of(sensor, reference), trial)
    return fit.contrast([0.0, 0.0, -1.0])


@dataclass(frozen=True, kw_only=True)
class SpreadTrend:
    """How the spread of the errors changes from dry to wet.

    Attributes
    ----------
    log_ratio : Estimate
        Logarithm of the SD at the wet end over the SD at the dry end.
    span : Span
        The two ends. [% moisture, wet basis]
    """

    log_ratio: Estimate
    span: Span

    @property
    def ratio(self) -> float:
        """SD at the wet end over SD at the dry end."""
        return exp(self.log_ratio.value)

    def interval(self, level: float = 0.95) -> Interval:
        """Return the interval of the ratio; nan ends if not known."""
        low, high = self.log_ratio.interval(level)
        return Interval(exp(low), exp(high)) if low == low else NO_INTERVAL


def spread_trend(sensor: ArrayLike, reference: ArrayLike, trial: Any) -> SpreadTrend:
    """Return how many times wider the errors spread at the wet end than at the dry.

    Estimand: the ratio of the mean absolute deviations of the errors about their
    own line on moisture, wet end over dry end of the span (`span_of`), which is
    the ratio of SDs where the errors keep their form.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 4
        Results for the same samples, same order. [% moisture, wet basis]
    trial : array_like, shape (n,)
        Trial of each sample, labels of any kind.

    Returns
    -------
    SpreadTrend
        Not known, and saying why, where errors are zero over all the range or
        one side of it; without an interval under 3 trials.

    Raises
    ------
    NoSpread
        If the reference hardly moves.

    Notes
    -----
    Absolute residuals over sqrt(1 - leverage) by gamma regression with a log link,
    which takes zeros. Its weights are all 1, so its last step is an ordinary
    least-squares fit, whose CR2 errors are the ones given.

    References
    ----------
    .. [1] Davidian, Carroll, J. American Statistical Association 82 (1987)
       1079-1091: variance functions from absolute residuals (from memory).

    Examples
    --------
    >>> reference = [10.0, 10.0, 10.0, 10.0, 20.0, 20.0, 20.0, 20.0]
    >>> sensor = [10.1, 9.9, 10.1, 9.9, 20.3, 19.7, 20.3, 19.7]
    >>> print(f"{spread_trend(sensor, reference, list('ABCDABCD')).ratio:.2f}")
    3.00
    """
    sensor, reference = paired("spread_trend", sensor, reference, at_least=4)
    span = span_of(reference)
    error, z = errors_of(sensor, reference), span.scaled(reference)
    design = np.column_stack([np.ones_like(z), z])
    size = _sizes(design, error, dust=64 * np.spacing(np.abs(reference).max()))
    mean = _means(design, size) if size.any() else None
    if mean is None:
        return SpreadTrend(log_ratio=not_known(NO_TREND), span=span)
    last_step = np.log(mean) + size / mean - 1
    slope = clustered_fit(design, last_step, trial).contrast([0.0, 2.0])
    return SpreadTrend(log_ratio=slope, span=span)


def _sizes(design, error, dust):
    """Return absolute residuals, each enlarged by what its own leverage hid.

    Residuals up to `dust` are the rounding of the readings, and zero.
    """
    q, _ = np.linalg.qr(design)
    residual = error - q @ (q.T @ error)
    residual[np.abs(residual) <= dust] = 0.0
    hidden = 1 - (q * q).sum(axis=1)
    return np.abs(residual) / np.sqrt(np.maximum(hidden, 1e-12))


def _means(design, size):
    """Return means of a gamma regression with log link; None if it runs away."""
    q, _ = np.linalg.qr(design)
    log_mean = np.full(size.size, np.log(size.mean()))
    for _ in range(500):
        step = q @ (q.T @ (size / np.exp(log_mean) - 1))
        longest = np.abs(step).max()
        log_mean += step / max(longest, 1.0)
        if longest < 1e-11:
            return np.exp(log_mean)
    return None
