"""Gain: the sensor's own slope, with error in both the sensor and the reference."""

from dataclasses import replace
from math import isfinite

import numpy as np

from kitlib.statistics.clustered import CR2, clustered_fit
from kitlib.statistics.sums import Sums, trial_sums
from kitlib.words.errors import NoSpread
from kitlib.words.estimates import Estimate, not_known

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
