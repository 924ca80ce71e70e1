"""Limits of agreement: where the errors of most samples lie."""

from dataclasses import dataclass
from math import pi, sqrt
from typing import Literal

import numpy as np
from scipy.stats import linregress

from kitlib.statistics.stats import agreement, errors_of, paired
from kitlib.words.errors import NoSpread
from kitlib.words.estimates import NO_INTERVAL, Estimate, Interval

SDS = {"1986": 2.0, "1999": 1.96}  # what the two papers take for 95 %


@dataclass(frozen=True, kw_only=True)
class LimitsOfAgreement:
    """The range that holds about 95 % of the errors, and how well it is known.

    Attributes
    ----------
    n : int
    bias, sd : float
        Mean of the errors and their standard deviation, n - 1. [% moisture]
    lower, upper : Estimate
        The two limits, bias -/+ a multiple of sd. [% moisture]
    """

    n: int
    bias: float
    sd: float
    lower: Estimate
    upper: Estimate


def limits_of_agreement(
    sensor, reference, form: Literal["1986", "1999"] = "1999"
) -> LimitsOfAgreement:
    """Return the limits of agreement of two methods.

    Estimand: the range of about 95 % of the errors of samples like these, errors
    normal and alike at every moisture. Takes samples as independent; for a sample
    of a new trial see `kitlib.statistics.resample.SepInterval.error_limits`.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 2
        Results for the same samples, same order. [% moisture, wet basis]
    form : {"1999", "1986"}
        Which paper: 1.96 SD with the variance of the SD exact for large n, or
        2 SD with 3 SD^2 / n as the variance of a limit.

    Notes
    -----
    Standard error of a limit: 1999, SD sqrt(1/n + 1.96^2 / (2 (n - 1)));
    1986, SD sqrt(3 / n). Intervals are Student t with n - 1 degrees of freedom.

    References
    ----------
    .. [1] Bland, Altman, Lancet 327 (1986) 307-310.
    .. [2] Bland, Altman, Statistical Methods in Medical Research 8 (1999) 135-160.

    Examples
    --------
    >>> found = limits_of_agreement([15.2, 14.1, 16.3], [15.0, 14.0, 16.0])
    >>> print(f"{found.lower.value:.3f} to {found.upper.value:.3f}")  # 0.2 -/+ 0.196
    0.004 to 0.396
    """
    sds, found = SDS[form], agreement(sensor, reference)
    n, sd = found.n, found.sep
    if form == "1986":
        se = sd * sqrt(3 / n)
    else:
        se = sd * sqrt(1 / n + sds**2 / (2 * (n - 1)))

    def limit(value):
        return Estimate(value=value, se=se, df=n - 1, method=f"Bland-Altman {form}")

    lower, upper = limit(found.bias - sds * sd), limit(found.bias + sds * sd)
    return LimitsOfAgreement(n=n, bias=found.bias, sd=sd, lower=lower, upper=upper)


@dataclass(frozen=True, kw_only=True)
class LimitsByMoisture:
    """Limits of agreement that shift and widen with moisture.

    Attributes
    ----------
    bias_intercept, bias_slope : float
        Line of the errors on moisture. [% moisture; per point]
    sd_intercept, sd_slope : float
        Line of the standard deviation about it on moisture.
    low, high : float
        Range of the moistures that were sampled. [% moisture, wet basis]
    """

    bias_intercept: float
    bias_slope: float
    sd_intercept: float
    sd_slope: float
    low: float
    high: float

    def at(self, moisture: float) -> Interval:
        """Return the limits at a moisture; not known outside the sampled range.

        Nor where the line of the standard deviation has fallen below zero.
        """
        sd = self.sd_intercept + self.sd_slope * moisture
        if not self.low <= moisture <= self.high or sd < 0:
            return NO_INTERVAL
        middle = self.bias_intercept + self.bias_slope * moisture
        return Interval(middle - 1.96 * sd, middle + 1.96 * sd)


def limits_by_moisture(sensor, reference, moisture) -> LimitsByMoisture:
    """Return limits of agreement for errors whose mean or spread moves with moisture.

    Estimand: as `limits_of_agreement`, at each moisture. No intervals: the lines
    are descriptive, and `statistics.shape` judges whether bias or spread does move.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 3
        Results for the same samples, same order. [% moisture, wet basis]
    moisture : array_like, shape (n,)
        What the limits depend on: the reference where its error is the smaller
        one, the mean of both methods in the paper. [% moisture, wet basis]

    Raises
    ------
    NoSpread
        If all moistures are the same.

    Notes
    -----
    Line of the errors on moisture, then line of the absolute residuals on
    moisture; for normal errors SD = sqrt(pi / 2) times the mean absolute value.

    References
    ----------
    .. [1] Bland, Altman, Statistical Methods in Medical Research 8 (1999), 3.2.

    Examples
    --------
    >>> reference = [14.0, 16.0, 18.0, 20.0]
    >>> sensor = [14.1, 16.2, 18.3, 20.4]  # 0.1 more at 14, 0.4 more at 20
    >>> limits_by_moisture(sensor, reference, reference).bias_slope.__round__(6)
    0.05
    """
    place = "limits_by_moisture"
    sensor, reference = paired(place, sensor, reference, at_least=3)
    moisture, _ = paired(f"{place}: moisture", moisture, sensor, at_least=3)
    if np.ptp(moisture) == 0:
        raise NoSpread(
            f"{place}: all {moisture.size} moistures are {moisture[0]:g}; expected "
            "values that differ. Use limits_of_agreement."
        )
    error = errors_of(sensor, reference)
    line = linregress(moisture, error)
    residual = error - line.intercept - line.slope * moisture
    spread = linregress(moisture, sqrt(pi / 2) * np.abs(residual))
    return LimitsByMoisture(
        bias_intercept=float(line.intercept),
        bias_slope=float(line.slope),
        sd_intercept=float(spread.intercept),
        sd_slope=float(spread.slope),
        low=float(moisture.min()),
        high=float(moisture.max()),
    )
