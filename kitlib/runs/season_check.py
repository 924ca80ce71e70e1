"""A season's tables read, paired and told of, without auditing a curve."""

from collections.abc import Sequence
from itertools import groupby
from pathlib import Path
from typing import NamedTuple

from kitlib.curves.observations import observe_season
from kitlib.intake.checks import read_tables, table_findings
from kitlib.intake.pairs import pair_samples
from kitlib.intake.reference import reference_values
from kitlib.intake.schema import Table, located
from kitlib.intake.settings import Season, read_season, season_folder
from kitlib.words.findings import FAULT, SEVERITIES, STOP, Finding
from kitlib.words.terms import counted

MOST_ROWS = 12


class CheckedSeason(NamedTuple):
    """A season's tables and every finding on them, the most serious first."""

    folder: Path
    settings: Season
    tables: dict[str, Table]
    findings: list[Finding]


def check_season(folder: str | Path) -> CheckedSeason:
    """Return a season's tables with every finding on them, curves not audited.

    Raises
    ------
    SeasonRefused
        If the season cannot be read; every reason is named.
    """
    folder = season_folder(folder)
    settings = read_season(folder)
    tables = read_tables(folder, settings)
    reference = reference_values(tables["oven"], tables["plots"].frame, settings)
    pairing = pair_samples(tables, reference, settings)
    found = table_findings(tables, settings) + reference.findings + pairing.findings
    found += observe_season(pairing, tables["oven"].frame, settings)
    found = located(found, tables)
    found.sort(key=lambda each: SEVERITIES.index(each.severity))
    return CheckedSeason(folder, settings, tables, found)


def is_faulty(findings: Sequence[Finding]) -> bool:
    """Whether anything is to be put right before the results are believed."""
    return any(found.severity in (STOP, FAULT) for found in findings)


def listing(findings: Sequence[Finding]) -> list[str]:
    """Return findings as lines, grouped by severity in the order given.

    Examples
    --------
    >>> one = Finding(code="row-twice", table="oven", rows=(4, 9), message="twice.")
    >>> listing([one])
    ['1 fault', '  oven: twice. Delete one of the two rows. [row-twice; rows 4, 9]']
    """
    lines = []
    for severity, group in groupby(findings, lambda found: found.severity):
        members = list(group)
        lines.append(counted(len(members), severity))
        lines += [f"  {f} {f.remedy} [{'; '.join(_place(f))}]" for f in members]
    return lines or ["nothing was found"]


def _place(found: Finding) -> list[str]:
    """Return a finding's code and its rows."""
    if not found.rows:
        return [found.code]
    if found.where:
        return [found.code, found.where]
    rows = ", ".join(map(str, found.rows[:MOST_ROWS]))
    more = len(found.rows) - MOST_ROWS
    rows += f" and {more} more" if more > 0 else ""
    return [found.code, f"{'rows' if len(found.rows) > 1 else 'row'} {rows}"]
