"""What the kit made of a changed season: reported, harmless or missed."""

import tempfile
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import NamedTuple
from unittest.mock import patch
from zlib import crc32

import numpy as np

from faults import cell_kinds, file_kinds, part_kinds, row_kinds, whole_kinds
from faults.good_season import good_season
from faults.mutations import KINDS, CannotBeDone, Change, Files, Kind
from kitlib.intake.checks import read_tables, table_findings
from kitlib.intake.outputs import csv_bytes
from kitlib.intake.settings import read_season
from kitlib.reports.season_sections import plots_table, season_tables
from kitlib.review.review import review_findings, review_season
from kitlib.runs import before_audit
from kitlib.runs.before_audit import CheckedSeason, check_season
from kitlib.season.season import SeasonAudit, audit_season
from kitlib.words.findings import Finding, SeasonRefused

# Importing them registers their kinds.
_OF_ALL = cell_kinds, row_kinds, part_kinds, file_kinds, whole_kinds
REPORTED, HARMLESS, MISSED = "reported", "harmless", "missed"
TRIES = 200


@dataclass(frozen=True)
class Outcome:
    """One changed season and what was made of it."""

    kind: Kind
    change: Change
    verdict: str
    said: str


class Judge:
    """Judges changed seasons against the good one."""

    def __init__(self, season: dict[str, bytes] | None = None):
        self.season = season or good_season()

    def judge(self, kind: Kind, seed: int) -> Outcome:
        """Change the season once and return what was made of it."""
        rng = np.random.default_rng([crc32(kind.name.encode()), seed])
        for _ in range(TRIES):
            files = Files(dict(self.season))
            try:
                change = kind.make(files, rng)
            except CannotBeDone:
                continue
            if files.broken or files.content != self.season:
                break
        else:
            raise AssertionError(f"{kind.name}: cannot be done to this season")
        with tempfile.TemporaryDirectory() as name:
            folder = Path(name)
            file_kinds.write(files, folder)
            return self._outcome(kind, change, folder)

    def _outcome(self, kind, change, folder) -> Outcome:
        """Return what is made of a folder, by the quickest way to be sure of it."""
        good = self._good
        try:
            settings = read_season(folder)
            tables = read_tables(folder, settings)
            # Half of the kinds are told of as the tables are read, and most others by
            # what looks odd in them: the check's first parts, and not made again.
            as_read = [f for table in tables.values() for f in table.findings]
            if said := report_of(as_read, good.checked, change):
                return Outcome(kind, change, REPORTED, said)
            odd = table_findings(tables, settings)
            if said := report_of(odd, good.checked, change):
                return Outcome(kind, change, REPORTED, said)
            with (
                patch.object(before_audit, "read_tables", return_value=tables),
                patch.object(before_audit, "table_findings", return_value=odd),
            ):
                checked = check_season(folder)
            said = report_of(checked.findings, good.checked, change)
            if said:
                return Outcome(kind, change, REPORTED, said)
            if read_of(checked) == good.read:
                return Outcome(kind, change, HARMLESS, "")
            season = audit_season(folder)
            review = review_season(season)
            # A new finding is in the output too, which takes longer to write.
            said = report_of(findings_of(season, review), good.found, change)
            if said:
                return Outcome(kind, change, REPORTED, said)
            same = written(season, review) == good.written
        except SeasonRefused as refusal:
            said = refusal_of(str(refusal), change)
            return Outcome(kind, change, REPORTED if said else MISSED, said)
        return Outcome(kind, change, HARMLESS if same else MISSED, "")

    @cached_property
    def _good(self) -> "Good":
        """What the good season's check and audit tell, and its output."""
        with tempfile.TemporaryDirectory() as name:
            file_kinds.write(Files(dict(self.season)), Path(name))
            checked, season = check_season(name), audit_season(name)
            review = review_season(season)
            return Good(
                read_of(checked),
                told(checked.findings),
                told(list(findings_of(season, review))),
                written(season, review),
            )


class Good(NamedTuple):
    """What there is to compare a changed season with."""

    read: list[str]
    checked: tuple[set, set]
    found: tuple[set, set]
    written: dict[str, bytes]


def read_of(checked: CheckedSeason) -> list[str]:
    """Return all that the audit works on, in full.

    The audit is a function of it alone: where it is the same, so is every output.
    """
    parts = [checked.settings.model_dump_json()]
    for table in checked.tables.values():
        parts += [part.to_csv() for part in (table.frame, *table.left_out)]
        parts += [str(table.frame.dtypes.sort_index()), str(table.read)]
        parts += [repr(table.faults)]
    return [*parts, repr(checked.findings)]


def findings_of(season: SeasonAudit, review) -> Iterator[Finding]:
    """Yield all findings of a season, those that take longest to make last."""
    yield from season.findings
    yield from review_findings(review)
    for name in season.trials:
        yield from (f for f in season.trial(name).findings if f.trial == name)


def written(season: SeasonAudit, review) -> dict[str, bytes]:
    """Return every table of a season's output as bytes."""
    tables = season_tables(season, review)
    made = {name: csv_bytes(table) for name, table in tables.items()}
    return made | {"plots": plots_table(season).to_csv().encode()}


def told(findings) -> tuple[set, set]:
    """Return the places and the messages of findings."""
    places = {(f.code, f.table, row) for f in findings for row in f.rows}
    return places, {(f.code, f.table, f.message) for f in findings}


def report_of(findings, before, change: Change) -> str:
    """Return the message that reports a change, empty if none does.

    A place must be told of by a code that did not tell of it before; for a change
    of a whole table, its table must be told of in words not used before.
    """
    places, messages = before
    for found in findings:
        if change.places:
            new = {
                (found.table, row)
                for row in found.rows
                if (found.code, found.table, row) not in places
            }
            if new & change.places:
                return f"{found.code}: {found.message}"
        elif (
            found.table == change.table
            and (found.code, found.table, found.message) not in messages
        ):
            return f"{found.code}: {found.message}"
    return ""


def refusal_of(message: str, change: Change) -> str:
    """Return the line of a refusal that names the table, and the row if meant."""
    lines = message.splitlines()
    if not change.table:
        return message if "season.toml" in message else ""
    for line in lines:
        rows = {row for table, row in change.places if table == change.table}
        if f"{change.table}:" in line and (
            not rows
            or any(f"row {row}" in line or f"line {row}" in line for row in rows)
        ):
            return line.strip()
    return ""


def kinds() -> list[Kind]:
    """Return every kind of change."""
    return list(KINDS)
