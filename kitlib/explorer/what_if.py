"""What another offset or slope would do, in arrays: to samples, and to entry means.

Error is sensor - reference throughout; a change adds `offset` to every reading and
`tilt` more per point above the `pivot`. About the mean reading of the samples the tilt
takes nothing from the bias, so that offset and slope can be chosen apart.

Yields are straight lines in moisture, and entry means are weighted sums of yields: a
few numbers per entry answer for every offset and slope, and nothing is fitted again.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, replace
from math import inf, nan
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from kitlib.curves.evidence import Samples
from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.estimates import NO_INTERVAL, ROUNDING, Interval
from kitlib.statistics.sums import squares_left_out, trial_sums
from kitlib.trials.means import entry_means
from kitlib.trials.ranks import TIED_DECIMALS, selection_count
from kitlib.words.limits import Tolerance

NO_SAMPLE = "no sample is left"
ONE_TRIAL = "all samples are of one trial: none can be left out"
NEEDS_THREE = "a slope needs at least 3 trials to leave one out"
NO_LINE = "without one of the trials all readings are the same"
# The figures of an outlook, and the least and most that each can be.
FIGURES = {"bias": (-inf, inf), "rmsep": (0, inf)}
FIGURES |= {"share_within": (0, 1), "rmsep_left_out": (0, inf)}
MOST_STOPS = 201
FEWEST_STEPS = 10
TILT_STEP, LEAST_TILT = 0.01, 0.5


# ---- samples -----------------------------------------------------------------------


class Turn(NamedTuple):
    """What is added to a reading: `offset` at the `pivot`, `tilt` more per point.

    With offsets of shape (k,) it is k turns at once.
    """

    offset: Any = 0.0
    tilt: float = 0.0
    pivot: float = 0.0


def corrected_error(samples: Samples, turn: Turn) -> np.ndarray:
    """Return what is left of the errors, (..., n), for an offset of shape (...,)."""
    turned = samples.error + turn.tilt * (samples.sensor - turn.pivot)
    return turned + np.asarray(turn.offset, float)[..., None]


def outlook(
    samples: Samples, tolerance: Tolerance, turn: Turn, level: float | None = None
) -> pd.DataFrame:
    """Return what samples would show under each of k offsets, one row an offset.

    Columns as declared for `what_if`, all nan without samples; with a confidence level
    each figure has an interval. Bias, RMSEP and share within tolerance are in-sample:
    of the very samples a change may have been tuned to.
    """
    offsets = np.atleast_1d(np.asarray(turn.offset, float))
    turn = turn._replace(offset=offsets)
    error = corrected_error(samples, turn)
    _, at, n = np.unique(samples.trial, return_inverse=True, return_counts=True)
    means = {
        "bias": error,
        "rmsep": error**2,
        "share_within": (np.abs(error) <= tolerance.at(samples.reference)) * 1.0,
        # Of squares by trial, any split over its samples has the same interval.
        "rmsep_left_out": (left_out_squares(samples, turn) / n)[:, at],
    }
    found: dict[str, Any] = {"n": samples.n, "n_trials": samples.n_trials}
    for name, (least, most) in FIGURES.items():
        # Root mean squares and shares take the ends of the mean they are made of.
        shown = np.sqrt if name.startswith("rmsep") else np.asarray
        found[name] = shown(means[name].mean(axis=-1)) if samples.n else nan
        if level:
            span = np.clip(_interval(means[name][0], samples, level), least, most)
            found[f"{name}_low"], found[f"{name}_high"] = shown(span)
    return pd.DataFrame({"offset": offsets, **found})


def _interval(values: np.ndarray, samples: Samples, level: float) -> Interval:
    """Return the interval of a mean over samples, where there is one to judge by."""
    if samples.n_trials > 1 and np.isfinite(values).all():
        span = clustered_mean(values, samples.trial).interval(level)
        if np.ptp(span) >= ROUNDING:  # else trials are without scatter
            return span
    return NO_INTERVAL


def not_left_out(samples: Samples, tilt: float) -> str:
    """Return why trials cannot be left out in turn; empty if they can."""
    if samples.n_trials < 2:
        return ONE_TRIAL if samples.n else NO_SAMPLE
    sums = trial_sums(samples.sensor, samples.reference, samples.trial)
    if not _followed(tilt, sums.total.slope - 1):
        return ""
    if samples.n_trials < 3:
        return NEEDS_THREE
    return "" if np.isfinite(sums.without_each.slope).all() else NO_LINE


def left_out_squares(samples: Samples, turn: Turn) -> np.ndarray:
    """Return each trial's squared errors under changes it had no part in, (k, trials).

    An offset chosen by looking at the samples is tuned to them as far as it follows
    them: that share of it, from 0 at no change to 1 at the samples' own offset and
    beyond, is taken from the other trials alone when a trial is left out. The rest
    counts as set without looking. Likewise for the tilt. Sums over the samples of a
    trial, trials sorted; nan where not known, see `not_left_out`.

    Own definition. Its ends are the audit's own (`leave_one_trial_out`): no change,
    the offset of the other trials, and with the samples' own tilt about their mean
    reading the line of the other trials.
    """
    offsets, tilt, pivot = turn
    if not_left_out(samples, tilt):
        return np.full((offsets.size, samples.n_trials), nan)
    sums = trial_sums(samples.sensor, samples.reference, samples.trial)
    total, rest = sums.total, sums.without_each
    by_tilt = float(_followed(tilt, total.slope - 1))
    by_offset = _followed(offsets, -total.bias)[:, None]
    shift = offsets[:, None] + by_offset * (total.bias - rest.bias)
    tilts = tilt + (by_tilt * (rest.slope - total.slope) if by_tilt else 0.0)
    readings = [each.mean_reference + each.bias for each in (rest, total)]
    about = pivot + by_tilt * (readings[0] - readings[1])
    of_reference, of_error = sums.centre
    start = of_error + shift + tilts * (of_reference + of_error - about)
    squares = squares_left_out(sums, start, tilts + np.ones(len(sums.trials)))
    # Sums come in the order of the names as text, in which 10 stands before 2.
    return squares[:, np.argsort(sums.trials)]


def _followed(chosen, own) -> np.ndarray:
    """Return how far a choice follows the samples' own: from 0 to 1."""
    chosen = np.asarray(chosen, float)
    # Without an own one to follow, or a slope that is not known, nothing is tuned.
    if not (np.isfinite(own) and own):
        return np.zeros(chosen.shape)
    return np.clip(chosen / own, 0.0, 1.0)


def own_turn(samples: Samples) -> Turn:
    """Return the change that samples call for: −bias, and their slope less 1.

    Estimand: the best correction of samples like these, each counted once, as the
    bias and the prediction slope of the audit. The pivot is their mean reading; the
    tilt is nan where they define no slope.
    """
    tilt = nan
    if samples.n > 1:
        sums = trial_sums(samples.sensor, samples.reference, samples.trial)
        tilt = float(sums.total.slope) - 1
    offset = -float(samples.error.mean()) + 0.0
    return Turn(offset, tilt, float(samples.sensor.mean()))


def offset_stops(step: float, own_offset: float, tolerance: float) -> np.ndarray:
    """Return the offsets a slider stops at, ascending: whole steps, and −bias.

    They reach twice the tolerance, and ten steps at least, beyond zero and −bias; of
    steps so fine that there would be more than 200, every second, third, and so on.
    """
    reach = max(2 * tolerance, FEWEST_STEPS * step)
    low, high = min(0.0, own_offset) - reach, max(0.0, own_offset) + reach
    wide = step * int(np.ceil((high - low) / step / (MOST_STOPS - 4)))
    steps = np.arange(np.floor(low / wide), np.ceil(high / wide) + 1)
    # Twelve decimals: 3 × 0.1 shall be the 0.3 that a user types.
    return np.unique(np.append(np.round(steps * wide, 12) + 0.0, own_offset))


def tilt_stops(own_tilt: float) -> np.ndarray:
    """Return the tilts a slider stops at: whole steps, none, and the samples' own."""
    own_tilt = own_tilt if np.isfinite(own_tilt) else 0.0
    whole = int(np.ceil(max(LEAST_TILT, 2 * abs(own_tilt)) / TILT_STEP))
    steps = np.round(np.arange(-whole, whole + 1) * TILT_STEP, 12) + 0.0
    return np.unique(np.append(steps, own_tilt))


# ---- entry means -------------------------------------------------------------------


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialLines:
    """The entry means of one trial as lines in what is added to each curve's readings.

    Arrays are over the entries, by name; with several alike trials stacked all gain a
    first axis.
    """

    trial: str | np.ndarray
    entries: np.ndarray
    candidate: np.ndarray  # False for checks, which take no place among the selected
    before: np.ndarray  # mean yield as recorded [kg/ha]
    unmoved: np.ndarray  # with nothing added to any curve [kg/ha]
    # By curve: change per point added to every reading, and per point added for every
    # point of the reading itself. [kg/ha]
    per_point: dict[str, np.ndarray]
    per_reading: dict[str, np.ndarray]
    model: str  # how the means are made
    # Whether blocks are random: the ratio of their variance to the plots' is held as
    # fitted to the yields as recorded, where the audit fits it anew once corrected.
    ratio_held: bool

    def means(self, turns: Mapping[str, Turn]) -> np.ndarray:
        """Return entry means; an offset of shape (k,) gives them a first axis of k."""
        means = self.unmoved
        for curve, per_point in self.per_point.items():
            if curve in turns:
                offset, tilt, pivot = turns[curve]
                means = means + tilt * self.per_reading[curve]
                shift = np.asarray(offset) - tilt * pivot
                means = means + np.multiply.outer(shift, per_point)
        return means


def trial_lines(
    trial: str,
    plots: pd.DataFrame,
    curves: Collection[str],
    checks: Collection[str] = (),
) -> TrialLines:
    """Return the entry means of a trial as lines in what is added to readings.

    Plots are as `read_trial_plots` has them, one at least and each with both yields;
    those of other curves stay as the audit corrects them. Checks take no place among
    the selected.
    """
    found = entry_means(plots.before, plots.entry, plots.block, errors=False)
    served, sensor, per_point = (
        plots[name].to_numpy() for name in ("curve", "sensor", "per_point")
    )
    own = sorted(set(served.tolist()) & set(curves))
    by_curve = {k: np.where(served == k, per_point, 0.0) for k in own}
    # The yield is −per_point × (100 − moisture), as `kitlib.trials.yields` has it.
    as_read = -per_point * (100 - sensor)
    unmoved = np.where(np.isin(served, own), as_read, plots["after"])
    return TrialLines(
        trial=trial,
        entries=found.entries,
        candidate=~np.isin(found.entries, list(checks)),
        before=found.mean,
        unmoved=found.weights @ unmoved,
        per_point={k: found.weights @ v for k, v in by_curve.items()},
        per_reading={k: found.weights @ (v * sensor) for k, v in by_curve.items()},
        model=found.model,
        ratio_held=bool(found.block_sd > 0),
    )


def stacked(trials: Iterable[TrialLines]) -> list[TrialLines]:
    """Return trials of as many entries and checks and the same curves as one each."""
    alike: dict[tuple, list[TrialLines]] = {}
    for lines in trials:
        size = lines.entries.size, int(lines.candidate.sum())
        alike.setdefault((*size, *lines.per_point), []).append(lines)
    stacks = []
    for same in alike.values():
        arrays: dict[str, Any] = {
            name: np.array([getattr(lines, name) for lines in same])
            for name in ("trial", "entries", "candidate", "before", "unmoved")
        }
        for name in ("per_point", "per_reading"):
            each = [getattr(lines, name) for lines in same]
            arrays[name] = {k: np.array([v[k] for v in each]) for k in each[0]}
        stacks.append(replace(same[0], **arrays))
    return stacks


def crossings(
    lines: TrialLines, turns: Mapping[str, Turn], select: float
) -> tuple[np.ndarray, np.ndarray]:
    """Flag the entries that move into the selection, and those that drop out.

    Flags have the shape of the means. Selected is the share `select` of each trial's
    entries if below 1, else their number; all that tie at the line are selected.
    """
    count = selection_count(select, int(np.max(lines.candidate.sum(axis=-1))))

    def selected(means: np.ndarray) -> np.ndarray:
        rounded = np.where(lines.candidate, np.round(means, TIED_DECIMALS), -np.inf)
        last = rounded.shape[-1] - count
        return rounded >= np.partition(rounded, last, axis=-1)[..., last, None]

    before, after = selected(lines.before), selected(lines.means(turns))
    return after & ~before, before & ~after


def newly_selected(stacks: Iterable[TrialLines], turns: Mapping[str, Turn], select):
    """Return how many entries are selected that were not as recorded, in all stacks.

    An offset of shape (k,) among the turns gives k numbers.
    """
    entered = [crossings(lines, turns, select)[0] for lines in stacks]
    return sum(np.count_nonzero(flags, axis=(-2, -1)) for flags in entered)
