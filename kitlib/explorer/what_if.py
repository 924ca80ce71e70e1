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
FIGURES = ("bias", "rmsep", "share_within", "rmsep_left_out")
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


@dataclass(frozen=True, kw_only=True, eq=False)
class Outlook:
    """What the samples would show under each of k offsets, all in points but shares."""

    offsets: np.ndarray
    n: int
    n_trials: int
    # In-sample: of the very samples a change may have been tuned to.
    bias: np.ndarray
    rmsep: np.ndarray
    share_within: np.ndarray  # samples whose error is within the tolerance
    rmsep_left_out: np.ndarray  # see `left_out_squares`
    spans: dict[str, Interval]  # of these four figures, for the first offset
    remark: str = ""  # why `rmsep_left_out` is not known


def corrected_error(samples: Samples, offsets, tilt=0.0, pivot=0.0) -> np.ndarray:
    """Return what is left of the errors after a change. [% moisture]

    Offsets of shape (...,) give errors of shape (..., n).
    """
    turned = samples.error + tilt * (samples.sensor - pivot)
    return turned + np.asarray(offsets, float)[..., None]


def outlook(
    samples: Samples,
    tolerance: Tolerance,
    offsets,
    tilt: float = 0.0,
    pivot: float = 0.0,
    level: float | None = None,
) -> Outlook:
    """Return what samples would show under each of k offsets; all nan without samples.

    With a confidence level the figures of the first offset get intervals.

    Examples
    --------
    >>> two = Samples(sensor=np.array([15.5, 16.5]), reference=np.array([15.0, 15.5]),
    ...     reference_se=np.ones(2), trial=np.array(["A", "B"]), sample=np.array("ab"))
    >>> found = outlook(two, Tolerance(0, 0.6, "", ""), [0.0, -0.75])
    >>> found.bias.tolist(), found.rmsep.round(4).tolist(), found.share_within.tolist()
    ([0.75, 0.0], [0.7906, 0.25], [0.5, 1.0])
    """
    offsets, spans = np.atleast_1d(np.asarray(offsets, float)), {}
    unknown = np.full(offsets.shape, nan)
    figures: dict[str, Any] = dict.fromkeys(FIGURES, unknown)
    remark = NO_SAMPLE
    if samples.n:
        error = corrected_error(samples, offsets, tilt, pivot)
        within = np.abs(error) <= tolerance.at(samples.reference)
        squares, remark = left_out_squares(samples, offsets, tilt, pivot)
        figures["bias"] = error.mean(axis=-1)
        figures["rmsep"] = np.sqrt((error**2).mean(axis=-1))
        figures["share_within"] = within.mean(axis=-1)
        figures["rmsep_left_out"] = np.sqrt(squares.sum(axis=-1) / samples.n)
        if level:
            spans = _spans(samples, level, error[0], within[0], squares[0])
    figures |= {"n": samples.n, "n_trials": samples.n_trials}
    return Outlook(offsets=offsets, spans=spans, remark=remark, **figures)


def _spans(samples: Samples, level: float, error, within, squares) -> dict:
    """Return the intervals of an outlook's figures under one offset.

    Root mean squares and shares take the ends of the mean they are made of.
    """
    _, at, n = np.unique(samples.trial, return_inverse=True, return_counts=True)
    # Of squares by trial, any split over its samples has the same interval.
    parts = (error, error**2, within * 1.0, (squares / n)[at])
    ends = ((-inf, inf), (0, inf), (0, 1), (0, inf))
    spans = {}
    for name, values, (least, most) in zip(FIGURES, parts, ends, strict=True):
        span = NO_INTERVAL
        if samples.n_trials > 1 and np.isfinite(values).all():
            span = clustered_mean(values, samples.trial).interval(level)
        if np.ptp(span) < ROUNDING:  # trials without scatter: nothing to judge by
            span = NO_INTERVAL
        inside = np.clip(span, least, most)
        spans[name] = Interval(
            *(np.sqrt(inside) if name.startswith("rmsep") else inside).tolist()
        )
    return spans


def left_out_squares(
    samples: Samples, offsets: np.ndarray, tilt: float = 0.0, pivot: float = 0.0
) -> tuple[np.ndarray, str]:
    """Return the squared errors of each trial under a change it had no part in.

    An offset chosen by looking at the samples is tuned to them as far as it follows
    them: that share of it, from 0 at no change to 1 at the samples' own offset and
    beyond, is taken from the other trials alone when a trial is left out. The rest
    counts as set without looking. Likewise for the tilt.

    Returns
    -------
    squares : ndarray, shape (k, trials)
        Sums over the samples of a trial, trials sorted; nan where not known.
    remark : str
        Why it is not known; empty if it is.

    Notes
    -----
    Own definition. Its ends are the audit's own (`leave_one_trial_out`): no change,
    the offset of the other trials, and with the samples' own tilt about their mean
    reading the line of the other trials.
    """
    unknown = np.full((offsets.size, samples.n_trials), nan)
    if samples.n_trials < 2:
        return unknown, ONE_TRIAL
    sums = trial_sums(samples.sensor, samples.reference, samples.trial)
    total, rest = sums.total, sums.without_each
    by_tilt = float(_followed(tilt, total.slope - 1))
    if by_tilt and len(sums.trials) < 3:
        return unknown, NEEDS_THREE
    if by_tilt and not np.isfinite(rest.slope).all():
        return unknown, NO_LINE
    by_offset = _followed(offsets, -total.bias)[:, None]
    shift = offsets[:, None] + by_offset * (total.bias - rest.bias)
    turn = tilt + (by_tilt * (rest.slope - total.slope) if by_tilt else 0.0)
    readings = [each.mean_reference + each.bias for each in (rest, total)]
    about = pivot + by_tilt * (readings[0] - readings[1])
    of_reference, of_error = sums.centre
    start = of_error + shift + turn * (of_reference + of_error - about)
    squares = squares_left_out(sums, start, turn + np.ones(len(sums.trials)))
    # Sums come in the order of the names as text, in which 10 stands before 2.
    return squares[:, np.argsort(sums.trials)], ""


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
    bias and the prediction slope of the audit. The pivot is their mean reading. All
    nan without samples; the tilt where they define no slope.

    Examples
    --------
    >>> four = Samples(sensor=np.array([15.0, 17.0, 19.0, 21.0]),
    ...     reference=np.array([15.2, 16.8, 18.4, 20.0]), reference_se=np.ones(4),
    ...     trial=np.array(list("AABB")), sample=np.array(list("abcd")))
    >>> [round(value, 9) for value in own_turn(four)]
    [-0.4, -0.2, 18.0]
    """
    if samples.n == 0:
        return Turn(nan, nan, nan)
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

    Examples
    --------
    >>> offset_stops(0.5, -0.7, 0.8)[8:14].round(3).tolist()
    [-2.0, -1.5, -1.0, -0.7, -0.5, 0.0]
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

    Examples
    --------
    Both plots yield 10 t/ha at 20 %; a point more on the first takes 125 kg/ha off.

    >>> plots = pd.DataFrame({"entry": ["a", "b"], "block": "", "curve": ["X", "Y"],
    ...     "sensor": 20.0, "per_point": -125.0, "before": 1e4, "after": 1e4})
    >>> lines = trial_lines("T1", plots, {"X"})
    >>> lines.means({"X": Turn(np.array([0.0, 1.0]))}).tolist()
    [[10000.0, 10000.0], [9875.0, 10000.0]]
    """
    found = entry_means(plots["before"], plots["entry"], plots["block"])
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
