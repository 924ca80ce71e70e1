"""What a season says of one curve, each statistic worked out when it is asked for.

The season's pairs are taken apart by crop and curve here, and nowhere else.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import islice
from math import inf, isfinite, nan
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kitlib.curves import evidence
from kitlib.curves.records import Contradiction, contradictions_by_curve
from kitlib.intake.pairs import OVEN, Pairing, curve_register, offset_in_use
from kitlib.intake.reference import compare_labs
from kitlib.intake.schema import CheckedTable
from kitlib.intake.settings import Season
from kitlib.statistics import agreement as agree
from kitlib.statistics import lines, reml, sums
from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.estimates import Estimate, Interval, not_known, tried
from kitlib.statistics.pooling import false_discovery
from kitlib.words.limits import REFERENCE_SHARE, Tolerance, threshold
from kitlib.words.terms import crop_key

# A jackknife refits the robust line for every trial: seconds beyond this many samples.
JACKKNIFED_AT_MOST = 500
BY_TUE = "the largest SEP consistent with set-up (ISO 12099, T_UE)"
BY_SETTING = "season.toml"
NONE, OFFSET, LINE = "none", "offset", "line"


@dataclass(frozen=True, kw_only=True, eq=False)
class Correction:
    """A straight line that turns a curve's readings into corrected moisture."""

    curve: str
    pivot: float  # reading at which the line is anchored [% moisture, wet basis]
    shift: float  # added to a reading at the pivot: −bias there [% moisture]
    tilt: float  # prediction slope − 1: added more per point above the pivot
    # Of shift and tilt; zero in row and column of a tilt that was set, not estimated;
    # nan where it is not known.
    covariance: np.ndarray
    df: float  # that the covariance rests on; infinite if known exactly

    @property
    def uncertainty_known(self) -> bool:
        """Whether it is known how well the line is known."""
        return bool(np.isfinite(self.covariance).all() and self.df > 0)

    def apply(self, sensor: ArrayLike) -> np.ndarray:
        """Return corrected moisture. [% moisture, wet basis]."""
        reading = np.asarray(sensor, float)
        return reading + self.shift + self.tilt * (reading - self.pivot)

    def draw_errors(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Draw how far shift and tilt may be off, shape (2, draws), where it is known.

        From the multivariate t distribution with the covariance as its scale matrix
        and `df` degrees of freedom: the joint form of the t intervals of both.
        """
        values, vectors = np.linalg.eigh(self.covariance)
        # Rounding leaves a singular matrix with an eigenvalue just below zero.
        root = vectors * np.sqrt(np.clip(values, 0, None))
        normal = root @ rng.standard_normal((2, draws))
        return normal * t_stretch(self.df, draws, rng)


def t_stretch(df: float, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Draw the factors that turn normal draws into t draws, one per draw."""
    return np.ones(draws) if df == inf else np.sqrt(df / rng.chisquare(df, draws))


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveAudit:
    """One curve's samples and what they say of it; unknown parts say why."""

    crop: str
    # Its row of the register; `offset_mixed` says that several offsets were loaded in
    # the season and the plots do not tell which.
    register: pd.Series
    pairs: pd.DataFrame  # as in `Pairing.pairs`, at least one of them used
    plots: pd.DataFrame | None  # that it served; None if it was only read in parallel
    settings: Season
    effects: tuple[evidence.Effect, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    q_value: float = nan  # false discovery rate of the bias over the season's curves

    @property
    def curve(self) -> str:
        """Its name."""
        return str(self.register.name)

    @cached_property
    def samples(self) -> evidence.Samples:
        """The samples the bias rests on: oven and sensor, taken blind."""
        return evidence.Samples.of(self.pairs[self.pairs["used"]])

    @property
    def n(self) -> int:
        """Samples the bias rests on."""
        return self.samples.n

    @cached_property
    def n_trials(self) -> int:
        """Trials they come from."""
        return self.samples.n_trials

    def _of_three(self, make: Callable[..., Any], *more: Any) -> tuple[Any, str]:
        """Return a statistic of sensor, reference and trial, or None and why."""
        s = self.samples
        return tried(make, s.sensor, s.reference, s.trial, *more)

    @cached_property
    def _sums(self) -> sums.TrialSums | None:
        return self._of_three(sums.trial_sums)[0]

    # Bias.

    @cached_property
    def bias(self) -> Estimate:
        """Mean error, clustered by trial (CR2): the headline. [% moisture]."""
        return clustered_mean(self.samples.error, self.samples.trial)

    @property
    def is_tested(self) -> bool:
        """Whether its samples judge it: an interval, no record, lab or swap open."""
        return self.has_interval and not self.contradictions

    @property
    def has_interval(self) -> bool:
        """Whether its trials are enough for an interval of the bias to be trusted."""
        enough = self.n_trials >= threshold("trials_for_bias")
        return isfinite(self.bias.se) and enough

    @cached_property
    def bias_mixed(self) -> Estimate:
        """Bias of a trial drawn at random, by REML and Kenward-Roger: the check."""
        s = self.samples
        fit, why = tried(reml.random_intercept, np.ones((s.n, 1)), s.error, s.trial)
        return fit.kenward_roger([1.0]) if fit else not_known(why)

    @cached_property
    def two_phase(self) -> Estimate:
        """Bias with the samples used too that only the benchtop measured."""
        fair = self.pairs["used"] | (self.pairs["basis"] != OVEN)
        return evidence.two_phase_bias(
            self.pairs[fair & self.pairs["benchtop_pct"].notna()]
        )

    @cached_property
    def coverage(self) -> evidence.Coverage | None:
        """How its samples cover the plots it served; None if it served none alone."""
        if self.plots is None:
            return None
        return evidence.coverage(self.samples, self.reference_se, self.plots)

    @cached_property
    def apart(self) -> evidence.Samples:
        """The samples chosen because of their reading."""
        chosen = (self.pairs["basis"] == OVEN) & ~self.pairs["used"]
        return evidence.Samples.of(self.pairs[chosen])

    @property
    def offset_in_use(self) -> float:
        """Offset of its last readings, nan where it is not on record. [points]."""
        readings = self.pairs if self.plots is None else self.plots
        return offset_in_use(self.register, readings)

    # Scatter.

    @cached_property
    def agreement(self) -> agree.Agreement | None:
        """n, bias, SEP and RMSEP; None under two samples."""
        return tried(agree.agreement, self.samples.sensor, self.samples.reference)[0]

    @property
    def sep(self) -> float:
        """SEP, nan where there is none. [% moisture]."""
        return self.agreement.sep if self.agreement else nan

    @cached_property
    def new_trials(self) -> sums.SepInterval:
        """The SEP to expect in new trials. [% moisture]."""
        if self._sums is None:
            return sums.SepInterval(method="one sample has no SEP")
        return sums.sep_interval(self._sums, self.settings.confidence)

    @property
    def new_sample(self) -> Interval:
        """Where the error of one new sample of a new trial lies. [% moisture]."""
        return self.new_trials.error_limits(self.bias, self.settings.confidence)

    @cached_property
    def reference_se(self) -> float:
        """Standard error of a reference value, root mean square; nan if unknown."""
        return float(np.sqrt(np.mean(np.square(self.samples.reference_se))))

    @cached_property
    def components(self) -> reml.VarianceComponents | None:
        """SD of the errors between and within trials."""
        s = self.samples
        return tried(reml.variance_components, s.error, s.trial)[0]

    # Moisture of the samples.

    @property
    def mean_reference(self) -> float:
        """Mean air-oven moisture of the samples. [% moisture, wet basis]."""
        return float(self.samples.reference.mean())

    @property
    def span(self) -> float:
        """Points of moisture from the driest to the wettest sample."""
        return float(np.ptp(self.samples.reference))

    @property
    def sd_reference(self) -> float:
        """SD of the reference values, nan for one sample. [% moisture]."""
        return agree.sd_reference(self.samples.reference) if self.n > 1 else nan

    @property
    def spread_is_wide(self) -> bool:
        """Whether the moistures spread as AACC 39-01.01 asks for a slope.

        Set beside the errors about the line: a slope in them is no scatter.
        """
        scatter = self.line.fit.residual_sd if self.line else self.sep
        return self.sd_reference >= threshold("spread_for_slope") * scatter

    # Lines and shape.

    @cached_property
    def anchor(self) -> float:
        """The standard moisture if it lies among the readings, else their mean."""
        sensor = self.samples.sensor
        standard = self.settings.standard_moisture_of(self.crop)
        inside = sensor.min() <= standard <= sensor.max()
        return float(standard if inside else sensor.mean())

    @cached_property
    def _line_or_why(self) -> tuple[lines.PredictionLine | None, str]:
        return self._of_three(lines.prediction_line, self.anchor)

    @property
    def line(self) -> lines.PredictionLine | None:
        """Reference on sensor, told at `anchor`; None where the samples give none."""
        return self._line_or_why[0]

    @property
    def slope(self) -> Estimate:
        """Prediction slope, reference per point of reading."""
        line, why = self._line_or_why
        return line.slope if line else not_known(why)

    @cached_property
    def robust_line(self) -> lines.RobustLine | None:
        """Passing–Bablok, a check on wild samples; by jackknife over trials if few."""
        s, level = self.samples, self.settings.confidence
        trial = s.trial if s.n <= JACKKNIFED_AT_MOST else None
        return tried(lines.passing_bablok, s.sensor, s.reference, level, trial)[0]

    @cached_property
    def gain(self) -> Estimate:
        """The sensor's own slope, errors in both allowed for."""
        s = self.samples
        return lines.sensor_gain(s.sensor, s.reference, s.trial, self.reference_se)

    @cached_property
    def gain_by_trials(self) -> lines.GainByTrials:
        """The gain within and between trials, told apart."""
        s = self.samples
        return lines.gain_by_trials(s.sensor, s.reference, s.trial, self.reference_se)

    @cached_property
    def judged_gain(self) -> Estimate:
        """The gain over the harvested plots, that of the samples without it."""
        cover = self.coverage
        return cover.gain if cover and isfinite(cover.gain.se) else self.gain

    @cached_property
    def curvature(self) -> Estimate:
        """The bend of its errors in mid-range. [% moisture]."""
        found, why = self._of_three(agree.curvature)
        return found or not_known(why)

    @cached_property
    def spread(self) -> agree.SpreadTrend | None:
        """How much wider the errors spread in wet grain."""
        return self._of_three(agree.spread_trend)[0]

    @cached_property
    def bands(self) -> pd.DataFrame:
        """Mean error by 2-point band, against the tolerance."""
        return evidence.audit_bands(
            self.samples, self.tolerance, self.settings.confidence
        )

    # What its readings may be corrected by.

    @cached_property
    def after(self) -> sums.LeaveOneTrialOut | None:
        """Performance as loaded, with an offset, with a line: on trials left out."""
        return tried(sums.leave_one_trial_out, self._sums)[0] if self._sums else None

    @cached_property
    def rmsep_left_out(self) -> dict[str, float]:
        """RMSEP on trials left out of each correction whose uncertainty is known.

        A line of unknown uncertainty is not among them, as the ranks of entries are
        drawn from it. [% moisture]
        """
        if self.after is None:
            return {}
        found = dict(zip((NONE, OFFSET, LINE), self.after, strict=True))
        if self.line is None or not isfinite(self.line.tilt.se):
            del found[LINE]
        return {name: rmsep for name, rmsep in found.items() if isfinite(rmsep)}

    @property
    def best_correction(self) -> str:
        """Name of the correction that does best on trials left out.

        No change competes as well: a correction that only chases the chance of these
        samples makes the trials it has not seen worse. Of equals the simplest.
        """
        rmsep = self.rmsep_left_out
        return min(rmsep, key=lambda name: rmsep[name], default=NONE)

    def correction(self, name: str) -> Correction:
        """Return the correction by none, offset or line, as uncertain as it is.

        One that changes nothing is as uncertain as the bias it leaves.
        """
        if name != LINE:
            covariance, df = np.diag([self.bias.se**2, 0.0]), self.bias.df
            shift, tilt = -self.bias.value if name == OFFSET else 0.0, 0.0
        elif self.line is None:
            raise ValueError(f"curve {self.curve} has no line: {self._line_or_why[1]}.")
        else:
            shift, tilt = map(float, self.line.fit.coefficients)
            covariance, df = self.line.fit.covariance, self.line.tilt.df
        return Correction(
            curve=self.curve,
            pivot=self.anchor,
            shift=shift,
            tilt=tilt,
            covariance=covariance,
            df=df,
        )

    # What it is held to.

    @property
    def tolerance(self) -> Tolerance:
        """Largest error allowed at a moisture."""
        return self.settings.tolerance_of(self.crop)

    @cached_property
    def allowed_bias(self) -> float:
        """Largest bias allowed at the samples' mean moisture. [% moisture]."""
        usual = threshold("allowed_bias_share") * self.tolerance.at(self.mean_reference)
        return self.settings.allowed_bias.get(crop_key(self.crop), usual)

    @property
    def reference_limit(self) -> float:
        """A third of the tolerance, the largest standard error of the reference."""
        return REFERENCE_SHARE * float(self.tolerance.at(self.mean_reference))

    @cached_property
    def max_sep(self) -> tuple[float, str]:
        """Largest SEP it may have, and where that comes from. [% moisture]."""
        at_setup, runs = self.register["sep_at_setup"], self.register["n_at_setup"]
        if limit := self.settings.max_sep.get(self.crop):
            return limit, BY_SETTING
        if at_setup > 0 and runs > 2 and self.n > 1:
            return agree.unexplained_error_limit(at_setup, self.n, runs - 1), BY_TUE
        tolerance = float(self.tolerance.at(self.mean_reference))
        return tolerance, "the tolerance at the mean moisture"


def audit_curves(
    pairing: Pairing, curves: CheckedTable, settings: Season
) -> dict[str, CurveAudit]:
    """Return the audit of every crop × curve with a sample taken blind.

    By curve, in order of crop and curve, false discovery rates filled in; `curves` is
    the curve register.
    """
    register = curve_register(curves.frame)
    labs = compare_labs(pairing.pairs, settings.confidence)
    contradicted = contradictions_by_curve(pairing.pairs, labs, settings)
    by_curve: Any = pairing.pairs.groupby(["crop", "curve"], sort=True)
    readings = ["curve", "trial", "harvested_at", "sensor_pct", "recorded_pct"]
    readings += ["grain_temp_c"]
    harvested = dict(list(pairing.plots[readings].groupby("curve")))
    audits = []
    for (crop, curve), pairs in by_curve:
        used, own = pairs[pairs["used"]], register.loc[curve]
        if not used.empty:
            audits.append(
                CurveAudit(
                    crop=crop,
                    register=own,
                    pairs=pairs,
                    plots=harvested.get(curve),
                    settings=settings,
                    effects=tuple(evidence.effects_on(used, own["chamber_config"])),
                    contradictions=contradicted.get(curve, ()),
                )
            )
    effects = [effect for audit in audits for effect in audit.effects]
    rates = false_discovery([effect.change.p_value for effect in effects]).tolist()
    judged = (replace(e, q_value=q) for e, q in zip(effects, rates, strict=True))
    rates = false_discovery([audit.bias.p_value for audit in audits]).tolist()
    return {
        audit.curve: replace(
            audit, q_value=q, effects=tuple(islice(judged, len(audit.effects)))
        )
        for audit, q in zip(audits, rates, strict=True)
    }
