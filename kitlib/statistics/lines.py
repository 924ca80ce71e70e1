"""Lines of sensor and reference: one corrects readings, another judges the sensor.

Two lines have two names. The prediction line is the reference regressed on the sensor,
anchored in the data: corrected = intercept + slope * sensor. Its slope is below 1 even
for a perfect sensor, because readings carry error and moistures spread only so far. The
gain is the sensor's own slope, with error in both the sensor and the reference.
Passing-Bablok is a prediction line that a few wild samples do not move.
"""

from dataclasses import dataclass, replace
from math import ceil, inf, isfinite, log10, nan, pi, sqrt, tan
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import norm

from kitlib.statistics.clustered import CR2, ClusteredFit, clustered_fit
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
from kitlib.statistics.sums import Sums, jackknife, trial_sums
from kitlib.words.findings import NoSpread

DEMING = f"Deming, {CR2}"
NOT_TOGETHER = "readings and reference do not rise together, so no line joins them"
NO_REFERENCE_ERROR = "the error of the reference is not known: one dish a sample"
ALL_NOISE = "reference error explains all of the spread of the reference"


@dataclass(frozen=True, kw_only=True, eq=False)
class PredictionLine:
    """A line that predicts the reference from the sensor, with clustered errors.

    Written as corrected = sensor + shift + tilt * (sensor - anchor): shift is what
    to add at the anchor (-bias there), tilt is slope - 1.
    """

    anchor: float  # reading at which the bias is told [% moisture, wet basis]
    low: float  # lowest and highest of the readings it was fitted to
    high: float
    fit: ClusteredFit  # coefficients shift and tilt, their CR2 covariance

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
        if not (isfinite(tilt.se) and tilt.value):
            return 1.0 if isfinite(tilt.se) else nan
        return 1.0 + max(0.0, 1.0 - (tilt.se / tilt.value) ** 2) * tilt.value

    @property
    def intercept(self) -> Estimate:
        """Corrected moisture at a reading of 0: for the formula, never for a test."""
        return self.fit.contrast([1.0, -self.anchor])


def prediction_line(
    sensor: ArrayLike, reference: ArrayLike, trial: Any, anchor: float
) -> PredictionLine:
    """Fit the line that predicts the reference from the sensor.

    Estimand: the best straight prediction of the reference from readings of samples
    like these, the trials being a random draw (direction of the regression: AACC
    39-01.01 (2010), first page read). It holds for moistures that spread as these do,
    and says nothing beyond them. With fewer than 3 trials there is a line but no
    interval. `anchor` is the reading to tell the bias at, well inside the data: the
    crop's standard moisture or the mean. [% moisture, wet basis]
    """
    sensor, reference = paired("prediction_line", sensor, reference, at_least=3)
    if np.ptp(sensor) == 0:
        raise NoSpread(
            f"prediction_line: all {sensor.size} readings are {sensor[0]:g}; expected "
            "readings that differ. Report the bias alone."
        )
    design = np.column_stack([np.ones_like(sensor), sensor - anchor])
    fit = clustered_fit(design, -errors_of(sensor, reference), trial)
    low, high = float(sensor.min()), float(sensor.max())
    return PredictionLine(anchor=anchor, low=low, high=high, fit=fit)


# ---- the gain ------------------------------------------------------------------------


def deming_slope(sums: Sums, sd_sensor: float, sd_reference: float) -> np.ndarray:
    """Return the slope of sensor on reference with error in both, closed form.

    nan where the two do not rise together. With sums of squares S and v the two
    variances, the positive root of
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
    trials these were drawn from (Deming: Linnet, Clinical Chemistry 39 (1993) 424-432,
    from memory). It judges the sensor. It does not correct readings: that is the
    prediction slope, which a perfect sensor need not have at 1 where moistures spread
    little. Not known where sensor and reference do not rise together.

    `sd_sensor` and `sd_reference` are the standard deviations of the error of a reading
    and of a reference value about the true moisture of the sample; one of the two may
    be 0. Two SDs, never a ratio: programs disagree on which way round a ratio is.
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
    if reference2 <= (sums.total.n - 1) * sd_reference**2:
        found = replace(found, remark=found.remark or ALL_NOISE)
    return replace(found, method=DEMING if isfinite(found.se) else "")


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
    column = moisture * (slope if steep else 1)
    design = np.column_stack([np.ones_like(column), column])
    found = clustered_fit(design, response, trial).contrast([0.0, 1.0])
    stretch = total / max(of_sensor, of_reference) * (slope**2 if steep else 1)
    return replace(found, value=slope, se=float(found.se * stretch))


def sensor_gain(
    sensor: ArrayLike, reference: ArrayLike, trial: Any, reference_se: float
) -> Estimate:
    """Return the gain, the sensor's own error taken from the scatter about its line.

    The scatter of the sensor about its line on the reference holds the error of
    both; what the dishes say of the reference (`reference_se`, nan if not known) is
    taken out of it. Not known, with the reason, where the samples do not give it.
    """
    sensor, reference = np.asarray(sensor, float), np.asarray(reference, float)
    if sensor.size < 3 or not np.ptp(reference) > 0:
        return not_known("a slope needs three samples of different moisture")
    design = np.column_stack([np.ones(sensor.size), reference])
    fit, why = tried(clustered_fit, design, sensor, trial)
    if fit is None or not isfinite(reference_se):
        return not_known(why or NO_REFERENCE_ERROR)
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
    """Return the gain within and between trials, told apart; arguments as before.

    Estimands: the slope of the sensor on the true moisture among grain of one trial,
    and the slope of its mean readings on the mean moistures of trials. A sensor with
    a gain of its own shows the same in both. Where they differ, something else that
    wet and dry trials differ in (temperature, crop stage, a lab) makes the errors.

    Errors on the trial mean of the reference and on the distance from it (Mundlak,
    Econometrica 46 (1978) 69-85, from memory), CR2 by trial. Each slope is divided by
    the reliability of its moistures, 1 - (error variance of the reference) / (their
    variance).
    """
    sensor, reference = paired("gain_by_trials", sensor, reference, at_least=1)
    codes, n_trials = cluster_codes("gain_by_trials: trial", trial, sensor.size)
    mean = (np.bincount(codes, reference) / np.bincount(codes))[codes]
    inside, repeats = reference - mean, sensor.size - n_trials
    if n_trials < 4 or repeats < 4:
        return _no_gains("needs at least 4 trials, and samples that repeat in them")
    if not isfinite(reference_se):
        return _no_gains(NO_REFERENCE_ERROR)
    noise = reference_se**2
    kept_within = 1 - noise / max(float(inside @ inside) / repeats, ROUNDING)
    kept_between = 1 - noise * n_trials / sensor.size / max(mean.var(), ROUNDING)
    if min(kept_within, kept_between) < 0.5:
        return _no_gains("moistures vary little more than the reference's own error")
    design = np.column_stack([np.ones_like(mean), inside, mean - mean.mean()])
    fit, why = tried(clustered_fit, design, errors_of(sensor, reference), trial)
    if fit is None:
        return _no_gains(why)
    slopes = []
    for within, between in ((1, 0), (0, 1), (-1, 1)):
        weights = np.array([0.0, within / kept_within, between / kept_between])
        found = fit.contrast(weights)
        slopes.append(replace(found, value=found.value + float(weights.sum())))
    return GainByTrials(*slopes)


def _no_gains(why: str) -> GainByTrials:
    return GainByTrials(*3 * (not_known(why),))


# ---- Passing-Bablok ------------------------------------------------------------------

MOST_POINTS = 3_000  # whose 4.5 million pairs are simply listed, 36 MB
DIGITS = 13  # significant digits in which two values are the same

TOO_FEW = "too few samples for an interval at this level"
TOO_MANY = f"over {MOST_POINTS} samples: all pairs of them are too many to list"
OPEN = "the steepest slope not ruled out is vertical, so the interval has no end"


class RobustLine(NamedTuple):
    """A Passing-Bablok line: reference = intercept + slope * sensor, nan if unknown."""

    slope: float
    intercept: float
    slope_interval: Interval = NO_INTERVAL
    n_pairs: int = 0  # of samples that have a slope
    remark: str = ""  # why there is no line, or no interval or end of it


def passing_bablok(
    sensor: ArrayLike, reference: ArrayLike, level: float = 0.95, trial: Any = None
) -> RobustLine:
    """Fit a Passing-Bablok line of the reference on the sensor.

    The robust check beside `prediction_line` and `gain`: it takes both methods as
    equally precise for their scale. With `trial` the slope's interval allows for
    samples that come several to a trial; the published one, without it, takes them
    as independent. Without an interval, saying why, under 3 trials; not known for more
    samples than `MOST_POINTS`.

    Of all pairwise slopes, those of identical samples and those of exactly -1 left out,
    take the median shifted up by the number of slopes below -1. Turned by 45 degrees,
    sensor + reference across and reference - sensor along, this is the plain median of
    the slopes: -1 has become vertical, and slopes below -1 come after the vertical.
    With N slopes the published interval lies between ranks (N -/+ z sqrt(n (n - 1) (2 n
    + 5) / 18)) / 2 (Passing, Bablok, J. Clinical Chemistry and Clinical Biochemistry 21
    (1983) 709-720).
    """
    sensor, reference = paired("passing_bablok", sensor, reference)
    for name, values in (("readings", sensor), ("reference values", reference)):
        if np.ptp(values) == 0:
            raise NoSpread(
                f"passing_bablok: all {name} are {values[0]:g}; expected values that "
                "differ. Report the bias alone."
            )
    if sensor.size > MOST_POINTS:
        return RobustLine(slope=nan, intercept=nan, remark=TOO_MANY)
    angles, first, second = _pairs_of(sensor, reference)
    slope, ends, remark = _middle(angles), NO_INTERVAL, NOT_TOGETHER
    if isfinite(slope) and trial is None:
        ends, remark = _published(angles, sensor.size, level)
    elif isfinite(slope):
        codes, n = cluster_codes("passing_bablok: trial", trial, sensor.size)
        codes = codes.astype(np.int16)
        one, other = codes[first], codes[second]
        rest = [_middle(angles[(one != out) & (other != out)]) for out in range(n)]
        names = list(dict.fromkeys(trial))
        lines = SimpleNamespace(trials=names, total=slope, without_each=rest)
        found = jackknife(lines, np.asarray)
        ends, remark = found.interval(level), found.remark
    intercept = float(np.median(reference - slope * sensor))
    return RobustLine(slope, intercept, ends, angles.size, remark)


def _pairs_of(sensor, reference):
    """Return the angles, turned by 45 degrees, of pairs that have a slope; places."""
    across, along = sensor + reference, reference - sensor
    # Rounded so that equal decimals are equal numbers.
    size = np.abs(across).max()
    same = np.round(across, DIGITS - ceil(log10(size))) if size else across
    _, place = np.unique(same, return_inverse=True)
    # There are millions: in numbers of two bytes, and in place.
    first, second = (k.astype(np.int16) for k in np.triu_indices(sensor.size, 1))
    apart = place[first] != place[second]
    first, second = first[apart], second[apart]
    angles = along[second] - along[first]
    angles /= across[second] - across[first]
    return np.arctan(angles, out=angles), first, second


def _slopes(angles, ranks):
    """Return the slopes of the angles of two ranks, 1 for the lowest, turned back."""
    places = [rank - 1 for rank in ranks]
    found = np.partition(angles, places)[places]
    # Vertical, but for the last bits of sums, is an endless slope; rounding clears what
    # turning there and back left.
    vertical = pi / 4 - 1e-9
    return [inf if a > vertical else round(tan(a + pi / 4), 12) for a in found]


def _middle(angles):
    """Return the median slope, nan where it does not rise."""
    n = angles.size
    slope = sum(_slopes(angles, [(n + 1) // 2, n // 2 + 1])) / 2 if n else nan
    return slope if isfinite(slope) and slope > 0 else nan


def _published(angles, n, level):
    """Return the paper's interval of the slope of n samples, and a remark."""
    spread = sqrt(n * (n - 1) * (2 * n + 5) / 18)
    first = round((angles.size - float(norm.ppf((1 + level) / 2)) * spread) / 2)
    if first < 1:
        return NO_INTERVAL, TOO_FEW
    ends = Interval(*_slopes(angles, [first, angles.size - first + 1]))
    return ends, "" if isfinite(ends.high) else OPEN
