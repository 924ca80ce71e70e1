"""A season's data problems for whoever can put them right: lab or field crew.

They see their own rows under their own headers, as their file has them, and what to do.
"""

import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import groupby
from pathlib import Path

import pandas as pd

from kitlib.intake.files import Unreadable, read_cells
from kitlib.intake.schema import ROWS_PER_SOURCE, Source
from kitlib.intake.schema import Table as CheckedTable
from kitlib.intake.settings import Season
from kitlib.reports.blocks import (
    ACT,
    CALM,
    Answer,
    Block,
    Caution,
    Heading,
    Paragraph,
    Report,
    Table,
)
from kitlib.words.findings import FAULT, NOTE, SEVERITIES, STOP, Finding
from kitlib.words.terms import Column, counted, listed

# Rows shown of one finding; all are in findings.csv.
MOST_ROWS = 12
# Whom the rows of each table go back to, in the order of the report.
_OWNERS = {
    "For the laboratory": ("oven", "benchtop"),
    "For the field crew": ("plots", "readings"),
    "For the keeper of the curves": ("curves", "setup_runs", "check_runs"),
    "For whoever keeps the season folder": ("",),
}
# What names a row to the people who wrote it.
_KEYS = ("trial", "plot", "entry", "sample", "dish", "curve", "meter", "reading", "run")
# What a lab wants to see of a dish, whatever is wrong with it.
_RESULTS = ("moisture_pct", "tare_g", "wet_g", "dry_g")


@dataclass(frozen=True, eq=False)
class OwnRows(Table):
    """A table under the headers of the file that it comes from."""

    @cached_property
    def columns(self) -> list[tuple[Column, list[str]]]:
        """Its columns, cells as they stand in the file."""
        shown = self.frame.iloc[: self.most].astype("str").fillna("")
        return [(Column("", h, h), shown[h].tolist()) for h in map(str, shown)]


def data_report(
    folder: Path,
    season: Season,
    tables: dict[str, CheckedTable],
    findings: Sequence[Finding],
) -> Report:
    """Return the report of what is wrong in a season's tables.

    Parameters
    ----------
    folder : Path
        The season folder: rows are shown as its files have them.
    season : Season
    tables : dict of Table
        The checked tables, which know their files.
    findings : sequence of Finding
        On the tables; those of curves and trials take no part.
    """
    findings = [f for f in findings if f.severity != NOTE]
    files = [source.name for table in tables.values() for source in table.sources]
    report = Report(
        kind="Data report",
        title=season.name,
        date=season.report_date,
        facts=[("Files", listed(files, most=3)), ("Problems", str(len(findings)))],
        blocks=[_summary(findings)],
    )
    cells = _CellsOfFiles(folder, season)
    for owner, names in _OWNERS.items():
        own = [found for found in findings if found.table in names]
        if own:
            report.blocks.append(Heading(owner))
            report.blocks += _by_kind(own, tables, cells)
    used = (
        "This report is for putting data right. It is no verification of a meter and "
    )
    used += "not for buying, selling or settling grain."
    report.blocks.append(Caution("What this is for", [used]))
    return report


def _summary(findings: Sequence[Finding]) -> Answer:
    """Return how much is to be put right."""
    if not findings:
        return Answer(
            "no problems found", "The tables can be used as they are.", "", CALM
        )
    by_severity = [
        counted(sum(f.severity == severity for f in findings), severity)
        for severity in SEVERITIES
        if any(f.severity == severity for f in findings)
    ]
    detail = "Rows with a fault are not used until they are put right; rows with a "
    detail += "warning are used as they are."
    return Answer("to be put right", f"{listed(by_severity)}.", detail, ACT)


def _by_kind(findings, tables, cells: "_CellsOfFiles") -> Iterator[Block]:
    """Yield findings, those of one kind under one heading."""
    order = {code: i for i, code in enumerate(dict.fromkeys(f.code for f in findings))}
    ranked = sorted(findings, key=lambda f: order[f.code])
    for _, group in groupby(ranked, key=lambda f: f.code):
        members = list(group)
        yield Heading(members[0].title, level=2)
        for found in members:
            yield Paragraph(_in_their_words(found, tables.get(found.table)))
            rows = cells.of(found, tables.get(found.table))
            if len(rows):
                shown = rows.head(MOST_ROWS)
                hidden = len(found.rows) - len(shown)
                note = f"{counted(hidden, 'more row')}." if hidden > 0 else ""
                caption = f"{found.title}: rows as the file has them."
                yield OwnRows(caption, shown, found.table, note=note)
        used = (
            "Rows not used until then. " if members[0].severity in (STOP, FAULT) else ""
        )
        remedies = dict.fromkeys(found.remedy for found in members)
        yield Paragraph(f"{used}What to do: {' '.join(remedies)}")


def _in_their_words(found: Finding, table: CheckedTable | None) -> str:
    """Return a finding's message with the file's headers beside our columns."""
    said = str(found)
    for source in table.sources[:1] if table else ():
        for column, header in source.headers.items():
            if header != column:
                named = f"{header} ({column})".replace("\\", r"\\")
                said = re.sub(rf"\b{column}\b", named, said)
    return said


class _CellsOfFiles:
    """The cells of a season's files, each read once."""

    def __init__(self, folder: Path, season: Season):
        self._folder, self._season = folder, season
        self._read: dict[tuple[str, str], pd.DataFrame] = {}

    def of(self, found: Finding, table: CheckedTable | None) -> pd.DataFrame:
        """Return a finding's rows: file, row, what names them, and what it is about."""
        if table is None or not table.sources:
            return pd.DataFrame()
        parts = []
        for number, rows in groupby(found.rows, lambda row: row // ROWS_PER_SOURCE):
            source = table.sources[number]
            own = [row % ROWS_PER_SOURCE for row in rows]
            part = self._rows(found, source, own[:MOST_ROWS])
            if len(table.sources) > 1:
                part.insert(0, "File", source.name)
            parts.append(part)
        return pd.concat(parts) if parts else pd.DataFrame()

    def _rows(self, found: Finding, source: Source, rows: list[int]) -> pd.DataFrame:
        """Return some rows of one file under its own headers."""
        cells = self._cells(found.table, source)
        about = [c for c in source.headers if re.search(rf"\b{c}\b", found.message)]
        results = _RESULTS if found.table == "oven" else ()
        ours = [c for c in (*_KEYS, *about, *results) if c in source.headers]
        headers = [
            h for h in dict.fromkeys(source.headers[c] for c in ours) if h in cells
        ]
        part = cells.reindex(rows)[headers]
        part.insert(0, "Row", [str(row) for row in rows])
        return part

    def _cells(self, table: str, source: Source) -> pd.DataFrame:
        """Return the cells of a file or sheet, read as the season's settings say."""
        if (table, source.name) not in self._read:
            name, _, sheet = source.name.partition("#")
            cells = pd.DataFrame()
            for how in self._season.sources_of(table):
                try:
                    cells = read_cells(self._folder / name, sheet, how).cells
                except Unreadable:  # another of the table's files, read otherwise
                    continue
                if set(source.headers.values()) <= set(cells):
                    break
            self._read[table, source.name] = cells
        return self._read[table, source.name]
