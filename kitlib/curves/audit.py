"""What a season says of one curve, each statistic worked out when it is asked for.

The season's pairs are taken apart by crop and curve here, and nowhere else.
"""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from math import nan
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kitlib.curves.evidence import (
    Coverage,
    Effect,
    Influence,
    Samples,
    audit_bands,
    coverage,
    effects_on,
    influence,
    p_of_zero,
    two_phase_bias,
    with_q_values,
)
from kitlib.curves.records import Contradiction, contradictions_by_curve
from kitlib.intake.pairs import OVEN, Pairing, curve_register
from kitlib.intake.reference import compare_labs
from kitlib.intake.schema import Table
from kitlib.intake.settings import Season
from kitlib.statistics.agreement import (
    Agreement,
    LimitsOfAgreement,
    agreement,
    concordance,
    limits_of_agreement,
    rer,
    rpd,
    sd_reference,
    sep_without_reference_error,
    unexplained_error_limit,
)
from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.estimates import (
    NO_INTERVAL,
    Estimate,
    Interval,
    not_known,
    tried,
)
from kitlib.statistics.lines import (
    NO_REFERENCE_ERROR,
    GainByTrials,
    PredictionLine,
    RobustLine,
    SpreadTrend,
    curvature,
    gain_by_trials,
    passing_bablok,
    prediction_line,
    sensor_gain,
    spread_trend,
)
from kitlib.statistics.pooling import false_discovery
from kitlib.statistics.reml import (
    VarianceComponents,
    random_intercept,
    variance_components,
)
from kitlib.statistics.sums import (
    LeaveOneTrialOut,
    SepInterval,
    TrialSums,
    leave_one_trial_out,
    sep_interval,
    trial_sums,
)
from kitlib.words.limits import Tolerance, threshold

# A jackknife refits the robust line for every trial: seconds beyond this many samples.
JACKKNIFED_AT_MOST = 500
BY_TUE = "the largest SEP consistent with set-up (ISO 12099, T_UE)"


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveAudit:
    """One curve's samples and what they say of it; unknown parts say why.

    Attributes
    ----------
    crop : str
    register : Series
        The curve's row of the register; `offset_mixed` says if several offsets
        were loaded in the season and the plots do not tell which.
    pairs : DataFrame
        Its samples as in `Pairing.pairs`, at least one of them used.
    plots : DataFrame or None
        Trial and reading, `sensor_pct`, of the plots it served; None if it was only
        recorded in parallel.
    settings : Season
    effects : tuple of Effect
        What its errors go with, rates of false discovery over the whole season.
    contradictions : tuple of Contradiction
        What is on record of it and its readings contradict.
    q_value : float
        False discovery rate of its bias over the season's curves.
    """

    crop: str
    register: pd.Series
    pairs: pd.DataFrame
    plots: pd.DataFrame | None
    settings: Season
    effects: tuple[Effect, ...] = ()
    contradictions: tuple[Contradiction, ...] = ()
    q_value: float = nan

    @property
    def curve(self) -> str:
        """Its name."""
        return str(self.register.name)

    @cached_property
    def samples(self) -> Samples:
        """The samples the bias rests on: oven and sensor, taken blind."""
        return Samples.of(self.pairs[self.pairs["used"]])

    @property
    def n(self) -> int:
        """Samples the bias rests on."""
        return self.samples.n

    @cached_property
    def n_trials(self) -> int:
        """Trials they come from."""
        return self.samples.n_trials

    @cached_property
    def parallel(self) -> bool:
        """Whether it was only recorded beside another curve."""
        return bool(self.pairs["parallel"].all())

    @cached_property
    def sums(self) -> TrialSums | None:
        """The six sums of every trial; None for a single sample."""
        s = self.samples
        return tried(trial_sums, s.sensor, s.reference, s.trial)[0]

    # Bias.

    @cached_property
    def bias(self) -> Estimate:
        """Mean error, clustered by trial (CR2): the headline. [% moisture]."""
        return clustered_mean(self.samples.error, self.samples.trial)

    @cached_property
    def bias_mixed(self) -> Estimate:
        """Bias of a trial drawn at random, by REML and Kenward-Roger: the check."""
        if self.n < 2:
            return not_known("one sample says nothing of its own error")
        ones, s = np.ones((self.n, 1)), self.samples
        fit, why = tried(random_intercept, ones, s.error, s.trial)
        return fit.kenward_roger([1.0]) if fit else not_known(why)

    @cached_property
    def two_phase(self) -> Estimate:
        """Bias with the samples used too that only the benchtop measured."""
        fair = self.pairs["used"] | (self.pairs["basis"] != OVEN)
        benched = self.pairs[fair & self.pairs["benchtop_pct"].notna()]
        both = benched[benched["used"]]
        return two_phase_bias(
            (benched["sensor_pct"] - benched["benchtop_pct"]).to_numpy(float),
            benched["trial"].to_numpy(object),
            (both["benchtop_pct"] - both["reference_pct"]).to_numpy(float),
            both["trial"].to_numpy(object),
        )

    @cached_property
    def coverage(self) -> Coverage | None:
        """How its samples cover the plots it served; None if it served none alone."""
        if self.plots is None:
            return None
        readings, trial = self.plots["sensor_pct"], self.plots["trial"]
        return coverage(self.samples, self.reference_se, readings, trial)

    @cached_property
    def _set_apart(self) -> pd.DataFrame:
        return self.pairs[(self.pairs["basis"] == OVEN) & ~self.pairs["used"]]

    @property
    def n_apart(self) -> int:
        """Samples chosen because of their reading."""
        return len(self._set_apart)

    @cached_property
    def apart(self) -> Estimate:
        """Mean error of the samples chosen because of their reading."""
        return clustered_mean(
            self._set_apart["error"].to_numpy(float),
            self._set_apart["trial"].to_numpy(object),
        )

    @cached_property
    def influence(self) -> Influence | None:
        """The sample and the trial that move the bias most; None for one sample."""
        s = self.samples
        return influence(s.error, s.sample, s.trial) if self.n > 1 else None

    # Scatter.

    @cached_property
    def agreement(self) -> Agreement | None:
        """n, bias, SEP and RMSEP; None under two samples."""
        return tried(agreement, self.samples.sensor, self.samples.reference)[0]

    @property
    def sep(self) -> float:
        """SEP, nan where there is none. [% moisture]."""
        return self.agreement.sep if self.agreement else nan

    @cached_property
    def _sep_of_trials(self) -> SepInterval | None:
        return sep_interval(self.sums, self.settings.confidence) if self.sums else None

    @property
    def sep_interval(self) -> Interval:
        """Interval of the SEP of new trials, by `sep_method`. [% moisture]."""
        found = self._sep_of_trials
        return found.interval if found else NO_INTERVAL

    @property
    def sep_method(self) -> str:
        """Name of the method of `sep_interval`, or why there is none."""
        found = self._sep_of_trials
        return (found.remark or found.method) if found else "one sample has no SEP"

    @property
    def new_sample(self) -> Interval:
        """Where the error of one new sample of a new trial lies. [% moisture]."""
        found = self._sep_of_trials
        if found is None:
            return NO_INTERVAL
        return found.error_limits(self.bias, self.settings.confidence)

    @cached_property
    def reference_se(self) -> float:
        """Standard error of a reference value, root mean square; nan if unknown."""
        return float(np.sqrt(np.mean(np.square(self.samples.reference_se))))

    @cached_property
    def sep_corrected(self) -> Estimate:
        """SEP less the reference's own error. [% moisture]."""
        if self.agreement is None:
            return not_known("SEP needs two samples")
        if not np.isfinite(self.reference_se):
            return not_known(NO_REFERENCE_ERROR)
        return sep_without_reference_error(self.sep, self.reference_se)

    @cached_property
    def limits(self) -> LimitsOfAgreement | None:
        """Where the errors of most samples lie."""
        return tried(limits_of_agreement, self.samples.sensor, self.samples.reference)[
            0
        ]

    @cached_property
    def concordance(self) -> float:
        """Lin's concordance, nan where it is not known."""
        found = tried(concordance, self.samples.sensor, self.samples.reference)[0]
        return nan if found is None else found

    @cached_property
    def components(self) -> VarianceComponents | None:
        """SD of the errors between and within trials."""
        return tried(variance_components, self.samples.error, self.samples.trial)[0]

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
        return sd_reference(self.samples.reference) if self.n > 1 else nan

    @property
    def rpd(self) -> float:
        """SD of the reference over SEP, nan if not known."""
        return rpd(self.samples.reference, self.sep) if self.n > 1 else nan

    @property
    def rer(self) -> float:
        """Range of the reference over SEP, nan if not known."""
        return rer(self.samples.reference, self.sep) if self.n > 1 else nan

    @property
    def spread_is_wide(self) -> bool:
        """Whether the moistures spread as AACC 39-01.01 asks for a slope."""
        return self.sd_reference >= threshold("spread_for_slope") * self.sep

    # Lines and shape.

    def _of_three(self, make: Callable[..., Any], *more: Any) -> tuple[Any, str]:
        """Return a statistic of sensor, reference and trial, or None and why."""
        s = self.samples
        return tried(make, s.sensor, s.reference, s.trial, *more)

    @cached_property
    def anchor(self) -> float:
        """The standard moisture if it lies among the readings, else their mean."""
        sensor = self.samples.sensor
        standard = self.settings.standard_moisture_of(self.crop)
        inside = sensor.min() <= standard <= sensor.max()
        return float(standard if inside else sensor.mean())

    @cached_property
    def _line_or_why(self) -> tuple[PredictionLine | None, str]:
        return self._of_three(prediction_line, self.anchor)

    @property
    def line(self) -> PredictionLine | None:
        """Reference on sensor, told at `anchor`; None where the samples give none."""
        return self._line_or_why[0]

    @property
    def slope(self) -> Estimate:
        """Prediction slope, reference per point of reading."""
        line, why = self._line_or_why
        return line.slope if line else not_known(why)

    @cached_property
    def robust_line(self) -> RobustLine | None:
        """Passing–Bablok, a check on wild samples.

        Its interval is by jackknife over trials up to `JACKKNIFED_AT_MOST` samples,
        else it takes them as independent.
        """
        s, level = self.samples, self.settings.confidence
        trial = s.trial if s.n <= JACKKNIFED_AT_MOST else None
        return tried(passing_bablok, s.sensor, s.reference, level, trial)[0]

    @cached_property
    def gain(self) -> Estimate:
        """The sensor's own slope, errors in both allowed for."""
        s = self.samples
        return sensor_gain(s.sensor, s.reference, s.trial, self.reference_se)

    @cached_property
    def gain_by_trials(self) -> GainByTrials:
        """The gain within and between trials, told apart."""
        found, why = self._of_three(gain_by_trials, self.reference_se)
        return GainByTrials(*3 * (not_known(why),)) if found is None else found

    @cached_property
    def curvature(self) -> Estimate:
        """The bend of its errors in mid-range. [% moisture]."""
        found, why = self._of_three(curvature)
        return not_known(why) if found is None else found

    @cached_property
    def spread(self) -> SpreadTrend | None:
        """How much wider the errors spread in wet grain."""
        return self._of_three(spread_trend)[0]

    @cached_property
    def _after_or_why(self) -> tuple[LeaveOneTrialOut | None, str]:
        if self.sums is None:
            return None, "one sample: no trial can be left out"
        return tried(leave_one_trial_out, self.sums)

    @property
    def after(self) -> LeaveOneTrialOut | None:
        """Performance as loaded, with an offset, with a line: on trials left out."""
        return self._after_or_why[0]

    @property
    def after_remark(self) -> str:
        """Why `after` is not known."""
        return self._after_or_why[1]

    # What it is held to.

    @property
    def tolerance(self) -> Tolerance:
        """Largest error allowed at a moisture."""
        return self.settings.tolerance_of(self.crop)

    @cached_property
    def allowed_bias(self) -> float:
        """Largest bias allowed at the samples' mean moisture. [% moisture]."""
        return self.settings.allowed_bias_at(self.crop, self.mean_reference)

    @property
    def reference_limit(self) -> float:
        """Largest standard error the reference should have: a third of the tolerance.

        French Order of 1 July 2010, article 21. [% moisture]
        """
        return float(self.tolerance.at(self.mean_reference)) / 3

    @cached_property
    def _max_sep_and_source(self) -> tuple[float, str]:
        own = self.settings.max_sep.get(self.crop)
        if own:
            return own, "season.toml"
        at_setup = self.register["sep_at_setup"]
        n_at_setup = self.register["n_at_setup"]
        if at_setup > 0 and n_at_setup > 2 and self.n > 1:
            return unexplained_error_limit(at_setup, self.n, n_at_setup - 1), BY_TUE
        at_mean = float(self.tolerance.at(self.mean_reference))
        return at_mean, "the tolerance at the mean moisture"

    @property
    def max_sep(self) -> float:
        """Largest SEP it may have. [% moisture]."""
        return self._max_sep_and_source[0]

    @property
    def max_sep_source(self) -> str:
        """Where `max_sep` comes from."""
        return self._max_sep_and_source[1]

    @cached_property
    def bands(self) -> pd.DataFrame:
        """Mean error by 2-point band, against the tolerance."""
        return audit_bands(self.samples, self.tolerance, self.settings.confidence)


def audit_curves(
    pairing: Pairing, curves: Table, settings: Season
) -> dict[str, CurveAudit]:
    """Return the audit of every crop × curve with a sample taken blind.

    Parameters
    ----------
    pairing : Pairing
    curves : Table
        The curve register.
    settings : Season

    Returns
    -------
    dict of CurveAudit
        By curve, in order of crop and curve, false discovery rates filled in.
    """
    register = curve_register(curves.frame)
    labs = compare_labs(pairing.pairs, settings.confidence)
    contradicted = contradictions_by_curve(pairing.pairs, labs, settings)
    by_curve: Any = pairing.pairs.groupby(["crop", "curve"], sort=True)
    readings = pairing.plots[["curve", "trial", "sensor_pct"]]
    harvested = dict(list(readings.groupby("curve")))
    audits = [
        CurveAudit(
            crop=crop,
            register=register.loc[curve],
            pairs=pairs,
            plots=harvested.get(curve),
            settings=settings,
            effects=tuple(
                effects_on(pairs[pairs["used"]], register.at[curve, "chamber_config"])
            ),
            contradictions=contradicted.get(curve, ()),
        )
        for (crop, curve), pairs in by_curve
        if pairs["used"].any()
    ]
    return {audit.curve: audit for audit in _with_discovery_rates(audits)}


def _with_discovery_rates(audits: list[CurveAudit]) -> list[CurveAudit]:
    """Fill in the false discovery rates of all biases and of all effects."""
    q_values = false_discovery([p_of_zero(audit.bias) for audit in audits])
    effects = iter(with_q_values([e for audit in audits for e in audit.effects]))
    return [
        replace(
            audit,
            q_value=float(q),
            effects=tuple(next(effects) for _ in audit.effects),
        )
        for audit, q in zip(audits, q_values, strict=True)
    ]


@dataclass(frozen=True, kw_only=True, eq=False)
class Correction:
    """A straight line that turns a curve's readings into corrected moisture.

    Attributes
    ----------
    curve : str
        The curve it corrects.
    pivot : float
        Reading at which the line is anchored. [% moisture, wet basis]
    shift : float
        What is added to a reading at the pivot: −bias there. [% moisture]
    tilt : float
        Prediction slope − 1: what is added more per point above the pivot.
    covariance : ndarray, shape (2, 2)
        Of shift and tilt; the row and column of a tilt that was set, not
        estimated, are zero; nan where it is not known.
    df : float
        Degrees of freedom the covariance rests on; infinite if known exactly.

    Examples
    --------
    >>> line = Correction(curve="A", pivot=18.0, shift=-0.4, tilt=0.1,
    ...                   covariance=np.zeros((2, 2)), df=9)
    >>> [round(float(m), 6) for m in line.apply([18.0, 20.0])]
    [17.6, 19.8]
    """

    curve: str
    pivot: float
    shift: float
    tilt: float
    covariance: np.ndarray
    df: float

    def __post_init__(self) -> None:
        covariance = np.asarray(self.covariance, float)
        if covariance.shape != (2, 2):
            raise ValueError(
                f"Correction of curve {self.curve}: covariance has shape "
                f"{covariance.shape}; expected (2, 2), of shift and tilt."
            )
        object.__setattr__(self, "covariance", covariance)

    @property
    def uncertainty_known(self) -> bool:
        """Whether it is known how well the line is known."""
        return bool(np.isfinite(self.covariance).all() and self.df > 0)

    def apply(self, sensor: ArrayLike) -> np.ndarray:
        """Return corrected moisture. [% moisture, wet basis]"""
        reading = np.asarray(sensor, float)
        return reading + self.shift + self.tilt * (reading - self.pivot)

    def draw_errors(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Draw how far shift and tilt may be off, jointly.

        Parameters
        ----------
        draws : int
            Number of draws.
        rng : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        ndarray, shape (2, draws)
            Deviations from shift and tilt, from the multivariate t distribution
            with the covariance as its scale matrix and `df` degrees of freedom:
            the joint form of the t intervals of both. [% moisture; per point]

        Raises
        ------
        ValueError
            If the covariance is not known or has a negative variance.
        """
        if not self.uncertainty_known:
            raise ValueError(
                f"Correction of curve {self.curve}: covariance is "
                f"{self.covariance.tolist()} with df = {self.df}; expected known "
                "numbers. Ask `uncertainty_known` before drawing."
            )
        normal = _square_root(self.covariance) @ rng.standard_normal((2, draws))
        return normal * t_stretch(self.df, draws, rng)


def t_stretch(df: float, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Draw the factors that turn normal draws into t draws, one per draw."""
    if np.isinf(df):
        return np.ones(draws)
    return np.sqrt(df / rng.chisquare(df, draws))


def _square_root(covariance: np.ndarray) -> np.ndarray:
    """Return A with A Aᵀ = covariance, which may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    # Rounding leaves a singular matrix with an eigenvalue just below zero.
    if values[0] < -1e-9 * abs(values[-1]):
        raise ValueError(
            f"Correction: covariance {covariance.tolist()} has a negative variance; "
            "expected a covariance matrix of shift and tilt."
        )
    return vectors * np.sqrt(np.clip(values, 0, None))


def no_correction(audit: CurveAudit) -> Correction:
    """Return the correction that changes nothing, the bias as uncertain as it is."""
    bias = audit.bias
    return Correction(
        curve=audit.curve,
        pivot=audit.anchor,
        shift=0.0,
        tilt=0.0,
        covariance=np.diag([bias.se**2, 0.0]),
        df=bias.df,
    )


def offset_correction(audit: CurveAudit) -> Correction:
    """Return the correction that adds −bias, with the bias's own uncertainty."""
    bias = audit.bias
    return Correction(
        curve=audit.curve,
        pivot=audit.anchor,
        shift=-bias.value,
        tilt=0.0,
        covariance=np.diag([bias.se**2, 0.0]),
        df=bias.df,
    )


def line_correction(audit: CurveAudit) -> Correction:
    """Return the correction by the prediction line, with its joint uncertainty."""
    line = audit.line
    if line is None:
        raise ValueError(f"line_correction: curve {audit.curve} has no line.")
    return Correction(
        curve=audit.curve,
        pivot=line.anchor,
        shift=float(line.fit.coefficients[0]),
        tilt=float(line.fit.coefficients[1]),
        covariance=line.fit.covariance,
        df=line.tilt.df,
    )


NONE, OFFSET, LINE = "none", "offset", "line"
MAKE = {NONE: no_correction, OFFSET: offset_correction, LINE: line_correction}


def rmsep_by_correction(audit: CurveAudit) -> dict[str, float]:
    """Return the RMSEP of each correction on trials left out, those known. [points].

    A line is among them only where its uncertainty is known, as the ranks of entries
    are drawn from it.
    """
    after = audit.after
    if after is None:
        return {}
    found = {NONE: after.rmsep_none, OFFSET: after.rmsep_offset}
    if audit.line is not None and np.isfinite(audit.line.tilt.se):
        found[LINE] = after.rmsep_line
    return {name: rmsep for name, rmsep in found.items() if np.isfinite(rmsep)}


def best_correction(audit: CurveAudit) -> str:
    """Return the name of the correction that does best on trials left out.

    No change competes as well: a correction that only chases the chance of these
    samples makes the trials it has not seen worse. Of equals the simplest.
    """
    rmsep = rmsep_by_correction(audit)
    return min(rmsep, key=lambda name: rmsep[name], default=NONE)
