"""A correction of a curve's readings, with what is known of it.

What a curve's readings are corrected by, with the uncertainty of its audit.

What no offset and no slope would mend in a curve.

What the samples and the harvested plots must agree on before a curve is changed.

How many more samples and trials would settle what these leave open.
"""

from dataclasses import dataclass
from math import ceil, inf, isfinite, sqrt

import numpy as np
from scipy.stats import t as student_t

from kitlib.curves.audit import CurveAudit
from kitlib.intake.settings import Season
from kitlib.statistics.left_out import sep_interval
from kitlib.statistics.sums import trial_sums
from kitlib.words.estimates import Estimate
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, listed, show, show_span


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

    def apply(self, sensor) -> np.ndarray:
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
    fit = line.fit
    return Correction(
        curve=audit.curve,
        pivot=line.anchor,
        shift=float(fit.coefficients[0]),
        tilt=float(fit.coefficients[1]),
        covariance=fit.covariance,
        df=line.tilt.df,
    )


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


def flaws_after_correction(audit: CurveAudit, season: Season) -> list[str]:
    """Return, in words, what no offset and no slope would mend."""
    flaws = []
    if min(audit.sep_interval.low, _sep_after(audit, season)) > audit.max_sep:
        flaws.append(
            f"its SEP of {show(audit.sep)} ({show_span(*audit.sep_interval)}) lies "
            f"beyond {show(audit.max_sep)} ({audit.max_sep_source})"
        )
    bend, ends = audit.curvature.value, audit.curvature.interval(season.confidence)
    if abs(bend) > audit.allowed_bias and (ends.low > 0 or ends.high < 0):
        flaws.append(
            f"its errors bend: mid-range they lie {show(bend, sign=True)} points "
            f"({show_span(*ends, sign=True)}) from a straight line"
        )
    flaws += _bands_beyond_after(audit)
    return flaws


def _sep_after(audit: CurveAudit, season: Season) -> float:
    """Return the low end of the SEP about the prediction line, inf without one."""
    line, samples = audit.line, audit.samples
    if line is None:
        return inf
    corrected = line.corrected(samples.sensor)
    sums = trial_sums(corrected, samples.reference, samples.trial)
    return sep_interval(sums, season.confidence).interval.low


def _bands_beyond_after(audit: CurveAudit) -> list[str]:
    """Name bands that stay beyond tolerance after the best correction."""
    bands, line = audit.bands, audit.line
    judged = bands[bands["n"] >= threshold("samples_per_band")]
    left = judged["mean_error"] - audit.bias.value
    if line is not None:
        middle = judged["band_low"] + 1.0
        tilt = line.tilt.value
        by_line = judged["mean_error"] - audit.bias.value
        by_line = by_line + tilt * (middle - audit.mean_reference)
        left = left.where(left.abs() < by_line.abs(), by_line)
    half = (judged["high"] - judged["low"]) / 2
    beyond = judged[(left.abs() > judged["tolerance"]) & (left.abs() > half)]
    if beyond.empty:
        return []
    names = [f"{low:g} to {low + 2:g} %" for low in beyond["band_low"]]
    return [f"the band {listed(names)} stays beyond tolerance after any correction"]


def plots_agree(audit: CurveAudit, season: Season) -> bool:
    """Whether the bias over the harvested plots leaves out zero on the same side.

    True where it is not known: then nothing speaks against the samples.
    """
    if audit.coverage is None or not audit.coverage.bias.known:
        return True
    ends = audit.coverage.bias.interval(season.confidence)
    if not isfinite(ends.low):
        return True
    return ends.low > 0 if audit.bias.value > 0 else ends.high < 0


def judged_gain(audit: CurveAudit) -> Estimate:
    """Return the gain over the harvested plots, that of the samples without it."""
    over_plots = audit.coverage.gain if audit.coverage else None
    if over_plots is not None and isfinite(over_plots.se):
        return over_plots
    return audit.gain


def slope_is_needed(audit: CurveAudit, season: Season) -> bool:
    """Whether the samples call for a slope, by every rule a slope must pass."""
    after = audit.after
    if audit.line is None or after is None:
        return False
    wide = audit.spread_is_wide or audit.span >= threshold("span_for_reslope")
    enough = audit.n_trials >= threshold("trials_for_reslope")
    enough = enough and audit.n >= threshold("samples_for_line")
    gain = judged_gain(audit).interval(season.confidence)
    differs = isfinite(gain.low) and not gain.holds(1.0)
    tilt = audit.line.tilt.interval(season.confidence)
    tilts = isfinite(tilt.low) and not tilt.holds(0.0)
    better = after.rmsep_line < after.rmsep_offset
    return bool(enough and wide and differs and tilts and better)


MOST_TRIALS = 200


def what_would_settle(audit: CurveAudit, season: Season) -> str:
    """Return how many more samples and trials would settle a curve.

    Takes the SDs between and within trials as found, and as many samples a trial
    as there were; the bias as estimated. A forecast, not a promise.
    """
    parts = audit.components
    if parts is None or audit.n_trials < 2 or not isfinite(parts.sd_residual):
        return "Samples of at least two more trials are needed before anything is said."
    a_trial = audit.n / audit.n_trials
    sd_trial = parts.sd_trial if isfinite(parts.sd_trial) else 0.0
    spread = sqrt(sd_trial**2 + parts.sd_residual**2 / a_trial)
    bias, allowed = abs(audit.bias.value), audit.allowed_bias
    for trials in range(max(audit.n_trials, 3), MOST_TRIALS + 1):
        se = spread / sqrt(trials)
        inside = bias + student_t.ppf(0.95, trials - 1) * se <= allowed
        tail = (1 + season.confidence) / 2
        if inside or bias > student_t.ppf(tail, trials - 1) * se:
            more = max(trials - audit.n_trials, 1)
            samples = ceil(more * a_trial)
            return (
                f"About {counted(more, 'more trial')} with "
                f"{counted(samples, 'sample')} in all would settle it, if the bias is "
                "as estimated."
            )
    return (
        f"More than {MOST_TRIALS} trials would be needed: the bias lies too near the "
        "allowed bias to be called."
    )
