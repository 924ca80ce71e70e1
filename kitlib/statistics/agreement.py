"""Agreement of a sensor with the reference: bias, SEP and RMSEP.

Sign everywhere: error = sensor - reference. Some editions of ISO 12099 write the
error the other way round.

What standards ask of a bias and an SEP: limits, ratios, and reference error.

Limits of agreement: where the errors of most samples lie.

Lin's concordance: correlation about the line of equality.

Equivalence: whether a bias is shown to lie inside an allowed bias.
"""

from dataclasses import dataclass
from math import atanh, isfinite, isnan, nan, pi, sqrt, tanh
from typing import Literal

import numpy as np
from scipy.stats import f as f_distribution
from scipy.stats import linregress, norm
from scipy.stats import t as student_t

from kitlib.statistics.arrays import finite_array
from kitlib.words.errors import NoSpread, TooFewSamples
from kitlib.words.estimates import NO_INTERVAL, Estimate, Interval, not_known

PLAIN_T = "t, samples taken as independent"


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """How a sensor agrees with the reference over n samples.

    Attributes
    ----------
    n : int
        Samples measured by both methods.
    bias : float
        Mean of sensor - reference. [% moisture]
    sep : float
        Standard deviation of the errors about the bias, n - 1. [% moisture]
    """

    n: int
    bias: float
    sep: float

    @property
    def rmsep(self) -> float:
        """Root mean square error, bias included. [% moisture]."""
        return sqrt(self.bias**2 + self.sep**2 * (self.n - 1) / self.n)

    @property
    def plain_bias(self) -> Estimate:
        """The bias as if samples were independent, which those of a trial are not."""
        se = self.sep / sqrt(self.n)
        return Estimate(value=self.bias, se=se, df=self.n - 1, method=PLAIN_T)

    def bias_interval(self, level: float = 0.95) -> Interval:
        """Return the two-sided Student t interval of the bias. [% moisture]."""
        return self.plain_bias.interval(level)


def paired(place: str, sensor, reference, at_least: int = 2):
    """Return sensor readings and reference values as arrays fit to be compared.

    Parameters
    ----------
    place : str
        Function, for the message.
    sensor, reference : array_like, shape (n,)
        Results for the same samples, same order. [% moisture, wet basis]
    at_least : int
        Samples needed.

    Raises
    ------
    TooFewSamples
        If n < `at_least`.
    NotFinite
        If a value is missing or infinite.
    ValueError
        If the two are not one-dimensional and of one length.
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


def errors_of(sensor, reference) -> np.ndarray:
    """Return sensor - reference, exactly constant where only rounding differs.

    15.3 - 15.2 and 14.1 - 14.0 differ in the last bit, and an SEP made of last
    bits would pass for a very good sensor.

    Examples
    --------
    >>> errors_of(np.array([15.3, 14.1]), np.array([15.2, 14.0])).round(12)
    array([0.1, 0.1])
    """
    error = sensor - reference
    scale = max(np.abs(sensor).max(), np.abs(reference).max())
    if np.ptp(error) <= 4 * np.finfo(float).eps * scale:
        return np.full_like(error, error.mean())
    return error


def agreement(sensor, reference) -> Agreement:
    """Return the bias and SEP of a sensor against the reference.

    Estimand: bias and spread of the errors of these samples, each counted once;
    how much trials differ is left to `kitlib.statistics.clustered`.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 2
        Results for the same samples, same order. [% moisture, wet basis]

    Returns
    -------
    Agreement

    Raises
    ------
    TooFewSamples
        If n < 2.
    NotFinite
        If a value is missing or infinite.

    Notes
    -----
    SEP = sqrt(sum((e - bias)^2) / (n - 1)), RMSEP = sqrt(sum(e^2) / n), so that
    RMSEP^2 = SEP^2 (n - 1) / n + bias^2.

    References
    ----------
    .. [1] ISO 12099:2017, clauses 7.3 to 7.5 (titles read, formulas from memory).

    Examples
    --------
    >>> found = agreement([15.2, 14.1, 16.3], [15.0, 14.0, 16.0])
    >>> print(f"bias {found.bias:.2f}, SEP {found.sep:.2f}")
    bias 0.20, SEP 0.10
    """
    error = errors_of(*paired("agreement", sensor, reference))
    return Agreement(
        n=error.size, bias=float(error.mean()), sep=float(error.std(ddof=1))
    )


NO_SEP = "SEP is 0, and nothing can be measured in units of it"
ALL_REFERENCE = "reference error explains all of the SEP"


def bias_limit(sep: float, n: int, level: float = 0.95) -> float:
    """Return Tb: a bias larger than this, either way, is significant. [% moisture]

    Takes samples as independent: too small where they come several to a trial.

    Parameters
    ----------
    sep : float
        SEP of the n samples. [% moisture]
    n : int
    level : float
        1 - the chance of calling a bias of zero significant.

    Notes
    -----
    Tb = t(1 - alpha / 2; n - 1) SEP / sqrt(n).

    References
    ----------
    .. [1] ISO 12099:2017, 7.3 (from memory).

    Examples
    --------
    >>> round(bias_limit(1.0, 20), 4)
    0.468
    """
    if n < 2:
        raise TooFewSamples(f"bias_limit: got n = {n} sample(s); needs at least 2.")
    return float(student_t.ppf((1 + level) / 2, n - 1)) * sep / sqrt(n)


def unexplained_error_limit(
    sep_at_setup: float, n: int, df_at_setup: float, level: float = 0.95
) -> float:
    """Return TUE: an SEP above this is larger than at set-up. [% moisture]

    Parameters
    ----------
    sep_at_setup : float
        SEC or SEP found when the curve was set up. [% moisture]
    n : int
        Samples of the audit.
    df_at_setup : float
        Degrees of freedom of `sep_at_setup`: n - p - 1 for the SEC of a
        calibration with p terms, n - 1 for an SEP.
    level : float
        1 - the chance of refusing an SEP that is as good as at set-up.

    Notes
    -----
    TUE = SEC sqrt(F(1 - alpha; n - 1, df)).

    References
    ----------
    .. [1] ISO 12099:2017, 7.5 (from memory).

    Examples
    --------
    >>> round(unexplained_error_limit(1.0, 20, 100), 3)
    1.301
    """
    if n < 2 or df_at_setup < 1:
        raise TooFewSamples(
            f"unexplained_error_limit: got n = {n} and df_at_setup = {df_at_setup:g}; "
            "needs at least 2 and 1."
        )
    return sep_at_setup * sqrt(float(f_distribution.ppf(level, n - 1, df_at_setup)))


def sd_reference(reference) -> float:
    """Return the standard deviation of the reference values, n - 1. [% moisture]

    Examples
    --------
    >>> sd_reference([14.0, 15.0, 16.0])
    1.0
    """
    reference, _ = paired("sd_reference", reference, reference)
    return float(errors_of(reference, np.zeros_like(reference)).std(ddof=1))


def rpd(reference, sep: float) -> Estimate:
    """Return SD(reference) / SEP: how much wider moistures spread than errors.

    AACC 39-01.01 asks for at least 4 (read). Some books divide by RMSEP.

    Examples
    --------
    >>> rpd([14.0, 15.0, 16.0], 0.25).value
    4.0
    """
    if not sep > 0:
        return not_known(NO_SEP)
    return Estimate(value=sd_reference(reference) / sep, method="SD(reference) / SEP")


def rer(reference, sep: float) -> Estimate:
    """Return range(reference) / SEP, the range error ratio.

    Examples
    --------
    >>> rer([14.0, 15.0, 16.0], 0.25).value
    8.0
    """
    reference, _ = paired("rer", reference, reference)
    if not sep > 0:
        return not_known(NO_SEP)
    return Estimate(
        value=float(np.ptp(reference)) / sep, method="range(reference) / SEP"
    )


def sep_without_reference_error(sep: float, reference_se) -> Estimate:
    """Return the SEP the sensor would show against a reference without error.

    Parameters
    ----------
    sep : float
        SEP as found. [% moisture]
    reference_se : float or array_like, shape (n,)
        Standard error of the reference value, of all samples or of each. The
        spread of dishes from one container leaves out sampling and handling.
        [% moisture]

    Returns
    -------
    Estimate
        Never negative: 0 with a remark where the reference explains it all.

    Notes
    -----
    sqrt(SEP^2 - mean(reference_se^2)), errors of the two methods independent.

    References
    ----------
    .. [1] Faber, Kowalski, Applied Spectroscopy 51 (1997) 660 (abstract read).

    Examples
    --------
    >>> round(sep_without_reference_error(0.5, 0.3).value, 12)
    0.4
    """
    se = finite_array("sep_without_reference_error: reference_se", reference_se)
    if (se < 0).any():
        raise ValueError("sep_without_reference_error: a standard error is below 0.")
    left = sep**2 - float(np.mean(se**2))
    method = "SEP less reference error"
    if left <= 0:
        return Estimate(value=0.0, method=method, remark=ALL_REFERENCE)
    return Estimate(value=sqrt(left), method=method)


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
    of a new trial see `kitlib.statistics.left_out.SepInterval.error_limits`.

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


NO_SPREAD = "all readings, or all reference values, are the same"


@dataclass(frozen=True, kw_only=True)
class Concordance:
    """Lin's concordance correlation coefficient and its two factors.

    Attributes
    ----------
    value, se : float
        The coefficient, precision times accuracy, and its standard error.
    precision : float
        Pearson's correlation.
    accuracy : float
        Closeness of the best line to the line of equality, 0 to 1.
    n : int
    remark : str
        Why it is not known, if it is not.
    """

    value: float
    se: float
    precision: float
    accuracy: float
    n: int
    remark: str = ""

    def interval(self, level: float = 0.95) -> Interval:
        """Return the interval by Fisher's z transform; nan ends if not known."""
        if not isfinite(self.se) or self.se == 0:
            return NO_INTERVAL
        half = float(norm.ppf((1 + level) / 2)) * self.se / (1 - self.value**2)
        z = atanh(self.value)
        return Interval(tanh(z - half), tanh(z + half))


def concordance(sensor, reference) -> Concordance:
    """Return how closely two methods follow the line of equality.

    Like every correlation it grows with the range of moistures sampled: compare
    it only between sets of like range. Takes samples as independent.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 3
        Results for the same samples, same order. [% moisture, wet basis]

    Returns
    -------
    Concordance
        Without an interval where the two agree perfectly.

    Notes
    -----
    2 s_xy / (s_x^2 + s_y^2 + (mean difference)^2), variances with 1/n. With r the
    correlation, C = value / r and u^2 = (mean difference)^2 / (s_x s_y):
    se^2 = [(1 - r^2) C^2 (1 - value^2) + 2 value^2 C (1 - value) u^2
    - value^2 C^2 u^4 / 2] / (n - 2).

    References
    ----------
    .. [1] Lin, Biometrics 45 (1989) 255-268, with the correction of 56 (2000) 324.

    Examples
    --------
    >>> round(concordance([1.0, 2.0, 3.0], [2.0, 3.0, 4.0]).value, 4)  # 4/3 : 7/3
    0.5714
    """
    sensor, reference = paired("concordance", sensor, reference, at_least=3)
    n, product = sensor.size, sensor.std() * reference.std()
    if np.ptp(sensor) == 0 or np.ptp(reference) == 0:
        return Concordance(
            value=nan, se=nan, precision=nan, accuracy=nan, n=n, remark=NO_SPREAD
        )
    shift2 = (sensor.mean() - reference.mean()) ** 2
    r = float(np.clip(np.corrcoef(sensor, reference)[0, 1], -1, 1))
    accuracy = float(2 * product / (sensor.var() + reference.var() + shift2))
    value, u2 = r * accuracy, float(shift2 / product)
    scatter = (1 - r**2) * accuracy**2 * (1 - value**2)
    shift = value**2 * accuracy * u2 * (2 * (1 - value) - accuracy * u2 / 2)
    se = sqrt(max(scatter + shift, 0.0) / (n - 2))
    return Concordance(value=value, se=se, precision=r, accuracy=accuracy, n=n)


@dataclass(frozen=True, kw_only=True)
class Equivalence:
    """Whether a bias is shown to lie inside plus or minus a margin.

    Attributes
    ----------
    shown : bool
        Whether the whole interval lies inside the margin.
    interval : Interval
        Interval of the bias at level 1 - 2 alpha. [% moisture]
    margin, level : float
        Largest bias allowed [% moisture], and 1 - alpha.
    remark : str
        Why it cannot be judged, if it cannot.
    """

    shown: bool
    interval: Interval
    margin: float
    level: float
    remark: str = ""

    @property
    def beyond(self) -> bool:
        """Whether the whole interval lies outside the margin, on one side."""
        return self.interval.low > self.margin or self.interval.high < -self.margin

    @property
    def sentence(self) -> str:
        """The verdict in words, to be printed unchanged."""
        if self.remark:
            return f"equivalence cannot be judged: {self.remark}"
        low, high = self.interval
        span = (
            f"the {100 * (2 * self.level - 1):g} % interval of the bias, "
            f"{low:+.2f} to {high:+.2f} % moisture,"
        )
        if self.shown:
            return f"{span} lies inside ±{self.margin:.2f}: equivalence is shown"
        where = "lies outside" if self.beyond else "reaches beyond"
        return f"{span} {where} ±{self.margin:.2f}: equivalence is not shown"


def equivalence(bias: Estimate, margin: float, level: float = 0.95) -> Equivalence:
    """Say whether a bias is shown to lie inside plus or minus a margin.

    Two one-sided tests at 1 - `level`: both are passed where the interval at
    2 `level` - 1, such as 90 %, lies inside the margin.

    Parameters
    ----------
    bias : Estimate
        With its standard error and degrees of freedom. [% moisture]
    margin : float
        Largest bias allowed, more than 0. [% moisture]
    level : float
        1 - the chance of calling a bias at the margin equivalent.

    Returns
    -------
    Equivalence
        Not shown, and saying why, where the bias has no interval.

    References
    ----------
    .. [1] Schuirmann, J. Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680.

    Examples
    --------
    >>> equivalence(Estimate(value=0.1, se=0.1, df=9), margin=0.4).sentence
    'the 90 % interval of the bias, -0.08 to +0.28 % moisture, lies inside ±0.40: \
equivalence is shown'
    """
    if not margin > 0:
        raise ValueError(f"equivalence: margin is {margin}; expected more than 0.")
    if not 0.5 < level < 1:
        raise ValueError(f"equivalence: level is {level}; expected 0.5 to 1.")
    interval = bias.interval(2 * level - 1)
    remark = ""
    if isnan(interval.low):
        remark = bias.remark or "the bias has no interval"
    return Equivalence(
        shown=interval.inside(margin),
        interval=interval,
        margin=margin,
        level=level,
        remark=remark,
    )
