"""How far readings were off: those of one trial, those of one entry."""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, nan, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import f as fisher_f

from kitlib.curves.audit import Correction, CurveAudit
from kitlib.statistics.estimates import Estimate, not_known, tried
from kitlib.statistics.reml import (
    LARGEST,
    RATIOS,
    lowest_from_zero,
    variance_components,
)
from kitlib.trials.means import ROUNDING, Layout, lay_out
from kitlib.trials.yields import yield_per_point
from kitlib.words.terms import counted

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
        se=hypot((1 - weight) * season.se, sqrt((1 - weight) * between)),
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


# Fewer comparisons of entries, or of samples of one, tell next to nothing.
FEWEST = 5
# An SD between entries worth finding: on real maize trials entries read at random
# with an SD of 2.5 % of 20 % moisture changed a selection in one of six. [points]
WORTH_FINDING = 0.5


@dataclass(frozen=True, kw_only=True)
class EntryError:
    """How much the error differs between entries, wherever they are grown.

    Attributes
    ----------
    sd, low, high : float
        SD of the entries' own errors and its interval; nan where not known.
        [% moisture]
    sd_sample : float
        SD of samples of one entry in one place; nan where not known. [% moisture]
    n : int
        Samples compared.
    n_entries : int
        Entries sampled in more than one place.
    remark : str
        Why it is not known; empty if it is.
    """

    sd: float
    low: float
    high: float
    sd_sample: float
    n: int
    n_entries: int
    remark: str = ""

    @property
    def known(self) -> bool:
        """Whether there is an estimate."""
        return isfinite(self.sd)

    @property
    def draw_sd(self) -> float:
        """What chances are drawn with: the SD, 0 where it is not known."""
        return self.sd if self.known else 0.0


class _Strata(NamedTuple):
    """What entries' sums hold once places are taken out, in independent parts."""

    values: np.ndarray  # information d of each part on the entries, (r,)
    squares: np.ndarray  # squared parts, of variance s² d (1 + d ratio), (r,)
    left: float  # sum of squares within entries, s² times chi-squared
    spare: int  # its degrees of freedom

    def rss(self, ratio: float) -> float:
        """Return the weighted sum of squares at a ratio of the variances."""
        between = self.squares / (self.values * (1 + ratio * self.values))
        return float(between.sum() + self.left)

    def f_ratio(self, ratio: float) -> float:
        """Return what is F distributed at the true ratio of the variances."""
        between = self.squares / (self.values * (1 + ratio * self.values))
        return float(between.mean() / (self.left / self.spare))


def entry_error(error, place, entry, sd_sample, level: float = 0.95) -> EntryError:
    """Return how much the error differs between entries, wherever they are grown.

    Parameters
    ----------
    error : array_like, shape (n,)
        Corrected moisture − air-oven, one per plot sampled. [% moisture]
    place : array_like of str, shape (n,)
        Trial and curve of each; whatever they share is taken out.
    entry : array_like of str, shape (n,)
        Entry of each.
    sd_sample : array_like, shape (n,)
        SD of samples on the curve of each, the same within a place; only their
        proportions count. [% moisture]
    level : float
        Confidence level of the interval.

    Returns
    -------
    EntryError

    Notes
    -----
    Places fixed, entries random, REML, samples weighted by their curves' scatter.
    The interval of the ratio of the variances is exact for normal errors: what
    places leave of the entries' sums falls into independent parts t of variance
    d s² (1 + d r), r the ratio, and the mean of t² / (d (1 + d r)) over s² is F
    distributed [1]_. It is turned into SDs by the SD of samples as estimated.

    References
    ----------
    .. [1] Wald, Ann. Math. Statist. 11 (1940) 96-100; Seely and El-Bassiouni, Ann.
       Statist. 11 (1983) 197-201 (both from memory).

    Examples
    --------
    >>> entry_error([0.1, 0.2], ["T1", "T1"], ["a", "b"], [0.5, 0.5]).remark[:32]
    '0 entries sampled more than once'
    """
    error, sd = np.asarray(error, float), np.asarray(sd_sample, float)
    layout = lay_out(place, entry)
    parts = _strata(layout, error, 1 / sd**2)
    repeated = int(np.sum(layout.counts.sum(axis=0) > 1))
    counts = {"n": error.size, "n_entries": repeated}
    if min(parts.values.size, parts.spare) < FEWEST or not parts.left > 0:
        said = f"{counted(repeated, 'entry', 'entries')} sampled more than once; "
        said += f"{counted(parts.values.size, 'comparison')} between entries and "
        said += f"{parts.spare} within them are left, and {FEWEST} of each are needed"
        return EntryError(
            sd=nan, low=nan, high=nan, sd_sample=nan, remark=said, **counts
        )
    ratio = _reml_ratio(parts)
    scale = sqrt(parts.rss(ratio) / (parts.spare + parts.values.size))
    low, high = _interval_of_ratio(parts, level)
    return EntryError(
        sd=scale * sqrt(ratio),
        low=scale * sqrt(low),
        high=scale * sqrt(high),
        sd_sample=scale * sqrt(np.mean(sd**2)),
        **counts,
    )


def _strata(layout: Layout, error: np.ndarray, weight: np.ndarray) -> _Strata:
    """Return the entries' sums in independent parts, places taken out."""
    # In this layout places stand for entries and entries for blocks.
    counts, heavy = layout.counts, np.zeros(layout.entries.size)
    heavy[layout.entry] = weight
    information = np.diag(counts.T @ heavy)
    information -= counts.T @ (heavy[:, None] * layout.shares)
    values, vectors = np.linalg.eigh(information)
    told = values > ROUNDING * max(values.max(), 1.0)
    deviations = layout.entry_deviations(error)
    sums = np.bincount(layout.block, weight * deviations)
    values, squares = values[told], (vectors.T @ sums)[told] ** 2
    total = float(weight @ deviations**2)
    return _Strata(
        values=values,
        squares=squares,
        left=total - float(np.sum(squares / values)),
        spare=error.size - layout.entries.size - values.size,
    )


def _reml_ratio(parts: _Strata) -> float:
    """Return the variance between entries over that of samples, by REML."""
    freedom = parts.spare + parts.values.size

    def deviance(ratio: float) -> float:
        grown = np.log1p(ratio * parts.values).sum()
        return float(grown + freedom * np.log(parts.rss(ratio)))

    def slope(ratio: float) -> float:
        scale = 1 + ratio * parts.values
        fall = freedom * np.sum(parts.squares / scale**2) / parts.rss(ratio)
        return float(np.sum(parts.values / scale) - fall)

    return min(lowest_from_zero(deviance, slope, RATIOS), LARGEST)


def _interval_of_ratio(parts: _Strata, level: float) -> tuple[float, float]:
    """Return the interval of the variance between entries over that of samples."""

    def where(quantile: float) -> float:
        if parts.f_ratio(0.0) <= quantile:
            return 0.0
        top = 1.0
        while parts.f_ratio(top) > quantile:
            top *= 4
        return float(brentq(lambda r: parts.f_ratio(r) - quantile, 0.0, top))

    tail = (1 - level) / 2
    ends = fisher_f.ppf([1 - tail, tail], parts.values.size, parts.spare)
    return where(ends[0]), where(ends[1])


def entries_to_sample(
    sd_sample: float,
    sd_entry: float = WORTH_FINDING,
    places: int = 2,
    power: float = 0.8,
    level: float = 0.95,
    most: int = 500,
) -> int:
    """Return how many entries to sample in several places to learn of their errors.

    Parameters
    ----------
    sd_sample : float
        SD of samples of one entry in one place. [% moisture]
    sd_entry : float
        SD between entries that should be found. [% moisture]
    places : int
        Places, 2 or more, in each of which every one of these entries is sampled.
    power : float
        Chance with which it should be found.
    level : float
        One less the chance of finding it where there is none.
    most : int
        Where the search ends.

    Returns
    -------
    int
        Entries; `most` where fewer do not do.

    Notes
    -----
    F test of entries in complete places: with m entries in p places the ratio of
    mean squares is (1 + p sd_entry² / sd_sample²) times F on m − 1 and
    (m − 1)(p − 1) degrees of freedom.

    Examples
    --------
    >>> entries_to_sample(0.5, 0.5)
    23
    """
    stretch = 1 + places * (sd_entry / sd_sample) ** 2
    entries = np.arange(2, most + 1)
    df, df_error = entries - 1, (entries - 1) * (places - 1)
    needed = fisher_f.ppf(level, df, df_error) / stretch
    enough = fisher_f.sf(needed, df, df_error) >= power
    return int(entries[np.argmax(enough)]) if enough.any() else most
