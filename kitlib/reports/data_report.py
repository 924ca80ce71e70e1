"""A season's data problems for whoever can put them right: lab or field crew.

They see their own rows under their own headers, as their file has them, and what to do.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from functools import cache, cached_property
from itertools import groupby
from pathlib import Path

import pandas as pd

from kitlib.intake.files import Unreadable, read_cells
from kitlib.intake.schema import ROWS_PER_SOURCE, CheckedTable
from kitlib.intake.settings import Season
from kitlib.reports import blocks as page
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
_USE = "This report is for putting data right. It is no verification of a meter and "
_USE += "not for buying, selling or settling grain."

# Returns the cells of a file or sheet of a table that has some headers.
Reader = Callable[[str, str, tuple[str, ...]], pd.DataFrame]


@dataclass(frozen=True, eq=False)
class OwnRows(page.Table):
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
) -> page.Report:
    """Return the report of what is wrong in a season's tables.

    Parameters
    ----------
    folder : Path
        The season folder: rows are shown as its files have them.
    season : Season
    tables : dict of Table
        The checked tables, which know their files.
    findings : sequence of Finding
        On the tables; notes take no part.
    """

    @cache
    def read(table: str, source: str, headers: tuple[str, ...]) -> pd.DataFrame:
        name, _, sheet = source.partition("#")
        cells = pd.DataFrame()
        for how in season.sources_of(table):
            try:
                cells = read_cells(folder / name, sheet, how).cells
            except Unreadable:  # another of the table's files, read otherwise
                continue
            if set(headers) <= set(cells):
                break
        return cells

    findings = [f for f in findings if f.severity != NOTE]
    files = [source.name for table in tables.values() for source in table.sources]
    blocks: list[page.Block] = [_summary(findings)]
    for owner, names in _OWNERS.items():
        own = [found for found in findings if found.table in names]
        if own:
            blocks += [page.Heading(owner), *_by_kind(own, tables, read)]
    return page.Report(
        kind="Data report",
        title=season.name,
        date=season.report_date,
        facts=[("Files", listed(files, most=3)), ("Problems", str(len(findings)))],
        blocks=[*blocks, page.Caution("What this is for", [_USE])],
    )


def _summary(findings: Sequence[Finding]) -> page.Answer:
    """Return how much is to be put right."""
    if not findings:
        said = "The tables can be used as they are."
        return page.Answer("no problems found", said, "", page.CALM)
    severities = [f.severity for f in findings]
    by_severity = [
        counted(severities.count(severity), severity)
        for severity in SEVERITIES
        if severity in severities
    ]
    detail = "Rows with a fault are not used until they are put right; rows with a "
    detail += "warning are used as they are."
    return page.Answer("to be put right", f"{listed(by_severity)}.", detail, page.ACT)


def _by_kind(findings, tables, read: Reader) -> Iterator[page.Block]:
    """Yield findings, those of one kind under one heading."""
    for code in dict.fromkeys(f.code for f in findings):
        members = [f for f in findings if f.code == code]
        yield page.Heading(members[0].title, level=2)
        for found in members:
            table = tables.get(found.table)
            yield page.Paragraph(_in_their_words(found, table))
            rows = _own_rows(found, table, read) if table else pd.DataFrame()
            if len(rows):
                hidden = len(found.rows) - len(rows.head(MOST_ROWS))
                note = f"{counted(hidden, 'more row')}." if hidden > 0 else ""
                caption = f"{found.title}: rows as the file has them."
                yield OwnRows(caption, rows.head(MOST_ROWS), found.table, note=note)
        unused = members[0].severity in (STOP, FAULT)
        remedies = " ".join(dict.fromkeys(found.remedy for found in members))
        used = "Rows not used until then. " if unused else ""
        yield page.Paragraph(f"{used}What to do: {remedies}")


def _in_their_words(found: Finding, table: CheckedTable | None) -> str:
    """Return a finding's message with the file's headers beside our columns."""
    said = str(found)
    for source in table.sources[:1] if table else ():
        for column, header in source.headers.items():
            if header != column:
                named = f"{header} ({column})".replace("\\", r"\\")
                said = re.sub(rf"\b{column}\b", named, said)
    return said


def _own_rows(found: Finding, table: CheckedTable, read: Reader) -> pd.DataFrame:
    """Return a finding's rows: file, row, what names them, and what it is about."""
    parts = []
    results = _RESULTS if found.table == "oven" else ()
    by_source = groupby(found.rows, lambda row: row // ROWS_PER_SOURCE)
    for number, rows in by_source if table.sources else ():
        source = table.sources[number]
        cells = read(found.table, source.name, tuple(source.headers.values()))
        own = [row % ROWS_PER_SOURCE for row in rows]
        about = [c for c in source.headers if re.search(rf"\b{c}\b", found.message)]
        ours = [c for c in (*_KEYS, *about, *results) if c in source.headers]
        headers = dict.fromkeys(source.headers[c] for c in ours)
        part = cells.reindex(own[:MOST_ROWS])[[h for h in headers if h in cells]]
        part.insert(0, "Row", part.index.astype(str))
        if len(table.sources) > 1:
            part.insert(0, "File", source.name)
        parts.append(part)
    return pd.concat(parts) if parts else pd.DataFrame()
