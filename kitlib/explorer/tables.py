"""What an explorer's look says, in tables and sentences."""

from collections.abc import Sequence
from math import isfinite, nan
from typing import Any, NamedTuple

import numpy as np
import pandas as pd

from kitlib.curves.advice import Recommendation
from kitlib.explorer.curve import ExploredCurve
from kitlib.explorer.explorer import Look, SeasonExplorer
from kitlib.explorer.what_if import Outlook
from kitlib.words.findings import KitError
from kitlib.words.terms import (
    columns_of,
    counted,
    listed,
    round_to_step,
    show,
    show_span,
    shown,
)

MOST_ENTRIES = 12
SHARED = "Plots that other curves read are corrected as chosen for those curves. "
HELD = (
    "Where blocks are random, the ratio of their variance to the plots' is held as "
    "fitted to the yields as recorded. The audit fits it anew, which can move a count. "
)
# Row, name in an outlook, and scale, decimals and sign for a reader.
_FIGURES = (
    ("Bias left (points)", "bias", 1, 2, True),
    ("RMSEP in-sample (points)", "rmsep", 1, 2, False),
    ("RMSEP on trials left out (points)", "rmsep_left_out", 1, 2, False),
    ("Samples within tolerance (%)", "share_within", 100, 0, False),
)
RECORDED, WHAT_IF = "as recorded", "what if"


class NotUsed(KitError):
    """A number was typed that cannot be used."""


class Shown(NamedTuple):
    """A table as the page shows it; columns in `right` hold numbers."""

    caption: str
    heads: list[str]
    rows: list[list[str]]
    right: range
    note: str = ""
    strong: Sequence[int] = ()


def figures_frame(look: Look) -> pd.DataFrame:
    """Return the figures as recorded, as audited and as chosen, one row each.

    The columns are those that `columns.csv` declares for what_if; shares are of 1.
    """
    newly = (
        (RECORDED, look.part.recorded, 0, (0, 0)),
        (look.curve.advice.action, look.audited, look.audited_newly, (nan, nan)),
        (WHAT_IF, look.chosen, look.newly, look.newly_span),
    )
    rows = []
    for case, found, entries, span in newly:
        row: dict[str, Any] = {"case": case, "offset": found.offsets[0]}
        row |= {"n": found.n, "n_trials": found.n_trials}
        for _, name, *_ in _FIGURES:
            row[name] = getattr(found, name)[0]
            ends = found.spans.get(name, (nan, nan))
            row |= {f"{name}_low": ends[0], f"{name}_high": ends[1]}
        row["newly_selected"] = entries if look.trial else nan
        ends = span if look.trial else (nan, nan)
        rows.append(row | {"newly_low": ends[0], "newly_high": ends[1]})
    return pd.DataFrame(rows)


def figures_table(look: Look) -> Shown:
    """Return the samples' figures with intervals: recorded, audited and chosen."""
    cases = (look.part.recorded, look.audited, look.chosen)
    rows = [
        ["Samples / trials", *(f"{case.n} / {case.n_trials}" for case in cases)],
        ["Offset (points)", *(show(case.offsets[0], sign=True) for case in cases)],
    ]
    for label, *what in _FIGURES:
        rows.append([label, *(_with_interval(case, *what) for case in cases)])
    newly = ["–", "–", "–"]
    if look.trial:
        low, high = look.newly_span
        newly = ["0", str(look.audited_newly), f"{look.newly} ({low} to {high})"]
    rows.append(["Entries newly selected", *newly])
    audit = f"Audit: {look.curve.advice.action}"
    heads = ["Figure", "As recorded", audit, "What if"]
    caption = f"Curve {look.curve.audit.curve}: what its samples show, and how many "
    caption += "entries of all its trials would be selected that were not."
    return Shown(caption, heads, rows, range(1, 4), figures_note(look))


def figures_note(look: Look) -> str:
    """Return what the figures' reader must know."""
    level = look.curve.season.settings.confidence
    said = (
        f"In brackets {level:.0%} intervals, trials taken as drawn at random; of the "
    )
    said += "entries, the least and most over offsets as far away as the interval of "
    said += "the bias reaches. "
    remark = look.chosen.remark
    said += f"On trials left out not known: {remark}. " if remark else ""
    lines = look.trial.lines if look.trial else None
    said += SHARED if lines and len(lines.slopes) > 1 else ""
    return (said + (HELD if lines and lines.ratio_held else "")).strip()


def _with_interval(found: Outlook, name, scale, decimals, sign) -> str:
    """Return a figure with its interval in brackets, where there is one."""
    shown = show(scale * getattr(found, name)[0], decimals, sign)
    low, high = found.spans.get(name, (nan, nan))
    if not (isfinite(low) and isfinite(high)):
        return shown
    return f"{shown} ({show_span(scale * low, scale * high, decimals, sign)})"


def entries_table(look: Look) -> Shown:
    """Return the entries of the trial looked at that cross or lie near the line."""
    trial, unit = look.trial, look.curve.unit
    if trial is None:
        return Shown(trial_in_words(look), [], [], range(0))
    ranks, names = trial.ranks, trial.lines.entries
    crosses = ranks.entered | ranks.left
    far = np.abs(ranks.rank_after - trial.count - 0.5)  # nan, so last, for checks
    near = np.lexsort((far, ~crosses))[:MOST_ENTRIES]
    near = near[np.lexsort((names[near], ranks.rank_after[near]))]
    fates = np.select(
        [ranks.entered, ranks.left, ranks.selected_after],
        ["moves in", "drops out", "stays in"],
        "stays out",
    )
    rows = [
        [
            str(names[k]),
            f"{ranks.rank_before[k]:.0f} → {ranks.rank_after[k]:.0f}"
            if trial.lines.candidate[k]
            else "check",
            show(unit.of(trial.after[k]), unit.decimals),
            show(unit.of(trial.after[k] - trial.before[k]), unit.decimals + 1, True),
            str(fates[k]),
        ]
        for k in near
    ]
    hidden = counted(names.size - near.size, "entry", "entries")
    note = f"{hidden} farther from the line not shown. Means: {trial.lines.model}."
    heads = [
        "Entry",
        "Rank",
        f"Yield ({unit.name})",
        f"Change ({unit.name})",
        "What if",
    ]
    bold = np.flatnonzero(crosses[near]).tolist()
    return Shown(trial_in_words(look), heads, rows, range(1, 4), note, bold)


def curves_table(explorer: SeasonExplorer) -> Shown:
    """Return what is chosen for every audited curve."""
    rows = []
    for name in explorer.season.audits:
        curve, choice = explorer.curve(name), explorer.choice(name)
        _, chosen, _ = curve.outlooks(choice)
        tilt = show(choice.tilt, 3, sign=True) if choice.tilt else "none"
        advice = f"{curve.advice.action}, {show(curve.start.offset, sign=True)}"
        row = [f"{curve.audit.crop}: {name}", number_text(choice.offset), tilt, advice]
        row.append(f"{chosen.n} / {chosen.n_trials}")
        rows.append([*row, *(_with_interval(chosen, *_FIGURES[k][1:]) for k in (0, 2))])
    heads = ["Curve", "Offset (points)", "Tilt", "Audit", "Samples / trials"]
    heads += ["Bias left", "RMSEP on trials left out"]
    caption = "What is chosen for every curve; trials that several curves served are "
    return Shown(f"{caption}ranked with all of it.", heads, rows, range(1, 7))


def records_table(records: pd.DataFrame, inputs: str) -> Shown:
    """Return what is on record, the newest first."""
    columns = ["what_if", "recorded_at", "curve", "offset", "bias", "newly_selected"]
    columns += ["reason", "inputs_sha256"]
    rows = [
        [
            str(number),
            str(time).replace("T", " "),
            str(curve),
            show(offset, sign=True),
            show(bias, sign=True),
            f"{newly:.0f}" if isfinite(newly) else "–",
            str(reason),
            "" if made_on == inputs else "other inputs",
        ]
        for number, time, curve, offset, bias, newly, reason, made_on in (
            records[columns].iloc[::-1].to_numpy(object).tolist()
        )
    ]
    heads = ["Record", "Time", "Curve", "Offset", "Bias left", "Newly selected"]
    caption = f"{counted(len(rows), 'record')} in this season's folder."
    return Shown(caption, [*heads, "Reason", "Made on"], rows, range(3, 6))


def compared_table(two: pd.DataFrame) -> Shown:
    """Return two records side by side, a row for each column that a reader reads."""
    hidden = ("what_if", "season", "choices", "page", "row_sha256", "page_sha256")
    read = [k for k in columns_of("what_if") if k in two and k not in hidden]
    rows = [[column.head, *cells] for column, cells in shown(two[read], "what_if")]
    caption = "Two records side by side; rows that differ are in bold."
    differ = [k for k, (_, one, other) in enumerate(rows) if one != other]
    heads = ["Figure", *(f"Record {k}" for k in two["what_if"])]
    return Shown(caption, heads, rows, range(0), strong=differ)


def choice_in_words(look: Look) -> str:
    """Return what is done to a reading, and the setting it means."""
    turn, curve = look.turn, look.curve
    name = curve.audit.curve
    if not (turn.offset or turn.tilt):
        return f"What if the readings of {name} were left as they are?"
    said = f"What if {show(turn.offset, sign=True)} points were added to the readings "
    said += f"of {name}"
    if turn.tilt:
        return (
            f"{said} at {show(turn.pivot, 1)} %, and {show(turn.tilt, 3, sign=True)} "
            f"more per point above it? Corrected = "
            f"{show(turn.offset - turn.tilt * turn.pivot, 3)} + "
            f"{show(1 + turn.tilt, 4)} × reading, which is no single setting."
        )
    if not isfinite(curve.loaded):
        return f"{said}? The offset in force is not known, so no setting is given."
    step = curve.season.settings.setting_step
    setting = round_to_step(curve.loaded + turn.offset, step)
    return (
        f"{said}? The setting, in steps of {step:g}, would be "
        f"{show(setting, sign=True)} in place of {show(curve.loaded, sign=True)}."
    )


def trial_in_words(look: Look) -> str:
    """Return what becomes of the trial looked at, or why nothing is known of it."""
    trial, curve = look.trial, look.curve
    if not isfinite(curve.standard_pct):
        return (
            f"The standard moisture of {curve.audit.crop} is not known, so there are "
            "no yields. Set it in season.toml."
        )
    if trial is None:
        return f"Curve {curve.audit.curve} served no plot that can be ranked."
    ranks, entries, unit = trial.ranks, trial.lines.entries, curve.unit
    changes = unit.of(trial.after - trial.before)
    span = show_span(changes.min(), changes.max(), unit.decimals + 1, sign=True)
    said = (
        f"Trial {trial.lines.trial}: yields change by {span} {unit.name}; of "
        f"{counted(entries.size, 'entry', 'entries')} "
    )
    if not (ranks.entered | ranks.left).any():
        return f"{said}the same {trial.count} are selected."
    return (
        f"{said}{trial.count} are selected; {listed(entries[ranks.entered]) or 'none'} "
        f"would move in and {listed(entries[ranks.left]) or 'none'} drop out."
    )


def advice_in_words(look: Look, without: Recommendation | None) -> list[str]:
    """Return what the audit advises, and what it would on the samples that count.

    `without` comes from `ExploredCurve.advice_on`, None where no sample counts.
    """
    curve, part = look.curve, look.part
    every, level = curve.samples.n, curve.season.settings.confidence
    said = [f"All {counted(every, 'sample')}: {_advised(curve.advice, level)}"]
    if part.counted.all():
        return said
    gone = every - part.samples.n
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


def sample_labels(curve: ExploredCurve) -> list[tuple[int, str]]:
    """Return the samples as a list to pick from shows them, the largest error first."""
    samples = curve.samples
    order = np.argsort(-np.abs(samples.error), kind="stable").tolist()
    return [
        (
            k,
            f"{show(samples.error[k], 2, sign=True)} points at "
            f"{show(samples.reference[k], 1)} %  ·  {curve.names[k]}  ·  "
            f"{curve.trials[k]}",
        )
        for k in order
    ]


def trial_labels(explorer: SeasonExplorer, look: Look) -> list[tuple[str, str]]:
    """Return the curve's trials as a list shows them, those that change first."""
    trials = explorer.trials_of(look.curve.audit.curve)
    changed = [
        (name, f"{name}: {_named('in', entered)}; {_named('out', left)}")
        for name, (entered, left) in look.moves.items()
    ]
    rest = [(name, f"{name}: no change") for name in trials if name not in look.moves]
    return changed + rest


def _named(where: str, names: list[str]) -> str:
    """Return who moves in or out, as a phrase."""
    return f"{where} {', '.join(names) or 'none'}"


def offset_label(curve: ExploredCurve, offset: float) -> str:
    """Return an offset in words, as its slider is read aloud."""
    said = f"{show(offset, sign=True)} points"
    if abs(offset - curve.own.offset) < 1e-9:
        return f"{said}, minus the bias"
    if offset == 0:
        return "0.00 points, no change"
    return f"{said}, in its interval" if curve.advice.interval.holds(offset) else said


def tilt_label(curve: ExploredCurve, tilt: float) -> str:
    """Return a tilt in words, as its slider is read aloud."""
    if tilt == 0:
        return "0.000, no tilt"
    own = abs(tilt - curve.own.tilt) < 1e-9
    return f"{show(tilt, 3, sign=True)} per point{', the samples own' if own else ''}"


def number_text(value: float) -> str:
    """Return a number as a box to type in shows it: up to four decimals.

    Examples
    --------
    >>> number_text(-0.894736), number_text(0.3), number_text(20.0)
    ('-0.8947', '0.30', '20.00')
    """
    whole, _, decimals = f"{value + 0.0:.4f}".partition(".")
    return f"{whole}.{decimals.rstrip('0'):0<2}"


def read_number(text: str, low: float, high: float, unit: str) -> float:
    """Return a number as someone types it, a comma taken as a decimal point.

    Raises
    ------
    NotUsed
        If it is no number, or lies outside `low` to `high`.

    Examples
    --------
    >>> read_number("15,5", 0, 60, "%"), read_number(" −0.35 ", -2, 2, "points")
    (15.5, -0.35)
    """
    plain = text.strip().replace("−", "-")
    if plain.count(",") == 1 and "." not in plain:
        plain = plain.replace(",", ".")
    try:
        number = float(plain) if plain.isascii() and "_" not in plain else float("nan")
    except ValueError:
        number = float("nan")
    if not isfinite(number):
        raise NotUsed(f"“{text}” is no number and is not used. Type one such as 0.35.")
    if not low <= number <= high:
        reach = f"{number_text(low)} to {number_text(high)} {unit}"
        raise NotUsed(f"{text} is not used: expected {reach}.")
    return number
