"""What a trial's report says first: whether the selection holds, and what to do."""

from math import isfinite

import numpy as np

from kitlib.curves.advice import RESLOPE, UNRESOLVED
from kitlib.reports.blocks import (
    ACT,
    CALM,
    OPEN,
    Answer,
    Block,
    Facts,
    Items,
    Paragraph,
)
from kitlib.reports.curve_sections import line_in_words
from kitlib.season.season import SeasonAudit, TrialAudit
from kitlib.trials import consequences as word
from kitlib.trials.consequences import Selection
from kitlib.trials.moisture_errors import entries_to_sample
from kitlib.trials.ranks import BORDERLINE
from kitlib.words.estimates import Estimate
from kitlib.words.terms import NOT_KNOWN, counted, listed, show, show_span

TONES = {
    word.HOLDS: CALM,
    word.CHANGES: ACT,
    word.OPEN: OPEN,
    word.NOT_TESTED: OPEN,
}
# A change of mean yield smaller than this is not worth a word. [share]
NO_CHANGE = 0.00005
# From this Cramér's V up the sensors go with the entries (default of this kit).
UNEVEN = 0.3


def trial_answer(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return whether the selection holds, three facts, and who met which sensor."""
    selection = trial.consequences.selection
    answer = Answer(
        selection.word.capitalize(),
        _reason(season, trial, selection),
        _what_else(trial, selection),
        TONES[selection.word],
    )
    facts = [_own_fact(season, trial), _yield_fact(trial)]
    sensors = _sensors_in_words(season, trial)
    if not sensors:
        return [answer, Facts([*facts, _selected_fact(trial)])]
    # Where several curves served a trial, that is the first thing to look at.
    return [answer, Facts([_sensor_fact(trial), *facts]), Paragraph(sensors)]


def _reason(season: SeasonAudit, trial: TrialAudit, selection: Selection) -> str:
    """Return the reason for the word on the selection, as a sentence."""
    found, unit = trial.consequences, trial.unit
    if selection.word == word.NOT_TESTED:
        return _why_not_tested(season, trial)
    chosen = f"{found.count} of {int(found.candidate.sum())} entries"
    if not selection.entered and not selection.left:
        same = f"With moisture corrected the same {chosen} are selected"
        if selection.word == word.HOLDS:
            return f"{same}."
        if selection.open:
            return (
                f"{same}, but the correction is not known well enough to tell "
                f"{listed(selection.open)} apart at the line."
            )
        curves = [c for c in trial.curves if not season.is_tested(c)]
        return f"{same}, but how well {listed(curves)} reads is not known."
    moved = f"With moisture corrected {listed(selection.entered) or 'no entry'} "
    moved += f"would be among the {chosen} selected in place of "
    moved += f"{listed(selection.left) or 'none'}"
    if not isfinite(selection.lsd):
        known = "not known: the trial has no estimate of plot error"
        return f"{moved}. How far they differ beyond plot error is {known}."
    gap = f"{show(unit.of(selection.gap), unit.decimals)} {unit.name}"
    lsd = show(unit.of(selection.lsd), unit.decimals)
    if selection.word == word.CHANGES:
        return f"{moved}; they differ by {gap}, the least significant difference {lsd}."
    return (
        f"{moved}, but they differ by {gap} at most where the least significant "
        f"difference is {lsd}: the data cannot tell them apart."
    )


def _why_not_tested(season: SeasonAudit, trial: TrialAudit) -> str:
    """Return why a selection was not tested."""
    if trial.consequences.candidate.sum() < 2:
        return "There is nothing to select: the trial has fewer than two entries."
    sampled = [c for c in trial.curves if c in season.audits]
    if not sampled:
        return (
            f"No sample chosen blind to the reading was taken on {listed(trial.curves)}"
            ", so its readings could not be judged."
        )
    return (
        f"The samples do not settle how {listed(sampled)} reads, so the yields are "
        "left as recorded."
    )


def _what_else(trial: TrialAudit, selection: Selection) -> str:
    """Return what stands beside the reason: others selected, or how many are close."""
    found = trial.consequences
    if selection.word == word.NOT_TESTED:
        return _selected_otherwise(trial)
    said = ""
    if selection.open and found.ranks is not None and found.after is not None:
        chosen = found.after.entries[found.ranks.selected_after]
        firm = len(set(chosen) - set(selection.open))
        if firm:
            said = f"The other {firm} selected stand. "
    close = found.entries["verdict"] == BORDERLINE
    if close.any():
        said += (
            f"Plot error included, {counted(int(close.sum()), 'entry', 'entries')} "
            f"could fall either side of the line (chance between 10 and 90 %)."
        )
    return said.strip()


def _selected_otherwise(trial: TrialAudit) -> str:
    """Return what the offset and the line found would select, beside as recorded."""
    found, said = trial.consequences, []
    chosen_so = found.entries["selected_before"].fillna(False).astype(bool)
    recorded = found.entries.loc[chosen_so, "entry"].tolist()
    if not trial.otherwise or not recorded:
        return ""
    for how, chosen in trial.otherwise.items():
        new = [entry for entry in chosen if entry not in recorded]
        gone = [entry for entry in recorded if entry not in chosen]
        moved = f"{listed(new)} in place of {listed(gone)}"
        said.append(f"{how} {moved if new or gone else 'the same'}")
    return f"As recorded {listed(recorded)} are selected; {'; '.join(said)}."


def _own_fact(season: SeasonAudit, trial: TrialAudit) -> tuple[str, str, str]:
    """Return the mean error of the trial's own samples."""
    own, level = trial.own.mean, season.settings.confidence
    if not own.known:
        return ("The sensor read here", NOT_KNOWN, "no sample of this trial")
    side = "too wet" if own.value > 0 else "too dry"
    span = show_span(*own.interval(level), 2, sign=True)
    samples = counted(trial.own.n, "sample")
    note = f"{side}; {level:.0%} interval {span}, {samples}"
    if span == NOT_KNOWN:
        note = f"{side}; {samples}, {own.remark}"
    return ("The sensor read here", f"{show(own.value, 2, True)} points", note)


def _yield_fact(trial: TrialAudit) -> tuple[str, str, str]:
    """Return what the error of the trial did to its yields."""
    added, predicted, unit = trial.own.yield_added, trial.own.predicted, trial.unit
    mean = np.mean(trial.consequences.before.mean) if trial.consequences.before else 0
    if not added.known or not mean:
        return ("So yields were stated", NOT_KNOWN, predicted.remark)
    side = "low" if added.value < 0 else "high"
    size = show(abs(unit.of(added.value)), unit.decimals)
    share = show(100 * abs(added.value) / mean, 1)
    return (
        "So yields were stated",
        f"{size} {unit.name} {side}",
        f"{share} % of the mean; best prediction of the error here "
        f"{_estimate(predicted, 2)} points, season and samples together",
    )


def _estimate(estimate: Estimate, decimals: int) -> str:
    """Return an estimate with its standard error."""
    value = show(estimate.value, decimals, sign=True)
    if not isfinite(estimate.se):
        return value
    return f"{value} ± {show(estimate.se, decimals)}"


def _selected_fact(trial: TrialAudit) -> tuple[str, str, str]:
    """Return how many entries are selected."""
    found = trial.consequences
    checks = int((~found.candidate).sum())
    beside = f"besides {counted(checks, 'check')}" if checks else ""
    return ("Selected", f"{found.count} of {int(found.candidate.sum())}", beside)


def _sensor_fact(trial: TrialAudit) -> tuple[str, str, str]:
    """Return how many entries met one sensor only."""
    served, before = trial.consequences.served, trial.consequences.before
    if served is None or before is None:
        return ("Who met which sensor", NOT_KNOWN, "no plot has a corrected moisture")
    return (
        "Who met which sensor",
        f"{len(served.on_one_curve)} of {before.entries.size} on one",
        f"strength (Cramér's V) {show(served.unevenness)}; 0 even, 1 each on its own",
    )


def _sensors_in_words(season: SeasonAudit, trial: TrialAudit) -> str:
    """Return what it means which entry met which sensor; empty for one sensor."""
    served, found = trial.consequences.served, trial.consequences
    if len(trial.curves) < 2:
        return ""
    said = f"{counted(len(trial.curves), 'curve')} served this trial: "
    said += f"{listed(trial.curves)}. "
    if served is None or served.curves.size < 2:
        return f"{said}Only one of them has corrected readings to compare."
    used = found.used
    blocks = np.unique(used.block).size if used.block is not None else 1
    if served.blocks_split == 0 and blocks > 1:
        said += "Each block was harvested on one of them, so a difference between "
        said += "their errors goes out with the blocks."
    elif served.unevenness < UNEVEN:
        said += "Most entries met all of them in much the same shares, so a difference "
        said += "between their errors largely cancels."
    else:
        said += "Entries met them in unlike shares, so a difference between their "
        said += "errors goes into the comparison of entries."
    unit = trial.unit
    spread = show(unit.of(served.entry_spread), unit.decimals)
    said += f" As recorded it moved entry means against each other by up to {spread} "
    said += f"{unit.name}."
    ends = served.difference.interval(season.settings.confidence)
    if isfinite(ends.low):
        rest = show(unit.of((ends.high - ends.low) / 2), unit.decimals)
        said += f" Corrected, ±{rest} {unit.name} between plots of two curves remains "
        said += "unknown."
    return said


def what_to_do(season: SeasonAudit, trial: TrialAudit) -> Items:
    """Return what to do now, as one numbered list."""
    selection = trial.consequences.selection
    items = [_which_yields(trial)]
    if selection.word == word.CHANGES:
        items.append(
            f"Reconsider {listed(selection.entered)}, which would be selected, and "
            f"{listed(selection.left)}, which would not."
        )
    if selection.open:
        items.append(f"Keep {listed(selection.open)}, or compare them again.")
    items += [_for_curve(season, curve) for curve in trial.curves]
    served = trial.consequences.served
    if served is not None and served.unevenness >= UNEVEN and served.blocks_split:
        items.append(
            "Next time let each sensor harvest whole blocks, so that every entry meets "
            "all sensors alike."
        )
    if trial.own.n == 0:
        items.append(
            "Sample this trial for the oven next time: nothing here says how its own "
            "readings were off."
        )
    if not trial.entry_error.known:
        items.append(_sample_entries(season, trial))
    return Items(items, numbered=True)


def _which_yields(trial: TrialAudit) -> str:
    """Return which yields to go on with."""
    found = trial.consequences
    before, after = found.before, found.after
    if found.selection.word == word.NOT_TESTED or before is None or after is None:
        return "Go on with the yields as recorded, and treat close entries with care."
    change = np.abs(after.mean / before.mean - 1).max()
    if change < NO_CHANGE:
        return "Go on with the yields as recorded: no correction is called for."
    return f"Use the corrected yields (trial {trial.name} in entries.csv)."


def _for_curve(season: SeasonAudit, curve: str) -> str:
    """Return what to do with a curve."""
    advice = season.advice.get(curve)
    if advice is None:
        return f"Curve {curve}: take samples; none was chosen blind to the reading."
    if advice.action == UNRESOLVED:
        return f"Curve {curve} is not settled. {advice.more}"
    if advice.action == RESLOPE:
        return f"Correct curve {line_in_words(advice)}, or have it refitted."
    loaded = season.audits[curve].register["offset_loaded"]
    if not isfinite(advice.new_setting):
        return f"Have curve {curve} built anew; until then it is only corrected."
    setting = show(advice.new_setting, 2, sign=True)
    if advice.new_setting == loaded:
        return f"Leave curve {curve} at {setting}."
    in_use = show(loaded, 2, sign=True)
    return f"Load {setting} for curve {curve} next season (in use: {in_use})."


def _sample_entries(season: SeasonAudit, trial: TrialAudit) -> str:
    """Return what sampling would tell of the entries' own errors."""
    sds = [season.spreads[c].sd_sample for c in trial.curves if c in season.spreads]
    sd = np.sqrt(np.nanmean(np.square(sds))) if np.isfinite(sds).any() else np.nan
    number = f"about {entries_to_sample(float(sd))}" if sd > 0 else "some"
    return (
        f"Sample {number} {trial.crop} entries in two trials each next season: errors "
        "that go with the entry, which matter most to a selection, are not known."
    )
