"""The tables of a season: their columns, and cells turned into what those ask for.

Each column's kind, range, unit and meaning stand in schema.csv.
"""

from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import cache
from typing import Any, Literal

import numpy as np
import pandas as pd
import pyarrow as arrow
from pydantic import BaseModel, ConfigDict

from kitlib.words.findings import Finding
from kitlib.words.terms import counted, csv_rows, listed

TEXT, NUMBER, TIME, FLAG = "text", "number", "time", "flag"
DTYPES = {TEXT: "str", NUMBER: "float64", TIME: "datetime64[us]", FLAG: "boolean"}


@dataclass(frozen=True)
class CellRule:
    """A column of a table: what its cells hold, and between which values."""

    kind: str
    needed: bool  # whether the table must have it
    low: float  # nan where there is no range
    high: float
    unit: str
    near: str  # the column within whose groups its cells should lie near together,
    apart: float  # at most so far from the median: °C, else a factor; nan for times


SCHEMAS: dict[str, dict[str, CellRule]] = {}
for _row in csv_rows("kitlib.intake", "schema.csv"):
    _low, _high, _apart = (float(_row[n] or "nan") for n in ("low", "high", "apart"))
    _needed, _texts_of = _row["needed"] == "yes", (_row["unit"], _row["near"])
    _rule = CellRule(_row["kind"], _needed, _low, _high, *_texts_of, _apart)
    SCHEMAS.setdefault(_row["table"], {})[_row["column"]] = _rule
# What is said of each thing found, by key: its code, a sentence and a remedy.
SENTENCES = {row["key"]: row for row in csv_rows("kitlib.intake", "sentences.csv")}
REQUIRED_TABLES = ("plots", "oven", "curves")
# Headers that earlier files of users have, ours by theirs.
FORMER_HEADERS = {
    "load_cells_verified": "scale_checked",
    "sample_mass_kg": "grain_mass_kg",
    "known_test_weight_kg_hl": "lab_test_weight_kg_hl",
    "ambient_temp_c": "air_temp_c",
    "rewetted": "water_added",
}
PLACE = ["trial", "plot"]  # what names a plot
SAMPLE_KEYS = ["sample", *PLACE]
# Columns that hold a moisture: season.toml sets how high one may be.
MOISTURES = ("sensor_pct", "moisture_pct", "known_pct", "low_pct", "high_pct")
# Columns whose cells are names: spelt in several ways, they mean one thing.
NAMES: tuple[str, ...] = ("trial", "plot", "entry", "crop", "curve", "sample")
NAMES += ("method", "lab", "meter", "sensor", "chamber_config", "location")

# Rows of a table's second file begin at this number, those of its third at twice it,
# so that a row has one number and yet tells its file.
ROWS_PER_SOURCE = 10_000_000
# What stands in a name's place where it is the one above.
_DITTO = r"(?i)[\"”〃]|''|,,|ditto|dito|do\.|idem|id\."
_QUOTED = 3  # cells at fault that are quoted; the rest of their kind are counted


@cache
def needed_columns(table: str, kinds: tuple = tuple(DTYPES)) -> tuple[str, ...]:
    """Return the columns a table must have; with `kinds`, those of some kinds."""
    columns = SCHEMAS[table].items()
    return tuple(name for name, c in columns if c.needed and c.kind in kinds)


def empty_table(name: str) -> pd.DataFrame:
    """Return a table without rows, every column of its kind."""
    columns = {c: pd.Series(dtype=DTYPES[t.kind]) for c, t in SCHEMAS[name].items()}
    return pd.DataFrame(columns).rename_axis(index="row_in_file")


def described_columns() -> str:
    """Return what each column holds, table by table, as Markdown for a README."""
    lines = ["Times are local, without a zone. A column in bold must be there."]
    for table in SCHEMAS:
        lines += [f"\n### {table}\n", "| column | unit | holds |", "|---|---|---|"]
        for row in csv_rows("kitlib.intake", "schema.csv"):
            name = f"`{row['column']}`"
            name = f"**{name}**" if row["needed"] else name
            if row["table"] == table:
                lines.append(f"| {name} | {row['unit']} | {row['meaning']} |")
    return "\n".join(lines) + "\n"


class Strict(BaseModel):
    """Settings that refuse a key they do not know."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)


class Units(Strict):
    """Units that tables are written in; None where it is not said here."""

    moisture: Literal["percent", "fraction", "dry_basis"] | None = None
    mass: Literal["kg", "lb", "g", "mg"] | None = None
    test_weight: Literal["kg_hl", "lb_bu"] | None = None
    area: Literal["m2", "ft2", "ac"] | None = None
    temperature: Literal["c", "f"] | None = None


OUR_UNITS = Units(
    moisture="percent", mass="kg", test_weight="kg_hl", area="m2", temperature="c"
)
_ENDINGS = {"_kg_hl": "test_weight", "_kg": "mass", "_m2": "area"}
_ENDINGS |= {"_g": "mass", "temp_c": "temperature"}
# What makes ours of a number in a unit: kg, m² and kg/hL. Exact by definition.
FACTORS = {
    "lb": 0.45359237,
    "g": 0.001,
    "mg": 1e-6,
    "ft2": 0.09290304,
    "ac": 4046.8564224,
    # By the Winchester bushel, 2150.42 in³ (7 CFR 810.102(d)). Volume arithmetic only:
    # some grading tables use fitted lines per crop, which allow for packing.
    "lb_bu": 45.359237 / 35.23907016688,
}


@cache
def quantity_of(column: str) -> str:
    """Return the quantity whose unit a column is converted from, or nothing."""
    if column in MOISTURES:
        return "moisture"
    ends = (what for ending, what in _ENDINGS.items() if column.endswith(ending))
    return next(ends, "")


def in_our_unit(values: pd.Series, column: str, units: Units) -> pd.Series:
    """Convert a column from the file's unit.

    Moisture on dry basis D is 100·D/(100 + D) percent on wet basis.
    """
    quantity = quantity_of(column)
    unit = getattr(units, quantity) if quantity else ""
    if unit == "dry_basis":
        return 100 * values / (100 + values)
    if unit == "fraction":
        return values * 100
    if unit == "f":
        return (values - 32) / 1.8
    if not quantity:
        return values
    factor = 1000 if unit and column.endswith("_g") else 1  # what a dish weighs: g
    return values * (factor * FACTORS.get(unit, 1.0))


def found(
    key: str, table: str, rows: Iterable | None = None, curve: Any = "", **parts
) -> list[Finding]:
    """Return a finding in the words of sentences.csv, none if it has no rows.

    `rows` left out, it is about the whole table; `parts` fill the sentence in.
    """
    at = () if rows is None else tuple(rows)
    if rows is not None and not at:
        return []
    told, parts = SENTENCES[key], {**parts, "table": table, "curve": curve}
    said, remedy = (told[part].format(**parts) for part in ("sentence", "remedy"))
    return [Finding(told["code"], said, table, at, curve=curve, remedy=remedy)]


@dataclass(frozen=True)
class Source:
    """One file or sheet that rows of a table come from."""

    name: str  # path in the season folder, with the sheet: combine.xlsx#Plots
    headers: dict[str, str]  # by our column, its header in the file
    units_row: dict[str, str]  # by our column, what a row of units says
    units: Units  # those that season.toml gives for it
    sheets: tuple[str, ...] = ()  # the workbook's that hold anything, named alike


@dataclass
class CheckedTable:
    """A table whose cells are what they should be, with all that was found."""

    # Typed columns, those the audit does not know kept; indexed by the row in the file
    # (header = row 1), in a further file counted on from a multiple of
    # `ROWS_PER_SOURCE`. A cell at fault is empty.
    frame: pd.DataFrame
    name: str = ""
    findings: list[Finding] = field(default_factory=list)
    # First fault of a row, code and words: what a later step quotes when it must leave
    # the row out for want of the cell.
    faults: dict[int, tuple[str, str]] = field(default_factory=dict)
    left_out: list[pd.DataFrame] = field(default_factory=list)  # with their reason
    read: int = 0  # rows read from the files
    by_sample: bool = False  # whether the plots tell where its samples were taken
    stacked: bool = False  # whether rows come from several files or sheets
    # The files and sheets; row r comes from sources[r // ROWS_PER_SOURCE].
    sources: list[Source] = field(default_factory=list)

    @property
    def needed(self) -> tuple[str, ...]:
        """The columns it must have."""
        needed = needed_columns(self.name)
        return tuple(c for c in needed if c not in PLACE) if self.by_sample else needed

    def where(self, rows: Iterable[int], most: int = 12) -> str:
        """Return rows as a reader finds them: with the file, where there are several.

        One file gives "rows 4 and 9", several "a.csv row 4 and b.csv row 9".
        """
        by_source: dict[str, list[int]] = {}
        for row in rows:
            source, own = divmod(int(row), ROWS_PER_SOURCE)
            name = self.sources[source].name if self.stacked else ""
            if own not in by_source.setdefault(name, []):  # two dishes of a row
                by_source[name].append(own)
        parts = [
            f"{name} row{'s' if len(own) > 1 else ''} {listed(own, most)}".strip()
            for name, own in by_source.items()
        ]
        return listed(parts, most)

    def tell(self, key: str, rows: Iterable | None = None, **parts) -> None:
        """Add a finding about this table, unless it has no rows."""
        self.findings += found(key, self.name, rows, **parts)

    def fault(self, wrong: pd.Series, code: str, rule: str) -> None:
        """Record cells at fault: one finding, which quotes the first ones.

        `wrong` holds the cells by their row; its name is their column.
        """
        if wrong.empty:
            return
        cells = list(zip(map(int, wrong.index), map(_quoted, wrong), strict=True))
        for row, value in cells:
            said = f"{self.where([row])}: {wrong.name} is {value}"
            self.faults.setdefault(row, (code, f"{said}; expected {rule}."))
        if len(cells) > 1:
            shown = [f"{value} ({self.where([row])})" for row, value in cells[:_QUOTED]]
            rest = [""] * (len(cells) - len(shown))  # only counted
            said = f"{wrong.name} is {listed([*shown, *rest], _QUOTED)}"
        said = f"{said}; expected {rule}."
        self.findings.append(Finding(code, said, self.name, tuple(wrong.index)))

    def account_of(self, gone, code, reason, quote: bool = True) -> pd.DataFrame:
        """Return rows as left_out.csv has them: their keys, a code and a reason.

        Code and reason are one text or one for each row; with `quote`, a row with a
        fault in a cell of its own gives that in their place.
        """
        rows = pd.DataFrame({"table": self.name, "file": "", "row": gone.index})
        for key in ("trial", "plot", "sample", "curve"):
            rows[key] = gone[key].array if key in gone else ""
        rows = rows.astype(object).assign(code=code, reason=reason)
        for n, row in enumerate(gone.index if quote else ()):
            if int(row) in self.faults:
                rows.loc[n, ["code", "reason"]] = self.faults[int(row)]
        return rows

    def leave_out(self, which, code: str, reason: str) -> None:
        """Move rows from the frame to those left out, quoting their own faults."""
        if which.any():
            self.left_out.append(self.account_of(self.frame[which], code, reason))
            self.frame = self.frame[~which]


def located(
    findings: Iterable[Finding], tables: Mapping[str, CheckedTable]
) -> list[Finding]:
    """Return findings that say the file of their rows, if a table has several."""
    return [
        replace(found, where=tables[found.table].where(found.rows))
        if found.rows and len(getattr(tables.get(found.table), "sources", ())) > 1
        else found
        for found in findings
    ]


def _quoted(value, longest: int = 40) -> str:
    """Return a cell's value for a message, cut where it is long."""
    text = str(value)
    text = text if len(text) <= longest else f"{text[:longest]}… ({len(text)} letters)"
    return text if isinstance(value, float | int) else repr(text)


def in_its_kind(
    cells: pd.Series,
    kind: str,
    table: CheckedTable,
    decimal: str = ".",
    dates: Sequence[str] = (),
) -> pd.Series:
    """Return a column's cells as its kind asks; those at fault are empty, and told.

    Cells are text, or typed ones of a spreadsheet or a Parquet file; `decimal` is the
    file's mark before decimals, `dates` its forms of times besides ISO 8601.
    """
    if kind == NUMBER:
        return _numbers(cells, table, decimal)
    if kind == TIME:
        return _times(cells, table, dates)
    return (_texts if kind == TEXT else _flags)(cells, table)


def trimmed(cells: pd.Series) -> pd.Series:
    """Return cells as text without spaces around it, missing where none is left."""
    texts = cells.astype("str").str.strip()
    return texts.mask(texts == "")


def _texts(cells: pd.Series, table: CheckedTable) -> pd.Series:
    """Return keys and remarks as text; 7 stays "7" and "007" stays "007"."""
    if cells.dtype == object:  # typed cells of a spreadsheet
        dates = cells.map(lambda cell: hasattr(cell, "isoformat"))
        table.fault(cells[dates], "key-is-a-date", "text; format it as text")
        cells = cells.mask(dates)
    if cells.dtype == object or pd.api.types.is_numeric_dtype(cells):
        # Whole numbers of a spreadsheet are written without a decimal point.
        floats = (float, np.floating)
        cells = cells.map(
            lambda c: f"{c:.0f}" if isinstance(c, floats) and c == c // 1 else str(c),
            na_action="ignore",
        )
    texts = cells.astype("str")
    plain = trimmed(texts)
    spaced = texts.index[(texts != plain.fillna("")) & texts.notna()]
    n = counted(len(spaced), "row")
    table.tell("spaces-trimmed", spaced, column=cells.name, n=n)
    if cells.name in NAMES:
        marks = plain.str.fullmatch(_DITTO).fillna(False).astype(bool)
        rule = "the name itself, not a mark that repeats the cell above; fill it down"
        table.fault(plain[marks], "ditto-mark", rule)
        plain = plain.mask(marks)
    return plain


def _numbers(cells: pd.Series, table: CheckedTable, decimal: str) -> pd.Series:
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
        try:  # twenty times as quick, and every cell of most columns is a number
            plain = arrow.chunked_array(texts).cast(arrow.float64())
            numbers = pd.Series(plain.to_numpy(), texts.index)
        except arrow.ArrowInvalid:
            numbers = pd.to_numeric(texts, errors="coerce").astype(float)
    numbers = numbers.mask(np.isinf(numbers))
    wrong = cells[numbers.isna() & cells.notna()]
    mark = "comma" if decimal == "," else "point"
    rule = f"a number with a decimal {mark}, or an empty cell"
    commas = wrong.astype("str").str.fullmatch(r"\s*[+-]?\d+,\d+\s*")
    if mark == "point" and len(wrong) and commas.mean() > 0.5:
        rule += '; if the file has decimal commas, set decimal = "," in '
        rule += f"[files.{table.name}]"
    table.fault(wrong, "not-a-number", rule)
    return numbers


def _times(cells: pd.Series, table: CheckedTable, forms: Sequence[str]) -> pd.Series:
    """Return times, without a zone; what is neither ISO 8601 nor as told is a fault."""
    if pd.api.types.is_datetime64_any_dtype(cells):
        times = pd.to_datetime(cells, utc=True)
    else:
        texts = trimmed(cells)
        cells = cells.mask(texts.isna())
        times = pd.to_datetime(texts, format="ISO8601", errors="coerce", utc=True)
        ways = [
            pd.to_datetime(texts, format=f, errors="coerce", utc=True) for f in forms
        ]
        for told in ways:
            times = told.fillna(times)
        for told in ways:  # what two forms read in two ways is no time
            times = times.mask(told.notna() & (told != times))
        _find_mixed_zones(texts, table)
    wrong = cells[times.isna() & cells.notna()]
    rule = "a time such as 2025-10-03T14:30"
    two_ways = r"\s*\d{1,2}[./-]\d{1,2}[./-]\d{2,4}.*"
    if forms:
        rule += f" or of the form {listed(map(repr, forms))}"
    elif wrong.astype("str").str.fullmatch(two_ways).any():
        rule += ", for day and month can be read two ways; say which comes first in "
        rule += f'[files.{table.name}], such as dates = "%d/%m/%Y %H:%M" or "%m/%d/%Y"'
    table.fault(wrong, "not-a-time", rule)
    return times.dt.tz_localize(None).astype("datetime64[us]")


def _find_mixed_zones(texts: pd.Series, table: CheckedTable) -> None:
    """Say which times name their zone where others do not, or name another."""
    zone = r"Z|UTC|[+-]\d\d(?::?\d\d)?"
    if not texts.str.contains(rf":.*(?:{zone})$").any():
        return  # as in most tables; quickly seen
    zones = texts.dropna().str.extract(rf"\d[T ]\d\d?:.*?({zone})$")[0].fillna("")
    usual = next(iter(zones.mode()), "")
    other = zones.index[zones != usual]
    table.tell("zones-mixed", other, column=texts.name, where=table.where(other))
    if usual and other.empty:
        table.tell("zone-named", column=texts.name, zone=usual)


def _flags(cells: pd.Series, table: CheckedTable) -> pd.Series:
    """Return yes and no as booleans; other words are faults."""
    words = trimmed(cells.map(str, na_action="ignore")).str.casefold()
    told = {w: True for w in ("yes", "y", "true", "1")}
    told |= {w: False for w in ("no", "n", "false", "0")}
    flags = words.map(told).astype("boolean")
    table.fault(cells[flags.isna() & words.notna()], "not-yes-or-no", "yes or no")
    return flags


def by_value(cells: pd.Series, make: Callable, missing=np.nan) -> pd.Series:
    """Return what a function makes of each cell, called once a distinct value."""
    codes, values = pd.factorize(cells)
    made = pd.Series([*map(make, values), missing])
    return made.take(codes).set_axis(cells.index)


def plot_places(plots: pd.DataFrame, rows: pd.DataFrame) -> np.ndarray:
    """Return where each row's plot stands in the plots table, −1 where it does not."""
    keys = pd.MultiIndex.from_frame(plots[PLACE])
    return keys.get_indexer(pd.MultiIndex.from_frame(rows[PLACE]))


def at_places(cells: pd.Series, places: np.ndarray) -> pd.Series:
    """Return the cells at places, missing where a place is −1."""
    return pd.Series(cells.array.take(places, allow_fill=True), copy=False)
