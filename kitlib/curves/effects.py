"""The samples of one curve, and a statistic of them or why there is none.

What the errors of a curve move with, and which samples move its bias.

How far the samples speak for the plots that were harvested.
"""

from collections.abc import Callable
from dataclasses import dataclass
from itertools import combinations
from typing import TypeVar

import numpy as np
import pandas as pd
from scipy.stats import t as student_t

from kitlib.statistics.clustered import clustered_fit, clustered_mean
from kitlib.statistics.over_plots import (
    beside_plots,
    bias_over_plots,
    gain_over_plots,
)
from kitlib.statistics.pooling import false_discovery
from kitlib.words.errors import KitError
from kitlib.words.estimates import Estimate, not_known
from kitlib.words.terms import counted

Found = TypeVar("Found")


@dataclass(frozen=True, kw_only=True, eq=False)
class Samples:
    """The samples of one curve, as arrays of one length.

    Attributes
    ----------
    sensor, reference : ndarray
        Readings restated to the offset in the register, and air-oven values of
        the same samples. [% moisture, wet basis]
    reference_se : ndarray
        Standard error of each reference value; nan where not known.
    trial, sample : ndarray of str
    """

    sensor: np.ndarray
    reference: np.ndarray
    reference_se: np.ndarray
    trial: np.ndarray
    sample: np.ndarray

    @property
    def error(self) -> np.ndarray:
        """Sensor minus air-oven. [% moisture]."""
        return self.sensor - self.reference

    @property
    def n(self) -> int:
        """Number of samples."""
        return self.sensor.size

    @property
    def n_trials(self) -> int:
        """Number of trials they come from."""
        return len(set(self.trial))

    @classmethod
    def of(cls, pairs: pd.DataFrame) -> "Samples":
        """Return the samples of a table of pairs."""
        numbers = {
            name: pairs[column].to_numpy(float)
            for name, column in (
                ("sensor", "sensor_pct"),
                ("reference", "reference_pct"),
                ("reference_se", "reference_se"),
            )
        }
        texts = {name: pairs[name].to_numpy(object) for name in ("trial", "sample")}
        return cls(**numbers, **texts)


def tried(make: Callable[..., Found], *args) -> tuple[Found | None, str]:
    """Return a statistic, or None and why the samples do not give it."""
    try:
        return make(*args), ""
    except KitError as reason:
        return None, str(reason)


# From the share of readings below to the share below at the upper end: an effect
# is stated over this middle part of what the season had, so that one odd value
# does not set its size.
MIDDLE = (0.1, 0.9)
FEWEST_VALUES = 8


@dataclass(frozen=True, kw_only=True)
class Effect:
    """How far the error moves as a condition goes through its season's range.

    Attributes
    ----------
    name, unit : str
        The condition and its unit.
    low, high : float
        The range the change is stated over: the 10 % and 90 % points of the
        samples' values.
    change : Estimate
        Change of the mean error from `low` to `high`. [% moisture]
    q_value : float
        Share of effects called real at this strength that would be chance, over
        all effects of the season; nan before the season is complete.
    """

    name: str
    unit: str
    low: float
    high: float
    change: Estimate
    q_value: float = np.nan


def effect_of(name: str, unit: str, values, error, trial) -> Effect:
    """Return how far the error moves with a condition of the samples.

    Estimand: the change of the mean error between the 10 % and the 90 % point of
    the condition, along the best straight line through samples like these, other
    conditions going along as they did (nothing else is held constant).

    Parameters
    ----------
    name, unit : str
    values, error, trial : array_like, shape (n,)
        The condition (nan where not known), the errors [% moisture], the trials.

    Returns
    -------
    Effect
        Its change is not known, with the reason, where too few values are known,
        they do not vary, or too few trials vary.
    """
    values = np.asarray(values, float)
    known = np.isfinite(values)
    low, high = np.nan, np.nan
    if known.sum() < FEWEST_VALUES:
        why = f"{name} is known for {counted(int(known.sum()), 'sample')}"
        return Effect(name=name, unit=unit, low=low, high=high, change=not_known(why))
    low, high = np.quantile(values[known], MIDDLE)
    if not high > low:
        change = not_known(f"{name} hardly varies among the samples")
    else:
        change = _change(values[known], low, high, error[known], trial[known])
    return Effect(name=name, unit=unit, low=low, high=high, change=change)


def _change(values, low, high, error, trial) -> Estimate:
    """Return the clustered change of the error from low to high."""
    scaled = (values - values.mean()) / (high - low)
    design = np.column_stack([np.ones(scaled.size), scaled])
    try:
        return clustered_fit(design, error, trial).contrast([0.0, 1.0])
    except KitError as error_:
        return not_known(str(error_))


def difference_between(name: str, other, error, trial) -> Effect:
    """Return how far the error of the flagged samples differs from the rest's."""
    other = np.asarray(other, bool)
    n = int(other.sum())
    if min(n, other.size - n) < 2:
        change = not_known(f"{counted(n, 'sample')} of {other.size}: {name}")
    else:
        change = _change(other.astype(float), 0.0, 1.0, error, trial)
    return Effect(name=name, unit="", low=0.0, high=1.0, change=change)


def with_q_values(effects: list[Effect]) -> list[Effect]:
    """Return effects with their false discovery rate over all of them.

    Effects that are not known take no part.
    """
    p_values = np.array([p_of_zero(effect.change) for effect in effects], float)
    q_values = false_discovery(p_values)
    return [
        Effect(**{**effect.__dict__, "q_value": float(q)})
        for effect, q in zip(effects, q_values, strict=True)
    ]


def p_of_zero(estimate: Estimate) -> float:
    """Return the two-sided p-value of zero, for false discovery rates only."""
    return float(2 * student_t.sf(abs(estimate.t), estimate.df))


@dataclass(frozen=True, kw_only=True)
class Influence:
    """The sample and the trial that move the bias most.

    Attributes
    ----------
    sample, trial : str
        Which they are; empty where leaving one out leaves nothing.
    sample_shift, trial_shift : float
        Bias without it minus bias with it. [% moisture]
    """

    sample: str
    sample_shift: float
    trial: str
    trial_shift: float


def influence(error, sample, trial) -> Influence:
    """Return which sample and which trial move the bias most.

    Examples
    --------
    >>> found = influence(np.array([0.0, 0.0, 0.9]), ["a", "b", "c"], ["A", "A", "B"])
    >>> found.sample, round(found.sample_shift, 2), found.trial
    ('c', -0.3, 'A')
    """
    error = np.asarray(error, float)
    n, total = error.size, error.sum()
    one = (
        _strongest((total - error) / (n - 1) - total / n, sample)
        if n > 1
        else ("", np.nan)
    )
    sums = pd.DataFrame({"error": error}).groupby(np.asarray(trial))["error"]
    rest = n - sums.size()
    if (rest == 0).any():
        return Influence(
            sample=one[0], sample_shift=one[1], trial="", trial_shift=np.nan
        )
    shifts = (total - sums.sum()) / rest - total / n
    most = _strongest(shifts.to_numpy(), shifts.index)
    return Influence(
        sample=one[0], sample_shift=one[1], trial=most[0], trial_shift=most[1]
    )


def _strongest(shifts, names) -> tuple[str, float]:
    """Return the name and the value of the largest shift."""
    at = int(np.argmax(np.abs(shifts)))
    return str(names[at]), float(shifts[at])


def suspected_swaps(sensor, reference, sample, trial, spread: float) -> list[tuple]:
    """Return pairs of one trial's samples that fit far better exchanged.

    Both errors are beyond three times the curve's usual spread, and with the two
    references exchanged both are within two. Labels swapped in the field or the
    lab look like this; it is a question to ask, never a reason to exchange them.
    """
    sensor, reference = np.asarray(sensor, float), np.asarray(reference, float)
    sample, trial = np.asarray(sample, object), np.asarray(trial, object)
    far: dict = {}
    for i in np.flatnonzero(np.abs(sensor - reference) > 3 * spread):
        far.setdefault(trial[i], []).append(i)
    couples = sorted(two for own in far.values() for two in combinations(own, 2))
    return [
        (str(sample[i]), str(sample[j]))
        for i, j in couples
        if abs(sensor[i] - reference[j]) < 2 * spread
        and abs(sensor[j] - reference[i]) < 2 * spread
    ]


def robust_spread(error) -> float:
    """Return 1.4826 × the median absolute deviation: the SD if errors are normal."""
    error = np.asarray(error, float)
    return float(1.4826 * np.median(np.abs(error - np.median(error))))


def mean_over(values, trial) -> Estimate:
    """Return the clustered mean; of one value the value itself, without an error."""
    if len(values) == 0:
        return not_known("there are no samples")
    if len(values) == 1:
        return Estimate(value=float(values[0]), remark="one sample has no spread")
    return clustered_mean(values, trial)


BAND = 2.0  # width of a moisture band [% moisture]


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """The harvested plots' readings against those of the samples.

    Attributes
    ----------
    n_plots : int
        Plots harvested with a reading.
    low, high : float
        Driest and wettest reading with a sample. [% moisture]
    share_outside : float
        Share of plots drier or wetter than any sample.
    share_bands : float
        Share of plots in moisture bands that hold a sample.
    shift : float
        Mean of the plots' readings minus the samples', in SDs of the plots'.
    bias, gain : Estimate
        Over all plots of the sampled trials, whatever readings the samples were
        picked at. [% moisture; points per point]
    """

    n_plots: int
    low: float
    high: float
    share_outside: float
    share_bands: float
    shift: float
    bias: Estimate
    gain: Estimate


def coverage(
    samples: Samples, reference_se: float, harvested, harvested_trial
) -> Coverage:
    """Return how the samples' readings cover those of the harvested plots.

    Parameters
    ----------
    samples : Samples
    reference_se : float
        Standard error of a sample's reference value. [% moisture]
    harvested, harvested_trial : array_like, shape (m,)
        Readings of every plot the curve served, nan where there is none, and
        their trials.
    """
    sensor, harvested = samples.sensor, np.asarray(harvested, float)
    beside = beside_plots(
        sensor, samples.reference, samples.trial, harvested, harvested_trial
    )
    harvested = harvested[np.isfinite(harvested)]
    low, high = float(sensor.min()), float(sensor.max())
    outside = (harvested < low) | (harvested > high)
    bands = pd.Series(np.floor(harvested / BAND))
    sampled = pd.Series(np.floor(sensor / BAND))
    held = bands.isin(sampled.unique())
    spread = harvested.std(ddof=1) if harvested.size > 1 else np.nan
    return Coverage(
        n_plots=harvested.size,
        low=low,
        high=high,
        share_outside=float(outside.mean()) if harvested.size else np.nan,
        share_bands=float(held.mean()) if harvested.size else np.nan,
        shift=float((harvested.mean() - sensor.mean()) / spread) if spread else np.nan,
        bias=bias_over_plots(beside),
        gain=gain_over_plots(beside, reference_se),
    )
