"""Cells of a file to numbers, times, flags and text; each cell at fault is found."""

from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from kitlib.intake.files import plain_numbers, plain_texts, plain_times
from kitlib.intake.schema import FLAG, NUMBER, TEXT, TIME
from kitlib.intake.settings import Season
from kitlib.words.findings import Finding
from kitlib.words.terms import listed

# What a cell spelled out in full takes; the rest of its kind are counted.
SPELLED_OUT = 20
LEFT_OUT_COLUMNS = ["table", "row", "trial", "plot", "sample", "curve", "code"]
LEFT_OUT_COLUMNS += ["reason"]

# Factors to our units, by the ending of the column they apply to.
_FACTORS = {
    "_kg": {"kg": 1.0, "lb": 0.45359237, "g": 0.001},
    "_m2": {"m2": 1.0, "ft2": 0.09290304, "ac": 4046.8564224},
    # 1 lb per Winchester bushel of 2150.42 in³ (7 CFR 810.102).
    "_kg_hl": {"kg_hl": 1.0, "lb_bu": 45.359237 / 35.23907016688},
}
_YES, _NO = ("yes", "y", "true", "1"), ("no", "n", "false", "0")


@dataclass
class Table:
    """A table whose cells are what they should be.

    Attributes
    ----------
    frame : DataFrame
        Typed columns, those the audit does not know kept; indexed by the row in
        the file (header = row 1). A cell at fault is empty.
    findings : list of Finding
        All that was found.
    faults : dict
        First fault of a row, in words: what a later step quotes when it must
        leave the row out for want of the cell.
    left_out : list of DataFrame
        Rows no longer in `frame`, with their reason.
    read : int
        Rows read from the file.
    """

    frame: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)
    faults: dict[int, tuple[str, str]] = field(default_factory=dict)
    left_out: list[pd.DataFrame] = field(default_factory=list)
    read: int = 0


def left_out_rows(frame, table: str, code: str, reason) -> pd.DataFrame:
    """Return rows of a table in the form of left_out.csv.

    `reason` is one text for all rows or one for each.
    """
    rows = pd.DataFrame({"table": table, "row": frame.index}, dtype=object)
    for name in ("trial", "plot", "sample", "curve"):
        rows[name] = frame[name].to_numpy(object) if name in frame else ""
    rows["code"] = code
    rows["reason"] = reason
    return rows[LEFT_OUT_COLUMNS]


def fault_cells(table: Table, name: str, wrong, code: str, rule: str) -> None:
    """Record cells at fault: the first ones spelled out, the rest counted."""
    for row, value in wrong.iloc[:SPELLED_OUT].items():
        said = f"row {row}: {wrong.name} is {_quoted(value)}; expected {rule}."
        table.faults.setdefault(int(row), (code, said))
        found = Finding(code=code, table=name, message=said, rows=(int(row),))
        table.findings.append(found)
    rest = wrong.iloc[SPELLED_OUT:]
    if len(rest):
        rows = tuple(map(int, rest.index))
        said = f"{len(rows)} more rows where {wrong.name} is not {rule}."
        table.faults.update({row: (code, said) for row in rows})
        found = Finding(code=code, table=name, message=said, rows=rows)
        table.findings.append(found)


def _quoted(value, longest: int = 40) -> str:
    """Return a cell's value for a message, cut where it is long."""
    text = str(value)
    text = text if len(text) <= longest else f"{text[:longest]}… ({len(text)} letters)"
    return text if isinstance(value, float | int) else repr(text)


def in_its_kind(cells: pd.Series, kind: str, name: str, table: Table) -> pd.Series:
    """Return a column's cells as its kind asks; the cells at fault are empty."""
    quick = {NUMBER: plain_numbers, TIME: plain_times, TEXT: plain_texts}
    plain = quick[kind](cells) if kind in quick else None
    if plain is not None:
        return plain
    makers = {NUMBER: _numbers, TIME: _times, FLAG: _flags, TEXT: _texts}
    return makers[kind](cells, name, table)


def in_our_unit(values: pd.Series, column: str, season: Season) -> pd.Series:
    """Convert a column from the user's unit, known by the column's ending."""
    chosen = {
        "_kg": season.units.mass,
        "_m2": season.units.area,
        "_kg_hl": season.units.test_weight,
    }
    for ending, unit in chosen.items():
        if column.endswith(ending):
            factor = _FACTORS[ending][unit]
            return values if factor == 1.0 else values * factor
    if column.endswith("temp_c") and season.units.temperature == "f":
        return (values - 32) / 1.8
    return values


def _texts(cells, name, table) -> pd.Series:
    """Return keys and remarks as text; 7 stays "7" and "007" stays "007"."""
    if cells.dtype == object:  # typed cells of a spreadsheet
        dates = cells.map(lambda cell: hasattr(cell, "isoformat"))
        fault_cells(
            table, name, cells[dates], "key-is-a-date", "text; format it as text"
        )
        cells = cells.mask(dates).map(_cell_text, na_action="ignore")
    elif pd.api.types.is_numeric_dtype(cells):
        cells = cells.map(_cell_text, na_action="ignore")
    texts = cells.astype("str")
    trimmed = texts.str.strip()
    spaced = (texts != trimmed) & texts.notna()
    if spaced.any():
        rows = tuple(map(int, texts.index[spaced]))
        said = f"spaces around {cells.name} were taken away in {len(rows)} row(s)."
        table.findings.append(
            Finding(code="spaces-trimmed", table=name, message=said, rows=rows)
        )
    return trimmed.mask(trimmed == "")


def _cell_text(cell) -> str:
    """Return a spreadsheet's cell as text, whole numbers without a decimal point."""
    whole = isinstance(cell, float | np.floating) and cell.is_integer()
    return str(int(cell)) if whole else str(cell)


def _numbers(cells, name, table) -> pd.Series:
    """Return numbers; text, nan and infinity among them are faults."""
    if pd.api.types.is_numeric_dtype(cells):
        numbers = cells.astype(float)
    else:
        texts = cells.astype("str").str.strip()
        numbers = pd.to_numeric(texts, errors="coerce").astype(float)
        cells = cells.mask(texts == "")
    numbers = numbers.mask(np.isinf(numbers))
    wrong = cells[numbers.isna() & cells.notna()]
    rule = "a number with a decimal point, or an empty cell"
    fault_cells(table, name, wrong, "not-a-number", rule)
    return numbers


def _times(cells, name, table) -> pd.Series:
    """Return times, without a zone; what is not ISO 8601 is a fault."""
    if not pd.api.types.is_datetime64_any_dtype(cells):
        texts = cells.map(_iso_text, na_action="ignore").astype("str").str.strip()
        cells = cells.mask(texts == "")
        _find_mixed_zones(texts, name, table)
        times = pd.to_datetime(texts, format="ISO8601", errors="coerce", utc=True)
    else:
        times = pd.to_datetime(cells, utc=True)
    wrong = cells[times.isna() & cells.notna()]
    fault_cells(table, name, wrong, "not-a-time", "a time such as 2025-10-03T14:30")
    return times.dt.tz_localize(None).astype("datetime64[us]")


def _find_mixed_zones(texts: pd.Series, name: str, table: Table) -> None:
    """Say which times name their zone where others do not, or name another."""
    zones = texts.dropna().str.extract(r"T.*(Z|[+-]\d\d(?::?\d\d)?)$")[0].fillna("")
    usual = zones.mode()
    other = zones[zones != usual.iloc[0]] if len(usual) else zones
    if len(other):
        rows = tuple(map(int, other.index))
        said = (
            f"{texts.name} of row {listed(rows)} names another zone than the others; "
        )
        said += "times with a zone are read as UTC, the others as they stand."
        found = Finding(code="zones-mixed", table=name, rows=rows, message=said)
        table.findings.append(found)


def _iso_text(cell) -> str:
    """Return a spreadsheet's date in ISO 8601, other cells as text."""
    return cell.isoformat() if hasattr(cell, "isoformat") else str(cell)


def _flags(cells, name, table) -> pd.Series:
    """Return yes and no as booleans; other words are faults."""
    words = cells.map(str, na_action="ignore").astype("str").str.strip().str.casefold()
    flags = pd.Series(pd.NA, index=cells.index, dtype="boolean")
    flags[words.isin(_YES)] = True
    flags[words.isin(_NO)] = False
    wrong = cells[flags.isna() & words.notna() & (words != "")]
    fault_cells(table, name, wrong, "not-a-number", "yes or no")
    return flags
