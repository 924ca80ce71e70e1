"""How one curve performed on the samples of a season: arrays in, one result out."""

from dataclasses import dataclass
from functools import partial
from math import nan, sqrt

import numpy as np

from kitlib.curves.effects import Influence, influence, mean_over
from kitlib.curves.samples import Samples, tried
from kitlib.statistics.agreement_limits import (
    LimitsByMoisture,
    LimitsOfAgreement,
    limits_by_moisture,
    limits_of_agreement,
)
from kitlib.statistics.clustered import clustered_fit
from kitlib.statistics.components import VarianceComponents, variance_components
from kitlib.statistics.concordance import Concordance, concordance
from kitlib.statistics.equivalence import Equivalence, equivalence
from kitlib.statistics.gain import gain
from kitlib.statistics.lines import PredictionLine, prediction_line
from kitlib.statistics.mixed import random_intercept
from kitlib.statistics.robust_lines import RobustLine, passing_bablok
from kitlib.statistics.shape import SpreadTrend, curvature, spread_trend
from kitlib.statistics.stats import Agreement, agreement
from kitlib.statistics.validation import (
    rer,
    rpd,
    sd_reference,
    sep_without_reference_error,
)
from kitlib.words.estimates import Estimate, not_known
from kitlib.words.limits import threshold

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
