"""What another offset or slope would do to a curve's samples: arrays in, arrays out.

Error is sensor - reference throughout; a change adds `offset` to every reading and
`tilt` more per point above the `pivot`. About the mean reading of the samples the tilt
takes nothing from the bias, so that offset and slope can be chosen apart.
"""

from collections.abc import Collection, Iterable, Mapping
from dataclasses import dataclass, fields
from math import nan, sqrt
from typing import NamedTuple

import numpy as np
from scipy.stats import t as student_t

from kitlib.curves.evidence import Samples
from kitlib.statistics.estimates import NO_INTERVAL, Interval
from kitlib.statistics.sums import Sums, squares_left_out, trial_sums
from kitlib.trials.means import entry_means
from kitlib.trials.ranks import TIED_DECIMALS, selection_count
from kitlib.words.limits import Tolerance

NO_SAMPLE = "no sample is left"
ONE_TRIAL = "all samples are of one trial: none can be left out"
NEEDS_THREE = "a slope needs at least 3 trials to leave one out"
NO_LINE = "without one of the trials all readings are the same"
MOST_STOPS = 201
FEWEST_STEPS = 10
TILT_STEP, LEAST_TILT = 0.01, 0.5


class Turn(NamedTuple):
    """What is added to a reading: `offset` at the `pivot`, `tilt` more per point."""

    offset: float = 0.0
    tilt: float = 0.0
    pivot: float = 0.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Outlook:
    """What the samples would show under each of several offsets.

    Attributes
    ----------
    offsets : ndarray, shape (k,)
        What is added to a reading at the pivot. [% moisture]
    n, n_trials : int
        Samples, and the trials they come from.
    bias, rmsep : ndarray, shape (k,)
        In-sample: of the very samples a change may have been tuned to. [% moisture]
    share_within : ndarray, shape (k,)
        Share of the samples whose error is within the tolerance.
    rmsep_left_out : ndarray, shape (k,)
        See `left_out_squares`. [% moisture]
    spans : dict of Interval
        Of bias, rmsep, share_within and rmsep_left_out, for a single offset.
    remark : str
        Why `rmsep_left_out` is not known; empty if it is.
    """

    offsets: np.ndarray
    n: int
    n_trials: int
    bias: np.ndarray
    rmsep: np.ndarray
    share_within: np.ndarray
    rmsep_left_out: np.ndarray
    spans: dict[str, Interval]
    remark: str = ""


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
    means: "MeansOverTrials | None" = None,
) -> Outlook:
    """Return what samples would show under each of several offsets.

    Parameters
    ----------
    samples : Samples
    tolerance : Tolerance
    offsets : array_like, shape (k,)
        What is added to a reading at the pivot. [% moisture]
    tilt : float
        What is added more per point above the pivot; 0 leaves the slope alone.
    pivot : float
        [% moisture, wet basis]
    means : MeansOverTrials, optional
        Of these samples; with it the figures of the first offset get intervals.

    Returns
    -------
    Outlook
        All nan where there is no sample.

    Examples
    --------
    >>> two = Samples(sensor=np.array([15.5, 16.5]), reference=np.array([15.0, 15.5]),
    ...     reference_se=np.ones(2), trial=np.array(["A", "B"]), sample=np.array("ab"))
    >>> found = outlook(two, Tolerance(0, 0.6, "", ""), [0.0, -0.75])
    >>> found.bias.tolist(), found.rmsep.round(4).tolist(), found.share_within.tolist()
    ([0.75, 0.0], [0.7906, 0.25], [0.5, 1.0])
    """
    offsets = np.atleast_1d(np.asarray(offsets, float))
    if samples.n == 0:
        unknown = np.full(offsets.shape, nan)
        names = ("bias", "rmsep", "share_within", "rmsep_left_out")
        figures, spans, remark = dict.fromkeys(names, unknown), {}, NO_SAMPLE
    else:
        error = corrected_error(samples, offsets, tilt, pivot)
        within = np.abs(error) <= tolerance.at(samples.reference)
        squares, remark = left_out_squares(samples, offsets, tilt, pivot)
        figures = {
            "bias": error.mean(axis=-1),
            "rmsep": np.sqrt((error**2).mean(axis=-1)),
            "share_within": within.mean(axis=-1),
            "rmsep_left_out": np.sqrt(squares.sum(axis=-1) / samples.n),
        }
        spans = means.spans(error[0], within[0], squares[0]) if means else {}
    return Outlook(
        offsets=offsets,
        n=samples.n,
        n_trials=samples.n_trials,
        bias=figures["bias"],
        rmsep=figures["rmsep"],
        share_within=figures["share_within"],
        rmsep_left_out=figures["rmsep_left_out"],
        spans=spans,
        remark=remark,
    )


class MeansOverTrials:
    """Intervals for means of samples that come in trials, weights worked out once.

    Parameters
    ----------
    trial : ndarray, shape (n,)
        Trial of each sample.
    level : float
        Confidence level.

    Notes
    -----
    `clustered_mean` for the case that a slider needs: CR2 and its degrees of freedom
    depend on the sizes of the trials alone, so each further mean costs one sum a trial.
    Root mean squares and shares take the ends of the mean they are made of.
    """

    def __init__(self, trial: np.ndarray, level: float):
        _, self.codes, sizes = np.unique(trial, return_inverse=True, return_counts=True)
        self.sizes, self.n = sizes, sizes.sum()
        self.scale = self.half = nan
        if sizes.size > 1:
            # The score of a trial is a contrast of the samples; P holds their products.
            self.scale = 1 / (self.n * np.sqrt(1 - sizes / self.n))
            own, pull = self.scale**2 * sizes, self.scale * sizes / sqrt(self.n)
            products = np.diag(own) - np.outer(pull, pull)
            df = np.trace(products) ** 2 / (products**2).sum()
            self.half = float(student_t.ppf((1 + level) / 2, df))

    def interval(self, totals: np.ndarray) -> Interval:
        """Return the interval of a mean from its sum in every trial."""
        if self.sizes.size < 2 or not np.isfinite(totals).all():
            return NO_INTERVAL
        mean = float(totals.sum() / self.n)
        scores = self.scale * (totals - self.sizes * mean)
        half = self.half * sqrt(float((scores**2).sum()))
        # Without scatter there is nothing to judge by, as in `clustered_mean`.
        return Interval(mean - half, mean + half) if half > 0 else NO_INTERVAL

    def spans(self, error, within, squares) -> dict[str, Interval]:
        """Return the intervals of an outlook's figures under one offset.

        Errors and flags are of the samples, squares summed over each trial.
        """
        by_trial = [
            np.bincount(self.codes, values) for values in (error, error**2, within)
        ]
        bias, rmsep, share = map(self.interval, by_trial)
        return {
            "bias": bias,
            "rmsep": Interval(*np.sqrt(np.clip(rmsep, 0, None)).tolist()),
            "share_within": Interval(*np.clip(share, 0, 1).tolist()),
            "rmsep_left_out": Interval(
                *np.sqrt(np.clip(self.interval(squares), 0, None)).tolist()
            ),
        }


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
    by_tilt = float(followed(tilt, total.slope - 1))
    if by_tilt and len(sums.trials) < 3:
        return unknown, NEEDS_THREE
    if by_tilt and not np.isfinite(rest.slope).all():
        return unknown, NO_LINE
    by_offset = followed(offsets, -total.bias)[:, None]
    shift = offsets[:, None] + by_offset * (total.bias - rest.bias)
    turn = tilt + (by_tilt * (rest.slope - total.slope) if by_tilt else 0.0)
    about = pivot + by_tilt * (_mean_sensor(rest) - _mean_sensor(total))
    of_reference, of_error = sums.centre
    start = of_error + shift + turn * (of_reference + of_error - about)
    return squares_left_out(sums, start, turn + np.ones(len(sums.trials))), ""


def followed(chosen, own) -> np.ndarray:
    """Return how far a choice follows the samples' own: from 0 to 1.

    Examples
    --------
    >>> followed([-0.3, 0.0, 0.1, 0.4, 0.6], 0.4).round(3).tolist()
    [0.0, 0.0, 0.25, 1.0, 1.0]
    """
    chosen = np.asarray(chosen, float)
    # Without an own one to follow, or a slope that is not known, nothing is tuned.
    if not (np.isfinite(own) and own):
        return np.zeros(chosen.shape)
    return np.clip(chosen / own, 0.0, 1.0)


def _mean_sensor(sums: Sums):
    """Return the mean reading. [% moisture, wet basis]"""
    return sums.mean_reference + sums.bias


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
    """Return the offsets a slider stops at: whole steps, and the samples' own offset.

    Parameters
    ----------
    step : float
        Step in which an offset can be entered at the sensor. [% moisture]
    own_offset : float
        −bias, which need not be a whole step. [% moisture]
    tolerance : float
        At the mean moisture. The stops reach twice as far beyond zero and the own
        offset, and ten steps at least. [% moisture]

    Returns
    -------
    ndarray
        Ascending. Where the step is so fine that there would be more than 200
        stops, every second, third, ... step.

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
    """Return the tilts a slider stops at: whole steps, none, and the samples' own.

    Examples
    --------
    >>> tilt_stops(0.123)[60:65].tolist()
    [0.1, 0.11, 0.12, 0.123, 0.13]
    """
    own_tilt = own_tilt if np.isfinite(own_tilt) else 0.0
    whole = int(np.ceil(max(LEAST_TILT, 2 * abs(own_tilt)) / TILT_STEP))
    steps = np.round(np.arange(-whole, whole + 1) * TILT_STEP, 12) + 0.0
    return np.unique(np.append(steps, own_tilt))


@dataclass(frozen=True, kw_only=True, eq=False)
class PlotYields:
    """The plots of one trial that have a yield before and after, as arrays.

    Attributes
    ----------
    entry, curve : ndarray of str, shape (plots,)
    block : ndarray of str or None
        None where the trial has no blocks.
    reading : ndarray
        Restated to the offset in the register. [% moisture, wet basis]
    per_point : ndarray
        Change of the yield per point of moisture. [kg/ha per % moisture]
    before, after : ndarray
        Yield at standard moisture, as recorded and as the audit corrects it. [kg/ha]
    """

    entry: np.ndarray
    block: np.ndarray | None
    curve: np.ndarray
    reading: np.ndarray
    per_point: np.ndarray
    before: np.ndarray
    after: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class EntryLines:
    """Entry means as straight lines in what is added to one curve's readings.

    Attributes
    ----------
    trial : str or ndarray of str
        With several trials of one size put together, all shapes gain a first axis.
    entries : ndarray of str, shape (..., entries)
    candidate : ndarray of bool, same shape
        False for checks, which take no place among the selected.
    before : ndarray, same shape
        Mean yield as recorded. [kg/ha]
    unmoved : ndarray, same shape
        With nothing added to the readings of this curve. [kg/ha]
    per_point, per_reading : ndarray, same shape
        Change per point added to every reading of the curve; per point added for
        every point of the reading itself. [kg/ha]
    """

    trial: str | np.ndarray
    entries: np.ndarray
    candidate: np.ndarray
    before: np.ndarray
    unmoved: np.ndarray
    per_point: np.ndarray
    per_reading: np.ndarray

    def means(self, offsets, tilt=0.0, pivot=0.0) -> np.ndarray:
        """Return entry means under offsets of shape (k,) or (), as first axis."""
        shift = np.asarray(offsets, float) - tilt * pivot
        turned = self.unmoved + tilt * self.per_reading
        return turned + np.multiply.outer(shift, self.per_point)


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialLines:
    """The entry means of one trial as lines in what is added to each curve's readings.

    Attributes
    ----------
    trial : str
    entries, candidate : ndarray, shape (entries,)
        Names, sorted; as in `EntryLines`.
    before, unmoved : ndarray, shape (entries,)
        As in `EntryLines`, with nothing added to any curve. [kg/ha]
    slopes : dict of ndarray, shape (2, entries)
        By curve: change per point added, and per point added for every point of the
        reading. [kg/ha]
    model : str
        How the means are made.
    ratio_held : bool
        Whether blocks are random, the ratio of their variance to the plots' held as
        fitted to the yields as recorded; the audit fits it anew once corrected.
    """

    trial: str
    entries: np.ndarray
    candidate: np.ndarray
    before: np.ndarray
    unmoved: np.ndarray
    slopes: dict[str, np.ndarray]
    model: str
    ratio_held: bool

    def about(self, curve: str, turns: Mapping[str, Turn]) -> EntryLines:
        """Return the lines in one curve's change, the other curves at their turns."""
        unmoved = self.unmoved
        for other, (per_point, per_reading) in self.slopes.items():
            if other != curve and other in turns:
                offset, tilt, pivot = turns[other]
                unmoved = unmoved + (offset - tilt * pivot) * per_point
                unmoved = unmoved + tilt * per_reading
        per_point, per_reading = self.slopes[curve]
        return EntryLines(
            trial=self.trial,
            entries=self.entries,
            candidate=self.candidate,
            before=self.before,
            unmoved=unmoved,
            per_point=per_point,
            per_reading=per_reading,
        )


def trial_lines(
    trial: str, plots: PlotYields, curves: Collection[str], checks: Collection[str] = ()
) -> TrialLines:
    """Return the entry means of a trial as lines in what is added to readings.

    Parameters
    ----------
    trial : str
    plots : PlotYields
        At least one plot.
    curves : collection of str
        Those that can be changed; plots of others stay as the audit corrects them.
    checks : collection of str
        Entries that take no place among the selected.

    Examples
    --------
    Both plots yield 10 t/ha at 20 %; a point more on the first takes 125 kg/ha off.

    >>> plots = PlotYields(entry=np.array(["a", "b"]), block=None,
    ...     curve=np.array(["X", "Y"]), reading=np.array([20.0, 20.0]),
    ...     per_point=np.array([-125.0, -125.0]), before=np.array([1e4, 1e4]),
    ...     after=np.array([1e4, 1e4]))
    >>> trial_lines("T1", plots, {"X"}).about("X", {}).means([0.0, 1.0]).tolist()
    [[10000.0, 10000.0], [9875.0, 10000.0]]
    """
    found = entry_means(plots.before, plots.entry, plots.block)
    slopes = {}
    for curve in sorted(set(plots.curve.tolist()) & set(curves)):
        per_point = np.where(plots.curve == curve, plots.per_point, 0.0)
        each = np.stack([per_point, per_point * plots.reading])
        slopes[curve] = each @ found.weights.T
    # The yield is −per_point × (100 − moisture), as `kitlib.trials.yields` has it.
    as_read = -plots.per_point * (100 - plots.reading)
    unmoved = np.where(np.isin(plots.curve, list(slopes)), as_read, plots.after)
    return TrialLines(
        trial=trial,
        entries=found.entries,
        candidate=~np.isin(found.entries, list(checks)),
        before=found.mean,
        unmoved=found.weights @ unmoved,
        slopes=slopes,
        model=found.model,
        ratio_held=bool(found.block_sd > 0),
    )


def stacked(trials: Iterable[EntryLines]) -> list[EntryLines]:
    """Return trials of as many entries and checks put together, for speed."""
    by_size: dict[tuple[int, int], list[EntryLines]] = {}
    for lines in trials:
        size = lines.entries.size, int(lines.candidate.sum())
        by_size.setdefault(size, []).append(lines)
    names = [field.name for field in fields(EntryLines)]
    return [
        EntryLines(
            **{name: np.array([getattr(k, name) for k in same]) for name in names}
        )
        for same in by_size.values()
    ]


def crossings(
    lines: EntryLines, offsets, tilt=0.0, pivot=0.0, *, select: float
) -> tuple[np.ndarray, np.ndarray]:
    """Flag the entries that move into the selection, and those that drop out.

    Parameters
    ----------
    lines : EntryLines
        A single trial, or several of one size.
    offsets : array_like, shape (k,)
    tilt, pivot : float
        As for `outlook`.
    select : float
        Share of each trial's entries selected if below 1, else their number.

    Returns
    -------
    entered, left : ndarray of bool, shape (k, ..., entries)
        As in `RankChanges`: where entries tie at the line all of them are selected.
    """
    count = selection_count(select, int(np.max(lines.candidate.sum(axis=-1))))
    before = _selected(lines.before, lines.candidate, count)
    means = lines.means(np.asarray(offsets, float), tilt, pivot)
    after = _selected(means, lines.candidate, count)
    return after & ~before, before & ~after


def changed_selections(
    trials: Iterable[EntryLines], offsets, tilt=0.0, pivot=0.0, *, select: float
) -> np.ndarray:
    """Return how many entries are selected that were not as recorded, (k,)."""
    changed = np.zeros(np.shape(offsets), int)
    for lines in trials:
        entered, _ = crossings(lines, offsets, tilt, pivot, select=select)
        changed += np.count_nonzero(entered.reshape(changed.size, -1), axis=1)
    return changed


def _selected(means: np.ndarray, candidate: np.ndarray, count: int) -> np.ndarray:
    """Flag the candidates whose rank is within the number selected, (..., entries)."""
    rounded = np.where(candidate, np.round(means, TIED_DECIMALS), -np.inf)
    last = rounded.shape[-1] - count
    line = np.partition(rounded, last, axis=-1)[..., last, None]
    return rounded >= line


def standard_scale(audited_pct: float, chosen_pct: float) -> float:
    """Return the factor from yields at one standard moisture to another.

    Examples
    --------
    >>> round(standard_scale(15.5, 14.0), 6)  # 84.5 / 86
    0.982558
    """
    return (100 - audited_pct) / (100 - chosen_pct)
