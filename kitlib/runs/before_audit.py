"""A season before its audit: a folder to fill in, or one that is read and checked.

What is wrong in its data is listed, or written as a report for the lab and the field
crew, who see their own rows under their own headers, as their file has them.
"""

import re
from collections.abc import Callable, Iterator, Sequence
from functools import cache
from importlib.resources import files
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

import pandas as pd

from kitlib.curves.observations import observe_season
from kitlib.intake import schema
from kitlib.intake.checks import read_tables, table_findings
from kitlib.intake.files import Unreadable, read_cells
from kitlib.intake.outputs import write_bytes
from kitlib.intake.pairs import pair_samples
from kitlib.intake.reference import reference_values
from kitlib.intake.settings import SETTINGS_FILE, Season, read_season, season_folder
from kitlib.reports import blocks as page
from kitlib.words.findings import FAULT, NOTE, SEVERITIES, STOP, Finding, refuse
from kitlib.words.terms import counted, listed

_MOST_ROWS = 12  # named or shown of one finding; all are in findings.csv
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
_README = """\
# A season to fill in

`season.toml` holds the settings. Each table is a file of its own; `plots`, `oven` and
`curves` are needed, the others may be deleted. CSV, Excel and Parquet are read.

## Columns
"""


def write_new_season(folder: str | Path) -> list[Path]:
    """Write a season folder to fill in, which must be new or empty.

    Returns its files: one for each table, of headers only, those required first; the
    settings with each that could be changed behind a "#"; a README on the columns.
    """
    folder = Path(folder)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        said = "it is not an empty folder, and nothing in it is overwritten. "
        refuse(str(folder), [f"{said}Name a new one."])
    written = []
    for table, columns in schema.SCHEMAS.items():
        headers = dict.fromkeys([*schema.needed_columns(table), *columns])
        line = f"{','.join(headers)}\n".encode()
        written.append(write_bytes(folder / f"{table}.csv", line))
    settings = (files("kitlib.runs") / SETTINGS_FILE).read_bytes()
    written.append(write_bytes(folder / SETTINGS_FILE, settings))
    readme = f"{_README}\n{schema.described_columns()}".encode()
    return [*written, write_bytes(folder / "README.md", readme)]


class CheckedSeason(NamedTuple):
    """A season's tables and every finding on them, the most serious first."""

    folder: Path
    settings: Season
    tables: dict[str, schema.CheckedTable]
    findings: list[Finding]

    @property
    def is_faulty(self) -> bool:
        """Whether anything is to be put right before the results are believed."""
        return any(found.severity in (STOP, FAULT) for found in self.findings)


def check_season(folder: str | Path) -> CheckedSeason:
    """Return a season's tables with every finding on them, curves not audited."""
    folder = season_folder(folder)
    settings = read_season(folder)
    tables = read_tables(folder, settings)
    reference = reference_values(tables["oven"], tables["plots"].frame, settings)
    pairing = pair_samples(tables, reference, settings)
    found = table_findings(tables, settings) + reference.findings + pairing.findings
    found += observe_season(pairing, tables["oven"].frame, settings)
    found = schema.located(found, tables)
    found.sort(key=lambda each: SEVERITIES.index(each.severity))
    return CheckedSeason(folder, settings, tables, found)


def listing(findings: Sequence[Finding]) -> list[str]:
    """Return findings as lines, grouped by severity in the order given."""
    lines = []
    for severity, group in groupby(findings, lambda found: found.severity):
        members = list(group)
        lines.append(counted(len(members), severity))
        for found in members:
            more = len(found.rows) - _MOST_ROWS
            place = f"row{'s' * (len(found.rows) > 1)} "
            place += ", ".join(map(str, found.rows[:_MOST_ROWS]))
            place += f" and {more} more" if more > 0 else ""
            mark = f"{found.code}; {found.where or place}" if found.rows else found.code
            lines.append(f"  {found} {found.remedy} [{mark}]")
    return lines or ["nothing was found"]


# ---- a report of the data

# Returns the cells of a file or sheet of a table that has some headers.
Reader = Callable[[str, str, tuple[str, ...]], pd.DataFrame]


def data_report(
    folder: Path,
    season: Season,
    tables: dict[str, schema.CheckedTable],
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
                hidden = len(found.rows) - len(rows.head(_MOST_ROWS))
                note = f"{counted(hidden, 'more row')}." if hidden > 0 else ""
                caption = f"{found.title}: rows as the file has them."
                yield page.Table(caption, rows.head(_MOST_ROWS), "", note=note)
        unused = members[0].severity in (STOP, FAULT)
        remedies = " ".join(dict.fromkeys(found.remedy for found in members))
        used = "Rows not used until then. " if unused else ""
        yield page.Paragraph(f"{used}What to do: {remedies}")


def _own_rows(found: Finding, table: schema.CheckedTable, read: Reader) -> pd.DataFrame:
    """Return a finding's rows: file, row, what names them, and what it is about."""
    parts = []
    results = _RESULTS if found.table == "oven" else ()
    by_source = groupby(found.rows, lambda row: row // schema.ROWS_PER_SOURCE)
    for number, rows in by_source if table.sources else ():
        source = table.sources[number]
        cells = read(found.table, source.name, tuple(source.headers.values()))
        own = [row % schema.ROWS_PER_SOURCE for row in rows]
        about = [c for c in source.headers if re.search(rf"\b{c}\b", found.message)]
        ours = [c for c in (*_KEYS, *about, *results) if c in source.headers]
        headers = dict.fromkeys(source.headers[c] for c in ours)
        part = cells.reindex(own[:_MOST_ROWS])[[h for h in headers if h in cells]]
        part.insert(0, "Row", part.index.astype(str))
        if len(table.sources) > 1:
            part.insert(0, "File", source.name)
        parts.append(part)
    return pd.concat(parts) if parts else pd.DataFrame()
