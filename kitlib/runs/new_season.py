"""A season before its audit: a folder to fill in, and one read and checked."""

from collections.abc import Sequence
from importlib.resources import files
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

from kitlib.curves.observations import observe_season
from kitlib.intake import schema
from kitlib.intake.checks import read_tables, table_findings
from kitlib.intake.outputs import write_bytes
from kitlib.intake.pairs import pair_samples
from kitlib.intake.reference import reference_values
from kitlib.intake.settings import SETTINGS_FILE, Season, read_season, season_folder
from kitlib.words.findings import FAULT, SEVERITIES, STOP, Finding, refuse
from kitlib.words.terms import counted

_MOST_ROWS = 12  # named of one finding
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
