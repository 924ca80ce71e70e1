"""Records that the readings contradict: offsets loaded, curves exchanged, labs.

None is corrected here: which side is wrong is to be looked up, and until then the
curves concerned are not settled.
"""

from collections import defaultdict
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import t as student_t

from kitlib.intake.reference import LabDifference
from kitlib.intake.settings import Season
from kitlib.statistics.clustered import fitted_contrast
from kitlib.statistics.estimates import Estimate, Interval
from kitlib.words.terms import Sentences

say = Sentences("kitlib.curves")
RECORD, SWAP, LAB = "record", "swap", "lab"
# Chances of a false alarm: of a step where none is, in a curve; of each kind, in all
# curves of a season.
STEP_ALARM, SEASON_ALARM = 0.01, 0.03
FEWEST = 3  # samples of an offset, of either side of a step


@dataclass(frozen=True)
class Contradiction:
    """One thing on record that a curve's readings contradict."""

    question: str  # what it leaves open: record, swap or lab
    code: str  # of the finding that tells it; empty where another one does already
    said: str  # what was found, a sentence
    look_up: str  # what would settle it, a sentence


def contradictions_by_curve(
    pairs: pd.DataFrame, labs: tuple[LabDifference, ...], settings: Season
) -> dict[str, tuple[Contradiction, ...]]:
    """Return what contradicts the records of each curve, pairs as in `Pairing`."""
    used = pairs[pairs["used"]]
    found: dict[str, list[Contradiction]] = defaultdict(list)
    by_curve = used.groupby("curve", sort=True)
    alarm = min(STEP_ALARM, SEASON_ALARM / max(by_curve.ngroups, 1))
    for curve, samples in by_curve:
        found[str(curve)] += offset_contradictions(samples, settings, alarm)
        for lab in labs:
            if lab.opens(str(curve), settings.setting_step):
                ends, moves = Interval(lab.low, lab.high), lab.moves[str(curve)]
                said = say("labs differ", lab=lab, ends=ends, moves=moves)
                look_up = say("labs differ, look up", lab=lab)
                found[str(curve)].append(Contradiction(LAB, "", said, look_up))
    for curve, exchanged in exchanged_curves(used[~used["parallel"]], settings):
        found[curve].append(exchanged)
    return {curve: tuple(of_one) for curve, of_one in found.items()}


# Offsets.


def offset_contradictions(
    samples: pd.DataFrame, settings: Season, alarm: float = STEP_ALARM
) -> Iterator[Contradiction]:
    """Yield the steps of a curve's errors that its record of offsets does not have.

    Estimand: the difference of the mean errors, restated to one offset, of grain of
    one moisture before and after a change. It is 0 where the record is right, as the
    readings then differ by what was loaded. Clustered by trial (CR2); `alarm`, the
    chance of a false one, is shared by the changes looked at (Bonferroni).
    `samples` are one curve's in `Pairing.pairs`, those the bias rests on.
    """
    restated, found = (samples["sensor_pct"] - samples["recorded_pct"]).round(6), False
    # In the order in which they were in force, as far as that is known.
    by_level = samples["harvested_at"].groupby(restated).agg(["size", "min"])
    by_level = by_level[by_level["size"] >= FEWEST].sort_values("min", kind="stable")
    levels = by_level.index
    others = [restated == level for level in levels[1:]]
    for level, other in zip(levels[1:], others, strict=True):
        here = other | (restated == levels[0])
        step = _step(samples[here], other[here], least=settings.setting_step)
        if step.p_value < alarm / len(others):
            found = True
            # Readings restated by more were taken with so much less loaded.
            recorded = float(levels[0] - level)
            yield _against_the_record(samples[other], step, recorded)
    if not found:
        yield from _unrecorded_step(samples, others, alarm, settings.setting_step)


def _step(
    samples: pd.DataFrame, after: pd.Series, *known: pd.Series, least: float
) -> Estimate:
    """Return the step of the errors at one moisture, known steps in the model.

    One below `least` needs no test, whatever its interval.
    """
    moisture, error = samples["reference_pct"].to_numpy(float), samples["error"]
    columns: list[Any] = [np.ones(len(samples)), after, *known]
    if np.ptp(moisture) > 0:
        columns.append(moisture - moisture.mean())
    design = np.column_stack(columns).astype(float)
    value = float(np.linalg.lstsq(design, error.to_numpy())[0][1])
    if abs(value) < least:
        return Estimate(value=value)
    return fitted_contrast([0.0, 1.0], design, error, samples["trial"].to_numpy())


def _against_the_record(
    after: pd.DataFrame, step: Estimate, recorded: float
) -> Contradiction:
    """Return a step of the readings that is not the one on record."""
    seen = step.value + recorded
    fits = "Neither sign fits"
    if abs(seen + recorded) < abs(recorded) / 2:
        fits = "The opposite sign would fit"
    elif abs(seen) < abs(recorded) / 2:
        fits = "It looks as if it was never loaded"
    when = after["harvested_at"].min()
    said = say(
        "offset contradicted",
        recorded=recorded,
        from_then=f" from {when:%Y-%m-%d} on" if pd.notna(when) else "",
        seen=seen,
        ends=step.interval().shifted(recorded),
        fits=fits,
    )
    look_up = say("offset contradicted, look up")
    return Contradiction(RECORD, "offset-contradicted", said, look_up)


def _unrecorded_step(samples, others, alarm, setting_step) -> Iterator[Contradiction]:
    """Yield the clearest step between trials in order of harvest, if it is real."""
    timed = samples[samples["harvested_at"].notna()]
    by_trial = timed.groupby("trial")["harvested_at"]
    starts, started = by_trial.median().sort_values(), by_trial.transform("median")
    known, splits = [other[timed.index] for other in others], []
    # At least two trials on either side: one trial's own error is no step.
    for time in starts.iloc[2:-1].unique():
        after = started >= time
        if min(after.sum(), (~after).sum()) >= FEWEST:
            splits.append((time, _step(timed, after, *known, least=setting_step)))
    real = [split for split in splits if split[1].p_value < alarm / len(splits)]
    if real:
        time, step = max(real, key=lambda one: abs(one[1].t))
        ends = step.interval()
        said = say("offset unrecorded", step=step.value, ends=ends, time=time)
        look_up = say("offset unrecorded, look up")
        yield Contradiction(RECORD, "offset-unrecorded", said, look_up)


# Curves.


def exchanged_curves(
    samples: pd.DataFrame, settings: Season
) -> Iterator[tuple[str, Contradiction]]:
    """Yield curves that look exchanged with another in one trial, and why.

    In a trial that two curves served, the difference of their mean errors is held
    against that in the other trials. Where they were exchanged it has turned its sign:
    a one-sided test in that direction, adjusted for all trials of the season
    (Bonferroni), of a difference that lies nearer to the turned one.
    `samples` are those the biases rest on, none of them recorded in parallel.
    """
    tests = []
    for _, of_crop in samples.groupby("crop", sort=True):
        means, within = _trial_means(of_crop)
        for both in combinations(of_crop["curve"].sort_values().unique(), 2):
            tests += [(both, *test) for test in _exchange_tests(means, within, *both)]
    for both, trial, chance, here, usual in tests:
        if chance * len(tests) >= SEASON_ALARM or abs(usual) < settings.setting_step:
            continue
        found = {"both": both, "trial": trial, "here": here, "usual": usual}
        said = say("curves exchanged", **found)
        for curve, other in (both, both[::-1]):
            look_up = "curves exchanged, look up"
            look_up = say(look_up, trial=trial, curve=curve, other=other)
            yield curve, Contradiction(SWAP, "curves-exchanged", said, look_up)


def _trial_means(samples: pd.DataFrame) -> tuple[pd.DataFrame, float]:
    """Return mean errors and counts by trial and curve, and the variance within.

    Errors at the mean moisture, along each curve's slope within trials, which no
    exchange in one trial can bend.
    """
    keys = [samples["trial"], samples["curve"]]
    error, moisture = samples["error"], samples["reference_pct"]
    own_error = error - error.groupby(keys).transform("mean")
    own_moisture = moisture - moisture.groupby(keys).transform("mean")
    rise = (own_error * own_moisture).groupby(samples["curve"]).sum()
    run = (own_moisture**2).groupby(samples["curve"]).sum()
    slope = samples["curve"].map(rise / run.where(run > 0)).fillna(0.0)
    level = error - slope * (moisture - moisture.mean())
    left: Any = own_error - slope * own_moisture
    groups = level.groupby(keys).agg(["mean", "size"])
    freedom = len(samples) - len(groups)
    return groups, float(left @ left) / freedom if freedom > 3 else np.nan


def _exchange_tests(means: pd.DataFrame, within: float, one: str, other: str):
    """Yield each trial's difference, that elsewhere, and its chance had none changed.

    What is usual is learnt from the other trials of either curve, and so is how much
    their trials differ, both curves pooled: three trials alone would hardly tell.
    """
    both = [means.xs(name, level="curve") for name in (one, other)]
    trials = both[0].index.intersection(both[1].index)
    numbers = [len(curve) - 1 for curve in both]  # of trials besides the one tested
    freedom = sum(numbers) - 2
    if trials.empty or min(numbers) < 2 or freedom < 4 or not np.isfinite(within):
        return
    here, usual, own, scatter, expected = np.zeros((5, len(trials)))
    noises = []
    for curve, n, sign in zip(both, numbers, (1, -1), strict=True):
        apart, noise = curve["mean"] - curve["mean"].mean(), within / curve["size"]
        left_out, its_noise = apart[trials].to_numpy(), noise[trials].to_numpy()
        here += sign * curve["mean"][trials].to_numpy()
        own += its_noise
        # Of the other trials: what the one left out adds is subtracted.
        usual += sign * (curve["mean"].mean() - left_out / n)
        scatter += (apart**2).sum() - left_out**2 * (1 + 1 / n)
        noises.append((noise.sum() - its_noise) / n)
        expected += noises[-1] * (n - 1)
    spread = np.maximum(0.0, (scatter - expected) / freedom)
    others = sum((spread + of) / n for of, n in zip(noises, numbers, strict=True))
    # Never less than the others' means scatter: some may rest on few samples.
    sd = np.sqrt(np.maximum(2 * spread + own, 2 * scatter / freedom) + others)
    turned = (here * usual < 0) & (abs(here + usual) < 3 * sd)
    chance = np.where(turned, student_t.sf(abs(usual - here) / sd, freedom), 1.0)
    yield from zip(trials.astype(str), chance, here, usual, strict=True)
