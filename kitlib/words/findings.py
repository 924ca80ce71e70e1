"""What is wrong with people's data: errors that stop, findings that are told."""

import errno
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple, NoReturn

import pandas as pd

from kitlib.words.terms import csv_rows


class KitError(Exception):
    """A problem the user can put right: the message says where and how."""


class TooFewSamples(KitError):
    """Too few samples, or trials, for the statistic asked for."""


class NoSpread(KitError):
    """All values are the same where the statistic needs them to differ."""


class NotFinite(KitError):
    """A missing or infinite value reached a statistic."""


class SeasonRefused(KitError):
    """The season cannot be audited; every problem found is in the message."""


def no_files_left(error: OSError) -> bool:
    """Whether it is that the process, or the computer, has too many files open."""
    return error.errno in (errno.EMFILE, errno.ENFILE)


def refuse(place: str, problems: Sequence[str], shown: int = 20) -> NoReturn:
    """Raise `SeasonRefused` naming the problems of one place.

    Of the problems, a line each (where, what value, what was expected, what to do),
    `shown` are spelled out and the rest counted.
    """
    lines = [f"{place}: {len(problems)} problem(s)"]
    lines += [f"  {problem}" for problem in problems[:shown]]
    if len(problems) > shown:
        lines.append(f"  and {len(problems) - shown} more")
    raise SeasonRefused("\n".join(lines))


STOP, FAULT, WARNING, NOTE = "stop", "fault", "warning", "note"
SEVERITIES = (STOP, FAULT, WARNING, NOTE)


class Kind(NamedTuple):
    """What a code stands for: how serious it is, its title, and what to do.

    A stop ends the audit; a fault leaves its rows out; a warning or a note leaves
    nothing out, but the reader must know, or may want to.
    """

    severity: str
    title: str
    remedy: str


KINDS = {row.pop("code"): Kind(**row) for row in csv_rows("kitlib.words", "kinds.csv")}


@dataclass(frozen=True)
class Finding:
    """One thing found, where it is, and how serious it is."""

    code: str  # a key of `KINDS`
    message: str  # where, what value, what was expected; one sentence or two
    table: str = ""  # the table it stands in
    rows: tuple[int, ...] = ()  # as a spreadsheet counts them: the header is row 1
    curve: str = ""  # what it concerns; with no trial either, the whole season
    trial: str = ""
    remedy: str = ""  # what to do about it; left out, that of its kind
    where: str = ""  # its rows with their file, where the table is read from several

    def __post_init__(self) -> None:
        # Rows come from indexes of tables, whose numbers are numpy's.
        object.__setattr__(self, "rows", tuple(map(int, self.rows)))
        object.__setattr__(self, "remedy", self.remedy or KINDS[self.code].remedy)

    @property
    def severity(self) -> str:
        """How serious: stop, fault, warning or note."""
        return KINDS[self.code].severity

    @property
    def title(self) -> str:
        """What kind of finding it is, as a heading."""
        return KINDS[self.code].title

    def __str__(self) -> str:
        return f"{self.table + ': ' if self.table else ''}{self.message}"


def findings_table(findings: Sequence[Finding]) -> pd.DataFrame:
    """Return findings as a table, the most serious first, order kept within."""
    columns = ["code", "severity", "message", "remedy", "table", "rows"]
    columns += ["curve", "trial"]
    ranked = sorted(findings, key=lambda f: SEVERITIES.index(f.severity))
    cells = [[getattr(f, name) for name in columns] for f in ranked]
    frame = pd.DataFrame(cells, columns=columns)
    frame["rows"] = [f.where or " ".join(map(str, f.rows)) for f in ranked]
    return frame.astype("str")
