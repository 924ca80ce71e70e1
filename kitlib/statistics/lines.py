"""Two lines with two names: one corrects readings, the other judges the sensor.

The prediction line is the reference regressed on the sensor, anchored in the data:
corrected = intercept + slope * sensor. Its slope is below 1 even for a perfect
sensor, because readings carry error and moistures spread only so far. The gain is the
sensor's own slope, with error in both the sensor and the reference.
"""

from dataclasses import dataclass, replace
from math import isfinite, nan, sqrt
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from kitlib.statistics.arrays import (
    ROUNDING,
    cluster_codes,
    errors_of,
    paired,
    tried,
)
from kitlib.statistics.clustered import (
    CR2,
    ClusteredFit,
    JointTest,
    clustered_fit,
    joint_test,
)
from kitlib.statistics.sums import Sums, trial_sums
from kitlib.words.errors import NoSpread
from kitlib.words.estimates import Estimate, not_known


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
    """

    anchor: float
    low: float
    high: float
    fit: ClusteredFit

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
        return replace(self.tilt, value=self.tilt.value + 1.0)

    @property
    def shrunk_slope(self) -> float:
        """Slope drawn towards 1 by its own doubt: 1 + tilt max(0, 1 - 1 / t^2).

        The least regret in new seasons by our own simulation; nan without an error.
        """
        tilt = self.tilt
        if not np.isfinite(tilt.se):
            return nan
        kept = max(0.0, 1.0 - (tilt.se / tilt.value) ** 2) if tilt.value else 0.0
        return 1.0 + kept * tilt.value

    @property
    def intercept(self) -> Estimate:
        """Corrected moisture at a reading of 0: for the formula, never for a test."""
        return self.fit.contrast([1.0, -self.anchor])

    def corrected(self, sensor: ArrayLike) -> np.ndarray:
        """Return corrected moistures of readings. [% moisture, wet basis]."""
        sensor = np.asarray(sensor, float)
        shift, tilt = self.fit.coefficients
        return sensor + shift + tilt * (sensor - self.anchor)

    def joint_test(self) -> JointTest:
        """Test that bias at the anchor and tilt are both zero."""
        return joint_test(self.fit, [[-1.0, 0.0], [0.0, 1.0]], [0.0, 0.0])


def prediction_line(
    sensor: ArrayLike, reference: ArrayLike, trial: Any, anchor: float
) -> PredictionLine:
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
    return PredictionLine(
        anchor=anchor,
        low=float(sensor.min()),
        high=float(sensor.max()),
        fit=clustered_fit(design, response, trial),
    )


DEMING = f"Deming, {CR2}"
NOT_TOGETHER = "readings and reference do not rise together, so no line joins them"
NO_REFERENCE_ERROR = "the error of the reference is not known: one dish a sample"
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


def gain(
    sensor: ArrayLike,
    reference: ArrayLike,
    sd_sensor: float,
    sd_reference: float,
    trial: Any,
) -> Estimate:
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
    return replace(
        found,
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


def sensor_gain(
    sensor: ArrayLike, reference: ArrayLike, trial: Any, reference_se: float
) -> Estimate:
    """Return the gain, the sensor's own error taken from the scatter about its line.

    The scatter of the sensor about its line on the reference holds the error of
    both; what the dishes say of the reference is taken out of it.

    Parameters
    ----------
    sensor, reference, trial : array_like, shape (n,)
        Readings, air-oven values and trials of the samples. [% moisture, wet basis]
    reference_se : float
        Standard error of a reference value, nan if not known. [% moisture]

    Returns
    -------
    Estimate
        As `gain`; not known, with the reason, where the samples do not give it.

    Examples
    --------
    >>> trial = ["A", "B", "C", "D"]
    >>> found = sensor_gain([12.0, 14.6, 15.9, 18.3], [12, 14, 16, 18], trial, 0.0)
    >>> print(f"{found.value:.3f}")  # no reference error: least squares, 20.2 / 20
    1.010
    """
    sensor, reference = np.asarray(sensor, float), np.asarray(reference, float)
    if sensor.size < 3 or not np.ptp(reference) > 0:
        return not_known("a slope needs three samples of different moisture")
    design = np.column_stack([np.ones(sensor.size), reference])
    fit, why = tried(clustered_fit, design, sensor, trial)
    if fit is None:
        return not_known(why)
    if not isfinite(reference_se):
        return not_known(NO_REFERENCE_ERROR)
    scatter = fit.residual_sd**2 - reference_se**2
    # Where dishes scatter as much as the sensor, a tenth is left to the sensor.
    sd_sensor = sqrt(max(scatter, 0.1 * fit.residual_sd**2))
    if sd_sensor + reference_se == 0:
        return not_known("no scatter about the line")
    found, why = tried(gain, sensor, reference, sd_sensor, reference_se, trial)
    return found if found is not None else not_known(why)


class GainByTrials(NamedTuple):
    """The gain inside trials, over trial means, and how far the two lie apart."""

    within: Estimate
    between: Estimate
    apart: Estimate  # between less within


def gain_by_trials(
    sensor: ArrayLike, reference: ArrayLike, trial: Any, reference_se: float
) -> GainByTrials:
    """Return the gain within and between trials, told apart.

    Estimands: the slope of the sensor on the true moisture among grain of one trial,
    and the slope of its mean readings on the mean moistures of trials. A sensor with
    a gain of its own shows the same in both. Where they differ, something else that
    wet and dry trials differ in (temperature, crop stage, a lab) makes the errors.

    Parameters
    ----------
    sensor, reference, trial : array_like, shape (n,)
        Readings, air-oven values and trials of the samples. [% moisture, wet basis]
    reference_se : float
        Standard error of a reference value, nan if not known. [% moisture]

    Notes
    -----
    Errors on the trial mean of the reference and on the distance from it (Mundlak's
    form), CR2 by trial. Each slope is divided by the reliability of its moistures,
    1 - (error variance of the reference) / (their variance), which is that of
    errors in variables where the reference's error is known.

    References
    ----------
    .. [1] Mundlak, Econometrica 46 (1978) 69-85 (from memory).

    Examples
    --------
    >>> reference = np.array([12.0, 14, 15, 17, 18, 20, 21, 23])
    >>> trial = np.repeat([0, 1, 2, 3], 2)
    >>> sensor = reference + 0.1 * np.repeat([13.0, 16, 19, 22], 2)
    >>> found = gain_by_trials(sensor, reference, trial, 0.0)
    >>> round(found.within.value, 6), round(found.between.value, 6)
    (1.0, 1.1)
    """
    sensor, reference = paired("gain_by_trials", sensor, reference)
    codes, n_trials = cluster_codes("gain_by_trials: trial", trial, sensor.size)
    size = np.bincount(codes)
    mean = (np.bincount(codes, reference) / size)[codes]
    inside, repeats = reference - mean, sensor.size - n_trials
    if n_trials < 4 or repeats < 4:
        return _unknown("needs at least 4 trials, and samples that repeat in them")
    if not isfinite(reference_se):
        return _unknown(NO_REFERENCE_ERROR)
    noise = reference_se**2
    kept_within = 1 - noise / max(float(inside @ inside) / repeats, ROUNDING)
    kept_between = 1 - noise * n_trials / sensor.size / max(mean.var(), ROUNDING)
    if min(kept_within, kept_between) < 0.5:
        return _unknown("moistures vary little more than the reference's own error")
    design = np.column_stack([np.ones_like(mean), inside, mean - mean.mean()])
    fit, why = tried(clustered_fit, design, errors_of(sensor, reference), trial)
    if fit is None:
        return _unknown(why)

    def slope(within: float, between: float) -> Estimate:
        weights = np.array([0.0, within / kept_within, between / kept_between])
        found = fit.contrast(weights)
        return replace(found, value=found.value + float(weights.sum()))

    return GainByTrials(slope(1, 0), slope(0, 1), slope(-1, 1))


def _unknown(why: str) -> GainByTrials:
    return GainByTrials(*3 * (not_known(why),))
