"""The prediction line: the reference regressed on the sensor, anchored in the data.

It corrects readings: corrected = intercept + slope * sensor. Its slope is below 1
even for a perfect sensor, because readings carry error and moistures spread only
so far; `kitlib.statistics.gain` judges the sensor.
"""

from dataclasses import dataclass, replace

import numpy as np
from statsmodels.regression.linear_model import OLS

from kitlib.statistics.clustered import NO_SCATTER, ClusteredFit, clustered_fit
from kitlib.statistics.regions import JointRegion, JointTest, joint_region, joint_test
from kitlib.statistics.stats import PLAIN_T, errors_of, paired
from kitlib.words.errors import NoSpread
from kitlib.words.estimates import Estimate

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
