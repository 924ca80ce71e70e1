"""Columns of text whose every cell is plain, converted whole; others are not judged.

A million cells are converted at once where not one of them asks a question; where one
does, nothing is returned and `cells` goes through the column cell by cell.

Work done once for each distinct value, and rows found by trial and plot.

A season's tables, read from CSV, Parquet or Excel and checked cell by cell.
"""

import csv
import os
import zipfile
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
import openpyxl
import pandas as pd
import pyarrow as arrow
import pyarrow.compute as compute
import pyarrow.csv
import pyarrow.parquet

from kitlib.intake.schema import SCHEMAS
from kitlib.words.errors import KitError
from kitlib.words.findings import Finding

# Letters of the ISO 8601 times that every reader takes alike: a date, and a date with
# a time to the minute or to the second.
_LENGTHS_OF_TIMES = arrow.array([10, 16, 19], arrow.int32())
_YEARS = np.array(["1700", "2200"], "datetime64[us]")


def as_arrow(cells: pd.Series) -> arrow.ChunkedArray | None:
    """Return a column of text as it lies in memory; None for other kinds."""
    if not isinstance(cells.dtype, pd.StringDtype):
        return None
    column = arrow.chunked_array(cells)
    return column if column.num_chunks else None


def plain_texts(cells: pd.Series) -> pd.Series | None:
    """Return text as it is, None where a cell has spaces around it or no letter."""
    texts = as_arrow(cells)
    if texts is None:
        return None
    if compute.min(compute.binary_length(texts)).as_py() == 0:
        return None
    if _has_spaces(texts):
        trimmed = compute.utf8_trim_whitespace(texts)
        if compute.all(compute.equal(texts, trimmed)).as_py() is False:
            return None
    return cells


def _has_spaces(texts: arrow.ChunkedArray) -> bool:
    """Whether the letters of a column hold a space, or may hold one."""
    letters = [chunk.buffers()[-1] for chunk in texts.chunks]
    # Spaces are at most 32 in ASCII; any other letter is negative as a signed byte.
    return any(
        (np.frombuffer(part, np.int8) <= ord(" ")).any() for part in letters if part
    )


def plain_numbers(cells: pd.Series) -> pd.Series | None:
    """Return numbers, None where a cell is no finite number; nan where it is empty."""
    numbers = _converted(cells, arrow.float64())
    if numbers is None:
        return None
    values = numbers.to_numpy()
    finite = np.count_nonzero(np.isfinite(values))
    if finite + numbers.null_count < len(values):
        return None
    return pd.Series(values, cells.index)


def plain_times(cells: pd.Series) -> pd.Series | None:
    """Return times, None where a cell is not a plain one of 1700 to 2200."""
    texts, times = as_arrow(cells), _converted(cells, arrow.timestamp("us"))
    if times is None:
        return None
    lengths = compute.binary_length(texts).cast(arrow.int32())
    alike = compute.is_in(lengths.drop_null(), value_set=_LENGTHS_OF_TIMES)
    values = times.to_numpy()
    known = values[~np.isnat(values)]
    inside = (known > _YEARS[0]) & (known < _YEARS[1])
    if compute.all(alike).as_py() is False or not inside.all():
        return None
    return pd.Series(values, cells.index)


def _converted(cells: pd.Series, kind: arrow.DataType) -> arrow.ChunkedArray | None:
    """Return a column of text as another kind, None where a cell is not of it."""
    texts = as_arrow(cells)
    try:
        return texts.cast(kind) if texts is not None else None
    except arrow.ArrowInvalid:
        return None


def without_blank_rows(cells: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that hold anything.

    Examples
    --------
    >>> without_blank_rows(pd.DataFrame({"a": ["1", None], "b": [None, None]}))["a"]
    0    1
    Name: a, dtype: str
    """
    if any(cells[column].notna().all() for column in cells):
        return cells
    return cells.dropna(how="all")


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


class PlotPlaces:
    """Where each plot stands in a table that holds it once.

    Examples
    --------
    >>> plots = pd.DataFrame({"trial": ["A", "A", "B"], "plot": ["1", "2", "1"]})
    >>> samples = pd.DataFrame({"trial": ["B", "B"], "plot": ["1", "2"]})
    >>> PlotPlaces(plots).of(samples).tolist()
    [2, -1]
    """

    def __init__(self, plots: pd.DataFrame):
        self._values, codes = {}, {}
        for name in ("trial", "plot"):
            codes[name], values = pd.factorize(plots[name])
            self._values[name] = arrow.array(values)
        self._keys = pd.Index(self._key(codes))

    def of(self, rows: pd.DataFrame) -> np.ndarray:
        """Return the place of each row's plot, −1 where there is no such plot."""
        codes = {
            name: compute.index_in(arrow.chunked_array(rows[name]), value_set=values)
            .fill_null(-1)
            .to_numpy()
            for name, values in self._values.items()
        }
        known = (codes["trial"] >= 0) & (codes["plot"] >= 0)
        return np.where(known, self._keys.get_indexer(self._key(codes)), -1)

    def _key(self, codes) -> np.ndarray:
        """Return trial and plot as one number."""
        width = max(len(self._values["plot"]), 1)
        return codes["trial"].astype(np.int64) * width + codes["plot"]


def at_places(cells: pd.Series, places: np.ndarray) -> pd.Series:
    """Return the cells at places, missing where a place is −1.

    Examples
    --------
    >>> at_places(pd.Series([5.0, 6.0]), np.array([1, -1])).tolist()
    [6.0, nan]
    """
    return pd.Series(cells.array.take(places, allow_fill=True), copy=False)


SUFFIXES = (".csv", ".parquet", ".xlsx")
ROW = "row_in_file"
# A compressed file may not unfold to more than this. [bytes]
LARGEST_UNPACKED = 4 << 30


class Unreadable(KitError):
    """A file that cannot be read as a table, with the reason."""


@dataclass
class RawTable:
    """A table as it stands in the file.

    Attributes
    ----------
    cells : DataFrame
        Text (or, from Parquet and Excel, typed) cells under the file's headers,
        with the spreadsheet row of each in the index; the header is row 1.
    findings : list of Finding
        Rows that are not rows of this table.
    """

    cells: pd.DataFrame
    findings: list[Finding] = field(default_factory=list)


def find_table(folder: Path, table: str) -> Path | None:
    """Return the file of a table, None if there is none.

    Raises
    ------
    Unreadable
        If it is there in two formats.
    """
    found = [Path(folder) / f"{table}{suffix}" for suffix in SUFFIXES]
    found = [path for path in found if os.path.lexists(path)]
    if len(found) > 1:
        names = " and ".join(path.name for path in found)
        raise Unreadable(f"{names} are both there; keep one.")
    return found[0] if found else None


def near_misses(folder: Path) -> list[Finding]:
    """Return files named almost like a table, such as `Plots.csv` or `oven (1).csv`."""
    found = []
    for path in sorted(Path(folder).iterdir()):
        name = path.name.casefold()
        for table in SCHEMAS:
            exact = path.name in [f"{table}{suffix}" for suffix in SUFFIXES]
            own = name.startswith(table) and not name[len(table) :][:1].isalpha()
            if own and not exact and name.endswith((*SUFFIXES, ".xls", ".txt")):
                said = f"{path.name!r} is not read; expected {table} with the ending "
                said += f"{', '.join(SUFFIXES)}. Rename it if it is the table."
                finding = Finding(code="file-not-read", table=table, message=said)
                found.append(finding)
    return found


def read_raw(path: Path, table: str) -> RawTable:
    """Return the cells of a file.

    Raises
    ------
    Unreadable
        If the file is empty, locked, truncated, of another encoding or format, or
        would unfold to more than `LARGEST_UNPACKED` bytes.
    """
    readers = {".csv": _read_csv, ".parquet": _read_parquet, ".xlsx": _read_excel}
    try:
        if path.stat().st_size == 0:
            raise Unreadable("the file is empty (0 bytes); expected a header row.")
        return readers[path.suffix](path, table)
    except OSError as error:
        reason = error.strerror or str(error)
        raise Unreadable(f"cannot be opened: {reason}.") from error


def _read_csv(path: Path, table: str) -> RawTable:
    """Read every cell of a CSV file as text; rows of another length are found."""
    headers = _csv_headers(path)
    wrong: list[Finding] = []

    def set_aside(row):
        wrong.append(
            Finding(
                code="row-length",
                table=table,
                rows=(row.number,),
                message=f"row {row.number} has {row.actual_columns} cells; expected "
                f"{row.expected_columns} as in the header. Look for a comma too many.",
            )
        )
        return "skip"

    options = {
        "read_options": arrow.csv.ReadOptions(use_threads=False, block_size=16 << 20),
        "parse_options": arrow.csv.ParseOptions(
            newlines_in_values=True,
            ignore_empty_lines=False,
            invalid_row_handler=set_aside,
        ),
        "convert_options": arrow.csv.ConvertOptions(
            column_types={name: arrow.large_string() for name in headers},
            null_values=[""],
            strings_can_be_null=True,
            quoted_strings_can_be_null=True,
        ),
    }
    try:
        cells = arrow.csv.read_csv(path, **options).to_pandas()
    except arrow.ArrowInvalid as error:
        raise Unreadable(f"not readable as CSV: {_first_line(error)}.") from error
    cells.index = _rows_in_file(len(cells), [f.rows[0] for f in wrong])
    return RawTable(cells, wrong + _cut_off(path, table, len(cells) + len(wrong)))


def _cut_off(path: Path, table: str, n_rows: int) -> list[Finding]:
    """Return whether the last line lacks its end, as in a file copied in part."""
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        if file.read(1) in b"\r\n":
            return []
    said = f"row {n_rows + 1}, the last, does not end with a line end; if the file was "
    said += "cut off, rows are missing."
    place = (n_rows + 1,)
    return [Finding(code="file-cut", table=table, rows=place, message=said)]


def _csv_headers(path: Path) -> list[str]:
    """Return the header row; refuse another encoding, separator or a doubled name."""
    _refuse_other_encoding(path)
    try:
        with path.open(encoding="utf-8-sig", newline="") as file:
            headers = next(csv.reader(file), [])
    except csv.Error as error:
        raise Unreadable(f"not readable as CSV: {error}.") from error
    if len(headers) == 1 and (";" in headers[0] or "\t" in headers[0]):
        raise Unreadable("the columns are not parted by commas; save as CSV, commas.")
    _refuse_doubled(headers)
    return headers


def _refuse_other_encoding(path: Path) -> None:
    """Refuse a file with a byte that is not UTF-8, and say where."""
    lines = 0
    with path.open("rb") as file:
        while block := file.read(1 << 20) + file.readline():  # whole letters
            try:
                block.decode()
            except UnicodeDecodeError as error:
                before = block[: error.start]
                line = lines + before.count(b"\n") + 1
                byte = len(before) - before.rfind(b"\n")
                raise Unreadable(
                    f"line {line}, byte {byte}: {block[error.start]:#04x} is not "
                    "UTF-8; save the file as CSV in UTF-8."
                ) from error
            lines += block.count(b"\n")


def _refuse_doubled(headers: list[str]) -> None:
    """Refuse a header that stands over two columns."""
    doubled = sorted({name for name in headers if headers.count(name) > 1})
    if doubled:
        raise Unreadable(f"two columns are headed {doubled[0]!r}; rename one.")


def _rows_in_file(n: int, skipped: list[int]) -> pd.Index:
    """Return the spreadsheet rows of n table rows, counting those set aside."""
    rows = pd.RangeIndex(2, n + 2 + len(skipped), name=ROW)
    return rows.drop(skipped)[:n] if skipped else rows


def _read_parquet(path: Path, table: str) -> RawTable:
    """Read a Parquet file; a row's number is its place after a header."""
    try:
        file = arrow.parquet.ParquetFile(path)
        groups = range(file.metadata.num_row_groups)
        size = sum(file.metadata.row_group(i).total_byte_size for i in groups)
        _refuse_too_large(size)
        cells = file.read().to_pandas()
    except arrow.ArrowException as error:
        raise Unreadable(f"not readable as Parquet: {_first_line(error)}.") from error
    _refuse_doubled([str(name) for name in cells.columns])
    cells.index = _rows_in_file(len(cells), [])
    return RawTable(cells)


def _read_excel(path: Path, table: str) -> RawTable:
    """Read the first sheet of an Excel file, its cells as they are typed."""
    try:
        with zipfile.ZipFile(path) as packed:
            _refuse_too_large(sum(part.file_size for part in packed.infolist()))
        book = openpyxl.load_workbook(path, read_only=True, data_only=True)
    except (zipfile.BadZipFile, KeyError, ValueError) as error:
        raise Unreadable(f"not readable as Excel: {_first_line(error)}.") from error
    rows = book.worksheets[0].iter_rows(values_only=True)
    headers = [str(name) if name is not None else "" for name in next(rows, ())]
    while headers and not headers[-1]:
        headers.pop()
    _refuse_doubled(headers)
    body = [list(row[: len(headers)]) for row in rows]
    book.close()
    cells = pd.DataFrame(body, columns=headers, dtype=object)
    cells.index = _rows_in_file(len(cells), [])
    return RawTable(cells)


def _refuse_too_large(unpacked: int) -> None:
    """Refuse a file that would unfold to more than the memory meant for it."""
    if unpacked > LARGEST_UNPACKED:
        raise Unreadable(
            f"would unfold to {unpacked / 1e9:.1f} GB; at most "
            f"{LARGEST_UNPACKED / 1e9:.1f} GB are read. Split the season."
        )


def _first_line(error: Exception) -> str:
    """Return the first line of a library's message, without its full stop."""
    return str(error).splitlines()[0].rstrip(".") if str(error) else "it is damaged"
