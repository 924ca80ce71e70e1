"""How far one trial's readings were off: its own samples and what the season says.

A curve's bias is a mean over trials. Each trial lies at a distance of its own from
it, which the trial's samples show in part.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf, isfinite, nan, sqrt

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit
from kitlib.curves.corrections import Correction
from kitlib.curves.effects import tried
from kitlib.statistics.reml import variance_components
from kitlib.words.estimates import Estimate, combined_se, not_known


@dataclass(frozen=True, kw_only=True)
class Scatter:
    """How corrected readings of a curve scatter about the air-oven.

    Attributes
    ----------
    sd_trial, sd_sample : float
        Between trials and within them; nan where not known. [% moisture]
    """

    sd_trial: float
    sd_sample: float


def scatter_about(correction: Correction, audit: CurveAudit) -> Scatter:
    """Return how a curve's corrected readings scatter, between trials and within."""
    samples = audit.found.samples
    error = correction.apply(samples.sensor) - samples.reference
    parts, _ = tried(variance_components, error, samples.trial)
    if parts is None:
        return Scatter(sd_trial=nan, sd_sample=nan)
    return Scatter(sd_trial=parts.sd_trial, sd_sample=parts.sd_residual)


def for_one_trial(correction: Correction, scatter: Scatter) -> Correction:
    """Return a correction as uncertain as it is for one trial, not for their mean.

    The trial's own distance from the curve comes on top of the curve's standard
    error; where it is not known the correction is returned as it is.
    """
    if not isfinite(scatter.sd_trial):
        return correction
    # A trial's own samples could narrow this, at the price of chances that
    # contradict the corrected ranks they stand beside.
    own = np.diag([scatter.sd_trial**2, 0.0])
    return replace(correction, covariance=correction.covariance + own)


@dataclass(frozen=True, kw_only=True, eq=False)
class OwnError:
    """How far the readings of one trial were off, and what that did to its yields.

    Attributes
    ----------
    n : int
        The trial's samples taken blind to the reading.
    mean : Estimate
        Mean error of its readings as recorded, sensor − air-oven, curves weighted by
        the plots they served; SD of samples within curves pooled. [% moisture]
    predicted : Estimate
        Best prediction of the same: the samples' mean, shrunk towards what the
        season says of the curve as far as the samples are few. [% moisture]
    yield_added : Estimate
        What the predicted error added to the yields as recorded, per plot: negative
        where they read too wet. [kg/ha]
    by_curve : DataFrame
        Columns curve, n_plots, n, mean, season, predicted, predicted_se; errors of
        readings as recorded. [% moisture]
    """

    n: int
    mean: Estimate
    predicted: Estimate
    yield_added: Estimate
    by_curve: pd.DataFrame


def own_error(
    plots: pd.DataFrame,
    pairs: pd.DataFrame,
    audits: Mapping[str, CurveAudit],
    corrections: Mapping[str, Correction],
    scatters: Mapping[str, Scatter],
) -> OwnError:
    """Return how far the readings of one trial were off.

    Parameters
    ----------
    plots : DataFrame
        The trial's plots: curve, sensor_pct (restated to the offset in the
        register), recorded_pct, per_point. [% moisture; kg/ha per point]
    pairs : DataFrame
        Its samples with an oven value, taken blind to the reading: curve,
        sensor_pct, recorded_pct, error.
    audits, corrections, scatters : mapping by curve
        What the season says of the curves; curves without are left out.

    Returns
    -------
    OwnError
        Not known where no curve of the trial was audited.

    Notes
    -----
    With m the mean of n samples and c what the season says, the prediction is
    c + λ (m − c), λ = t² / (t² + s² / n), t and s the SDs between and within trials;
    its squared standard error is (1 − λ)² se(c)² + (1 − λ) t².

    References
    ----------
    .. [1] Robinson, That BLUP is a good thing, Statistical Science 6 (1991) 15-32.
    """
    rows = []
    for name, served in plots.groupby("curve", sort=True):
        curve = str(name)
        own = pairs[pairs["curve"] == curve]
        if curve in audits:
            season = _season_says(audits[curve], corrections[curve], served)
            restated = float((served["recorded_pct"] - served["sensor_pct"]).mean())
            here = _predicted(season, scatters[curve], own["error"].to_numpy(float))
            rows.append(
                {
                    "curve": curve,
                    "n_plots": len(served),
                    "n": len(own),
                    "mean": (own["recorded_pct"] - own["reference_pct"]).mean(),
                    "season": season.value + restated,
                    "predicted": here.value + restated,
                    "predicted_se": here.se,
                    "df": here.df,
                    "per_point": served["per_point"].mean(),
                }
            )
    columns = ["curve", "n_plots", "n", "mean", "season", "predicted", "predicted_se"]
    found = pd.DataFrame(rows, columns=[*columns, "df", "per_point"])
    share = found["n_plots"] / max(found["n_plots"].sum(), 1)
    return OwnError(
        n=len(pairs),
        mean=_mean_of(pairs, found),
        predicted=_summed(found, share),
        yield_added=_summed(found, share * found["per_point"]),
        by_curve=found[columns],
    )


def _season_says(
    audit: CurveAudit, correction: Correction, served: pd.DataFrame
) -> Estimate:
    """Return the error that the season would have a trial of such readings show."""
    above = float(served["sensor_pct"].mean()) - correction.pivot
    if correction.tilt == 0:
        return audit.bias
    along = np.array([1.0, above])
    return Estimate(
        value=-correction.shift - correction.tilt * above,
        se=sqrt(max(float(along @ correction.covariance @ along), 0.0)),
        df=correction.df,
    )


def _predicted(season: Estimate, scatter: Scatter, error: np.ndarray) -> Estimate:
    """Return the trial's error on one curve, its own samples shrunk to the season."""
    between, within, n = scatter.sd_trial**2, scatter.sd_sample**2, error.size
    if not (isfinite(between) and isfinite(season.se)):
        return Estimate(value=season.value, remark="spread between trials not known")
    weight = between / (between + within / n) if n and between > 0 else 0.0
    own = float(error.mean()) if n else 0.0
    return Estimate(
        value=season.value + weight * (own - season.value),
        se=combined_se((1 - weight) * season.se, sqrt((1 - weight) * between)),
        df=season.df,
        method="best linear unbiased prediction",
    )


def _mean_of(pairs: pd.DataFrame, by_curve: pd.DataFrame) -> Estimate:
    """Return the mean error of the trial's own samples, curves weighted by plots."""
    sampled = by_curve[by_curve["n"] > 0]
    if sampled.empty:
        return not_known("no sample of this trial was taken blind to the reading")
    recorded = pairs["recorded_pct"] - pairs["reference_pct"]
    inside = recorded - recorded.groupby(pairs["curve"]).transform("mean")
    share = sampled["n_plots"] / sampled["n_plots"].sum()
    value = float(share @ sampled["mean"])
    df = int(sampled["n"].sum()) - len(sampled)
    if df < 1:
        return Estimate(value=value, remark="one sample; an interval needs two")
    variance = float((inside**2).sum()) / df
    return Estimate(
        value=value,
        se=sqrt(variance * float((share**2 / sampled["n"]).sum())),
        df=df,
        method="t, SD of samples within curves pooled",
    )


def _summed(by_curve: pd.DataFrame, weight: pd.Series) -> Estimate:
    """Return a weighted sum over curves, which are taken as independent."""
    if by_curve.empty:
        return not_known("no curve of this trial has a sample")
    parts = (weight * by_curve["predicted_se"]) ** 2
    freedom = float((parts**2 / by_curve["df"]).sum())
    return Estimate(
        value=float(weight @ by_curve["predicted"]),
        se=sqrt(parts.sum(skipna=False)),
        # Welch and Satterthwaite
        df=float(parts.sum()) ** 2 / freedom if freedom > 0 else inf,
        method="best linear unbiased prediction",
    )
