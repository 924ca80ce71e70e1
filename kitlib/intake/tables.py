"""A season's tables, read from CSV, Parquet or Excel and checked cell by cell."""

import csv
import os
import zipfile
from dataclasses import dataclass, field
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow as arrow
import pyarrow.csv
import pyarrow.parquet

from kitlib.intake.schema import SCHEMAS
from kitlib.words.errors import KitError
from kitlib.words.findings import Finding

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
