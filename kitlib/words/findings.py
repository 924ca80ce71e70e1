"""What is wrong with people's data: errors that stop, findings that are told."""

import csv
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import pandas as pd


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


def refuse(place: str, problems: Sequence[str], shown: int = 20) -> None:
    """Raise `SeasonRefused` naming every problem of one place, if there is any.

    Parameters
    ----------
    place : str
        The file the problems are in.
    problems : sequence of str
        One line each: where, what value, what was expected, what to do.
    shown : int
        How many are spelled out; the rest are counted.

    Raises
    ------
    SeasonRefused
        If `problems` is not empty.

    Examples
    --------
    >>> refuse("oven.csv", [])
    >>> refuse("oven.csv", ["row 2: wet_g is empty; expected grams. Weigh again."])
    Traceback (most recent call last):
    kitlib.words.findings.SeasonRefused: oven.csv: 1 problem(s)
      row 2: wet_g is empty; expected grams. Weigh again.
    """
    if not problems:
        return
    lines = [
        f"{place}: {len(problems)} problem(s)",
        *(f"  {p}" for p in problems[:shown]),
    ]
    if len(problems) > shown:
        lines.append(f"  and {len(problems) - shown} more of the same file")
    raise SeasonRefused("\n".join(lines))


STOP, FAULT, WARNING, NOTE = "stop", "fault", "warning", "note"
SEVERITIES = (STOP, FAULT, WARNING, NOTE)
FINDING_COLUMNS = ["code", "severity", "message", "remedy", "table", "rows"]
FINDING_COLUMNS += ["curve", "trial"]


class Kind(NamedTuple):
    """What a code stands for: how serious it is, its title, and what to do.

    A stop ends the audit; a fault leaves its rows out; a warning or a note leaves
    nothing out, but the reader must know, or may want to.
    """

    severity: str
    title: str
    remedy: str


def _read_kinds(path: Path) -> dict[str, Kind]:
    """Return every kind of finding by its code."""
    with path.open(encoding="utf-8", newline="") as file:
        return {row.pop("code"): Kind(**row) for row in csv.DictReader(file)}


KINDS = _read_kinds(Path(__file__).with_name("kinds.csv"))


@dataclass(frozen=True)
class Finding:
    """One thing found, where it is, and how serious it is.

    Attributes
    ----------
    code : str
        A key of `KINDS`.
    message : str
        Where, what value, what was expected; one sentence or two.
    table : str
        The table it stands in, empty if none.
    rows : iterable of int
        Its rows as a spreadsheet counts them: the header is row 1.
    curve, trial : str
        What it concerns, empty if the whole season.
    remedy : str
        What to do about it; left out, that of its kind.
    where : str
        Its rows with their file, where the table is read from several.
    """

    code: str
    message: str
    table: str = ""
    rows: tuple[int, ...] = ()
    curve: str = ""
    trial: str = ""
    remedy: str = ""
    where: str = ""

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
    ranked = sorted(findings, key=lambda f: SEVERITIES.index(f.severity))
    frame = pd.DataFrame(
        [[getattr(f, name) for name in FINDING_COLUMNS] for f in ranked],
        columns=FINDING_COLUMNS,
    )
    frame["rows"] = [f.where or " ".join(map(str, f.rows)) for f in ranked]
    return frame.astype("str")


def worst(findings: Iterable[Finding]) -> str:
    """Return the most serious severity among findings, a note if there are none."""
    return min((f.severity for f in findings), key=SEVERITIES.index, default=NOTE)
