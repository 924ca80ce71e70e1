"""What the errors of a curve go with: conditions of harvest, moisture held equal."""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike
from scipy.stats import t as student_t

from kitlib.statistics.clustered import clustered_fit
from kitlib.statistics.estimates import Estimate, not_known
from kitlib.statistics.pooling import false_discovery
from kitlib.words.findings import KitError
from kitlib.words.terms import counted

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
