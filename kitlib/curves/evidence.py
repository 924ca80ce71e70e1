"""The samples of one curve: bands, coverage of the plots, influence, conditions."""

from collections.abc import Iterator
from dataclasses import dataclass
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
from kitlib.statistics.clustered import clustered_mean, fitted_contrast
from kitlib.statistics.estimates import Estimate, moisture_bands, not_known, tried
from kitlib.statistics.lines import prediction_line
from kitlib.words.limits import Tolerance, threshold
from kitlib.words.terms import columns_of, counted


@dataclass(frozen=True, kw_only=True, eq=False)
class Samples:
    """The samples of one curve, as arrays of one length."""

    sensor: np.ndarray  # restated to the offset in the register [% wet basis]
    reference: np.ndarray  # by air-oven [% wet basis]
    reference_se: np.ndarray  # standard error of each, nan where not known
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
        return cls(
            sensor=pairs["sensor_pct"].to_numpy(float),
            reference=pairs["reference_pct"].to_numpy(float),
            reference_se=pairs["reference_se"].to_numpy(float),
            trial=pairs["trial"].to_numpy(object),
            sample=pairs["sample"].to_numpy(object),
        )


# Bands of moisture.

WITHIN, BEYOND, OPEN = "within", "beyond", "open"
FEW, FEW_TRIALS = "too few samples", "too few trials"
LATER = ("low", "high", "verdict")  # known once all bands are


def audit_bands(samples: Samples, tolerance: Tolerance, level: float) -> pd.DataFrame:
    """Return the mean error of each 2-point band of moisture against the tolerance.

    A band is "within" or "beyond" its tolerance only where its whole interval is, and
    "open" else. Intervals are adjusted for the number of bands judged (Holm): of many
    bands one would else lie beyond by chance. Bands with few samples are not judged and
    keep the plain interval; those of fewer than three trials have none worth telling.
    Source: Holm, Scandinavian J. Statistics 6 (1979) 65-70 (from memory).
    """
    lows, means, rows = moisture_bands(samples.reference), [], []
    for low in np.unique(lows):
        here = lows == low
        error, trial, at = samples.error[here], samples.trial[here], samples.reference
        mean, allowed = clustered_mean(error, trial), tolerance.at(at[here])
        means.append(mean)
        row = [low, low + 2.0, error.size, len(set(trial)), mean.value]
        row += [mean.method or mean.remark, float(tolerance.at(at[here].mean()))]
        rows.append([*row, float((np.abs(error) <= allowed).mean())])
    names = [name for name in columns_of("bands") if name not in ("crop", "curve")]
    bands = pd.DataFrame(rows, columns=[n for n in names if n not in LATER])
    few, alone = bands["n"] < threshold("samples_per_band"), bands["n_trials"] < 3
    judged = ~few & ~alone & np.array([mean.df > 0 for mean in means])
    limit = bands["tolerance"]
    levels = _holm_levels(means, limit, judged, level)
    ends = [mean.interval(own) for mean, own in zip(means, levels, strict=True)]
    low, high = np.where(alone, np.nan, np.array(ends).T)
    beyond, within = (low > limit) | (high < -limit), (-limit <= low) & (high <= limit)
    verdict = np.select(
        [few, ~judged, beyond, within], [FEW, FEW_TRIALS, BEYOND, WITHIN], OPEN
    )
    return bands.assign(low=low, high=high, verdict=verdict)[names]


def _holm_levels(means, limits, judged, level: float) -> np.ndarray:
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
    return levels


# Single samples, and the plots they stand for.


def most_influential(error: ArrayLike, group: ArrayLike) -> tuple[Any, float]:
    """Return the group without which the mean error moves most, and by how much.

    None where there is but one group.
    """
    errors = pd.Series(error, dtype=float)
    parts = errors.groupby(np.asarray(group)).agg(["sum", "size"])
    if len(parts) < 2:
        return None, np.nan
    n, total = errors.size, float(errors.sum())
    shifts = (total - parts["sum"]) / (n - parts["size"]) - total / n
    at = int(shifts.abs().argmax())
    return shifts.index[at], float(shifts.iloc[at])


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """The harvested plots' readings against those of the samples."""

    n_plots: int  # with a reading
    low: float  # driest and wettest reading with a sample [% moisture]
    high: float
    share_outside: float  # plots drier or wetter than any sample
    share_beyond_estimates: float  # so cold or wet that they are estimates only
    # Over all plots of the sampled trials, whatever readings samples were picked at.
    bias: Estimate
    gain: Estimate


def coverage(samples: Samples, reference_se: float, plots: pd.DataFrame) -> Coverage:
    """Return how the samples' readings cover those of the plots that a curve served.

    `plots` have the columns trial, sensor_pct, recorded_pct and grain_temp_c.
    """
    sensor, readings = samples.sensor, plots["sensor_pct"].to_numpy(float)
    sampled = sensor, samples.reference, samples.trial
    beside = beside_plots(*sampled, readings, plots["trial"])
    readings = readings[np.isfinite(readings)]
    low, high = float(sensor.min()), float(sensor.max())
    outside = (readings < low) | (readings > high)
    cold, wet = cold_or_wet(plots)
    return Coverage(
        n_plots=readings.size,
        low=low,
        high=high,
        share_outside=float(outside.mean()) if readings.size else np.nan,
        share_beyond_estimates=float((cold | wet).mean()),
        bias=bias_over_plots(beside),
        gain=gain_over_plots(beside, reference_se),
    )


# Colder or wetter grain is outside what sensors are built for. [°C; % moisture]
COLDEST, WETTEST = 5.0, 25.0


def cold_or_wet(plots: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Flag plots of which a sensor gives estimates only: too cold, and too wet."""
    return plots["grain_temp_c"] < COLDEST, plots["recorded_pct"] > WETTEST


# The benchtop meter.


def two_phase_bias(benched: pd.DataFrame) -> Estimate:
    """Return the bias from oven and benchtop samples together.

    Estimand: as the bias. Mean of sensor − benchtop over every sample the meter
    measured, plus mean of benchtop − oven over those the oven measured too (both
    phases may share samples and trials). A stacked fit of both means, clustered by
    trial, gives the variance of their sum with the overlap counted. `benched` are the
    pairs the meter measured, `used` those that the oven did too.
    """
    both = benched[benched["used"]]
    if len(both) < 2:
        return not_known("two samples measured by both oven and meter are needed")
    if len(benched) <= len(both):
        return not_known("no sample was measured by the benchtop meter alone")
    first = benched["sensor_pct"] - benched["benchtop_pct"]
    second = both["benchtop_pct"] - both["reference_pct"]
    design = np.repeat(np.eye(2), [len(first), len(second)], axis=0)
    trial = np.concatenate([benched["trial"], both["trial"]])
    return fitted_contrast([1, 1], design, np.concatenate([first, second]), trial)


def bridge_table(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return each benchtop meter's own bias, slope and SEP against the oven, by crop.

    Bias is benchtop − oven; slope and intercept are of oven on benchtop. One row
    per sample counts, however many curves read its plot.
    """
    both = pairs[pairs["used"] & pairs["benchtop_pct"].notna()]
    both = both.drop_duplicates(["sample", "trial", "plot"])
    rows = []
    for (crop, meter), group in both.groupby(["crop", "meter"], sort=True):
        bench, reference = group[["benchtop_pct", "reference_pct"]].to_numpy(float).T
        trial = group["trial"].to_numpy(object)
        bias = clustered_mean(bench - reference, trial)
        found, _ = tried(agreement, bench, reference)
        line, why = tried(prediction_line, bench, reference, trial, bench.mean())
        slope = line.slope if line else not_known(why)
        row = [crop, meter, len(group), len(set(trial)), bias.value]
        row += [*bias.interval(level), bias.method or bias.remark]
        row += [found.sep if found else np.nan, slope.value, *slope.interval(level)]
        rows.append([*row, line.intercept.value if line else np.nan])
    return pd.DataFrame(rows, columns=list(columns_of("bridge")))


# Conditions of harvest, moisture held equal.

# An effect is stated over the middle part of what the season had, from this share of
# the samples below to that, so that one odd value does not set its size.
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
    """How far the error changes as a condition goes through its season's range."""

    name: str
    unit: str
    low: float  # 10 % and 90 % points of the samples' values
    high: float
    change: Estimate  # of the mean error from low to high [% moisture]
    q_value: float = np.nan  # false discovery rate over all effects of the season


def effects_on(samples: pd.DataFrame, own_configuration: Any) -> Iterator[Effect]:
    """Yield what the errors of a curve's samples go with.

    `own_configuration` is the chamber configuration in the register, nan if none.
    """
    since = samples["harvested_at"] - samples["harvested_at"].min()
    known = samples.assign(days=since.dt.total_seconds() / 86400)
    rest = [samples[name].to_numpy() for name in ("reference_pct", "error", "trial")]
    for name, unit, column in CONDITIONS:
        if known[column].notna().any():
            yield effect_of(name, unit, known[column].to_numpy(float), *rest)
    other = samples["chamber_config"].notna()
    other &= samples["chamber_config"] != own_configuration
    if pd.notna(own_configuration) and other.any():
        name = f"{OTHER_CONFIGURATION} than the curve's ({own_configuration})"
        yield effect_of(name, "", other.to_numpy(bool), *rest)


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
    the condition, or between samples flagged and not, for grain of one moisture, along
    the best plane through samples like these. Wet plots are harvested at other
    temperatures and test weights than dry ones: without moisture in the model a curve
    that needs another slope would seem to depend on all of these. Other conditions are
    not held equal.
    `values` are the condition (nan where not known) or a flag. The change is not known,
    with the reason, where few values are, they do not vary, or too few trials vary.
    """
    values = np.asarray(values)
    low, high, why, n = 0.0, 1.0, "", int(np.isfinite(values).sum())
    if values.dtype == bool:
        flagged = int(values.sum())
        if min(flagged, n - flagged) < 2:
            why = f"{counted(flagged, 'sample')} of {n}: {name}"
    elif n < FEWEST_VALUES:
        low, high = np.nan, np.nan
        why = f"{name} is known for {counted(n, 'sample')}"
    else:
        low, high = np.nanquantile(values, MIDDLE).tolist()
        why = "" if high > low else f"{name} hardly varies among the samples"
    change = not_known(why)
    if not why:
        known = np.isfinite(values)
        columns = [np.asarray(values[known] / (high - low), float)]
        held = np.asarray(moisture, float)[known]
        if np.ptp(held) > 0:  # else all of one moisture: there is nothing to hold
            columns.append(held)
        centred = [column - column.mean() for column in columns]
        design = np.column_stack([np.ones(n), *centred])
        rest = (np.asarray(part)[known] for part in (error, trial))
        change = fitted_contrast([0, 1], design, *rest)
    return Effect(name=name, unit=unit, low=low, high=high, change=change)
