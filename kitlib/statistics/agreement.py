"""Agreement of a sensor with the reference: bias, SEP, and their shape over moisture.

Sign everywhere: error = sensor - reference. Some editions of ISO 12099 write the
error the other way round.
"""

from dataclasses import dataclass, replace
from math import exp, nan, sqrt
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import f as f_distribution

from kitlib.statistics.clustered import clustered_fit, fitted_contrast
from kitlib.statistics.estimates import (
    NO_INTERVAL,
    Estimate,
    Interval,
    errors_of,
    finite_array,
    not_known,
    paired,
    sums_by_cluster,
)
from kitlib.statistics.lines import NO_REFERENCE_ERROR
from kitlib.statistics.sums import jackknife
from kitlib.words.findings import NoSpread, TooFewSamples
from kitlib.words.terms import counted

ALL_REFERENCE = "reference error explains all of the SEP"
FEW = "a gain over the plots needs 4 trials and 5 samples of unlike readings"


class Agreement(NamedTuple):
    """How a sensor agrees with the reference over n samples."""

    n: int
    bias: float  # mean of sensor - reference [% moisture]
    sep: float  # SD of the errors about the bias, n - 1 [% moisture]

    @property
    def rmsep(self) -> float:
        """Root mean square error, bias included. [% moisture]."""
        return sqrt(self.bias**2 + self.sep**2 * (self.n - 1) / self.n)


def agreement(sensor: ArrayLike, reference: ArrayLike) -> Agreement:
    """Return the bias and SEP of a sensor against the reference.

    Estimand: bias and spread of the errors of these samples, each counted once; how
    much trials differ is left to `clustered`. SEP = sqrt(sum((e - bias)^2) / (n - 1)),
    RMSEP = sqrt(sum(e^2) / n) (ISO 12099:2017, 7.3 to 7.5: titles read, formulas from
    memory).

    Examples
    --------
    >>> found = agreement([15.2, 14.1, 16.3], [15.0, 14.0, 16.0])
    >>> print(f"bias {found.bias:.2f}, SEP {found.sep:.2f}")
    bias 0.20, SEP 0.10
    """
    error = errors_of(*paired("agreement", sensor, reference))
    return Agreement(error.size, float(error.mean()), float(error.std(ddof=1)))


def unexplained_error_limit(
    sep_at_setup: float, n: int, df_at_setup: float, level: float = 0.95
) -> float:
    """Return TUE: an SEP above this is larger than at set-up. [% moisture]

    TUE = SEC sqrt(F(1 - alpha; n - 1, df)) (ISO 12099:2017, 7.5, from memory), n the
    samples of the audit and df the degrees of freedom of the SEC or SEP at set-up:
    n - p - 1 for the SEC of a calibration with p terms, n - 1 for an SEP. The SEP
    itself is compared with it: the limit already allows for the chance of n samples,
    and to compare an end of the SEP's interval would allow for it twice. `level` is
    1 - the chance of refusing an SEP that is as good as at set-up.
    """
    if n < 2 or df_at_setup < 1:
        raise TooFewSamples(
            f"unexplained_error_limit: got n = {n} and df_at_setup = {df_at_setup:g}; "
            "needs at least 2 and 1."
        )
    return sep_at_setup * sqrt(float(f_distribution.ppf(level, n - 1, df_at_setup)))


def sd_reference(reference: ArrayLike) -> float:
    """Return the standard deviation of the reference values, n - 1. [% moisture]"""
    values, _ = paired("sd_reference", reference, reference)
    return float(errors_of(values, np.zeros_like(values)).std(ddof=1))


def rpd(reference: ArrayLike, sep: float) -> float:
    """Return SD(reference) / SEP: how much wider moistures spread than errors.

    nan for an SEP of 0. AACC 39-01.01 asks for at least 4 (read). Some books divide
    by RMSEP.
    """
    return sd_reference(reference) / sep if sep > 0 else nan


def rer(reference: ArrayLike, sep: float) -> float:
    """Return range(reference) / SEP, the range error ratio; nan for an SEP of 0."""
    return float(np.ptp(reference)) / sep if sep > 0 else nan


def sep_without_reference_error(sep: float, reference_se: ArrayLike) -> Estimate:
    """Return the SEP the sensor would show against a reference without error.

    sqrt(SEP^2 - mean(reference_se^2)), errors of the two methods independent (Faber,
    Kowalski, Applied Spectroscopy 51 (1997) 660, abstract read); 0 with a remark where
    the reference explains it all. `reference_se`, of all samples or of each, should
    hold sampling and handling too, which the spread of dishes does not. [% moisture]
    """
    se = finite_array("sep_without_reference_error: reference_se", reference_se)
    if (se < 0).any():
        raise ValueError("sep_without_reference_error: a standard error is below 0.")
    left = sep**2 - float(np.mean(se**2))
    method = "SEP less reference error"
    if left <= 0:
        return Estimate(value=0.0, method=method, remark=ALL_REFERENCE)
    return Estimate(value=sqrt(left), method=method)


def limits_of_agreement(sensor: ArrayLike, reference: ArrayLike) -> list[Estimate]:
    """Return the two limits of agreement of two methods, bias -/+ 1.96 SD.

    Estimand: the range of about 95 % of the errors of samples like these, errors
    normal and alike at every moisture. Takes samples as independent; for a sample
    of a new trial see `SepInterval.error_limits`. Standard error of a limit:
    SD sqrt(1/n + 1.96^2 / (2 (n - 1))), with n - 1 degrees of freedom (Bland, Altman,
    Statistical Methods in Medical Research 8 (1999) 135-160).
    """
    n, bias, sd = agreement(sensor, reference)
    se = sd * sqrt(1 / n + 1.96**2 / (2 * (n - 1)))
    known = Estimate(value=bias, se=se, df=n - 1, method="Bland-Altman 1999")
    return [replace(known, value=bias + z * sd) for z in (-1.96, 1.96)]


def concordance(sensor: ArrayLike, reference: ArrayLike) -> float:
    """Return Lin's concordance: how closely two methods follow the line of equality.

    2 s_xy / (s_x^2 + s_y^2 + (mean difference)^2), variances with 1/n (Lin, Biometrics
    45 (1989) 255-268). Like every correlation it grows with the range of moistures
    sampled: compare it only between sets of like range. nan where one of the two does
    not vary.
    """
    sensor, reference = paired("concordance", sensor, reference, at_least=3)
    if np.ptp(sensor) == 0 or np.ptp(reference) == 0:
        return nan
    shared = np.mean((sensor - sensor.mean()) * (reference - reference.mean()))
    apart = (sensor.mean() - reference.mean()) ** 2
    return float(2 * shared / (sensor.var() + reference.var() + apart))


def shown_within(bias: Estimate, margin: float, level: float = 0.95) -> bool:
    """Say whether a bias is shown to lie inside plus or minus a margin, above 0.

    Two one-sided tests at 1 - `level` (Schuirmann, J. Pharmacokinetics and
    Biopharmaceutics 15 (1987) 657-680): both are passed where the interval at
    2 `level` - 1, such as 90 %, lies inside the margin. A bias without an interval
    is never shown to.
    """
    if not margin > 0:
        raise ValueError(f"shown_within: margin is {margin}; expected more than 0.")
    if not 0.5 < level < 1:
        raise ValueError(f"shown_within: level is {level}; expected 0.5 to 1.")
    low, high = bias.interval(2 * level - 1)
    return -margin <= low and high <= margin


# ---- shape of the errors over moisture -----------------------------------------------

# Bend and spread are read against the reference, whose error is the smaller one:
# against the sensor's own readings a straight and steady sensor would seem to bend
# where moistures are spread unevenly.
ENDS = (0.05, 0.95)  # quantiles that stand for the ends: one wet sample is no range
NO_TREND = "too few errors leave the line for the spread to be followed over moisture"


def span_of(reference: ArrayLike) -> Interval:
    """Return the range within which shape is judged: the middle 90 % of moistures."""
    reference, _ = paired("span_of", reference, reference)
    low, high = (float(end) for end in np.quantile(reference, ENDS))
    if not high > low:
        raise NoSpread(
            f"span_of: the middle 90 % of the reference is all {low:g}; expected "
            "moistures that differ. Leave shape out of the audit."
        )
    return Interval(low, high)


def curvature(sensor: ArrayLike, reference: ArrayLike, trial: Any) -> Estimate:
    """Return how far the errors bend: at the middle of the range less at its ends.

    Estimand: mean error at the middle of the span (`span_of`), less the mean of
    the errors at its two ends, along the best parabola, in the population of
    trials, of 4 samples or more. 0 for a straight relation, whatever its slope; +0.3
    says the sensor reads 0.3 points too high in mid-range once it is right at both
    ends. [% moisture]
    """
    sensor, reference = paired("curvature", sensor, reference, at_least=4)
    low, high = span_of(reference)
    z = (2 * reference - low - high) / (high - low)  # -1 and 1 at the ends
    if np.unique(reference).size < 3:
        raise NoSpread("curvature: the reference takes 2 values; expected 3 or more.")
    design = np.column_stack([np.ones_like(z), z, z * z])
    fit = clustered_fit(design, errors_of(sensor, reference), trial)
    return fit.contrast([0.0, 0.0, -1.0])


@dataclass(frozen=True, kw_only=True)
class SpreadTrend:
    """How the spread of the errors changes from dry to wet."""

    log_ratio: Estimate  # logarithm of the SD at the wet end over that at the dry end
    span: Interval  # the two ends [% moisture, wet basis]

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
    the ratio of SDs where the errors keep their form. Arguments as for `curvature`.
    Not known, saying why, where errors are zero over all the range or one side of it.

    Absolute residuals over sqrt(1 - leverage) (Davidian, Carroll, J. American
    Statistical Association 82 (1987) 1079-1091, from memory) by gamma regression with a
    log link, which takes zeros. Its weights are all 1, so its last step is an ordinary
    least-squares fit, whose CR2 errors are the ones given.
    """
    sensor, reference = paired("spread_trend", sensor, reference, at_least=4)
    span = span_of(reference)
    error = errors_of(sensor, reference)
    z = (2 * reference - span.low - span.high) / (span.high - span.low)
    design = np.column_stack([np.ones_like(z), z])
    q, _ = np.linalg.qr(design)
    residual = error - q @ (q.T @ error)
    # Up to the rounding of the readings a residual is zero.
    residual[np.abs(residual) <= 64 * np.spacing(np.abs(reference).max())] = 0.0
    hidden = 1 - (q * q).sum(axis=1)  # what of an error its own leverage left
    size = np.abs(residual) / np.sqrt(np.maximum(hidden, 1e-12))
    mean = _gamma_means(q, size) if size.any() else None
    if mean is None:
        return SpreadTrend(log_ratio=not_known(NO_TREND), span=span)
    last_step = np.log(mean) + size / mean - 1
    slope = clustered_fit(design, last_step, trial).contrast([0.0, 2.0])
    return SpreadTrend(log_ratio=slope, span=span)


def _gamma_means(q, size):
    """Return means of a gamma regression with log link; None if it runs away."""
    log_mean = np.full(size.size, np.log(size.mean()))
    for _ in range(500):
        step = q @ (q.T @ (size / np.exp(log_mean) - 1))
        longest = np.abs(step).max()
        log_mean += step / max(longest, 1.0)
        if longest < 1e-11:
            return np.exp(log_mean)
    return None


# ---- over all harvested plots --------------------------------------------------------

# Plots that read highest are partly those that read too high. Samples picked among
# them overstate the bias, and samples picked at both ends stretch the gain. What holds
# at a given reading in a given trial does not depend on how it was picked, and the
# readings of all plots are known: both are put together here.


class SampledTrials(NamedTuple):
    """Samples, (n,) each, beside the readings of all plots of their trials."""

    sensor: np.ndarray  # of samples whose trial has plots with readings
    reference: np.ndarray
    trial: np.ndarray
    mean: np.ndarray  # reading of all plots of the sample's trial
    away: np.ndarray  # how far each sample reads above that [points]
    spread: np.ndarray  # variance of these readings; 0 for a single plot


def beside_plots(
    sensor: ArrayLike,
    reference: ArrayLike,
    trial: Any,
    harvested: ArrayLike,
    harvested_trial: Any,
) -> SampledTrials:
    """Return the samples, and their trials, beside the plots of these.

    `harvested` are the readings of all m plots, nan where there is none, and
    `harvested_trial` their trials. [% moisture, wet basis]
    """
    plots = pd.Series(np.asarray(harvested, float)).dropna()
    by_trial = plots.groupby(np.asarray(harvested_trial, object)[plots.index])
    trial = pd.Series(np.asarray(trial, object))
    mean = trial.map(by_trial.mean()).to_numpy(float)
    spread = trial.map(by_trial.var().fillna(0.0)).to_numpy(float)
    known = np.isfinite(mean)
    sensor, reference = np.asarray(sensor, float), np.asarray(reference, float)
    columns = (sensor, reference, trial.to_numpy(), mean, sensor - mean, spread)
    return SampledTrials(*(column[known] for column in columns))


def bias_over_plots(samples: SampledTrials) -> Estimate:
    """Return the mean error over all plots of the sampled trials. [% moisture]

    Estimand: the mean over trials (each counted by its samples) of the mean error
    of its plots, whatever readings its samples were picked at. Of errors fitted on how
    far each sample reads from the mean of its trial's plots, at 0; CR2 by trial. It
    rests on errors going straight with the reading inside a trial.
    """
    if samples.sensor.size < 3:
        return not_known(f"{counted(samples.sensor.size, 'sample')} in trials read")
    design = np.column_stack([np.ones_like(samples.away), samples.away])
    if np.ptp(samples.away) == 0:
        design = design[:, :1]
    error = samples.sensor - samples.reference
    return fitted_contrast([1.0], design, error, samples.trial)


def gain_over_plots(samples: SampledTrials, reference_se: float) -> Estimate:
    """Return the gain over all plots of the sampled trials.

    Estimand: the slope of the sensor on the true moisture over the plots of the
    population of trials, whatever readings its samples were picked at. Jackknife over
    trials; not known without `reference_se`, the standard error of a sample's
    reference value, with too few samples, or where the two do not rise together.

    The reference is fitted on the trial's mean reading and on the sample's distance
    from it. With slopes b and variances V of the readings of all plots, between and
    within trials, and s² the scatter about the fit less the reference's own error,
    cov(sensor, moisture) = sum(b V) and var(moisture) = sum(b² V) + s² (the laws of
    total covariance and variance); the gain is their ratio.
    """
    if not np.isfinite(reference_se):
        return not_known(NO_REFERENCE_ERROR)
    few = samples.sensor.size < 5 or len(set(samples.trial)) < 4
    if few or np.ptp(samples.away) == 0:
        return not_known(FEW)
    codes, trials = pd.factorize(samples.trial)
    mean = samples.mean - samples.mean.mean()
    reference = samples.reference - samples.reference.mean()
    columns = [np.ones_like(mean), mean, samples.away, reference]
    products = [a * b for a in columns for b in columns] + [samples.spread]
    table = sums_by_cluster(codes, trials.size, np.column_stack(products))
    total = table.sum(axis=0)
    sums = SimpleNamespace(trials=trials, total=total, without_each=total - table)
    found = jackknife(sums, lambda rest: _gain(rest, reference_se**2))
    return found if found.known else not_known("reading and reference do not rise")


def _gain(sums, reference_variance):
    """Return the gain from sums of products, nan where it is not defined.

    Of 1, mean, away and reference, and the sum of the spread, shape (..., 17).
    """
    products = sums[..., :16].reshape(*sums.shape[:-1], 4, 4)
    n = products[..., 0, 0]
    past, with_reference = products[..., :3, :3], products[..., :3, 3]
    line = np.linalg.pinv(past, hermitian=True) @ with_reference[..., None]
    between, within = line[..., 1, 0], line[..., 2, 0]
    scatter = products[..., 3, 3] - (with_reference * line[..., 0]).sum(axis=-1)
    few = np.full(n.shape, np.nan)
    scatter = np.divide(scatter, n - 3, where=n > 3, out=few) - reference_variance
    means = products[..., 1, 1] / n - (products[..., 0, 1] / n) ** 2
    spread = sums[..., 16] / n
    together = between * means + within * spread
    moisture = between**2 * means + within**2 * spread + np.maximum(scatter, 0.0)
    rising = (together > 0) & (moisture > 0)
    return np.divide(together, moisture, where=rising, out=np.full(n.shape, np.nan))
