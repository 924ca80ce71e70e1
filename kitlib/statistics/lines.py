"""Two lines with two names: one corrects readings, the other judges the sensor.

The prediction line is the reference regressed on the sensor, anchored in the data:
corrected = intercept + slope * sensor. Its slope is below 1 even for a perfect
sensor, because readings carry error and moistures spread only so far. The gain is the
sensor's own slope, with error in both the sensor and the reference.
"""

from dataclasses import dataclass, replace
from math import ceil, exp, inf, isfinite, log10, nan, pi, sqrt, tan
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import norm
from scipy.stats import t as student_t

from kitlib.statistics.clustered import (
    CR2,
    ClusteredFit,
    JointTest,
    clustered_fit,
    joint_test,
)
from kitlib.statistics.estimates import (
    NO_INTERVAL,
    ROUNDING,
    Estimate,
    Interval,
    cluster_codes,
    errors_of,
    not_known,
    paired,
    tried,
)
from kitlib.statistics.sums import Sums, trial_sums
from kitlib.words.findings import NoSpread


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


MOST_POINTS = 3_000  # whose 4.5 million pairs are simply listed, 36 MB
DIGITS = 13  # significant digits in which two values are the same

PUBLISHED = "Passing-Bablok, samples taken as independent"
BY_TRIAL = "Passing-Bablok, jackknife over trials, t"
NOT_TOGETHER = "readings and reference do not rise together, so no line joins them"
TOO_FEW = "too few samples for an interval at this level"
TOO_MANY = f"over {MOST_POINTS} samples: all pairs of them are too many to list"
OPEN = "the steepest slope not ruled out is vertical, so the interval has no end"
NEVER_MOVES = "the same whichever trial is left out, so no interval is known"


@dataclass(frozen=True, kw_only=True)
class RobustLine:
    """A Passing-Bablok line with its intervals.

    Attributes
    ----------
    slope, intercept : float
        Reference on sensor: reference = intercept + slope * sensor. nan if not
        known.
    slope_interval, intercept_interval : Interval
        nan ends if not known.
    n, n_pairs : int
        Samples, and pairs of them that have a slope.
    method, remark : str
        Name of the method, and what the reader must know.
    """

    slope: float
    intercept: float
    slope_interval: Interval = NO_INTERVAL
    intercept_interval: Interval = NO_INTERVAL
    n: int
    n_pairs: int
    method: str = PUBLISHED
    remark: str = ""


class _Pairs(NamedTuple):
    """All pairs of samples that have a slope."""

    angles: np.ndarray  # of their slopes, turned by 45 degrees [radian]
    first: np.ndarray  # place of the one sample
    second: np.ndarray  # and of the other

    def middle(self) -> float:
        """Return the median slope, nan where it does not rise."""
        n = self.angles.size
        if not n:
            return nan
        slope = sum(map(_slope, self.ranked([(n + 1) // 2, n // 2 + 1]))) / 2
        return slope if isfinite(slope) and slope > 0 else nan

    def ranked(self, ranks: list[int]) -> np.ndarray:
        """Return the angles of the given ranks, 1 for the lowest. [radian]."""
        places = [rank - 1 for rank in ranks]
        return np.partition(self.angles, places)[places]

    def without(self, out: np.ndarray) -> "_Pairs":
        """Return the pairs that none of some samples, a boolean each, is in."""
        rest = ~(out[self.first] | out[self.second])
        return _Pairs(*(values[rest] for values in self))


def passing_bablok(
    sensor: ArrayLike, reference: ArrayLike, level: float = 0.95, trial: Any = None
) -> RobustLine:
    """Fit a Passing-Bablok line of the reference on the sensor.

    The robust check beside `prediction_line` and `gain`: it takes both methods as
    equally precise for their scale. With `trial` the intervals allow for samples
    that come several to a trial. Without it they are the published ones, which
    take samples as independent: of 95 % intervals, 71 to 84 % covered in simulated
    seasons with half the error variance or more between trials of unlike moisture,
    where those by trial covered 92 to 97 %.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 2
        Results for the same samples, same order. [% moisture, wet basis]
    level : float
        Confidence level of the intervals.
    trial : array_like, shape (n,), optional
        Trial of each sample, labels of any kind.

    Returns
    -------
    RobustLine
        Without an interval, saying why, under 3 trials; not known for more samples
        than `MOST_POINTS`.

    Raises
    ------
    NoSpread
        If all readings, or all reference values, are the same.

    Notes
    -----
    Of all pairwise slopes, those of identical samples and those of exactly -1
    left out, take the median shifted up by the number of slopes below -1. Turned
    by 45 degrees, sensor + reference across and reference - sensor along, this is
    the plain median of the slopes: -1 has become vertical, and slopes below -1
    come after the vertical. With N slopes the published interval lies between
    ranks (N -/+ z sqrt(n (n - 1) (2 n + 5) / 18)) / 2.

    References
    ----------
    .. [1] Passing, Bablok, J. Clinical Chemistry and Clinical Biochemistry 21
       (1983) 709-720.

    Examples
    --------
    >>> line = passing_bablok([1, 2, 3, 4, 5, 6], [2, 1.2, 4.1, 3.5, 6.3, 3])
    >>> print(f"{line.slope:.3f}, {line.intercept:.3f}")  # R deming's own test
    1.050, 0.125
    """
    sensor, reference = paired("passing_bablok", sensor, reference)
    for name, values in (("readings", sensor), ("reference values", reference)):
        if np.ptp(values) == 0:
            raise NoSpread(
                f"passing_bablok: all {name} are {values[0]:g}; expected values that "
                "differ. Report the bias alone."
            )
    if sensor.size > MOST_POINTS:
        return RobustLine(
            slope=nan, intercept=nan, n=sensor.size, n_pairs=0, remark=TOO_MANY
        )
    pairs = _pairs_of(sensor, reference)
    slope = pairs.middle()
    if not isfinite(slope):
        intervals, remark = (NO_INTERVAL, NO_INTERVAL), NOT_TOGETHER
    elif trial is None:
        intervals, remark = _published(sensor, reference, pairs, level)
    else:
        intervals, remark = _by_trial(sensor, reference, pairs, trial, level)
    return RobustLine(
        slope=slope,
        intercept=_intercept(sensor, reference, slope),
        slope_interval=intervals[0],
        intercept_interval=intervals[1],
        n=sensor.size,
        n_pairs=pairs.angles.size,
        method=PUBLISHED if trial is None else BY_TRIAL,
        remark=remark,
    )


def _pairs_of(sensor, reference) -> _Pairs:
    """Return the pairs of samples that have a slope, turned by 45 degrees."""
    across, along = sensor + reference, reference - sensor
    _, place = np.unique(_rounded(across), return_inverse=True)
    first, second = np.triu_indices(sensor.size, 1)
    apart = place[first] != place[second]
    first, second = first[apart], second[apart]
    rise, run = along[second] - along[first], across[second] - across[first]
    return _Pairs(np.arctan(rise / run), first, second)


def _rounded(values):
    """Return values rounded so that equal decimals are equal numbers."""
    size = np.abs(values).max()
    return np.round(values, DIGITS - ceil(log10(size))) if size else values


def _slope(angle):
    """Return the slope of an angle turned back by 45 degrees; inf from vertical on."""
    if angle > pi / 4 - 1e-9:  # vertical, but for the last bits of sums
        return inf
    return round(tan(angle + pi / 4), 12)  # clears what turning there and back left


def _intercept(sensor, reference, slope):
    """Return the median intercept of a slope, nan if that is not finite."""
    return float(np.median(reference - slope * sensor)) if isfinite(slope) else nan


def _published(sensor, reference, pairs, level):
    """Return the intervals of the paper, of slope and intercept, and a remark."""
    n, n_pairs = sensor.size, pairs.angles.size
    spread = sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((n_pairs - float(norm.ppf((1 + level) / 2)) * spread) / 2)
    if first < 1:
        return (NO_INTERVAL, NO_INTERVAL), TOO_FEW
    low, high = map(_slope, pairs.ranked([first, n_pairs - first + 1]))
    ends = (_intercept(sensor, reference, slope) for slope in (high, low))
    intercepts = Interval(*ends) if isfinite(high) else NO_INTERVAL
    return (Interval(low, high), intercepts), "" if isfinite(high) else OPEN


def _by_trial(sensor, reference, pairs, trial, level):
    """Return the intervals from leaving each trial out, and a remark."""
    none = NO_INTERVAL, NO_INTERVAL
    codes, n_trials = cluster_codes("passing_bablok: trial", trial, sensor.size)
    if n_trials < 3:
        return none, f"got {n_trials} trial(s); a jackknife over trials needs 3"
    rest = []
    for one in range(n_trials):
        out = codes == one
        slope = pairs.without(out).middle()
        rest.append((slope, _intercept(sensor[~out], reference[~out], slope)))
    se = np.sqrt((n_trials - 1) * np.array(rest).var(axis=0))
    half = float(student_t.ppf((1 + level) / 2, n_trials - 1)) * se
    if not np.isfinite(half).all():
        return none, "without one of the trials no line joins the samples"
    if half[0] <= 1e-12:
        return none, NEVER_MOVES
    slope = pairs.middle()
    line = np.array([slope, _intercept(sensor, reference, slope)])
    ends = zip((line - half).tolist(), (line + half).tolist(), strict=True)
    return tuple(Interval(*both) for both in ends), ""


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
