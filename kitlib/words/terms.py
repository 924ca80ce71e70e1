"""The vocabulary: how numbers are written, and every output column's declaration.

`columns.csv`, beside this file, declares every column of every output table once:
label, unit, decimals, sign, meaning and estimate. The order of the CSV files, the
tables of notebooks and reports, and the `columns.csv` of a run all come from it.
"""

import csv
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import astuple, dataclass, replace
from decimal import ROUND_HALF_UP, Decimal
from functools import cache
from importlib.resources import files
from math import isfinite
from string import Formatter
from typing import Any

import pandas as pd

NOT_KNOWN = "not known"
_OTHER_END = {"low": "high", "high": "low"}  # of an interval, in a column's name
MINUS = "−"  # as wide as a plus, so that signed numbers stand below each other


def round_half_up(value: float, decimals: int) -> float:
    """Return `value` rounded for display, halves away from zero.

    7 CFR 810.104 rounds grain results half up (6.36 to 6.4, 0.35 to 0.4); the
    decimal text of the number is rounded, so 0.35 counts as a half although its
    binary neighbour lies below.
    """
    if abs(value) >= 1e15:
        return float(value)  # no decimal of it is known, and Decimal has but 28 digits
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
    """Return an interval as the reader sees it: "low to high"."""
    if not (isfinite(low) and isfinite(high)):
        return NOT_KNOWN
    return f"{show(low, decimals, sign)} to {show(high, decimals, sign)}"


class Sentences(Formatter):
    """The sentences of a package, its `sentences.toml`, filled in for a reader.

    {x:2} is a number as `show` writes it, to two decimals, {x:+2} the same with its
    sign; of an interval both ends are written. Other forms are Python's.
    """

    def __init__(self, package: str) -> None:
        text = files(package).joinpath("sentences.toml").read_text(encoding="utf-8")
        self.sentences = tomllib.loads(text)

    def __call__(self, key: str, **values: Any) -> str:
        """Return a sentence by its key, its values filled in."""
        return self.format(self.sentences[key], **values)

    def format_field(self, value: Any, spec: str) -> str:
        """Write a number or an interval where the form is a number of decimals."""
        decimals = spec.removeprefix("+")
        if not decimals.isdecimal():
            return str(super().format_field(value, spec))
        places, sign = int(decimals), spec.startswith("+")
        if isinstance(value, tuple):
            low, high = value
            return show_span(low, high, places, sign)
        return show(value, places, sign)


def csv_rows(package: str, name: str) -> list[dict[str, str]]:
    """Return the rows of a table that lies in a package."""
    text = files(package).joinpath(name).read_text(encoding="utf-8")
    return list(csv.DictReader(text.splitlines()))


@dataclass(frozen=True)
class Column:
    """A column of an output table, as `columns.csv` declares it."""

    table: str  # name of the CSV file
    name: str  # the column's header in it
    label: str  # what a reader sees above it
    unit: str = ""
    decimals: int | None = None  # on display; None for text, times and truth values
    sign: str = ""  # what a positive number means; such numbers show their sign
    meaning: str = ""
    estimate: str = ""  # by which method it was estimated

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
        if pd.api.types.is_bool(value):
            return "yes" if value else "no"
        if pd.isna(value):
            return ""
        if isinstance(value, pd.Timestamp):
            return f"{value:%Y-%m-%d %H:%M}".removesuffix(" 00:00")
        return str(value)


@cache
def declared_columns() -> tuple[Column, ...]:
    """Return the declaration of every column, in the order of the tables."""
    found = []
    for row in csv_rows("kitlib.words", "columns.csv"):
        name, decimals = row.pop("column"), row.pop("decimals")
        places = int(decimals) if decimals else None
        found.append(Column(name=name, decimals=places, **row))
    return tuple(found)


def declarations() -> pd.DataFrame:
    """Return the table that explains all tables: the `columns.csv` of a run."""
    rows = map(astuple, declared_columns())
    found = pd.DataFrame(rows, columns=list(columns_of("columns")))
    return found.astype({"decimals": "Int64"})


@cache
def columns_of(table: str) -> dict[str, Column]:
    """Return the columns of an output table by name, in their order."""
    found = {c.name: c for c in declared_columns() if c.table == table}
    if not found:
        raise KeyError(f"columns.csv declares no table {table!r}")
    return found


def shown(
    frame: pd.DataFrame, table: str, units: Mapping[str, tuple[str, int]] = {}
) -> list[tuple[Column, list[str]]]:
    """Return the columns of a frame as a reader sees them, each with its cells.

    Both ends of an interval, `x_low` and `x_high`, become one column, "low to high".
    The frame holds some columns of an output table, in any order; `units` are unit and
    decimals of columns that stand in another unit than declared.
    """
    declared, found = dict(columns_of(table)), []
    for name, (unit, decimals) in units.items():
        declared[name] = replace(declared[name], unit=unit, decimals=decimals)
    for name in map(str, frame.columns):
        column = declared[name]
        other = "_".join(_OTHER_END.get(part, part) for part in name.split("_"))
        if other == name or other not in frame:
            found.append((column, [column.cell(value) for value in frame[name]]))
        elif "low" in name:  # the high end is shown with it
            whole = column.label.removesuffix(", low end")
            labels = {declared[c].label for c in frame.columns}
            column = replace(column, label="Interval" if whole in labels else whole)
            ends = zip(frame[name], frame[other], strict=True)
            signed, decimals = bool(column.sign), column.decimals or 0
            spans = [show_span(low, high, decimals, signed) for low, high in ends]
            found.append((column, spans))
    return found


def as_shown(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return a frame as a reader sees it: labels, units, rounded, or "not known"."""
    columns = shown(frame, table)
    out = pd.DataFrame(dict(enumerate(c for _, c in columns)), dtype="str")
    out.columns = pd.Index([column.head for column, _ in columns])
    return out


def declared_table(name: str, rows: list) -> pd.DataFrame:
    """Return rows as the table that is declared for them."""
    return pd.DataFrame(rows, columns=list(columns_of(name)))


def stacked(name: str, parts: list[pd.DataFrame]) -> pd.DataFrame:
    """Return parts as the one table that is declared for them."""
    none = declared_table(name, [])
    return pd.concat(parts, ignore_index=True)[list(none)] if parts else none


POINTS = "points"

_ACCEPTED_CROPS = {
    "corn": "maize",
    "canola": "rapeseed",
    "oilseed rape": "rapeseed",
    "soybeans": "soybean",
    "soya": "soybean",
}


def crop_key(crop: str) -> str:
    """Return the crop's name as the table of limits writes it: corn is maize."""
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
