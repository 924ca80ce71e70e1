"""Each table of a season, stated once: its columns, their kinds and their ranges."""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Literal

import numpy as np
import pandas as pd
import pandera.pandas as pa
import pyarrow as arrow
from pydantic import BaseModel, ConfigDict

from kitlib.words.findings import Finding
from kitlib.words.terms import counted, listed

Moisture = Literal["percent", "fraction", "dry_basis"]


class Strict(BaseModel):
    """Settings that refuse a key they do not know."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Units(Strict):
    """Units that tables are written in; None where it is not said here."""

    moisture: Moisture | None = None
    mass: Literal["kg", "lb", "g"] | None = None
    test_weight: Literal["kg_hl", "lb_bu"] | None = None
    area: Literal["m2", "ft2", "ac"] | None = None
    temperature: Literal["c", "f"] | None = None


OUR_UNITS = Units(
    moisture="percent", mass="kg", test_weight="kg_hl", area="m2", temperature="c"
)


TEXT, NUMBER, TIME, FLAG = "text", "number", "time", "flag"
_DTYPES = {TEXT: "str", NUMBER: float, TIME: "datetime64[us]", FLAG: "boolean"}


def _column(kind, *, needed=True, empty_ok=False, low=None, high=None, unit=""):
    """Return a column; `needed` asks for the header, `empty_ok` for no value."""
    checks = []
    if low is not None:
        rule = f"{low:g} to {high:g} {unit}".strip()
        checks = [pa.Check.in_range(low, high, error=rule)]
    return pa.Column(
        _DTYPES[kind],
        checks,
        nullable=empty_ok or not needed,
        required=needed,
        metadata={"kind": kind},
    )


def _key():
    return _column(TEXT)


def _text():
    return _column(TEXT, needed=False)


def _time(needed=False):
    return _column(TIME, needed=needed, empty_ok=True)


def _number(low, high, unit, needed=False):
    """Return a number that may be left empty; beyond its range it is a fault."""
    return _column(NUMBER, needed=needed, empty_ok=True, low=low, high=high, unit=unit)


_MOISTURE = (0.0, 100.0, "% moisture, wet basis")
_GRAMS = (0.0, 5000.0, "g")
_TEST_WEIGHT = (10.0, 110.0, "kg/hL")
_GRAIN_TEMP = (-40.0, 80.0, "°C")
_ANY_OFFSET = (-20.0, 20.0, "% moisture")

_PLOT_KEY = {"trial": _key(), "plot": _key()}

SCHEMAS: dict[str, pa.DataFrameSchema] = {
    "plots": pa.DataFrameSchema(
        {
            **_PLOT_KEY,
            "entry": _key(),
            "crop": _key(),
            "curve": _key(),
            "sensor_pct": _number(*_MOISTURE, needed=True),
            # What is zero or negative is kept here and named where yields are made.
            "plot_mass_kg": _number(-1e5, 1e5, "kg", needed=True),
            "plot_area_m2": _number(-1e6, 1e6, "m²", needed=True),
            "block": _text(),
            "row": _text(),
            "range": _text(),
            "location": _text(),
            "sensor": _text(),
            "chamber_config": _text(),
            "harvested_at": _time(),
            "offset_in_force": _number(*_ANY_OFFSET),
            "test_weight_kg_hl": _number(*_TEST_WEIGHT),
            "grain_temp_c": _number(*_GRAIN_TEMP),
            "remark": _text(),
        }
    ),
    "oven": pa.DataFrameSchema(
        {
            "sample": _key(),
            **_PLOT_KEY,
            "method": _key(),
            "moisture_pct": _number(*_MOISTURE),
            "tare_g": _number(*_GRAMS),
            "wet_g": _number(*_GRAMS),
            "dry_g": _number(*_GRAMS),
            "dish": _text(),
            "prestage_wet_g": _number(*_GRAMS),
            "prestage_dry_g": _number(*_GRAMS),
            "sealed_mass_g": _number(*_GRAMS),
            "opened_mass_g": _number(*_GRAMS),
            "sampled_at": _time(),
            "weighed_at": _time(),
            "selection_reason": _text(),
            "lab": _text(),
            "remark": _text(),
        }
    ),
    "benchtop": pa.DataFrameSchema(
        {
            "sample": _key(),
            **_PLOT_KEY,
            "meter": _key(),
            "moisture_pct": _number(*_MOISTURE, needed=True),
            "reading": _text(),
            "read_at": _time(),
            "grain_temp_c": _number(*_GRAIN_TEMP),
            "test_weight_kg_hl": _number(*_TEST_WEIGHT),
            "remark": _text(),
        }
    ),
    "curves": pa.DataFrameSchema(
        {
            "curve": _key(),
            "crop": _key(),
            "offset_loaded": _number(*_ANY_OFFSET, needed=True),
            "sensor": _text(),
            "chamber_config": _text(),
            "built_on": _time(),
            "low_pct": _number(*_MOISTURE),
            "high_pct": _number(*_MOISTURE),
            "sep_at_setup": _number(0.0, 20.0, "% moisture"),
            "n_at_setup": _number(1.0, 1e6, "samples"),
            "parallel_of": _text(),
            "scale_checked": _column(FLAG, needed=False),
        }
    ),
    "readings": pa.DataFrameSchema(
        {
            **_PLOT_KEY,
            "curve": _key(),
            "sensor_pct": _number(*_MOISTURE, needed=True),
        }
    ),
    "setup_runs": pa.DataFrameSchema(
        {
            "curve": _key(),
            "sample": _key(),
            "known_pct": _number(*_MOISTURE, needed=True),
            "sensor_pct": _number(*_MOISTURE, needed=True),
            "run": _text(),
            "grain_mass_kg": _number(0.0, 100.0, "kg"),
            "lab_test_weight_kg_hl": _number(*_TEST_WEIGHT),
            "grain_temp_c": _number(*_GRAIN_TEMP),
            "air_temp_c": _number(*_GRAIN_TEMP),
            "water_added": _column(FLAG, needed=False),
            "run_at": _time(),
            "chamber_config": _text(),
            "offset_in_force": _number(*_ANY_OFFSET),
        }
    ),
    "check_runs": pa.DataFrameSchema(
        {
            "curve": _key(),
            "sample": _key(),
            "known_pct": _number(*_MOISTURE, needed=True),
            "sensor_pct": _number(*_MOISTURE, needed=True),
            "run_at": _time(needed=True),
            "run": _text(),
            "offset_in_force": _number(*_ANY_OFFSET),
            "remark": _text(),
        }
    ),
}

# Headers that earlier files of users have, ours by theirs.
FORMER_HEADERS = {
    "load_cells_verified": "scale_checked",
    "sample_mass_kg": "grain_mass_kg",
    "known_test_weight_kg_hl": "lab_test_weight_kg_hl",
    "ambient_temp_c": "air_temp_c",
    "rewetted": "water_added",
}
# Columns that hold a moisture: season.toml sets how high one may be.
MOISTURES = ("sensor_pct", "moisture_pct", "known_pct", "low_pct", "high_pct")
# Columns whose cells are names: spelt in several ways, they mean one thing.
NAMES = (
    "trial",
    "plot",
    "entry",
    "crop",
    "curve",
    "sample",
    "method",
    "lab",
    "meter",
    "location",
    "sensor",
    "chamber_config",
)
REQUIRED_TABLES = ("plots", "oven", "curves")
# Keys no two rows of a table may share.
UNIQUE_KEYS = {"plots": ["trial", "plot"], "readings": ["trial", "plot", "curve"]}


@cache
def column_kinds(table: str) -> dict[str, str]:
    """Return the kind of every column the audit knows in a table."""
    return {
        name: column.metadata["kind"] for name, column in SCHEMAS[table].columns.items()
    }


@cache
def column_ranges(table: str) -> dict[str, tuple[float, float]]:
    """Return the lowest and highest value of every column that has a range."""
    ranges = {}
    for name, column in SCHEMAS[table].columns.items():
        for check in column.checks:
            ends = check.statistics
            ranges[name] = (ends["min_value"], ends["max_value"])
    return ranges


@cache
def needed_columns(table: str) -> tuple[str, ...]:
    """Return the columns a table must have."""
    columns = SCHEMAS[table].columns
    return tuple(name for name, column in columns.items() if column.required)


# Cells at fault that are quoted; the rest of their kind are counted.
QUOTED = 3
# Rows of a table's second file begin at this number, those of its third at twice it,
# so that a row has one number and yet tells its file.
ROWS_PER_SOURCE = 10_000_000
LEFT_OUT_COLUMNS = ["table", "file", "row", "trial", "plot", "sample", "curve"]
LEFT_OUT_COLUMNS += ["code", "reason"]

# Factors to our units, by the ending of the column they apply to.
_FACTORS = {
    "_kg": {"kg": 1.0, "lb": 0.45359237, "g": 0.001},
    "_m2": {"m2": 1.0, "ft2": 0.09290304, "ac": 4046.8564224},
    # 1 lb per Winchester bushel of 2150.42 in³ (7 CFR 810.102).
    "_kg_hl": {"kg_hl": 1.0, "lb_bu": 45.359237 / 35.23907016688},
}
_YES, _NO = ("yes", "y", "true", "1"), ("no", "n", "false", "0")
_TWO_WAYS = r"\s*\d{1,2}[./-]\d{1,2}[./-]\d{2,4}.*"


@dataclass(frozen=True)
class Source:
    """One file or sheet that rows of a table come from.

    Attributes
    ----------
    name : str
        Path in the season folder, with the sheet: ``combine.xlsx#Plots``.
    headers : dict of str to str
        Our columns that are in it, and the header each has in the file.
    units_row : dict of str to str
        By our column, what the row of units under the headers says.
    units : Units
        Those that season.toml gives for it.
    sheets : tuple of str
        The workbook's sheets that hold anything, named as `name` is.
    """

    name: str
    headers: dict[str, str]
    units_row: dict[str, str]
    units: Units
    sheets: tuple[str, ...] = ()


@dataclass
class Table:
    """A table whose cells are what they should be.

    Attributes
    ----------
    frame : DataFrame
        Typed columns, those the audit does not know kept; indexed by the row in
        the file (header = row 1), in a further file counted on from a multiple of
        `ROWS_PER_SOURCE`. A cell at fault is empty.
    findings : list of Finding
        All that was found.
    faults : dict
        First fault of a row, in words: what a later step quotes when it must
        leave the row out for want of the cell.
    left_out : list of DataFrame
        Rows no longer in `frame`, with their reason.
    read : int
        Rows read from the files.
    sources : list of Source
        The files and sheets; row r comes from ``sources[r // ROWS_PER_SOURCE]``.
    """

    frame: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)
    faults: dict[int, tuple[str, str]] = field(default_factory=dict)
    left_out: list[pd.DataFrame] = field(default_factory=list)
    read: int = 0
    sources: list[Source] = field(default_factory=list)

    def where(self, rows: Sequence[int], most: int = 12) -> str:
        """Return rows as a reader finds them: with the file, where there are several.

        Examples
        --------
        >>> two = [Source(name, {}, {}, Units()) for name in ("a.csv", "b.csv")]
        >>> Table(pd.DataFrame(), sources=two).where([4, 10_000_009])
        'a.csv row 4 and b.csv row 9'
        >>> Table(pd.DataFrame(), sources=two[:1]).where([4, 9])
        'rows 4 and 9'
        """
        by_source: dict[str, list[int]] = {}
        for row in rows:
            source, own = divmod(int(row), ROWS_PER_SOURCE)
            name = self.sources[source].name if len(self.sources) > 1 else ""
            if own not in by_source.setdefault(name, []):  # two dishes of a row
                by_source[name].append(own)
        parts = [
            f"{name} row{'s' if len(own) > 1 else ''} {listed(own, most)}".strip()
            for name, own in by_source.items()
        ]
        return listed(parts, most)


def located(findings: Iterable[Finding], tables: Mapping[str, Table]) -> list[Finding]:
    """Return findings that say the file of their rows, if a table has several."""
    return [
        replace(found, where=tables[found.table].where(found.rows, most=12))
        if found.rows and len(getattr(tables.get(found.table), "sources", ())) > 1
        else found
        for found in findings
    ]


def left_out_rows(frame, table: str, code: str, reason) -> pd.DataFrame:
    """Return rows of a table in the form of left_out.csv.

    `reason` is one text for all rows or one for each.
    """
    rows = pd.DataFrame({"table": table, "file": "", "row": frame.index}, dtype=object)
    for name in ("trial", "plot", "sample", "curve"):
        rows[name] = frame[name].to_numpy(object) if name in frame else ""
    rows["code"] = code
    rows["reason"] = reason
    return rows[LEFT_OUT_COLUMNS]


def fault_cells(table: Table, name: str, wrong, code: str, rule: str) -> None:
    """Record cells at fault: one finding, which quotes the first and counts the rest.

    `wrong` is a Series of the cells; its name is their column.
    """
    if wrong.empty:
        return
    for row, value in wrong.items():
        said = f"{table.where([row])}: {wrong.name} is {_quoted(value)}; "
        table.faults.setdefault(int(row), (code, f"{said}expected {rule}."))
    shown = [f"{_quoted(v)} ({table.where([r])})" for r, v in wrong[:QUOTED].items()]
    said = f"{wrong.name} is {listed([*shown, *wrong.index[QUOTED:]], QUOTED)}"
    if len(wrong) == 1:
        row, value = wrong.index[0], wrong.iloc[0]
        said = f"{table.where([row])}: {wrong.name} is {_quoted(value)}"
    said += f"; expected {rule}."
    found = Finding(code=code, table=name, message=said, rows=tuple(wrong.index))
    table.findings.append(found)


def _quoted(value, longest: int = 40) -> str:
    """Return a cell's value for a message, cut where it is long."""
    text = str(value)
    text = text if len(text) <= longest else f"{text[:longest]}… ({len(text)} letters)"
    return text if isinstance(value, float | int) else repr(text)


def in_its_kind(
    cells: pd.Series,
    kind: str,
    name: str,
    table: Table,
    decimal: str = ".",
    dates: Sequence[str] = (),
) -> pd.Series:
    """Return a column's cells as its kind asks; the cells at fault are empty.

    Parameters
    ----------
    cells : Series
        Text, or typed cells of a spreadsheet or a Parquet file.
    kind : str
        TEXT, NUMBER, TIME or FLAG.
    name : str
        The table's name.
    table : Table
        Takes what is found.
    decimal : str
        The file's mark before decimals.
    dates : sequence of str
        Its forms of times, besides ISO 8601.
    """
    if kind == NUMBER:
        return _numbers(cells, name, table, decimal)
    if kind == TIME:
        return _times(cells, name, table, dates)
    return (_texts if kind == TEXT else _flags)(cells, name, table)


def in_our_unit(values: pd.Series, column: str, units: Units) -> pd.Series:
    """Convert a column from the file's unit, known by the column's ending.

    Moisture on dry basis D is 100·D/(100 + D) percent on wet basis.
    """
    if column in MOISTURES:
        if units.moisture == "dry_basis":
            return 100 * values / (100 + values)
        return values * 100 if units.moisture == "fraction" else values
    chosen = {"_kg": units.mass, "_m2": units.area, "_kg_hl": units.test_weight}
    for ending, unit in chosen.items():
        if column.endswith(ending):
            factor = _FACTORS[ending].get(unit or "", 1.0)
            return values if factor == 1.0 else values * factor
    if column.endswith("temp_c") and units.temperature == "f":
        return (values - 32) / 1.8
    return values


def trimmed(cells: pd.Series) -> pd.Series:
    """Return cells as text without spaces around it, missing where none is left."""
    texts = cells.astype("str").str.strip()
    return texts.mask(texts == "")


def _texts(cells, name, table) -> pd.Series:
    """Return keys and remarks as text; 7 stays "7" and "007" stays "007"."""
    if cells.dtype == object:  # typed cells of a spreadsheet
        dates = cells.map(lambda cell: hasattr(cell, "isoformat"))
        rule = "text; format it as text"
        fault_cells(table, name, cells[dates], "key-is-a-date", rule)
        cells = cells.mask(dates).map(_cell_text, na_action="ignore")
    elif pd.api.types.is_numeric_dtype(cells):
        cells = cells.map(_cell_text, na_action="ignore")
    texts = cells.astype("str")
    plain = trimmed(texts)
    spaced = texts.index[(texts != texts.str.strip()) & texts.notna()]
    if len(spaced):
        said = f"spaces around {cells.name} were taken away in "
        said += f"{counted(len(spaced), 'row')}."
        table.findings.append(
            Finding(code="spaces-trimmed", message=said, table=name, rows=tuple(spaced))
        )
    return plain


def _cell_text(cell) -> str:
    """Return a spreadsheet's cell as text, whole numbers without a decimal point."""
    whole = isinstance(cell, float | np.floating) and cell.is_integer()
    return str(int(cell)) if whole else str(cell)


def _numbers(cells, name, table, decimal: str) -> pd.Series:
    """Return numbers; text, nan and infinity among them are faults."""
    if pd.api.types.is_numeric_dtype(cells):
        numbers = cells.astype(float)
    else:
        texts = trimmed(cells)
        cells = cells.mask(texts.isna())
        if decimal == ",":
            numeric = cells.map(lambda cell: isinstance(cell, float | int))
            swapped = texts.str.translate(str.maketrans(",.", ".,"))
            texts = texts.where(numeric, swapped)
        numbers = _as_floats(texts)
    numbers = numbers.mask(np.isinf(numbers))
    wrong = cells[numbers.isna() & cells.notna()]
    mark = "comma" if decimal == "," else "point"
    rule = f"a number with a decimal {mark}, or an empty cell"
    if mark == "point" and _are_numbers_with_commas(wrong):
        rule += f'; if the file has decimal commas, set decimal = "," in [files.{name}]'
    fault_cells(table, name, wrong, "not-a-number", rule)
    return numbers


def _as_floats(texts: pd.Series) -> pd.Series:
    """Return text as numbers, nan where it is none; whole columns at once if it can."""
    try:  # twenty times as quick, and every cell of most columns is a number
        numbers = arrow.chunked_array(texts).cast(arrow.float64())
    except arrow.ArrowInvalid:
        return pd.to_numeric(texts, errors="coerce").astype(float)
    return pd.Series(numbers.to_numpy(), texts.index)


def _are_numbers_with_commas(wrong: pd.Series) -> bool:
    """Whether most cells that are no numbers would be with a decimal comma."""
    commas = wrong.astype("str").str.fullmatch(r"\s*[+-]?\d+,\d+\s*")
    return len(wrong) > 0 and bool(commas.mean() > 0.5)


def _times(cells, name, table, dates: Sequence[str]) -> pd.Series:
    """Return times, without a zone; what is neither ISO 8601 nor as told is a fault."""
    if not pd.api.types.is_datetime64_any_dtype(cells):
        texts = trimmed(cells.map(_iso_text, na_action="ignore"))
        cells = cells.mask(texts.isna())
        times = _as_times(texts, dates)
        _find_mixed_zones(texts, name, table)
    else:
        times = pd.to_datetime(cells, utc=True)
    wrong = cells[times.isna() & cells.notna()]
    rule = "a time such as 2025-10-03T14:30"
    if wrong.astype("str").str.fullmatch(_TWO_WAYS).any():
        rule += ", for day and month can be read two ways; say which comes first in "
        rule += f'[files.{name}], such as dates = "%d/%m/%Y %H:%M" or "%m/%d/%Y"'
    fault_cells(table, name, wrong, "not-a-time", rule)
    return times.dt.tz_localize(None).astype("datetime64[us]")


def _as_times(texts: pd.Series, forms: Sequence[str]) -> pd.Series:
    """Return text as times in UTC, in one of the forms or in ISO 8601."""
    times = pd.to_datetime(texts, format="ISO8601", errors="coerce", utc=True)
    for form in forms:
        told = pd.to_datetime(texts, format=form, errors="coerce", utc=True)
        times = told.fillna(times)
    return times


def _find_mixed_zones(texts: pd.Series, name: str, table: Table) -> None:
    """Say which times name their zone where others do not, or name another."""
    form = r"\d[T ]\d\d?:.*?(Z|UTC|[+-]\d\d(?::?\d\d)?)$"
    zones = texts.dropna().str.extract(form)[0].fillna("")
    usual = zones.mode()
    other = zones[zones != usual.iloc[0]] if len(usual) else zones
    if len(other):
        rows = tuple(other.index)
        said = f"{texts.name} of {table.where(rows)} names another zone than the "
        said += "others; times with a zone are read as UTC, the others as they "
        said += "stand."
        table.findings.append(
            Finding(
                code="zones-mixed", message=said, table=name, rows=tuple(other.index)
            )
        )


def _iso_text(cell) -> str:
    """Return a spreadsheet's date in ISO 8601, other cells as text."""
    return cell.isoformat() if hasattr(cell, "isoformat") else str(cell)


def _flags(cells, name, table) -> pd.Series:
    """Return yes and no as booleans; other words are faults."""
    words = trimmed(cells.map(str, na_action="ignore")).str.casefold()
    flags = pd.Series(pd.NA, index=cells.index, dtype="boolean")
    flags[words.isin(_YES)] = True
    flags[words.isin(_NO)] = False
    wrong = cells[flags.isna() & words.notna()]
    fault_cells(table, name, wrong, "not-a-number", "yes or no")
    return flags


def by_value(cells: pd.Series, make: Callable, missing=np.nan) -> pd.Series:
    """Return what a function makes of each cell, called once a distinct value.

    Parameters
    ----------
    cells : Series
    make : callable
        Given a value that is not missing.
    missing : object
        What stands for a missing value.

    Examples
    --------
    >>> by_value(pd.Series(["a", "b", "a"]), str.upper).tolist()
    ['A', 'B', 'A']
    """
    codes, values = pd.factorize(cells)
    made = pd.Series([*map(make, values), missing])
    return made.take(codes).set_axis(cells.index)


def plot_places(plots: pd.DataFrame, rows: pd.DataFrame) -> np.ndarray:
    """Return where each row's plot stands in the plots table, −1 where it does not.

    Examples
    --------
    >>> plots = pd.DataFrame({"trial": ["A", "A", "B"], "plot": ["1", "2", "1"]})
    >>> plot_places(plots, pd.DataFrame({"trial": ["B", "B"], "plot": ["1", "2"]}))
    array([ 2, -1])
    """
    keys = ["trial", "plot"]
    plots_keys = pd.MultiIndex.from_frame(plots[keys])
    return plots_keys.get_indexer(pd.MultiIndex.from_frame(rows[keys]))


def at_places(cells: pd.Series, places: np.ndarray) -> pd.Series:
    """Return the cells at places, missing where a place is −1.

    Examples
    --------
    >>> at_places(pd.Series([5.0, 6.0]), np.array([1, -1])).tolist()
    [6.0, nan]
    """
    return pd.Series(cells.array.take(places, allow_fill=True), copy=False)
