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
from kitlib.statistics.arrays import tried
from kitlib.statistics.components import variance_components
from kitlib.trials.yields import yield_per_point
from kitlib.words.estimates import Estimate, combined_se, not_known

RECORDED = "recorded_pct"
BY_CURVE = ["curve", "n_plots", "n", "mean", "season", "predicted", "predicted_se"]


@dataclass(frozen=True, kw_only=True)
class TrialSpread:
    """How corrected readings of a curve scatter about the air-oven.

    Attributes
    ----------
    sd_trial, sd_sample : float
        Between trials and within them; nan where not known. [% moisture]
    """

    sd_trial: float
    sd_sample: float


def spread_about(correction: Correction, audit: CurveAudit) -> TrialSpread:
    """Return how a curve's corrected readings scatter, between trials and within."""
    samples = audit.samples
    error = correction.apply(samples.sensor) - samples.reference
    parts, _ = tried(variance_components, error, samples.trial)
    if parts is None:
        return TrialSpread(sd_trial=nan, sd_sample=nan)
    return TrialSpread(sd_trial=parts.sd_trial, sd_sample=parts.sd_residual)


def for_one_trial(correction: Correction, spread: TrialSpread) -> Correction:
    """Return a correction as uncertain as it is for one trial, not for their mean.

    The trial's own distance from the curve comes on top of the curve's standard
    error; where it is not known the correction is returned as it is.
    """
    if not isfinite(spread.sd_trial):
        return correction
    # A trial's own samples could narrow this, at the price of chances that
    # contradict the corrected ranks they stand beside.
    own = np.diag([spread.sd_trial**2, 0.0])
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
    standard_pct: float,
    audits: Mapping[str, CurveAudit],
    corrections: Mapping[str, Correction],
    spreads: Mapping[str, TrialSpread],
) -> OwnError:
    """Return how far the readings of one trial were off.

    Parameters
    ----------
    plots : DataFrame
        The trial's plots: curve, sensor_pct (restated to the offset in the
        register), recorded_pct, plot_mass_kg, plot_area_m2. [% moisture; kg; m²]
    pairs : DataFrame
        Its samples with an oven value, taken blind to the reading: curve,
        recorded_pct, reference_pct, error (of the restated reading).
    standard_pct : float
        Moisture yields are stated at. [% wet basis]
    audits, corrections, spreads : mapping by curve
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
    curve_of, sampled_by = plots["curve"].to_numpy(str), pairs["curve"].to_numpy(str)
    sensor, recorded = (plots[c].to_numpy(float) for c in ("sensor_pct", RECORDED))
    per_point = yield_per_point(
        plots["plot_mass_kg"], plots["plot_area_m2"], standard_pct
    )
    as_recorded = pairs[RECORDED].to_numpy(float) - pairs["reference_pct"].to_numpy()
    error, rows = pairs["error"].to_numpy(float), []
    for curve in np.unique(curve_of[np.isin(curve_of, list(audits))]).tolist():
        served, own = curve_of == curve, sampled_by == curve
        reading = _mean(sensor[served])
        season = _season_says(audits[curve], corrections[curve], reading)
        here = _predicted(season, spreads[curve], error[own])
        restated = _mean(recorded[served]) - reading
        row = [curve, int(served.sum()), int(own.sum()), _mean(as_recorded[own])]
        row += [season.value + restated, here.value + restated, here.se, here.df]
        rows.append((*row, _mean(per_point[served]), _squares(as_recorded[own])))
    table = pd.DataFrame(rows, columns=[*BY_CURVE, "df", "per_point", "squares"])
    share = table["n_plots"].to_numpy(float) / max(table["n_plots"].sum(), 1)
    return OwnError(
        n=len(pairs),
        mean=_mean_of(table[table["n"] > 0]),
        predicted=_summed(table, share),
        yield_added=_summed(table, share * table["per_point"].to_numpy(float)),
        by_curve=table[BY_CURVE],
    )


def _mean(values: np.ndarray) -> float:
    """Return the mean of what is known, nan where nothing is."""
    known = values[np.isfinite(values)]
    return float(known.mean()) if known.size else nan


def _squares(values: np.ndarray) -> float:
    """Return the sum of squares about the mean."""
    return float(values.var() * values.size) if values.size else 0.0


def _season_says(audit: CurveAudit, correction: Correction, reading: float) -> Estimate:
    """Return the error that the season would have a trial of such readings show."""
    above = reading - correction.pivot
    if correction.tilt == 0:
        return audit.bias
    along = np.array([1.0, above])
    return Estimate(
        value=-correction.shift - correction.tilt * above,
        se=sqrt(max(float(along @ correction.covariance @ along), 0.0)),
        df=correction.df,
    )


def _predicted(season: Estimate, spread: TrialSpread, error: np.ndarray) -> Estimate:
    """Return the trial's error on one curve, its own samples shrunk to the season."""
    between, within, n = spread.sd_trial**2, spread.sd_sample**2, error.size
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


def _mean_of(sampled: pd.DataFrame) -> Estimate:
    """Return the mean error of the trial's own samples, curves weighted by plots."""
    if sampled.empty:
        return not_known("no sample of this trial was taken blind to the reading")
    n, served = sampled["n"].to_numpy(float), sampled["n_plots"].to_numpy(float)
    share, df = served / served.sum(), n.sum() - n.size
    value = float(share @ sampled["mean"].to_numpy(float))
    if df < 1:
        return Estimate(value=value, remark="an interval needs two samples on a curve")
    variance = sampled["squares"].sum() / df
    return Estimate(
        value=value,
        se=sqrt(variance * float(np.sum(share**2 / n))),
        df=df,
        method="t, SD of samples within curves pooled",
    )


def _summed(by_curve: pd.DataFrame, weight: np.ndarray) -> Estimate:
    """Return a weighted sum over curves, which are taken as independent."""
    if by_curve.empty:
        return not_known("no curve of this trial has a sample")
    parts = (weight * by_curve["predicted_se"].to_numpy(float)) ** 2
    freedom = float(np.sum(parts**2 / by_curve["df"].to_numpy(float)))
    return Estimate(
        value=float(weight @ by_curve["predicted"].to_numpy(float)),
        se=sqrt(parts.sum()),
        # Welch and Satterthwaite
        df=float(parts.sum()) ** 2 / freedom if freedom > 0 else inf,
        method="best linear unbiased prediction",
    )
