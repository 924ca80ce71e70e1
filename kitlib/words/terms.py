"""The vocabulary: how numbers are written, and every output column's declaration.

`columns.csv`, beside this file, declares every column of every output table once:
label, unit, decimals, sign, meaning and estimate. The order of the CSV files, the
tables of notebooks and reports, and the `columns.csv` of a run all come from it.
"""

import csv
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from decimal import ROUND_HALF_UP, Decimal
from functools import cache
from importlib.resources import files
from math import isfinite
from typing import Any

import pandas as pd

NOT_KNOWN = "not known"
MINUS = "−"  # as wide as a plus, so that signed numbers stand below each other


def round_half_up(value: float, decimals: int) -> float:
    """Return `value` rounded for display, halves away from zero.

    7 CFR 810.104 rounds grain results half up (6.36 to 6.4, 0.35 to 0.4); the
    decimal text of the number is rounded, so 0.35 counts as a half although its
    binary neighbour lies below.

    Examples
    --------
    >>> round_half_up(2.45, 1), round_half_up(0.35, 1), round_half_up(8.34, 1)
    (2.5, 0.4, 8.3)
    """
    step = Decimal(1).scaleb(-decimals)
    rounded = Decimal(repr(float(value))).quantize(step, rounding=ROUND_HALF_UP)
    return float(rounded) + 0.0  # no minus zero


def round_to_step(value: float, step: float) -> float:
    """Return the multiple of `step` nearest to `value`, halves away from zero.

    Examples
    --------
    >>> round_to_step(-0.25, 0.1), round_to_step(0.37, 0.25)
    (-0.3, 0.25)
    """
    exact = Decimal(repr(float(value))) / Decimal(repr(float(step)))
    whole = exact.to_integral_value(rounding=ROUND_HALF_UP)
    return float(whole * Decimal(repr(float(step)))) + 0.0


def show(value: float | None, decimals: int = 2, sign: bool = False) -> str:
    """Return `value` as the reader sees it, or "not known".

    Examples
    --------
    >>> show(0.345), show(0.345, 1, sign=True), show(float("nan"))
    ('0.35', '+0.3', 'not known')
    """
    if value is None or not isfinite(value):
        return NOT_KNOWN
    shown = f"{round_half_up(value, decimals):{'+' if sign else ''}.{decimals}f}"
    return shown.replace("-", MINUS)


def show_span(low: float, high: float, decimals: int = 2, sign: bool = False) -> str:
    """Return an interval as the reader sees it: "low to high".

    Examples
    --------
    >>> show_span(-0.1, 0.25, sign=True)
    '−0.10 to +0.25'
    """
    if not (isfinite(low) and isfinite(high)):
        return NOT_KNOWN
    return f"{show(low, decimals, sign)} to {show(high, decimals, sign)}"


@dataclass(frozen=True)
class Column:
    """A column of an output table, as `columns.csv` declares it.

    Attributes
    ----------
    table, name : str
        Where it stands: the name of the CSV file, and the column's header in it.
    label, unit : str
        What a reader sees above it.
    decimals : int or None
        Decimals on display; None for text, times and truth values.
    sign : str
        What a positive number means; numbers of such a column show their sign.
    meaning, estimate : str
        What it is, and by which method it was estimated.
    """

    table: str
    name: str
    label: str
    unit: str = ""
    decimals: int | None = None
    sign: str = ""
    meaning: str = ""
    estimate: str = ""

    @property
    def number(self) -> bool:
        """Whether its cells are numbers to be rounded."""
        return self.decimals is not None

    @property
    def head(self) -> str:
        """Label with its unit, for an axis or the head of a table."""
        return f"{self.label} ({self.unit})" if self.unit else self.label

    def cell(self, value: Any) -> str:
        """Return a value as the reader sees it."""
        if self.decimals is not None and not isinstance(value, str):
            number = None if pd.isna(value) else float(value)
            return show(number, self.decimals, bool(self.sign))
        if isinstance(value, bool):
            return "yes" if value else "no"
        if pd.isna(value):
            return ""
        if isinstance(value, pd.Timestamp):
            return f"{value:%Y-%m-%d %H:%M}".removesuffix(" 00:00")
        return str(value)


@cache
def declared_columns() -> tuple[Column, ...]:
    """Return the declaration of every column, in the order of the tables."""
    text = files("kitlib.words").joinpath("columns.csv").read_text(encoding="utf-8")
    return tuple(
        Column(
            table=row["table"],
            name=row["column"],
            label=row["label"],
            unit=row["unit"],
            decimals=int(row["decimals"]) if row["decimals"] else None,
            sign=row["sign"],
            meaning=row["meaning"],
            estimate=row["estimate"],
        )
        for row in csv.DictReader(text.splitlines())
    )


def declarations() -> pd.DataFrame:
    """Return the table that explains all tables: the `columns.csv` of a run."""
    rows = [
        (c.table, c.name, c.label, c.unit, c.decimals, c.sign, c.meaning, c.estimate)
        for c in declared_columns()
    ]
    found = pd.DataFrame(rows, columns=list(columns_of("columns")))
    return found.astype({"decimals": "Int64"})


@cache
def columns_of(table: str) -> dict[str, Column]:
    """Return the columns of an output table by name, in their order.

    Examples
    --------
    >>> columns_of("curves")["bias"].head
    'Bias (points)'
    """
    found = {c.name: c for c in declared_columns() if c.table == table}
    if not found:
        raise KeyError(f"columns.csv declares no table {table!r}")
    return found


def shown(
    frame: pd.DataFrame, table: str, units: Mapping[str, tuple[str, int]] = {}
) -> list[tuple[Column, list[str]]]:
    """Return the columns of a frame as a reader sees them, each with its cells.

    Both ends of an interval, `x_low` and `x_high`, become one column, "low to high".

    Parameters
    ----------
    frame : DataFrame
        Some columns of an output table, in any order.
    table : str
        The table that declares them.
    units : mapping of str to (str, int)
        Unit and decimals of columns that stand in another unit than declared.
    """
    declared, found = dict(columns_of(table)), []
    for name, (unit, decimals) in units.items():
        declared[name] = replace(declared[name], unit=unit, decimals=decimals)
    for name in map(str, frame.columns):
        other = _other_end(name)
        if name != other and "high" in name and other in frame:
            continue
        column = declared[name]
        if name != other and other in frame:
            column = _of_both_ends(column, {declared[c].label for c in frame.columns})
            ends = zip(frame[name], frame[other], strict=True)
            signed, decimals = bool(column.sign), column.decimals or 0
            cells = [show_span(low, high, decimals, signed) for low, high in ends]
        else:
            cells = [column.cell(value) for value in frame[name]]
        found.append((column, cells))
    return found


def as_shown(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return a frame as a reader sees it: labels, units, rounded half up, "not known".

    Examples
    --------
    >>> found = pd.DataFrame({"bias": [0.345], "bias_low": [-0.1], "bias_high": [0.7]})
    >>> as_shown(found, "curves").iloc[0].to_dict()
    {'Bias (points)': '+0.35', 'Interval (points)': '−0.10 to +0.70'}
    """
    columns = shown(frame, table)
    cells = {k: cells for k, (_, cells) in enumerate(columns)}
    out = pd.DataFrame(cells, dtype="str")
    out.columns = pd.Index([column.head for column, _ in columns])
    return out


def _other_end(name: str) -> str:
    """Return the name of an interval's other end; the same name if it is no end."""
    parts = name.split("_")
    swapped = {"low": "high", "high": "low"}
    return "_".join(swapped.get(part, part) for part in parts)


def _of_both_ends(low: Column, labels: set[str]) -> Column:
    """Return the column that shows both ends of an interval."""
    whole = low.label.removesuffix(", low end")
    return replace(low, label="Interval" if whole in labels else whole)


@dataclass(frozen=True)
class Term:
    """A quantity or key of the season, as every table, label and axis names it.

    Attributes
    ----------
    name : str
        Column header.
    unit : str
        Unit as printed; empty for keys.
    label : str
        What a reader sees.
    decimals : int
        Decimals on display.
    """

    name: str
    unit: str
    label: str
    decimals: int = 2

    @property
    def axis(self) -> str:
        """Label with its unit, for an axis or a table head."""
        return f"{self.label} ({self.unit})" if self.unit else self.label


POINTS = "% moisture"
WET_BASIS = "% moisture, wet basis"

TRIAL = Term("trial", "", "Trial")
PLOT = Term("plot", "", "Plot")
ENTRY = Term("entry", "", "Entry")
CURVE = Term("curve", "", "Curve")
BLOCK = Term("block", "", "Block")
SENSOR = Term("sensor_pct", WET_BASIS, "Sensor", 1)
REFERENCE = Term("reference_pct", WET_BASIS, "Air-oven", 2)
ERROR = Term("error", POINTS, "Error, sensor − air-oven", 2)
RMSEP = Term("rmsep", POINTS, "RMSEP", 2)
OFFSET = Term("offset", POINTS, "Offset", 2)
MASS = Term("plot_mass_kg", "kg", "Plot mass", 3)
AREA = Term("plot_area_m2", "m²", "Plot area", 2)

_ACCEPTED_CROPS = {
    "corn": "maize",
    "canola": "rapeseed",
    "oilseed rape": "rapeseed",
    "soybeans": "soybean",
    "soya": "soybean",
}


def crop_key(crop: str) -> str:
    """Return the crop's name as the table of limits writes it.

    Examples
    --------
    >>> crop_key("Corn"), crop_key(" wheat "), crop_key("Millet")
    ('maize', 'wheat', 'millet')
    """
    plain = " ".join(crop.casefold().split())
    return _ACCEPTED_CROPS.get(plain, plain)


def listed(names: Iterable[object], most: int = 8) -> str:
    """Return names as a phrase, the rest counted.

    Examples
    --------
    >>> listed(["a", "b", "c"]), listed(range(5), most=2)
    ('a, b and c', '0, 1 and 3 more')
    """
    words = [str(name) for name in names]
    if len(words) > most:
        words = [*words[:most], f"{len(words) - most} more"]
    if len(words) < 2:
        return "".join(words)
    return f"{', '.join(words[:-1])} and {words[-1]}"


def counted(n: int, noun: str, plural: str | None = None) -> str:
    """Return a count with its noun.

    Examples
    --------
    >>> counted(1, "trial"), counted(3, "trial"), counted(0, "dish", "dishes")
    ('1 trial', '3 trials', '0 dishes')
    """
    return f"{n} {noun if n == 1 else plural or noun + 's'}"
