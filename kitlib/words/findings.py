"""What was found: where, how serious, and in words."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import pandas as pd

from kitlib.words.kinds import KINDS, NOTE, SEVERITIES


@dataclass(frozen=True, kw_only=True)
class Finding:
    """One thing found, where it is, and how serious it is.

    Attributes
    ----------
    code : str
        A key of `KINDS`.
    message : str
        Where, what value, what was expected, what to do; one sentence or two.
    table : str
        The table it stands in, empty if none.
    rows : tuple of int
        Its rows as a spreadsheet counts them: the header is row 1.
    curve, trial : str
        What it concerns, empty if the whole season.
    """

    code: str
    message: str
    table: str = ""
    rows: tuple[int, ...] = ()
    curve: str = ""
    trial: str = ""

    @property
    def severity(self) -> str:
        """How serious: stop, fault, warning or note."""
        return KINDS[self.code].severity

    def __str__(self) -> str:
        return f"{self.table + ': ' if self.table else ''}{self.message}"


FINDING_COLUMNS = ["code", "severity", "message", "table", "rows", "curve", "trial"]


def findings_table(findings: Sequence[Finding]) -> pd.DataFrame:
    """Return findings as a table, the most serious first, order kept within."""
    ranked = sorted(findings, key=lambda found: SEVERITIES.index(found.severity))
    rows = [
        [
            f.code,
            f.severity,
            f.message,
            f.table,
            " ".join(map(str, f.rows)),
            f.curve,
            f.trial,
        ]
        for f in ranked
    ]
    return pd.DataFrame(rows, columns=FINDING_COLUMNS, dtype="str")


def worst(findings: Iterable[Finding]) -> str:
    """Return the most serious severity among findings, a note if there are none."""
    ranks = [SEVERITIES.index(found.severity) for found in findings]
    return SEVERITIES[min(ranks)] if ranks else NOTE
