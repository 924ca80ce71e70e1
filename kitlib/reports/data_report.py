"""A season's data problems for whoever can put them right: lab or field crew.

They see their own rows under their own headers, as their file has them, and what to do.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from itertools import groupby
from pathlib import Path

import pandas as pd

from kitlib.intake.files import Unreadable, read_cells
from kitlib.intake.schema import ROWS_PER_SOURCE, CheckedTable
from kitlib.intake.settings import Season
from kitlib.reports import blocks as page
from kitlib.words.findings import FAULT, NOTE, SEVERITIES, STOP, Finding
from kitlib.words.terms import counted, listed

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

# Returns the cells of a file or sheet of a table that has some headers.
Reader = Callable[[str, str, tuple[str, ...]], pd.DataFrame]


def data_report(
    folder: Path,
    season: Season,
    tables: dict[str, CheckedTable],
    findings: Sequence[Finding],
) -> page.Report:
    """Return the report of what is wrong in a season's checked tables.

    Rows are shown as the files of the season folder have them; notes are left out.
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
    found = [f.severity for f in findings]
    by_severity = [counted(found.count(s), s) for s in SEVERITIES if s in found]
    tone, which = (page.ACT, "problems") if findings else (page.CALM, "none")
    word, said, detail = page.say_all(f"data.{which}", found=listed(by_severity))
    blocks: list[page.Block] = [page.Answer(word, said, detail, tone)]
    for owner, names in _OWNERS.items():
        own = [found for found in findings if found.table in names]
        if own:
            blocks += [page.Heading(owner), *_by_kind(own, tables, read)]
    use = page.Caution("What this is for", page.texts()["every"]["use_of_data"])
    return page.Report(
        kind="Data report",
        title=season.name,
        date=season.report_date,
        facts=[("Files", listed(files, most=3)), ("Problems", str(len(findings)))],
        blocks=[*blocks, use],
    )


def _by_kind(findings, tables, read: Reader) -> Iterator[page.Block]:
    """Yield findings, those of one kind under one heading."""
    for code in dict.fromkeys(f.code for f in findings):
        members = [f for f in findings if f.code == code]
        yield page.Heading(members[0].title, level=2)
        for found in members:
            table, said = tables.get(found.table), str(found)
            headers = table.sources[0].headers if table and table.sources else {}
            # Their headers stand beside our columns, unless these are plain words too:
            # "row 4" is a row of the file.
            for column, header in headers.items():
                if header != column and "_" in column:
                    named = f"{header} ({column})".replace("\\", r"\\")
                    said = re.sub(rf"\b{column}\b", named, said)
            yield page.Paragraph(said)
            rows = _own_rows(found, table, read) if table else pd.DataFrame()
            if len(rows):
                hidden = len(found.rows) - len(rows.head(MOST_ROWS))
                note = f"{counted(hidden, 'more row')}." if hidden > 0 else ""
                caption = f"{found.title}: rows as the file has them."
                yield page.Table(caption, rows.head(MOST_ROWS), "", note=note)
        unused = members[0].severity in (STOP, FAULT)
        remedies = " ".join(dict.fromkeys(found.remedy for found in members))
        used = "Rows not used until then. " if unused else ""
        yield page.Paragraph(f"{used}What to do: {remedies}")


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
