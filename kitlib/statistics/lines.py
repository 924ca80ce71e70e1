"""The prediction line: the reference regressed on the sensor, anchored in the data.

It corrects readings: corrected = intercept + slope * sensor. Its slope is below 1
even for a perfect sensor, because readings carry error and moistures spread only
so far; `kitlib.statistics.lines` judges the sensor.

Gain: the sensor's own slope, with error in both the sensor and the reference.

Shape of the errors over moisture: does the bias bend, does the spread grow.

Both are read against the reference, whose error is the smaller one: against the
sensor's own readings a straight and steady sensor would seem to bend where
moistures are spread unevenly.
"""

from dataclasses import dataclass, replace
from math import exp, isfinite

import numpy as np
from statsmodels.regression.linear_model import OLS

from kitlib.statistics.agreement import PLAIN_T, errors_of, paired
from kitlib.statistics.clustered import (
    CR2,
    NO_SCATTER,
    ClusteredFit,
    JointRegion,
    JointTest,
    clustered_fit,
    joint_region,
    joint_test,
)
from kitlib.statistics.sums import Sums, trial_sums
from kitlib.words.errors import NoSpread
from kitlib.words.estimates import NO_INTERVAL, Estimate, Interval, not_known

BIAS_AND_TILT = np.array([[-1.0, 0.0], [0.0, 1.0]])  # from shift and tilt


@dataclass(frozen=True, kw_only=True, eq=False)
class PredictionLine:
    """A line that predicts the reference from the sensor, with clustered errors.

    Written as corrected = sensor + shift + tilt * (sensor - anchor): shift is what
    to add at the anchor (-bias there), tilt is slope - 1.

    Attributes
    ----------
    anchor : float
        Reading at which the bias is told. [% moisture, wet basis]
    low, high : float
        Range of the readings it was fitted to. [% moisture, wet basis]
    fit : ClusteredFit
        Coefficients shift and tilt, their CR2 covariance.
    plain_shift, plain_tilt : Estimate
        The same with least-squares errors, samples taken as independent.
    """

    anchor: float
    low: float
    high: float
    fit: ClusteredFit
    plain_shift: Estimate
    plain_tilt: Estimate

    @property
    def n(self) -> int:
        """Samples it was fitted to."""
        return self.fit.n

    @property
    def n_trials(self) -> int:
        """Trials they come from."""
        return self.fit.n_clusters

    @property
    def residual_sd(self) -> float:
        """Standard deviation of the reference about the line, n - 2. [% moisture]."""
        return self.fit.residual_sd

    @property
    def bias(self) -> Estimate:
        """Bias (sensor - reference) at the anchor. [% moisture]."""
        return self.fit.contrast([-1.0, 0.0])

    @property
    def tilt(self) -> Estimate:
        """Slope - 1: what is added more for each point above the anchor."""
        return self.fit.contrast([0.0, 1.0])

    @property
    def slope(self) -> Estimate:
        """Prediction slope, reference per point of reading."""
        return _moved(self.tilt, 1.0)

    @property
    def shrunk_slope(self) -> float:
        """Slope drawn towards 1 by its own doubt: 1 + tilt max(0, 1 - 1 / t^2).

        The least regret in new seasons by our own simulation; nan without an error.
        """
        tilt = self.tilt
        if not np.isfinite(tilt.se):
            return np.nan
        kept = max(0.0, 1.0 - (tilt.se / tilt.value) ** 2) if tilt.value else 0.0
        return 1.0 + kept * tilt.value

    @property
    def intercept(self) -> Estimate:
        """Corrected moisture at a reading of 0: for the formula, never for a test."""
        return self.fit.contrast([1.0, -self.anchor])

    @property
    def plain_slope(self) -> Estimate:
        """Prediction slope as standards test it, samples taken as independent."""
        return _moved(self.plain_tilt, 1.0)

    @property
    def plain_bias(self) -> Estimate:
        """Bias at the anchor, samples taken as independent. [% moisture]."""
        return replace(self.plain_shift, value=-self.plain_shift.value)

    def correction_at(self, sensor: float) -> Estimate:
        """Return what to add to a reading. [% moisture]."""
        return self.fit.contrast([1.0, sensor - self.anchor])

    def corrected(self, sensor) -> np.ndarray:
        """Return corrected moistures of readings. [% moisture, wet basis]."""
        sensor = np.asarray(sensor, float)
        shift, tilt = self.fit.coefficients
        return sensor + shift + tilt * (sensor - self.anchor)

    def joint_test(self) -> JointTest:
        """Test that bias at the anchor and tilt are both zero."""
        return joint_test(self.fit, BIAS_AND_TILT, [0.0, 0.0])

    def region(self, level: float = 0.95) -> JointRegion:
        """Return the joint region of (bias at the anchor, tilt)."""
        return joint_region(self.fit, BIAS_AND_TILT, level)


def prediction_line(sensor, reference, trial, anchor: float) -> PredictionLine:
    """Fit the line that predicts the reference from the sensor.

    Estimand: the best straight prediction of the reference from readings of
    samples like these, the trials being a random draw. It holds for moistures that
    spread as these do, and says nothing beyond them. With fewer than 3 trials
    there is a line but no interval.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 3
        Results for the same samples, same order. [% moisture, wet basis]
    trial : array_like, shape (n,)
        Trial of each sample, labels of any kind.
    anchor : float
        Reading to tell the bias at, well inside the data: the crop's standard
        moisture or the mean. At 0 % moisture there is nothing to tell.
        [% moisture, wet basis]

    Returns
    -------
    PredictionLine

    Raises
    ------
    TooFewSamples
        If n < 3.
    NoSpread
        If all readings are the same.
    NotFinite
        If a value or a trial is missing or infinite.

    References
    ----------
    .. [1] AACC International Method 39-01.01 (2010): direction of the regression
       (first page read).
    .. [2] Bell, McCaffrey, Survey Methodology 28 (2002) 169-181.

    Examples
    --------
    >>> sensor, trial = [14.0, 16.0, 18.0, 20.0], ["A", "B", "C", "D"]
    >>> line = prediction_line(sensor, [14.0, 15.8, 17.6, 19.4], trial, anchor=16.0)
    >>> print(f"{line.slope.value:.2f}, bias at 16 % {line.bias.value:.2f}")
    0.90, bias at 16 % 0.20
    """
    place = "prediction_line"
    sensor, reference = paired(place, sensor, reference, at_least=3)
    if np.ptp(sensor) == 0:
        raise NoSpread(
            f"{place}: all {sensor.size} readings are {sensor[0]:g}; expected readings "
            "that differ. Report the bias alone."
        )
    design = np.column_stack([np.ones_like(sensor), sensor - anchor])
    response = -errors_of(sensor, reference)
    fit = clustered_fit(design, response, trial)
    shift, tilt = _plain_estimates(design, response, fit.residual_sd > 0)
    return PredictionLine(
        anchor=anchor,
        low=float(sensor.min()),
        high=float(sensor.max()),
        fit=fit,
        plain_shift=shift,
        plain_tilt=tilt,
    )


def _plain_estimates(design, response, scatter):
    """Return least-squares estimates, samples taken as independent."""
    plain = OLS(response, design).fit(method="qr")
    if not scatter:
        return [Estimate(value=float(b), remark=NO_SCATTER) for b in plain.params]
    return [
        Estimate(value=float(b), se=float(se), df=float(plain.df_resid), method=PLAIN_T)
        for b, se in zip(plain.params, plain.bse, strict=True)
    ]


def _moved(estimate, by):
    """Return an estimate moved by a known amount."""
    return replace(estimate, value=estimate.value + by)


DEMING = f"Deming, {CR2}"
NOT_TOGETHER = "readings and reference do not rise together, so no line joins them"
ALL_NOISE = "reference error explains all of the spread of the reference"


def deming_slope(sums: Sums, sd_sensor: float, sd_reference: float) -> np.ndarray:
    """Return the slope of sensor on reference with error in both, closed form.

    nan where the two do not rise together.

    Notes
    -----
    With sums of squares S and v the two variances, the positive root of
    v_ref S_sr b^2 + (v_sen S_rr - v_ref S_ss) b - v_sen S_sr = 0.
    """
    sensor2, reference2, product = sums.squares
    v_sensor, v_reference = sd_sensor**2, sd_reference**2
    lean = v_sensor * reference2 - v_reference * sensor2
    root = np.hypot(lean, 2 * sd_sensor * sd_reference * product)
    # Two forms of one root; each time the one without a difference of like numbers.
    steep = lean < 0
    above = np.where(steep, root - lean, 2 * v_sensor * product)
    below = np.where(steep, 2 * v_reference * product, root + lean)
    rising = (product > 0) & (below > 0)
    return np.divide(above, below, where=rising, out=np.full(below.shape, np.nan))


def gain(sensor, reference, sd_sensor: float, sd_reference: float, trial) -> Estimate:
    """Return the gain: points the sensor moves per point of true moisture.

    Estimand: the slope of the sensor on the true moisture, in the population of
    trials these were drawn from. It judges the sensor. It does not correct
    readings: that is the prediction slope, which a perfect sensor need not have
    at 1 where moistures spread little.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,)
        Results for the same samples, same order. [% moisture, wet basis]
    sd_sensor, sd_reference : float
        Standard deviation of the error of a reading and of a reference value
        about the true moisture of the sample; one of the two may be 0. Two SDs,
        never a ratio: programs disagree on which way round a ratio is.
        [% moisture]
    trial : array_like, shape (n,)
        Trial of each sample, labels of any kind.

    Returns
    -------
    Estimate
        trials - 1 degrees of freedom; not known where sensor and reference do
        not rise together. With a remark where reference error alone would spread
        the reference values as far as they are.

    Raises
    ------
    NoSpread
        If all readings or all reference values are the same.

    References
    ----------
    .. [1] Linnet, Clinical Chemistry 39 (1993) 424-432 (from memory).

    Examples
    --------
    >>> found = gain([12.0, 14.6, 16.0], [12.0, 14.0, 16.0], 0.4, 0.0, ["A", "B", "C"])
    >>> print(f"{found.value:.2f}")  # no reference error: least squares, 8 / 8
    1.00
    """
    if min(sd_sensor, sd_reference) < 0 or not sd_sensor + sd_reference > 0:
        raise ValueError(
            f"gain: sd_sensor is {sd_sensor} and sd_reference {sd_reference}; "
            "expected standard deviations, not both 0."
        )
    sums = trial_sums(sensor, reference, trial)
    sensor2, reference2, _ = sums.total.squares
    if sensor2 == 0 or reference2 == 0:
        which = "reference values" if reference2 == 0 else "readings"
        raise NoSpread(f"gain: all {which} are the same; expected values that differ.")
    slope = float(deming_slope(sums.total, sd_sensor, sd_reference))
    if not isfinite(slope):
        return not_known(NOT_TOGETHER)
    found = _with_error(slope, sensor, reference, sd_sensor, sd_reference, trial)
    noise = reference2 <= (sums.total.n - 1) * sd_reference**2
    return Estimate(
        value=found.value,
        se=found.se,
        df=found.df,
        method=DEMING if isfinite(found.se) else "",
        remark=found.remark or (ALL_NOISE if noise else ""),
    )


def _with_error(slope, sensor, reference, sd_sensor, sd_reference, trial) -> Estimate:
    """Return a Deming slope with its CR2 error.

    The slope is that of least squares on the fitted true moistures, so that CR2
    applies. Its residuals are the share of the distance from the line that falls
    to the response, which is undone.
    """
    sensor, reference = np.asarray(sensor, float), np.asarray(reference, float)
    of_sensor, of_reference = sd_sensor**2, (slope * sd_reference) ** 2
    total = of_sensor + of_reference
    away = sensor - sensor.mean() - slope * (reference - reference.mean())
    moisture = reference - reference.mean() + of_reference / total * away / slope
    steep = of_sensor < of_reference
    response = reference if steep else sensor
    design = np.column_stack(
        [np.ones_like(moisture), moisture * (slope if steep else 1)]
    )
    found = clustered_fit(design, response, trial).contrast([0.0, 1.0])
    stretch = total / max(of_sensor, of_reference) * (slope**2 if steep else 1)
    return replace(found, value=slope, se=float(found.se * stretch))


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

    def scaled(self, moisture) -> np.ndarray:
        """Return moistures as -1 at the low end to +1 at the high end."""
        return (2 * moisture - self.low - self.high) / (self.high - self.low)


def span_of(reference) -> Span:
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


def curvature(sensor, reference, trial) -> Estimate:
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


def spread_trend(sensor, reference, trial) -> SpreadTrend:
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
