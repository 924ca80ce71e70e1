"""What the correction changes for one trial: yields, ranks, chances, the field."""

import numpy as np
import pandas as pd

from kitlib.pages.blocks import (
    Block,
    Column,
    Heading,
    Paragraph,
    Table,
)
from kitlib.reports.pictures import (
    field_pictures,
    yield_change_picture,
)
from kitlib.season.season import SeasonAudit, TrialAudit
from kitlib.trials.ranks import SAME
from kitlib.trials.yields import YieldUnit
from kitlib.words.terms import NOT_KNOWN, counted, listed, show, show_span

MOST_ENTRIES = 60


def change_blocks(season: SeasonAudit, trial: TrialAudit) -> list[Block]:
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
    model = found.before.model if found.before else NOT_KNOWN
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
    both = trial.consequences
    if both.ranks is None or both.served.curves.size < 2:
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
    both = trial.consequences
    if both.ranks is None:
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
    if found.ranks is None or not found.trend.slope.known:
        return []
    trend = found.trend
    share = trend.share_from_tilt
    said = (
        f"For each point that an entry is wetter its yield changes by "
        f"{show(trend.slope.value, 1, sign=True)} kg/ha more; the curves' slopes make "
        f"{show(trend.from_tilt, 1, sign=True)} kg/ha of it"
    )
    said += f" ({share:.0%})." if np.isfinite(share) else "."
    return [Paragraph(said)]
