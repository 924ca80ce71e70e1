"""How far readings were off: those of one trial, and those of one entry.

A curve's bias is a mean over trials. Each trial lies at a distance of its own from
it, which the trial's samples show in part. Nothing moves a selection more than an
error that goes with the entry; only samples of the same entries in several places
can show it.
"""

from collections.abc import Mapping
from dataclasses import dataclass, replace
from math import inf, isfinite, log, nan, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.optimize import brentq
from scipy.stats import f as fisher_f

from kitlib.curves.audit import Correction, CurveAudit
from kitlib.statistics import reml
from kitlib.statistics.estimates import Estimate, not_known, tried
from kitlib.trials.means import ROUNDING, independent_parts, lay_out
from kitlib.trials.yields import yield_per_point
from kitlib.words.terms import counted

BY_CURVE = ["curve", "n_plots", "n", "mean", "season", "predicted", "predicted_se"]
# Fewer comparisons of entries, or of samples of one, tell next to nothing.
FEWEST = 5
# An SD between entries worth finding: on real maize trials entries read at random
# with an SD of 2.5 % of 20 % moisture changed a selection in one of six. [points]
WORTH_FINDING = 0.5


class TrialSpread(NamedTuple):
    """How corrected readings of a curve scatter about the air-oven. [% moisture]"""

    sd_trial: float  # between trials, nan where not known
    sd_sample: float  # within them
    n_within: int  # samples less trials: what the SD within rests on


def spread_about(correction: Correction, audit: CurveAudit) -> TrialSpread:
    """Return how a curve's corrected readings scatter, between trials and within.

    REML puts the SD between few trials at 0 in one season of three, as if each had
    exactly the curve's error. Here the restricted likelihood is multiplied by t / s,
    the ratio of the SDs, which moves a t of 0 to about one standard error above it
    and hardly moves any other (Chung and others, Psychometrika 78 (2013) 685-709, from
    memory); of two trials the product has no maximum. Without it predictions missed a
    trial's error by two standard errors in 16 % of simulated trials, with it in 3 %.
    """
    samples, n_trials = audit.samples, audit.n_trials
    error = correction.apply(samples.sensor) - samples.reference
    parts, _ = tried(reml.variance_components, error, samples.trial)
    known = (parts.sd_trial, parts.sd_residual) if parts else (nan, nan)
    if isfinite(known[0]) and n_trials > 2:
        _, codes = np.unique(samples.trial, return_inverse=True)
        strata = reml.split(codes, n_trials, np.ones((samples.n, 1)), error)
        best = reml.lowest_from_zero(
            lambda ratio: reml.deviance(strata, ratio) - log(ratio),
            lambda ratio: float(reml.deviance_slopes(strata, ratio)[0]) - 1 / ratio,
            reml.RATIOS[1:],
        )
        ratio = min(best, reml.LARGEST)
        sd_sample = sqrt(reml.solve(strata, ratio).squares / strata.freedom)
        known = sd_sample * sqrt(ratio), sd_sample
    return TrialSpread(*known, samples.n - n_trials)


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
    """How far the readings of one trial were off, and what that did to its yields."""

    n: int  # its samples taken blind to the reading
    # Mean error of its readings as recorded, sensor − air-oven, curves weighted by the
    # plots they served; SD of samples within curves pooled. [% moisture]
    mean: Estimate
    # Best prediction of the same: the samples' mean, shrunk towards what the season
    # says of the curve as far as the samples are few. [% moisture]
    predicted: Estimate
    # What the predicted error added to the yields as recorded, per plot: negative
    # where they read too wet. [kg/ha]
    yield_added: Estimate
    by_curve: pd.DataFrame  # `BY_CURVE`, errors of readings as recorded [% moisture]


def own_error(
    plots: pd.DataFrame,
    pairs: pd.DataFrame,
    standard_pct: float,
    audits: Mapping[str, CurveAudit],
    corrections: Mapping[str, Correction],
    spreads: Mapping[str, TrialSpread],
) -> OwnError:
    """Return how far the readings of one trial were off.

    Not known where no curve of the trial was audited. `plots` are the trial's, `pairs`
    its samples with an oven value, taken blind to the reading, and the mappings by
    curve are what the season says of those audited; yields stand at `standard_pct`.

    With m the mean of n samples and c what the season says, the prediction is
    c + λ (m − c), λ = t² / (t² + s² / n), t and s the SDs between and within trials;
    its squared standard error is (1 − λ)² se(c)² + (1 − λ) t² (Robinson, That BLUP
    is a good thing, Statistical Science 6 (1991) 15-32).
    """
    sensor, recorded = plots[["sensor_pct", "recorded_pct"]].to_numpy(float).T
    mass, area = plots["plot_mass_kg"], plots["plot_area_m2"]
    per_point = yield_per_point(mass, area, standard_pct)
    as_recorded = (pairs["recorded_pct"] - pairs["reference_pct"]).to_numpy(float)
    error, rows = pairs["error"].to_numpy(float), []
    for curve in sorted(set(plots["curve"]) & set(audits)):
        served = (plots["curve"] == curve).to_numpy(bool)
        own = (pairs["curve"] == curve).to_numpy(bool)
        reading = _mean(sensor[served])
        season = _season_says(audits[curve], corrections[curve], reading)
        here = _predicted(season, spreads[curve], error[own])
        restated = _mean(recorded[served]) - reading
        row = [curve, int(served.sum()), int(own.sum()), _mean(as_recorded[own])]
        row += [season.value + restated, here.value + restated, here.se, here.df]
        squares = float(as_recorded[own].var() * own.sum()) if own.any() else 0.0
        rows.append((*row, _mean(per_point[served]), squares))
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


def _season_says(audit: CurveAudit, correction: Correction, reading: float) -> Estimate:
    """Return the error that the season would have a trial of such readings show."""
    if correction.tilt == 0:
        return audit.bias
    along = np.array([1.0, reading - correction.pivot])
    return Estimate(
        value=-correction.shift - correction.tilt * float(along[1]),
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
    parts = np.array([((1 - weight) * season.se) ** 2, (1 - weight) * between])
    # The second is also λ s² / n: known as well as the SD within trials, if sampled.
    freedom = np.array([season.df, spread.n_within if n else season.df])
    return Estimate(
        value=season.value + weight * (own - season.value),
        se=sqrt(parts.sum()),
        df=float(parts.sum() ** 2 / np.sum(parts**2 / freedom)),
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


@dataclass(frozen=True, kw_only=True)
class EntryError:
    """How much the error differs between entries, wherever they are grown."""

    sd: float = nan  # of the entries' own errors, nan where not known [% moisture]
    low: float = nan  # its interval
    high: float = nan
    sd_sample: float = nan  # SD of samples of one entry in one place
    n: int = 0  # samples compared
    n_entries: int = 0  # entries sampled in more than one place
    remark: str = ""  # why it is not known

    @property
    def known(self) -> bool:
        """Whether there is an estimate."""
        return isfinite(self.sd)

    @property
    def draw_sd(self) -> float:
        """What chances are drawn with: the SD, 0 where it is not known."""
        return self.sd if self.known else 0.0


def entry_error(error, place, entry, sd_sample, level: float = 0.95) -> EntryError:
    """Return how much the error differs between entries, wherever they are grown.

    Of corrected moisture − air-oven [% moisture], one per plot sampled; `place`, the
    trial and curve of each, whatever they share being taken out, and its entry.
    `sd_sample` is the SD of samples on the curve of each, the same within a place; only
    their proportions count.

    Places fixed, entries random, REML, samples weighted by their curves' scatter.
    The interval of the ratio of the variances is exact for normal errors: what
    places leave of the entries' sums falls into independent parts t of variance
    d s² (1 + d r), r the ratio, and the mean of t² / (d (1 + d r)) over s² is F
    distributed [1]_. It is turned into SDs by the SD of samples as estimated.

    References
    ----------
    .. [1] Wald, Ann. Math. Statist. 11 (1940) 96-100; Seely and El-Bassiouni, Ann.
       Statist. 11 (1983) 197-201 (both from memory).
    """
    error, sd = np.asarray(error, float), np.asarray(sd_sample, float)
    parts, repeated = _entries_apart(error, place, entry, 1 / sd**2)
    compared = parts.size.size
    if min(compared, parts.n_within) < FEWEST or not parts.yy > 0:
        said = f"{counted(repeated, 'entry', 'entries')} sampled more than once; "
        said += f"{counted(compared, 'comparison')} between entries and "
        said += f"{parts.n_within} within them are left, and {FEWEST} of each are "
        return EntryError(n=error.size, n_entries=repeated, remark=said + "needed")
    ratio = min(reml.lowest_ratio(parts), reml.LARGEST)
    scale = sqrt(reml.solve(parts, ratio).squares / parts.freedom)
    tail = (1 - level) / 2
    ends = fisher_f.ppf([1 - tail, tail], compared, parts.n_within)
    low, high = (_ratio_where_f_is(end, parts) for end in ends)
    return EntryError(
        sd=scale * sqrt(ratio),
        low=scale * sqrt(low),
        high=scale * sqrt(high),
        sd_sample=scale * sqrt(np.mean(sd**2)),
        n=error.size,
        n_entries=repeated,
    )


def _entries_apart(error, place, entry, weight: np.ndarray) -> tuple[reml.Strata, int]:
    """Return entries' sums in independent parts, places taken out; entries repeated."""
    # In this layout places stand for entries and entries for blocks.
    layout = lay_out(place, entry)
    counts, heavy = layout.counts, np.zeros(layout.entries.size)
    heavy[layout.entry] = weight
    information = np.diag(counts.T @ heavy)
    information -= counts.T @ (heavy[:, None] * layout.shares)
    values, vectors = np.linalg.eigh(information)
    told = values > ROUNDING * max(values.max(), 1.0)
    deviations = layout.entry_deviations(error)
    squares = (vectors.T @ layout.block_sums(weight * deviations))[told] ** 2
    total, freedom = float(weight @ deviations**2), error.size - layout.entries.size
    parts = independent_parts(values[told], squares, total, freedom)
    return parts, int(np.sum(counts.sum(axis=0) > 1))


def _ratio_where_f_is(quantile: float, parts: reml.Strata) -> float:
    """Return the ratio of the variances at which F falls to a quantile; 0 if below."""

    def above(ratio: float) -> float:
        between = np.mean(parts.y**2 / (1 + ratio * parts.size))
        return float(between / (parts.yy / parts.n_within)) - quantile

    if above(0.0) <= 0:
        return 0.0
    top = 1.0
    while above(top) > 0:
        top *= 4
    return float(brentq(above, 0.0, top))


def entries_to_sample(
    sd_sample: float, sd_entry: float = WORTH_FINDING, level: float = 0.95
) -> int | None:
    """Return how many entries to sample in two places to learn of their errors.

    Enough to find them with a chance of 80 %; None where 500 do not do.

    F test of entries in complete places: with m entries in p places the ratio of
    mean squares is (1 + p sd_entry² / sd_sample²) times F on m − 1 and
    (m − 1)(p − 1) degrees of freedom.

    Examples
    --------
    >>> entries_to_sample(0.5, 0.5)
    23
    """
    entries = np.arange(2, 501)
    df = entries - 1  # in two places that of the error as well
    needed = fisher_f.ppf(level, df, df) / (1 + 2 * (sd_entry / sd_sample) ** 2)
    enough = fisher_f.sf(needed, df, df) >= 0.8
    return int(entries[np.argmax(enough)]) if enough.any() else None
