"""How many trials, samples and dishes give a bias and a slope how near."""

from dataclasses import dataclass, replace
from functools import cache
from math import nan, sqrt

import numpy as np
from scipy.stats import t as student_t

from kitlib.statistics.clustered import clustered_fit


@dataclass(frozen=True, kw_only=True)
class Scatter:
    """The components a plan is made from. [% moisture]

    Attributes
    ----------
    sd_trial : float
        Of the error a trial shares.
    sd_own : float
        Of a sample's own error, runs of the sensor in it, the reference's not.
    sd_dish : float
        Of one dish; 0 takes the reference as free of error.
    sd_benchtop : float
        Of a benchtop mean's own error within trials; nan without a meter.
    sd_moisture : float
        Of the moistures of the samples; nan plans no slope.
    between : float
        Share of the moistures' variance that lies between trials, 0 to 1.
    """

    sd_trial: float
    sd_own: float
    sd_dish: float = 0.0
    sd_benchtop: float = nan
    sd_moisture: float = nan
    between: float = 0.5


def evenly_spread(span):
    """Return the SD of moistures spread evenly over so many points.

    Examples
    --------
    >>> round(evenly_spread(12.0), 3)
    3.464
    """
    return span / sqrt(12)


def bias_se(scatter: Scatter, trials, samples, dishes, benchtop=0):
    """Return the standard error of the bias under a plan. [% moisture].

    Parameters
    ----------
    scatter : Scatter
    trials, samples, dishes : int or array_like
        Trials, samples with an oven result in each, dishes of each sample.
    benchtop : int or array_like
        Further samples in each trial that go to the benchtop meter only; those
        with an oven result are read by it too, and bridge it to the oven.

    Notes
    -----
    Variance = trial² / G + own² / (G (m + k)) + benchtop² (1 / (G m) − 1 / (G (m +
    k))) + dish² / (G m d), G trials of m oven samples and k of the benchtop alone.
    What the two meters' errors share cancels; so does a trial's error of the
    benchtop meter, as both its phases visit the same trials.

    Examples
    --------
    >>> one = Scatter(sd_trial=0.3, sd_own=0.5)
    >>> print(f"{bias_se(one, 4, 5, 1):.3f}")
    0.187
    """
    trials, oven, more = (np.asarray(a, float) for a in (trials, samples, benchtop))
    all_samples = oven + more
    variance = scatter.sd_trial**2 + scatter.sd_own**2 / all_samples
    variance = variance + scatter.sd_dish**2 / (oven * np.asarray(dishes, float))
    bridge = np.where(more > 0, scatter.sd_benchtop**2, 0.0)
    variance = variance + bridge * (1 / oven - 1 / all_samples)
    return np.sqrt(variance / trials)


def bias_half_width(
    scatter: Scatter, trials, samples, dishes, benchtop=0, level: float = 0.95
):
    """Return the half-width of the bias's interval under a plan. [% moisture].

    In root mean square over seasons: a single season's interval is wider or
    narrower by chance. With trials of one size the interval clustered by trial has
    trials − 1 degrees of freedom; nan under 2 trials.

    Examples
    --------
    >>> one = Scatter(sd_trial=0.3, sd_own=0.5)
    >>> spread = bias_half_width(one, [4, 20], [5, 1], 1, level=0.90)
    >>> [round(float(half), 3) for half in spread]  # 20 samples each
    [0.44, 0.225]
    """
    trials = np.asarray(trials, float)
    df = np.where(trials > 1, trials - 1, nan)
    se = bias_se(scatter, trials, samples, dishes, benchtop)
    return student_t.ppf((1 + level) / 2, df) * se


def slope_half_width(scatter: Scatter, trials, samples, dishes, level: float = 0.95):
    """Return the half-width of the slope's interval under a plan. [points per point].

    Estimand planned for: the slope of the error on moisture, clustered by trial;
    that of the prediction line hardly differs in width. In root mean square over
    seasons; nan under 3 trials.

    Parameters
    ----------
    scatter : Scatter
    trials, samples, dishes : int or array_like of int
        As for `bias_se`.

    Notes
    -----
    Variance = (within² + m b trial²) / (G m V): V the variance of the moistures, b
    the share of it that lies between trials (all of it with one sample a trial).

    Examples
    --------
    >>> one = Scatter(sd_trial=0.0, sd_own=0.5, sd_moisture=2.5)
    >>> print(f"{slope_half_width(one, 10, 5, 1):.3f}")
    0.066
    """
    trials, samples, dishes = np.broadcast_arrays(trials, samples, dishes)
    share = np.where(samples > 1, scatter.between, 1.0)
    within = scatter.sd_own**2 + scatter.sd_dish**2 / dishes
    variance = within + samples * share * scatter.sd_trial**2
    se = np.sqrt(variance / (trials * samples)) / scatter.sd_moisture
    plans = zip(trials.flat, samples.flat, share.flat, strict=True)
    df = [slope_df(int(g), int(m), round(float(b), 1)) for g, m, b in plans]
    return student_t.ppf((1 + level) / 2, np.reshape(df, trials.shape)) * se


def slope_by_span(
    scatter: Scatter, spans, trials: int, samples: int, dishes: int, level: float = 0.95
) -> np.ndarray:
    """Return the half-width of the slope with moistures evenly over each span."""
    one = replace(scatter, sd_moisture=1.0)
    half = slope_half_width(one, trials, samples, dishes, level)
    return half / evenly_spread(np.asarray(spans, float))


@cache
def slope_df(trials: int, samples: int, between: float) -> float:
    """Return the degrees of freedom of a planned slope, moistures evenly spread.

    Those of Bell and McCaffrey for the design: they depend on the moistures alone.
    nan under 3 trials.

    Examples
    --------
    >>> print(f"{slope_df(10, 5, 0.0):.1f} {slope_df(10, 1, 1.0):.1f}")
    9.0 4.4
    """
    if trials < 3:
        return nan
    moistures = planned_moistures(trials, samples, between).ravel()
    design = np.column_stack([np.ones_like(moistures), moistures])
    any_response = np.arange(moistures.size) % 2.0  # it has no part in the df
    trial = np.repeat(np.arange(trials), samples)
    fit = clustered_fit(design, any_response, trial)
    return fit.degrees_of_freedom([0.0, 1.0])


def planned_moistures(trials: int, samples: int, between: float) -> np.ndarray:
    """Return moistures of variance 1 about 0, spread evenly, (trials, samples)."""
    centres = _even(trials) * sqrt(between)
    within = _even(samples) * sqrt(1 - between)
    return centres[:, None] + within


def _even(n: int) -> np.ndarray:
    """Return n evenly spaced numbers of variance 1 about 0; one number is 0."""
    steps = np.arange(n) - (n - 1) / 2
    return steps / steps.std() if n > 1 else steps
