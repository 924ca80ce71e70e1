"""How one curve performed on the samples of a season: arrays in, one result out.

A curve's errors by 2-point bands of moisture, against the tolerance.

The bias from oven and benchtop samples together.
"""

from dataclasses import dataclass
from functools import partial
from math import nan, sqrt

import numpy as np
import pandas as pd

from kitlib.curves.effects import Influence, Samples, influence, mean_over, tried
from kitlib.statistics.agreement import (
    Agreement,
    Concordance,
    Equivalence,
    LimitsByMoisture,
    LimitsOfAgreement,
    agreement,
    concordance,
    equivalence,
    limits_by_moisture,
    limits_of_agreement,
    rer,
    rpd,
    sd_reference,
    sep_without_reference_error,
)
from kitlib.statistics.clustered import clustered_fit
from kitlib.statistics.lines import (
    PredictionLine,
    SpreadTrend,
    curvature,
    gain,
    prediction_line,
    spread_trend,
)
from kitlib.statistics.reml import (
    VarianceComponents,
    random_intercept,
    variance_components,
)
from kitlib.statistics.robust_lines import RobustLine, passing_bablok
from kitlib.statistics.sums import moisture_bands
from kitlib.words.estimates import Estimate, not_known
from kitlib.words.limits import Tolerance, threshold

# A jackknife refits the robust line for every trial: seconds beyond this many samples.
JACKKNIFED_AT_MOST = 500


@dataclass(frozen=True, kw_only=True, eq=False)
class Performance:
    """What the samples say of a curve; unknown parts say why.

    Attributes
    ----------
    samples : Samples
    agreement : Agreement or None
        n, bias, SEP, RMSEP; None under two samples.
    bias : Estimate
        Mean error with its trial-clustered CR2 error: the headline. [points]
    bias_mixed : Estimate
        The same by a random trial intercept, Kenward–Roger: the cross-check.
    sep_corrected : Estimate
        SEP less the reference's own error. [% moisture]
    line : PredictionLine or None
        Reference on sensor, anchored at `anchor`; `line_remark` says why not.
    robust_line : RobustLine or None
        Passing–Bablok, a check on wild samples; its interval is by jackknife over
        trials up to `JACKKNIFED_AT_MOST` samples, else takes them as independent.
    gain, curvature : Estimate
        The sensor's own slope; the bend of its errors in mid-range.
    spread : SpreadTrend or None
        How much wider the errors spread in wet grain.
    limits, limits_by_moisture : LimitsOfAgreement, LimitsByMoisture or None
        Where the errors of most samples lie, at all moistures or at each.
    components : VarianceComponents or None
        SD of the errors between and within trials.
    """

    samples: Samples
    anchor: float
    agreement: Agreement | None
    bias: Estimate
    bias_mixed: Estimate
    reference_se: float
    sep_corrected: Estimate
    sd_reference: float
    rpd: Estimate
    rer: Estimate
    line: PredictionLine | None
    line_remark: str
    robust_line: RobustLine | None
    gain: Estimate
    curvature: Estimate
    spread: SpreadTrend | None
    limits: LimitsOfAgreement | None
    limits_by_moisture: LimitsByMoisture | None
    concordance: Concordance | None
    components: VarianceComponents | None
    influence: Influence | None

    @property
    def span(self) -> float:
        """Points of moisture from the driest to the wettest sample."""
        return float(np.ptp(self.samples.reference))

    @property
    def mean_reference(self) -> float:
        """Mean air-oven moisture of the samples. [% moisture, wet basis]."""
        return float(self.samples.reference.mean())

    @property
    def sep(self) -> float:
        """SEP, nan where there is none. [% moisture]."""
        return self.agreement.sep if self.agreement else nan

    @property
    def slope(self) -> Estimate:
        """Prediction slope, reference per point of reading."""
        return self.line.slope if self.line else not_known(self.line_remark)

    @property
    def spread_is_wide(self) -> bool:
        """Whether the moistures spread as AACC 39-01.01 asks for a slope."""
        return self.sd_reference >= threshold("spread_for_slope") * self.sep

    def equivalence(self, allowed: float) -> Equivalence:
        """Return whether the bias is shown to lie inside ± `allowed` points."""
        return equivalence(self.bias, allowed)


def performance(samples: Samples, standard_pct: float = nan) -> Performance:
    """Return what the samples of one curve say of it.

    Parameters
    ----------
    samples : Samples
        At least one; taken blind to the reading.
    standard_pct : float
        The crop's standard moisture, where lines are anchored if it lies among
        the readings; else they are anchored at the mean reading.

    Returns
    -------
    Performance
        Every statistic the samples give; the rest are None or not known, with
        the reason.
    """
    s = samples
    both, three = (s.sensor, s.reference), (s.sensor, s.reference, s.trial)
    anchor = anchor_of(s.sensor, standard_pct)
    agreed, _ = tried(agreement, *both)
    line, line_remark = tried(prediction_line, *three, anchor)
    bias = mean_over(s.error, s.trial)
    spread_r = sd_reference(s.reference) if s.n > 1 else nan
    reference_se = root_mean_square(s.reference_se)
    return Performance(
        samples=s,
        anchor=anchor,
        agreement=agreed,
        bias=bias,
        bias_mixed=mixed_bias(s),
        reference_se=reference_se,
        sep_corrected=_corrected_sep(agreed, reference_se),
        sd_reference=spread_r,
        rpd=_or_not_known(rpd, s.reference, agreed.sep if agreed else nan),
        rer=_or_not_known(rer, s.reference, agreed.sep if agreed else nan),
        line=line,
        line_remark=line_remark,
        robust_line=_robust_line(s),
        gain=sensor_gain(s, reference_se),
        curvature=_or_not_known(curvature, *three),
        spread=tried(spread_trend, *three)[0],
        limits=tried(limits_of_agreement, *both)[0],
        limits_by_moisture=tried(limits_by_moisture, *both, s.reference)[0],
        concordance=tried(concordance, *both)[0],
        components=tried(variance_components, s.error, s.trial)[0],
        influence=influence(s.error, s.sample, s.trial) if s.n > 1 else None,
    )


def _robust_line(s: Samples) -> RobustLine | None:
    """Return the Passing–Bablok line, its interval by trial where that is quick."""
    trial = s.trial if s.n <= JACKKNIFED_AT_MOST else None
    found, _ = tried(partial(passing_bablok, trial=trial), s.sensor, s.reference)
    return found


def anchor_of(sensor, standard_pct: float) -> float:
    """Return the standard moisture if it lies among the readings, else their mean."""
    inside = sensor.min() <= standard_pct <= sensor.max()
    return float(standard_pct if inside else sensor.mean())


def root_mean_square(values) -> float:
    """Return the root mean square, nan where any value is not known."""
    return float(np.sqrt(np.mean(np.square(values))))


def mixed_bias(s: Samples) -> Estimate:
    """Return the bias of a trial drawn at random, by REML and Kenward–Roger."""
    if s.n < 2:
        return not_known("one sample says nothing of its own error")
    fit, why = tried(random_intercept, np.ones((s.n, 1)), s.error, s.trial)
    return fit.kenward_roger([1.0]) if fit else not_known(why)


def sensor_gain(s: Samples, reference_se: float) -> Estimate:
    """Return the sensor's own slope, its error SD taken from the residuals.

    The scatter of the sensor about its line on the reference holds the error of
    both; what the dishes say of the reference is taken out of it.
    """
    if s.n < 3 or not np.ptp(s.reference) > 0:
        return not_known("a slope needs three samples of different moisture")
    design = np.column_stack([np.ones(s.n), s.reference])
    fit, why = tried(clustered_fit, design, s.sensor, s.trial)
    if fit is None:
        return not_known(why)
    if not np.isfinite(reference_se):
        return not_known("the error of the reference is not known: one dish a sample")
    scatter = fit.residual_sd**2 - reference_se**2
    # Where dishes scatter as much as the sensor, a tenth is left to the sensor.
    sd_sensor = sqrt(max(scatter, 0.1 * fit.residual_sd**2))
    if sd_sensor + reference_se == 0:
        return not_known("no scatter about the line")
    return _or_not_known(gain, s.sensor, s.reference, sd_sensor, reference_se, s.trial)


def _corrected_sep(agreed, reference_se: float) -> Estimate:
    """Return the SEP without the reference's error, or why it is not known."""
    if agreed is None:
        return not_known("SEP needs two samples")
    if not np.isfinite(reference_se):
        return not_known("the error of the reference is not known: one dish a sample")
    return sep_without_reference_error(agreed.sep, reference_se)


def _or_not_known(make, *args) -> Estimate:
    """Return an estimate, not known where the samples do not give it."""
    found, why = tried(make, *args)
    return found if found is not None else not_known(why)


BAND_COLUMNS = [
    "band_low",
    "band_high",
    "n",
    "n_trials",
    "mean_error",
    "low",
    "high",
    "method",
    "tolerance",
    "share_within",
    "verdict",
]


WITHIN, BEYOND, FEW = "within", "beyond", "too few samples"


def audit_bands(
    samples: Samples, tolerance: Tolerance, level: float, width: float = 2.0
) -> pd.DataFrame:
    """Return the mean error of each 2-point band of moisture against the tolerance.

    A band's verdict is "within" or "beyond" by its mean error, or "too few
    samples" under the number of `limits.THRESHOLDS`. Columns: `BAND_COLUMNS`.
    """
    lows = moisture_bands(samples.reference, width)
    rows = []
    for low in np.unique(lows):
        here = lows == low
        error, trial = samples.error[here], samples.trial[here]
        mean = mean_over(error, trial)
        allowed = tolerance.at(samples.reference[here])
        limit = float(tolerance.at(float(samples.reference[here].mean())))
        verdict = WITHIN if abs(mean.value) <= limit else BEYOND
        if error.size < threshold("samples_per_band"):
            verdict = FEW
        share = float((np.abs(error) <= allowed).mean())
        ends = mean.interval(level)
        rows.append(
            {
                "band_low": low,
                "band_high": low + width,
                "n": error.size,
                "n_trials": len(set(trial)),
                "mean_error": mean.value,
                "low": ends.low,
                "high": ends.high,
                "method": mean.method or mean.remark,
                "tolerance": limit,
                "share_within": share,
                "verdict": verdict,
            }
        )
    return pd.DataFrame(rows, columns=BAND_COLUMNS)


def two_phase_bias(
    sensor_minus_bench, bench_trial, bench_minus_oven, both_trial
) -> Estimate:
    """Return the bias from oven and benchtop samples together.

    Estimand: as the bias. Mean of sensor − benchtop over every sample the meter
    measured, plus mean of benchtop − oven over those the oven measured too (both
    phases may share samples and trials). A stacked fit of both means, clustered by
    trial, gives the variance of their sum with the overlap counted.
    """
    first, second = np.asarray(sensor_minus_bench), np.asarray(bench_minus_oven)
    if min(first.size, second.size) < 2:
        return not_known("two samples measured by both oven and meter are needed")
    if first.size <= second.size:
        return not_known("no sample was measured by the benchtop meter alone")
    design = np.zeros((first.size + second.size, 2))
    design[: first.size, 0] = 1.0
    design[first.size :, 1] = 1.0
    trial = np.concatenate([bench_trial, both_trial])
    fit, why = tried(clustered_fit, design, np.concatenate([first, second]), trial)
    return fit.contrast([1.0, 1.0]) if fit else not_known(why)
