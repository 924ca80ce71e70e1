"""What an explorer's look says, in tables and sentences."""

from math import isfinite

import numpy as np

from kitlib.curves.advice import Recommendation
from kitlib.explorer.explorer import CurveExplorer
from kitlib.explorer.explorer_look import Look
from kitlib.explorer.what_if import Outlook
from kitlib.explorer.what_if_yields import TrialOutlook
from kitlib.pages.blocks import Column, Table
from kitlib.trials.yields import YieldUnit
from kitlib.words.terms import (
    OFFSET,
    RMSEP,
    counted,
    listed,
    round_to_step,
    show,
    show_span,
)

MOST_ENTRIES = 12
IN, OUT = "stays in", "stays out"
ENTERS, LEAVES = "moves in", "drops out"
SHARED = (
    "Plots that other curves read stay as the audit corrects them, whatever is chosen "
    "for this one."
)
HELD = (
    "Where blocks are random, the ratio of their variance to the plots' is held as "
    "fitted to the yields as recorded. The audit fits it anew, which can move a count."
)


def figures_table(explorer: CurveExplorer, look: Look) -> Table:
    """Return the samples' figures as recorded, by the audit, and as chosen."""
    served = bool(explorer.trials)
    audit = explorer.audited
    rows = [
        _figures("as recorded", look.recorded, 0, "0" if served else "–"),
        _figures(
            f"audit: {explorer.advice.action}",
            audit,
            0,
            str(explorer.audited_changed) if served else "–",
        ),
        _figures(
            "what if",
            look.outlook,
            look.at,
            str(look.changed[look.at]) if served else "–",
        ),
    ]
    return Table(
        caption=f"Curve {explorer.audit.curve}: what its samples show, and how many "
        "entries of all its trials would be selected that were not.",
        columns=[
            Column("Case"),
            Column("Samples / trials", number=True),
            Column("Offset", "points", number=True),
            Column("Bias left", "points", number=True),
            Column("RMSEP in-sample", "points", number=True),
            Column("RMSEP on trials left out", "points", number=True),
            Column("Within tolerance", "%", number=True),
            Column("Newly selected", "entries", number=True),
        ],
        rows=rows,
        note=_note(explorer, look),
        strong=[2],
    )


def _note(explorer: CurveExplorer, look: Look) -> str:
    """Return what the figures' reader must know."""
    trials, remark = explorer.trials.values(), look.outlook.remark
    said = [f"On trials left out not known: {remark}."] if remark else []
    said += [SHARED] if any(lines.shared for lines in trials) else []
    said += [HELD] if any(lines.ratio_held for lines in trials) else []
    return " ".join(said)


def _figures(case: str, found: Outlook, at: int, changed: str) -> tuple[str, ...]:
    """Return one row of figures."""
    return (
        case,
        f"{found.n} / {found.n_trials}",
        show(found.offsets[at], OFFSET.decimals, sign=True),
        show(found.bias[at], 2, sign=True),
        show(found.rmsep[at], RMSEP.decimals),
        show(found.rmsep_left_out[at], RMSEP.decimals),
        show(100 * found.share_within[at], 0),
        changed,
    )


def entries_table(explorer: CurveExplorer, look: Look) -> Table:
    """Return the entries of the trial looked at that cross or lie near the line."""
    trial, unit = look.trial, explorer.unit
    ranks, lines = trial.ranks, trial.lines
    crosses = ranks.entered | ranks.left
    far = np.abs(ranks.rank_after - trial.count - 0.5)
    shown = np.lexsort((far, ~crosses))[:MOST_ENTRIES]
    shown = shown[np.lexsort((lines.entries[shown], ranks.rank_after[shown]))]
    hidden = lines.entries.size - shown.size
    note = f"{counted(hidden, 'entry', 'entries')} farther from the line not shown. "
    return Table(
        caption=trial_in_words(explorer, look),
        columns=[
            Column("Entry"),
            Column("Rank as recorded", number=True),
            Column("Rank, what if", number=True),
            Column("Yield as recorded", unit.name, number=True),
            Column("Yield, what if", unit.name, number=True),
            Column("Change", unit.name, number=True),
            Column("What if"),
        ],
        rows=[_entry(trial, unit, k) for k in shown],
        note=(note if hidden else "") + f"Means: {lines.model}.",
        strong=np.flatnonzero(crosses[shown]).tolist(),
    )


def _entry(trial: TrialOutlook, unit: YieldUnit, k: int) -> tuple[str, ...]:
    """Return one entry's cells."""
    ranks, change = trial.ranks, trial.after[k] - trial.before[k]
    fate = IN if ranks.selected_after[k] else OUT
    fate = fate if trial.lines.candidate[k] else "check"
    if ranks.entered[k] or ranks.left[k]:
        fate = ENTERS if ranks.entered[k] else LEAVES
    return (
        str(trial.lines.entries[k]),
        _rank(ranks.rank_before[k]),
        _rank(ranks.rank_after[k]),
        show(unit.of(trial.before[k]), unit.decimals),
        show(unit.of(trial.after[k]), unit.decimals),
        show(unit.of(change), unit.decimals + 1, sign=True),
        fate,
    )


def _rank(rank: float) -> str:
    """Return a rank as a whole number; checks have none."""
    return f"{rank:g}" if np.isfinite(rank) else "–"


def choice_in_words(explorer: CurveExplorer, look: Look) -> str:
    """Return what is done to a reading, and the setting it means."""
    choice, curve = look.choice, explorer.audit.curve
    if not (choice.offset or choice.tilt):
        return f"What if the readings of {curve} were left as they are?"
    added = show(choice.offset, sign=True)
    said = f"What if {added} points were added to the readings of {curve}"
    if choice.tilt:
        intercept = choice.offset - choice.tilt * look.pivot
        return (
            f"{said} at {show(look.pivot, 1)} %, and {show(choice.tilt, 3, sign=True)} "
            f"more per point above it? Corrected = {show(intercept, 3)} + "
            f"{show(1 + choice.tilt, 4)} × reading, which is no single setting."
        )
    if not isfinite(explorer.loaded):
        return f"{said}? The offset in force is not known, so no setting is given."
    step = explorer.season.settings.setting_step
    setting = round_to_step(explorer.loaded + choice.offset, step)
    return (
        f"{said}? The setting, in steps of {step:g}, would be "
        f"{show(setting, sign=True)} in place of {show(explorer.loaded, sign=True)}."
    )


def trial_in_words(explorer: CurveExplorer, look: Look) -> str:
    """Return what becomes of the trial looked at, or why nothing is known of it."""
    trial = look.trial
    if not isfinite(explorer.standard_pct):
        said = f"The standard moisture of {explorer.audit.crop} is not known, so there "
        return said + "are no yields. Set it in season.toml."
    if trial is None:
        return f"Curve {explorer.audit.curve} served no plot that can be ranked."
    ranks, entries, unit = trial.ranks, trial.lines.entries, explorer.unit
    changes = unit.of(trial.after - trial.before)
    span = show_span(changes.min(), changes.max(), unit.decimals + 1, sign=True)
    said = (
        f"Trial {trial.lines.trial} at {look.choice.standard_pct:g} % moisture: yields "
        f"change by {span} {unit.name}; of {counted(entries.size, 'entry', 'entries')} "
    )
    if not (ranks.entered | ranks.left).any():
        return f"{said}the same {trial.count} are selected."
    return (
        f"{said}{trial.count} are selected; {listed(entries[ranks.entered]) or 'none'} "
        f"would move in and {listed(entries[ranks.left]) or 'none'} drop out."
    )


def advice_in_words(explorer: CurveExplorer, look: Look, without) -> list[str]:
    """Return what the audit advises, and what it would on the samples that count.

    Parameters
    ----------
    explorer : CurveExplorer
    look : Look
    without : Recommendation or None
        From `CurveExplorer.advice_on` the samples that count; None without any.
    """
    every, level = explorer.samples.n, explorer.season.settings.confidence
    said = [f"All {counted(every, 'sample')}: {_advised(explorer.advice, level)}"]
    if look.counted.all():
        return said
    gone = every - look.samples.n
    if without is None:
        return [*said, f"Without these {gone}: no sample is left to say anything."]
    return [*said, f"Without {counted(gone, 'sample')}: {_advised(without, level)}"]


def _advised(advice: Recommendation, level: float) -> str:
    """Return one recommendation in a sentence or two."""
    interval = show_span(*advice.interval, sign=True)
    reason = advice.reason[0].upper() + advice.reason[1:]
    return (
        f"{advice.action}; −bias {show(advice.offset, sign=True)} points "
        f"({level:.0%} interval {interval}). {reason}"
    )


def sample_label(explorer: CurveExplorer, k: int) -> str:
    """Return one sample as a list to pick from shows it."""
    s = explorer.samples
    error, moisture = show(s.error[k], 2, sign=True), show(s.reference[k], 1)
    return f"{error} at {moisture} %  ·  {s.sample[k]}  ·  {s.trial[k]}"


def names_left_out(explorer: CurveExplorer, look: Look) -> str:
    """Return the samples picked out, as a phrase."""
    picked = sorted(look.choice.left_out)
    return listed(explorer.samples.sample[picked]) if picked else "none"


def offset_label(explorer: CurveExplorer, offset: float) -> str:
    """Return one stop of the offset as its slider shows it.

    The samples' own offset, no change and the stops inside the interval are named.
    """
    if offset == explorer.own.offset:
        return f"{show(offset, 3, sign=True)} = −bias"
    if offset == 0:
        return "0.00 no change"
    known = explorer.advice.interval.holds(offset)
    return f"{show(offset, 2, sign=True)}{' in its interval' if known else ''}"


def tilt_label(tilt: float, own: float) -> str:
    """Return one stop of the tilt as its slider shows it."""
    if tilt == 0:
        return "0.000 no tilt"
    return f"{show(tilt, 3, sign=True)}{' = own' if tilt == own else ''}"
