"""One trial's report: the verdict, then the evidence behind it."""

from datetime import date
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.blocks import (
    Block,
    Column,
    Heading,
    Paragraph,
    Report,
    Table,
    Verdict,
)
from kitlib.chances import TOUCH_AND_GO
from kitlib.method_note import cautions, method_note, provenance
from kitlib.outputs import write_bytes
from kitlib.pairs import OVEN
from kitlib.pictures import (
    curve_pictures,
    entries_picture,
    field_pictures,
    yield_change_picture,
)
from kitlib.ranks import SAME
from kitlib.report_parts import (
    ACTION_IN_WORDS,
    advice_detail,
    curve_numbers,
    facts,
    findings_block,
    left_out_block,
    season_facts,
    section,
)
from kitlib.season_audit import SeasonAudit, TrialAudit
from kitlib.terms import NOT_KNOWN, counted, listed, show, show_span
from kitlib.typeset import typeset
from kitlib.yields import YieldUnit

NO_DATE = date(1970, 1, 1)
HOLDS, CHANGES, OPEN = "selection holds", "selection changes", "not known"
MOST_ENTRIES = 60


def write_trial_report(season: SeasonAudit, name: str, path: str | Path) -> Path:
    """Write one trial's PDF, whole, and return where it is."""
    return write_bytes(Path(path), typeset(trial_report(season, name)))


def trial_report(season: SeasonAudit, name: str) -> Report:
    """Return one trial's report.

    Parameters
    ----------
    season : SeasonAudit
    name : str
        The trial.
    """
    trial = season.trial(name)
    blocks = [
        trial_verdict(season, trial),
        *_at_a_glance(season, trial),
        *_measured(season, trial),
        *_curves(season, trial),
        *_changes(season, trial),
        *section("What was left out, and why", left_out_block(trial.left_out)),
        *section("What else was found", findings_block(trial.findings)),
        *cautions(),
        *method_note(season, [trial.crop]),
        *provenance(season),
    ]
    return Report(
        kind="Trial report",
        title=f"Trial {name}",
        subtitle="Did the combine's moisture readings change what was selected?",
        running=f"Trial {name}",
        date=season.settings.report_date or NO_DATE,
        facts=[
            *season_facts(season),
            ("Site", trial.location or NOT_KNOWN),
            ("Crop", trial.crop),
            ("Curves", listed(trial.curves)),
        ],
        blocks=blocks,
    )


def trial_verdict(season: SeasonAudit, trial: TrialAudit) -> Verdict:
    """Return whether the trial's selection holds, in one sentence."""
    found = trial.consequences
    if found.comparison is None:
        why = "no plot has a corrected moisture"
        if not any(curve in season.audits for curve in trial.curves):
            why = "no sample taken blind to the reading speaks for its curves"
        return Verdict(OPEN, f"Whether the selection would differ is not known: {why}.")
    if found.count == 0 or found.comparison.before.entries.size < 2:
        return Verdict(
            OPEN, "There is nothing to select in this trial.", _why(season, trial)
        )
    ranks, entries = found.comparison.ranks, found.comparison.before.entries
    crossing = int(ranks.entered.sum())
    chosen = f"{found.count} of {counted(entries.size, 'entry', 'entries')}"
    if crossing == 0:
        said = f"With corrected moisture the same {chosen} are selected"
        action = HOLDS
    else:
        said = (
            f"With corrected moisture {listed(entries[ranks.left])} would leave the "
            f"{chosen} selected and {listed(entries[ranks.entered])} would enter"
        )
        action = CHANGES
    return Verdict(action, f"{said}; {_yield_change(trial)}.", _why(season, trial))


def _yield_change(trial: TrialAudit) -> str:
    """Return how entry yields change, as a phrase."""
    both = trial.consequences.comparison
    change = 100 * (both.after.mean / both.before.mean - 1)
    if np.abs(change).max() < 0.005:
        return "yields stay as they are"
    low, high = show(change.min(), 2, sign=True), show(change.max(), 2, sign=True)
    return f"entry yields change by {low} to {high} %"


def _why(season: SeasonAudit, trial: TrialAudit) -> str:
    """Return what is recommended for the trial's curves, as one line."""
    said = []
    for curve in trial.curves:
        if curve in season.advice:
            action = season.advice[curve].action
            said.append(f"curve {curve}: {action} ({ACTION_IN_WORDS[action]})")
        else:
            said.append(f"curve {curve}: no sample")
    return f"C{'; '.join(said)[1:]}." if said else ""


def _at_a_glance(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return the page that answers: the numbers and one picture."""
    found, plots = trial.consequences, trial.plots
    change = plots["moisture_after_pct"] - plots["recorded_pct"]
    blocks: list[Block] = [
        facts(
            [
                ("Plots", str(len(plots))),
                ("Entries", str(plots["entry"].nunique())),
                ("Oven samples", str(_n_samples(trial))),
                ("Mean reading", f"{show(plots['recorded_pct'].mean(), 1)} %"),
                ("Mean change of moisture", f"{show(change.mean(), 2, True)} points"),
                ("LSD after", _lsd(found, trial.unit)),
                ("Kendall's tau", _tau(found)),
                ("Touch and go", _touch_and_go(found)),
            ]
        )
    ]
    picture = entries_picture(trial)
    return [*blocks, picture] if picture else blocks


def _n_samples(trial: TrialAudit) -> int:
    """Return how many of the trial's samples have an oven result."""
    oven = trial.pairs[trial.pairs["basis"] == OVEN]
    return int(oven["sample"].nunique())


def _lsd(found, unit: YieldUnit) -> str:
    """Return the trial's least significant difference."""
    lsd = found.entries["lsd"].dropna()
    if lsd.empty:
        return NOT_KNOWN
    return f"{show(unit.of(lsd.iloc[0]), unit.decimals)} {unit.name}"


def _tau(found) -> str:
    """Return Kendall's tau of the ranks before and after."""
    return (
        show(found.comparison.ranks.kendall_tau, 3) if found.comparison else NOT_KNOWN
    )


def _touch_and_go(found) -> str:
    """Return how many entries are neither safely in nor safely out."""
    if not (found.entries["chance_selected_after"].notna()).any():
        return NOT_KNOWN
    return str(int((found.entries["verdict"] == TOUCH_AND_GO).sum()))


def _measured(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return the trial's own samples."""
    pairs = trial.pairs[(trial.pairs["basis"] == OVEN) & ~trial.pairs["parallel"]]
    if pairs.empty:
        said = "No plot of this trial was sampled for the oven; its curves are judged "
        said += "by samples of other trials."
        return section("What was measured here", [Paragraph(said)])
    rows = [
        (
            pair.plot,
            pair.entry,
            pair.curve,
            pair.sample,
            show(pair.sensor_pct, 1),
            show(pair.reference_pct, 2),
            str(int(pair.n_dishes)),
            show(pair.error, 2, sign=True),
            "" if pair.used else f"set apart: {pair.selection_reason}",
        )
        for pair in pairs.itertuples()
    ]
    table = Table(
        caption="Samples of this trial: sensor beside air-oven.",
        columns=[
            Column("Plot"),
            Column("Entry"),
            Column("Curve"),
            Column("Sample"),
            Column("Sensor", "%", number=True),
            Column("Air-oven", "%", number=True),
            Column("Dishes", number=True),
            Column("Error", "points", number=True),
            Column("Remark"),
        ],
        rows=rows,
        note="Moisture on wet basis. Sensor readings are restated to the offset in the "
        "register where another was in force.",
    )
    return section("What was measured here", [table, _sampled_yields(trial)])


def _sampled_yields(trial: TrialAudit) -> Table:
    """Return the yields of the sampled plots under their three moistures."""
    unit, plots = trial.unit, trial.plots[trial.plots["reference_pct"].notna()]
    rows = [
        (
            plot.plot,
            plot.entry,
            show(plot.recorded_pct, 1),
            show(plot.moisture_after_pct, 2),
            show(plot.reference_pct, 2),
            *(
                show(unit.of(value), unit.decimals)
                for value in (
                    plot.yield_before_kg_ha,
                    plot.yield_after_kg_ha,
                    plot.yield_reference_kg_ha,
                )
            ),
        )
        for plot in plots.itertuples()
    ]
    return Table(
        caption=f"Sampled plots: yield at {trial.standard_pct:g} % moisture by three "
        "moistures.",
        columns=[
            Column("Plot"),
            Column("Entry"),
            Column("Recorded", "%", number=True),
            Column("Corrected", "%", number=True),
            Column("Air-oven", "%", number=True),
            Column("Yield, recorded", unit.name, number=True),
            Column("Yield, corrected", unit.name, number=True),
            Column("Yield, air-oven", unit.name, number=True),
        ],
        rows=rows,
    )


def _curves(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return how the curves that served the trial did, over all their trials."""
    blocks: list[Block] = [Heading("How the curve did over the season")]
    if len([c for c in trial.curves if c in season.audits]) > 1:
        blocks[0] = Heading("How the curves did over the season")
    for curve in trial.curves:
        if curve not in season.audits:
            said = f"No sample taken blind to the reading speaks for curve {curve}."
            blocks.append(Paragraph(said))
            continue
        audit, advice = season.audits[curve], season.advice[curve]
        detail = advice_detail(audit, advice)
        reason = advice.reason[0].upper() + advice.reason[1:]
        blocks += [
            Paragraph(f"Curve {curve}, {advice.action}: {reason} {detail}"),
            curve_pictures(season, curve, trial.name),
            curve_numbers(audit, season.settings.confidence),
        ]
    return blocks


def _changes(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
    """Return what the correction changes: yields, ranks, chances, the field."""
    found = trial.consequences
    blocks: list[Block] = [Heading("What changes for this trial")]
    blocks += _served(trial)
    blocks.append(entry_rows(trial))
    blocks += _check_changes(trial)
    trend = yield_change_picture(trial)
    blocks += [trend] if trend else []
    blocks += field_pictures(trial)
    blocks += _trend(found)
    return blocks


def entry_rows(trial: TrialAudit) -> Table:
    """Return the entries in order of rank, with yields, ranks and chances."""
    found = trial.consequences
    entries = found.entries.sort_values(
        ["rank_after", "rank_before", "entry"], na_position="last"
    )
    shown = entries.head(MOST_ENTRIES)
    rows = [_entry_row(row, trial.unit) for row in shown.itertuples()]
    model = found.means.model if found.means else NOT_KNOWN
    more = len(entries) - len(rows)
    note = f"Means: {model}. LSD at the season's level. Chance of selection: share of "
    note += "draws of plot error and correction; rank interval of the same draws."
    if more > 0:
        note += f" {more} more entries stand in entries.csv."
    return Table(
        caption=f"Entries at {trial.standard_pct:g} % moisture; the "
        f"{found.count} selected stand in bold.",
        columns=[
            Column("Entry"),
            Column("Plots", number=True),
            Column("Before", trial.unit.name, number=True),
            Column("After", trial.unit.name, number=True),
            Column("Rank before", number=True),
            Column("Rank after", number=True),
            Column("Rank interval", number=True),
            Column("Chance selected", "%", number=True),
            Column("Selection"),
        ],
        rows=rows,
        note=note,
        strong=_selected_rows(entries, found.count),
    )


def _selected_rows(entries: pd.DataFrame, count: int) -> list[int]:
    """Return which of the rows shown hold selected entries."""
    rank = entries["rank_after"].fillna(entries["rank_before"]).head(MOST_ENTRIES)
    return [k for k, value in enumerate(rank) if pd.notna(value) and value <= count]


def _entry_row(row, unit: YieldUnit) -> tuple[str, ...]:
    """Return one entry's cells."""
    rank = show_span(row.rank_low, row.rank_high, 0) if pd.notna(row.rank_low) else "–"
    chance = row.chance_selected_after
    return (
        row.entry,
        str(row.n_plots),
        show(unit.of(row.yield_before), unit.decimals),
        show(unit.of(row.yield_after), unit.decimals),
        _whole(row.rank_before),
        _whole(row.rank_after),
        rank,
        show(100 * chance, 0) if pd.notna(chance) else "–",
        row.verdict,
    )


def _whole(value) -> str:
    """Return a whole number, a dash where there is none."""
    return str(int(value)) if pd.notna(value) else "–"


def _served(trial: TrialAudit) -> list[Block]:
    """Return what curves added to the plots they served, if there are several."""
    both = trial.consequences.comparison
    if both is None or both.served.curves.size < 2:
        return []
    served = both.served
    rows = [
        (
            curve,
            str(n),
            show(added, 0, sign=True),
            show(pct, 2, sign=True),
        )
        for curve, n, added, pct in zip(
            served.curves,
            served.n_plots,
            served.added_kg_ha,
            served.added_pct,
            strict=True,
        )
    ]
    ends = show_span(*served.difference.interval(), 0, sign=True)
    said = (
        f"{counted(served.curves.size, 'curve')} served this trial. Their errors set "
        f"the plots they served apart by {show(served.difference.value, 0)} kg/ha "
        f"({ends}), which moves entry means against each other by up to "
        f"{show(served.entry_spread, 0)} kg/ha. Each was corrected by its own."
    )
    table = Table(
        caption="What each curve's error added to the yields of the plots it served.",
        columns=[
            Column("Curve"),
            Column("Plots", number=True),
            Column("Added", "kg/ha", number=True),
            Column("Added", "%", number=True),
        ],
        rows=rows,
    )
    return [Paragraph(said), table]


def _check_changes(trial: TrialAudit) -> list[Block]:
    """Return entries whose difference to a check changes sign or significance."""
    both = trial.consequences.comparison
    if both is None:
        return []
    said = []
    for check in both.checks:
        changed = [
            f"{entry} ({change})"
            for entry, change in zip(both.before.entries, check.change, strict=True)
            if change != SAME
        ]
        said.append(
            f"Against check {check.check}: "
            + (listed(changed) if changed else "no difference changes sign or meaning")
            + "."
        )
    return [Paragraph(" ".join(said))] if said else []


def _trend(found) -> list[Block]:
    """Return how the change of yield goes with the entries' moisture."""
    if found.comparison is None or not found.comparison.trend.slope.known:
        return []
    trend = found.comparison.trend
    share = trend.share_from_tilt
    said = (
        f"For each point that an entry is wetter its yield changes by "
        f"{show(trend.slope.value, 1, sign=True)} kg/ha more; the curves' slopes make "
        f"{show(trend.from_tilt, 1, sign=True)} kg/ha of it"
    )
    said += f" ({share:.0%})." if np.isfinite(share) else "."
    return [Paragraph(said)]
