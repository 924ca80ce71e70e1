"""The samples of one curve: bands, coverage of the plots, influence, conditions."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import t as student_t

from kitlib.statistics.agreement import (
    agreement,
    beside_plots,
    bias_over_plots,
    gain_over_plots,
)
from kitlib.statistics.clustered import clustered_fit, clustered_mean
from kitlib.statistics.estimates import (
    Estimate,
    Interval,
    moisture_bands,
    not_known,
    tried,
)
from kitlib.statistics.lines import prediction_line
from kitlib.statistics.pooling import false_discovery
from kitlib.words.findings import KitError
from kitlib.words.limits import Tolerance, threshold
from kitlib.words.terms import counted


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

    def with_readings(self, sensor: np.ndarray) -> "Samples":
        """Return the samples as if they had read otherwise. [% moisture]."""
        return replace(self, sensor=sensor)

    @classmethod
    def of(cls, pairs: pd.DataFrame) -> "Samples":
        """Return the samples of a table of pairs."""
        return cls(
            sensor=pairs["sensor_pct"].to_numpy(float),
            reference=pairs["reference_pct"].to_numpy(float),
            reference_se=pairs["reference_se"].to_numpy(float),
            trial=pairs["trial"].to_numpy(object),
            sample=pairs["sample"].to_numpy(object),
        )


WITHIN, BEYOND, OPEN = "within", "beyond", "not shown"
FEW, ONE_TRIAL = "too few samples", "one trial only"
BAND_COLUMNS = ["band_low", "band_high", "n", "n_trials", "mean_error", "low", "high"]
BAND_COLUMNS += ["method", "tolerance", "share_within", "verdict"]


def audit_bands(
    samples: Samples, tolerance: Tolerance, level: float, width: float = 2.0
) -> pd.DataFrame:
    """Return the mean error of each 2-point band of moisture against the tolerance.

    A band is "within" or "beyond" its tolerance only where its whole interval is, and
    "not shown" else. Intervals are adjusted for the number of bands judged (Holm): of
    many bands one would else lie beyond by chance. Bands with few samples, or from
    one trial, are not judged and keep the plain interval. Columns: `BAND_COLUMNS`.

    References
    ----------
    .. [1] Holm, Scandinavian J. Statistics 6 (1979) 65-70 (from memory).
    """
    lows = moisture_bands(samples.reference, width)
    rows, means = [], []
    for low in np.unique(lows):
        here = lows == low
        error, trial = samples.error[here], samples.trial[here]
        allowed = tolerance.at(samples.reference[here])
        means.append(clustered_mean(error, trial))
        rows.append(
            {
                "band_low": low,
                "band_high": low + width,
                "n": error.size,
                "n_trials": len(set(trial)),
                "mean_error": means[-1].value,
                "method": means[-1].method or means[-1].remark,
                "tolerance": float(tolerance.at(samples.reference[here].mean())),
                "share_within": float((np.abs(error) <= allowed).mean()),
            }
        )
    bands = pd.DataFrame(rows)
    few = bands["n"] < threshold("samples_per_band")
    known = np.array([mean.df > 0 for mean in means])
    judged = ~few & (bands["n_trials"] > 1) & known
    levels = _holm_levels(means, bands["tolerance"], judged, level)
    ends = [mean.interval(own) for mean, own in zip(means, levels, strict=True)]
    verdicts = [
        _verdict(end, limit) if fit else FEW if little else ONE_TRIAL
        for end, limit, fit, little in zip(
            ends, bands["tolerance"], judged, few, strict=True
        )
    ]
    low, high = zip(*ends, strict=True)
    return bands.assign(low=low, high=high, verdict=verdicts)[BAND_COLUMNS]


def _verdict(ends: Interval, limit: float) -> str:
    """Return where an interval lies against plus or minus a limit."""
    if ends.low > limit or ends.high < -limit:
        return BEYOND
    return WITHIN if ends.inside(limit) else OPEN


def _holm_levels(means, limits, judged, level) -> list[float]:
    """Return the level of each band's interval: Holm's for those judged."""
    beyond = [
        student_t.sf((abs(mean.value) - limit) / mean.se, mean.df) if fit else np.inf
        for mean, limit, fit in zip(means, limits, judged, strict=True)
    ]
    levels, left = np.full(len(means), level), int(sum(judged))
    for k in np.argsort(beyond, kind="stable")[:left]:
        levels[k] = 1 - (1 - level) / left
        # Step down while bands are shown beyond; the rest keep the level of the first
        # that is not.
        left -= 2 * beyond[k] < (1 - level) / left
    return levels.tolist()


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


def influence(error: ArrayLike, sample: Any, trial: Any) -> Influence:
    """Return which sample and which trial move the bias most.

    Examples
    --------
    >>> found = influence(np.array([0.0, 0.0, 0.9]), ["a", "b", "c"], ["A", "A", "B"])
    >>> found.sample, round(found.sample_shift, 2), found.trial
    ('c', -0.3, 'A')
    """
    error, sample = np.asarray(error, float), np.asarray(sample, object)
    at, sample_shift = _strongest(error, np.arange(error.size))
    most, trial_shift = _strongest(error, np.asarray(trial, object))
    return Influence(
        sample="" if at is None else str(sample[at]),
        sample_shift=sample_shift,
        trial="" if most is None else str(most),
        trial_shift=trial_shift,
    )


def _strongest(error: np.ndarray, group: np.ndarray) -> tuple[Any, float]:
    """Return the group without which the mean moves most, and by how much."""
    n, total = error.size, error.sum()
    parts = pd.Series(error).groupby(group).agg(["sum", "size"])
    rest = n - parts["size"]
    if (rest == 0).any():
        return None, np.nan
    shifts = (total - parts["sum"]) / rest - total / n
    name = shifts.abs().idxmax()
    return name, float(shifts[name])


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
    bias, gain : Estimate
        Over all plots of the sampled trials, whatever readings the samples were
        picked at. [% moisture; points per point]
    """

    n_plots: int
    low: float
    high: float
    share_outside: float
    bias: Estimate
    gain: Estimate


def coverage(
    samples: Samples,
    reference_se: float,
    harvested: ArrayLike,
    harvested_trial: Any,
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
    sensor, readings = samples.sensor, np.asarray(harvested, float)
    beside = beside_plots(
        sensor, samples.reference, samples.trial, readings, harvested_trial
    )
    readings = readings[np.isfinite(readings)]
    low, high = float(sensor.min()), float(sensor.max())
    outside = (readings < low) | (readings > high)
    return Coverage(
        n_plots=readings.size,
        low=low,
        high=high,
        share_outside=float(outside.mean()) if readings.size else np.nan,
        bias=bias_over_plots(beside),
        gain=gain_over_plots(beside, reference_se),
    )


def two_phase_bias(
    sensor_minus_bench: ArrayLike,
    bench_trial: Any,
    bench_minus_oven: ArrayLike,
    both_trial: Any,
) -> Estimate:
    """Return the bias from oven and benchtop samples together.

    Estimand: as the bias. Mean of sensor − benchtop over every sample the meter
    measured, plus mean of benchtop − oven over those the oven measured too (both
    phases may share samples and trials). A stacked fit of both means, clustered by
    trial, gives the variance of their sum with the overlap counted.
    """
    first, second = np.asarray(sensor_minus_bench), np.asarray(bench_minus_oven)
    if min(first.size, second.size) < 2:
        return not_known("two samples measured by both oven and meter are needed")
    if first.size <= second.size:
        return not_known("no sample was measured by the benchtop meter alone")
    design = np.repeat(np.eye(2), [first.size, second.size], axis=0)
    trial = np.concatenate([bench_trial, both_trial])
    fit, why = tried(clustered_fit, design, np.concatenate([first, second]), trial)
    return fit.contrast([1.0, 1.0]) if fit else not_known(why)


BRIDGE_COLUMNS = ["crop", "meter", "n", "n_trials", "bias", "bias_low", "bias_high"]
BRIDGE_COLUMNS += ["bias_method", "sep", "slope", "slope_low", "slope_high"]
BRIDGE_COLUMNS += ["intercept"]


def bridge_table(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return each benchtop meter's own bias, slope and SEP against the oven, by crop.

    Bias is benchtop − oven; slope and intercept are of oven on benchtop. One row
    per sample counts, however many curves read its plot.
    """
    both = pairs[pairs["used"] & pairs["benchtop_pct"].notna()]
    both = both.drop_duplicates(["sample", "trial", "plot"])
    rows = []
    for (crop, meter), group in both.groupby(["crop", "meter"], sort=True):
        bench, reference = (
            group[c].to_numpy() for c in ("benchtop_pct", "reference_pct")
        )
        trial = group["trial"].to_numpy(object)
        bias = clustered_mean(bench - reference, trial)
        found, _ = tried(agreement, bench, reference)
        line, why = tried(prediction_line, bench, reference, trial, bench.mean())
        slope = line.slope if line else not_known(why)
        row: tuple = (crop, meter, len(group), len(set(trial)), bias.value)
        row += (*bias.interval(level), bias.method or bias.remark)
        row += (found.sep if found else np.nan, slope.value, *slope.interval(level))
        rows.append((*row, line.intercept.value if line else np.nan))
    return pd.DataFrame(rows, columns=BRIDGE_COLUMNS)


# From the share of readings below to the share below at the upper end: an effect
# is stated over this middle part of what the season had, so that one odd value
# does not set its size.
MIDDLE = (0.1, 0.9)
FEWEST_VALUES = 8
DAY = "day of the season"
OTHER_CONFIGURATION = "harvested in another chamber configuration"
CONDITIONS = (
    (DAY, "days", "days"),
    ("grain temperature", "°C", "grain_temp_c"),
    ("test weight", "kg/hL", "test_weight_kg_hl"),
    ("time from harvest to oven", "hours", "hours_to_oven"),
)


@dataclass(frozen=True, kw_only=True)
class Effect:
    """How far the error changes as a condition goes through its season's range.

    Attributes
    ----------
    name, unit : str
        The condition and its unit.
    low, high : float
        The range the change is stated over: the 10 % and 90 % points of the
        samples' values.
    change : Estimate
        Change of the mean error from `low` to `high` at one moisture. [% moisture]
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


def effects_on(samples: pd.DataFrame, own_configuration: Any) -> Iterator[Effect]:
    """Yield what the errors of a curve's samples go with.

    Parameters
    ----------
    samples : DataFrame
        As in `Pairing.pairs`, those the bias rests on.
    own_configuration : str or nan
        Chamber configuration in the curve's register; nan where none is given.
    """
    start = samples["harvested_at"].min()
    days = (samples["harvested_at"] - start).dt.total_seconds() / 86400
    known = samples.assign(days=days)
    moisture, error, trial = (
        samples[name].to_numpy() for name in ("reference_pct", "error", "trial")
    )
    for name, unit, column in CONDITIONS:
        if known[column].notna().any():
            values = known[column].to_numpy(float)
            yield effect_of(name, unit, values, moisture, error, trial)
    at_harvest = samples["chamber_config"]
    other = at_harvest.notna() & (at_harvest != own_configuration)
    if pd.notna(own_configuration) and other.any():
        name = f"{OTHER_CONFIGURATION} than the curve's "
        name += str(own_configuration)
        yield difference_between(name, other.to_numpy(bool), moisture, error, trial)


def effect_of(
    name: str,
    unit: str,
    values: ArrayLike,
    moisture: ArrayLike,
    error: ArrayLike,
    trial: ArrayLike,
) -> Effect:
    """Return how far the error changes with a condition of the samples.

    Estimand: the change of the mean error between the 10 % and the 90 % point of
    the condition for grain of one moisture, along the best plane through samples
    like these. Wet plots are harvested at other temperatures and test weights than
    dry ones: without moisture in the model a curve that needs another slope would
    seem to depend on all of these. Other conditions are not held equal.

    Parameters
    ----------
    name, unit : str
    values, moisture, error, trial : array_like, shape (n,)
        The condition (nan where not known), the air-oven moistures, the errors
        [% moisture], the trials.

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
    low, high = (float(end) for end in np.quantile(values[known], MIDDLE))
    if not high > low:
        change = not_known(f"{name} hardly varies among the samples")
    else:
        rows = (np.asarray(part)[known] for part in (moisture, error, trial))
        change = _change(values[known] / (high - low), *rows)
    return Effect(name=name, unit=unit, low=low, high=high, change=change)


def difference_between(
    name: str,
    other: ArrayLike,
    moisture: ArrayLike,
    error: ArrayLike,
    trial: ArrayLike,
) -> Effect:
    """Return how far the error of the flagged samples differs at one moisture."""
    flagged = np.asarray(other, bool)
    n = int(flagged.sum())
    if min(n, flagged.size - n) < 2:
        change = not_known(f"{counted(n, 'sample')} of {flagged.size}: {name}")
    else:
        change = _change(flagged.astype(float), moisture, error, trial)
    return Effect(name=name, unit="", low=0.0, high=1.0, change=change)


def _change(condition, moisture, error, trial) -> Estimate:
    """Return the clustered change of the error per unit of a condition."""
    centred = [np.asarray(part, float) for part in (condition, moisture)]
    centred = [part - part.mean() for part in centred]
    if not np.ptp(centred[1]) > 0:  # all of one moisture: there is nothing to hold
        centred.pop()
    design = np.column_stack([np.ones(centred[0].size), *centred])
    try:
        fit = clustered_fit(design, error, trial)
    except KitError as problem:
        return not_known(str(problem))
    return fit.contrast(np.eye(design.shape[1])[1])


def with_q_values(effects: list[Effect]) -> list[Effect]:
    """Return effects with their false discovery rate over all of them.

    Effects that are not known take no part.
    """
    q_values = false_discovery([p_of_zero(effect.change) for effect in effects])
    return [
        replace(effect, q_value=float(q))
        for effect, q in zip(effects, q_values, strict=True)
    ]


def p_of_zero(estimate: Estimate) -> float:
    """Return the two-sided p-value of zero, for false discovery rates only."""
    return float(2 * student_t.sf(abs(estimate.t), estimate.df))
