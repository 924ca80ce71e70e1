"""Cells of a file as they stand in it: CSV, Parquet or Excel, however exported."""

import csv
import io
import os
import re
import stat
from collections.abc import Sequence
from pathlib import Path

import pandas as pd
import pyarrow as arrow
import pyarrow.compute as compute
import pyarrow.csv
import pyarrow.parquet

from kitlib.intake.options import FileOptions
from kitlib.intake.sheets import (
    WORKBOOKS,
    Sheet,
    Unreadable,
    first_line,
    headers_once,
    keep_aside,
    read_workbook,
    refuse_too_large,
    rows_in_file,
    without_empty_columns,
)
from kitlib.words.terms import counted

TEXTS = (".csv", ".txt", ".tsv")
SUFFIXES = (".csv", ".parquet", ".xlsx")
READABLE = (*TEXTS, ".parquet", *WORKBOOKS)
# Files of other programs that hold tables; they are told of, not read.
FOREIGN = (".xls", ".xlsb", ".ods", ".numbers", ".dbf", ".json")
PLAIN = FileOptions()
_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
_BYTE_ORDER_MARKS = {
    b"\xef\xbb\xbf": "utf-8-sig",
    b"\xff\xfe": "utf-16",
    b"\xfe\xff": "utf-16",
}


def read_cells(path: Path, sheet: str = "", how: FileOptions = PLAIN) -> Sheet:
    """Return the cells of a file, or of a sheet of it.

    Parameters
    ----------
    path : Path
    sheet : str
        Of a workbook; "" takes the only one that is not hidden and not empty.
    how : FileOptions
        Header row, separator, encoding; what is left out is found out and told.

    Raises
    ------
    Unreadable
        If the file is empty, locked, truncated, of another format, or would unfold
        to more than `LARGEST_UNPACKED` bytes.
    """
    try:
        told = path.stat()
        if not stat.S_ISREG(told.st_mode):
            raise Unreadable("it is no ordinary file; expected a table.")
        if told.st_size == 0:
            raise Unreadable("the file is empty (0 bytes); expected a header row.")
        suffix = path.suffix.lower()
        if suffix == ".parquet":
            return _read_parquet(path)
        if suffix in WORKBOOKS:
            return read_workbook(path, sheet, how)
        if suffix in FOREIGN:
            raise Unreadable(f"{suffix} is not read; save it as .xlsx or .csv.")
        return _read_text(path, how)
    except OSError as error:
        reason = error.strerror or str(error)
        raise Unreadable(f"cannot be opened: {reason}.") from error


# ---- tables as text


def _read_text(path: Path, how: FileOptions) -> Sheet:
    """Read every cell of a CSV file as text; rows of another length are found."""
    sheet = Sheet(pd.DataFrame())
    encoding = how.encoding or encoding_of(path, sheet)
    above, headers, units, lines, separator = _head(path, encoding, how, sheet)
    sheet.cells = pd.DataFrame(columns=headers_once(headers, sheet), dtype="str")
    keep_aside(sheet, above, units)
    first = how.header_row + 1 + how.units_row
    names = list(sheet.cells.columns)

    def set_aside(row):
        number = row.number - lines + first - 1
        said = f"row {number} has {row.actual_columns} cells; expected "
        said += f"{row.expected_columns} as in the header"
        sheet.aside.append((number, "row-length", said))
        return "skip"

    # What is not UTF-8 is rewritten as it, in memory: pyarrow reads no other.
    plain = encoding in ("utf-8", "utf-8-sig")
    source = path if plain else io.BytesIO(path.read_bytes().decode(encoding).encode())
    try:
        cells = _body(source, lines, names, separator, set_aside)
    except (arrow.ArrowInvalid, UnicodeDecodeError) as error:
        raise Unreadable(f"not readable as CSV: {first_line(error)}.") from error
    wrong = [row for row, code, _ in sheet.aside if code == "row-length"]
    cells.index = rows_in_file(first, len(cells), wrong)
    sheet.cells = without_empty_columns(cells)
    _look_for_open_quotes(sheet, separator)
    _look_for_cut(path, sheet, first + len(cells) + len(wrong) - 1)
    return sheet


def _body(source, lines: int, names: list[str], separator: str, set_aside):
    """Return the cells under the headers, all as text."""
    if not _has_more_lines(source, lines):
        return pd.DataFrame(columns=names, dtype="str")
    return arrow.csv.read_csv(
        source,
        read_options=arrow.csv.ReadOptions(
            use_threads=False, block_size=16 << 20, skip_rows=lines, column_names=names
        ),
        parse_options=arrow.csv.ParseOptions(
            delimiter=separator,
            newlines_in_values=True,
            ignore_empty_lines=False,
            invalid_row_handler=set_aside,
        ),
        convert_options=arrow.csv.ConvertOptions(
            column_types={name: arrow.large_string() for name in names},
            null_values=[""],
            strings_can_be_null=True,
            quoted_strings_can_be_null=True,
        ),
    ).to_pandas()


def _has_more_lines(source, lines: int) -> bool:
    """Whether anything follows the first lines of a file."""
    file = source.open("rb") if isinstance(source, Path) else source
    try:
        for _ in range(lines):
            file.readline()
        return bool(file.read(1))
    finally:
        file.close() if isinstance(source, Path) else file.seek(0)


def encoding_of(path: Path, sheet: Sheet) -> str:
    """Return a file's encoding: by its mark, UTF-8 if it is, else Western European."""
    with path.open("rb") as file:
        start = file.read(4096)
    for mark, encoding in _BYTE_ORDER_MARKS.items():
        if start.startswith(mark):
            if encoding != "utf-8-sig":
                sheet.notes.append(("file-form", f"it is read as {encoding}", ()))
                return encoding
            break
    if start.count(b"\0") > len(start) / 4:
        said = "it is no text, or UTF-16 without a mark; then set encoding"
        raise Unreadable(f'{said} = "utf-16-le" in season.toml.')
    place = _first_not_utf8(path)
    if not place:
        return "utf-8-sig"
    said = f"{place} is not UTF-8, so the file is read as cp1252 (Western European); "
    said += "if letters look wrong, name its encoding in season.toml"
    sheet.notes.append(("file-form", said, ()))
    try:
        path.read_bytes().decode("cp1252")
    except UnicodeDecodeError as error:
        said = f"{place} is not UTF-8; name the file's encoding in season.toml."
        raise Unreadable(said) from error
    return "cp1252"


def _first_not_utf8(path: Path) -> str:
    """Return the place of the first byte that is not UTF-8, empty if all are."""
    lines = 0
    with path.open("rb") as file:
        while block := file.read(1 << 20) + file.readline():  # whole letters
            try:
                block.decode()
            except UnicodeDecodeError as error:
                before = block[: error.start]
                line = lines + before.count(b"\n") + 1
                byte = len(before) - before.rfind(b"\n")
                return f"line {line}, byte {byte}: {block[error.start]:#04x}"
            lines += block.count(b"\n")
    return ""


def _head(path: Path, encoding: str, how: FileOptions, sheet: Sheet):
    """Return the rows above the headers, headers, units, lines they take, separator."""
    try:
        with path.open(encoding=encoding, newline="") as file:
            start = [file.readline(1 << 22) for _ in range(how.header_row + 20)]
            separator = how.separator or _separator_of(start, how, sheet)
            file.seek(0)
            reader = csv.reader(file, delimiter=separator)
            above = [next(reader, []) for _ in range(how.header_row - 1)]
            headers = next(reader, [])
            units = next(reader, []) if how.units_row else []
            return above, headers, units, reader.line_num, separator
    except (csv.Error, UnicodeError) as error:
        raise Unreadable(f"not readable as CSV: {first_line(error)}.") from error


def _separator_of(start: Sequence[str], how: FileOptions, sheet: Sheet) -> str:
    """Return what parts the columns: the mark most frequent in the header row."""
    header = start[how.header_row - 1] if len(start) >= how.header_row else ""
    bare = re.sub(r'"[^"]*"', "", header)
    times = {mark: bare.count(mark) for mark in _SEPARATORS}
    found = max(times, key=lambda mark: times[mark])
    if found != "," and times[found]:
        said = f"its columns are parted by {_SEPARATORS[found]}"
        sheet.notes.append(("file-form", said, ()))
    return found if times[found] else ","


def _look_for_open_quotes(sheet: Sheet, separator: str) -> None:
    """Find cells that hold lines which look like rows: a quote opened, never closed."""
    width = len(sheet.cells.columns)
    for column in sheet.cells:
        cells = sheet.cells[column]
        if width < 2 or not _any_line_end(cells):
            continue
        lines = cells.str.count("\n")
        marks = cells.str.count(re.escape(separator))
        swallowed = (lines > 0) & (marks >= (width - 1) * lines / 2)
        for row in cells.index[swallowed.fillna(False)]:
            said = f"row {row}: {column} holds {counted(int(lines[row]), 'line end')} "
            said += "and looks like rows of the table: a quotation mark was opened and "
            said += "not closed. The lines in it are not read; close or delete it"
            sheet.notes.append(("quote-open", said, (int(row),)))


def _any_line_end(cells: pd.Series) -> bool:
    """Whether any cell of a column of text holds a line end."""
    found = compute.any(compute.match_substring(arrow.chunked_array(cells), "\n"))
    return bool(found.as_py())


def _look_for_cut(path: Path, sheet: Sheet, last: int) -> None:
    """Say whether the last line lacks its end, as in a file copied in part."""
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        if file.read(1) in b"\r\n\0":
            return
    said = f"row {last}, the last, does not end with a line end; if the file was cut "
    sheet.notes.append(("file-cut", f"{said}off, rows are missing", (last,)))


# ---- Parquet


def _read_parquet(path: Path) -> Sheet:
    """Read a Parquet file; a row's number is its place after a header."""
    try:
        file = arrow.parquet.ParquetFile(path)
        groups = range(file.metadata.num_row_groups)
        size = sum(file.metadata.row_group(i).total_byte_size for i in groups)
        refuse_too_large(size)
        cells = file.read().to_pandas()
    except arrow.ArrowException as error:
        raise Unreadable(f"not readable as Parquet: {first_line(error)}.") from error
    sheet = Sheet(cells)
    cells.columns = pd.Index(headers_once(cells.columns, sheet))
    cells.index = rows_in_file(2, len(cells))
    return sheet
