"""Files of others, read as they stand: text, Parquet and workbooks."""

import csv
import io
import os
import re
import stat
import zipfile
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path

import openpyxl
import pandas as pd
import pyarrow as arrow
import pyarrow.csv
import pyarrow.parquet

from kitlib.intake.schema import SENTENCES
from kitlib.intake.settings import FileOptions
from kitlib.words.findings import KitError, no_files_left
from kitlib.words.terms import counted, listed

WORKBOOKS = (".xlsx", ".xlsm")
SUFFIXES = (".csv", ".parquet", ".xlsx")
READABLE = (".csv", ".txt", ".tsv", ".parquet", *WORKBOOKS)
# Files of other programs that hold tables; they are told of, not read.
FOREIGN = (".xls", ".xlsb", ".ods", ".numbers", ".dbf", ".json")
PLAIN = FileOptions()
_SEPARATORS = {",": "commas", ";": "semicolons", "\t": "tabs", "|": "bars"}
# A compressed file may not unfold to more than this. [bytes]
LARGEST_UNPACKED = 4 << 30
# A workbook up to this size is read with what its cells look like. [bytes]
LARGEST_WHOLE = 100 << 20
MOST_COLUMNS = 16_384  # a spreadsheet has no more


class Unreadable(KitError):
    """A file that cannot be read as a table, with the reason."""


@dataclass
class Sheet:
    """Cells as they stand in one file or sheet, and what was seen on the way."""

    # Text (or, from Parquet and Excel, typed) cells under the file's headers, indexed
    # by their row as a spreadsheet counts it.
    cells: pd.DataFrame
    # Rows that are no rows of the table: row, code of the reason, and its words.
    aside: list[tuple[int, str, str]] = field(default_factory=list)
    # What was found out or looks amiss: code of the finding, its words, rows.
    notes: list[tuple[str, str, tuple[int, ...]]] = field(default_factory=list)
    # By header: its cell in a row of units; rows that are shown as a percentage.
    units_row: dict[str, str] = field(default_factory=dict)
    percents: dict[str, list[int]] = field(default_factory=dict)
    sheets: list[str] = field(default_factory=list)  # others that hold any

    def note(self, key: str, rows: Iterable[int] = (), **parts) -> None:
        """Add what was seen, in the words of sentences.csv."""
        told = SENTENCES[key]
        said = told["sentence"].format(**parts)
        self.notes.append((told["code"], said, tuple(rows)))


def read_cells(path: Path, sheet: str = "", how: FileOptions = PLAIN) -> Sheet:
    """Return the cells of a file, or of a sheet of it; what is not told is found out.

    No name takes the only sheet that is neither hidden nor empty. `Unreadable` is
    raised if the file is empty, locked, truncated, of another format, or would unfold
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
            return _read_workbook(path, sheet, how)
        if suffix in FOREIGN:
            raise Unreadable(f"{suffix} is not read; save it as .xlsx or .csv.")
        return _read_text(path, how)
    except OSError as error:
        if no_files_left(error):
            raise  # it is not the file's fault
        reason = error.strerror or str(error)
        raise Unreadable(f"cannot be opened: {reason}.") from error


def _put_headers(sheet: Sheet, headers: Sequence, above, units, how) -> None:
    """Head a sheet's columns; set the rows above and the row of units aside."""
    sheet.cells = pd.DataFrame(columns=_headers_once(headers, sheet))
    sheet.aside = [
        (number, "above-headers", "the row stands above the headers")
        for number, row in enumerate(above, 1)
        if any(cell not in (None, "") for cell in row)
    ]
    if units:
        sheet.aside.append((how.header_row + 1, "units-row", "the row holds units"))
        texts = ["" if cell is None else str(cell).strip() for cell in units]
        sheet.units_row = dict(zip(sheet.cells.columns, texts, strict=False))


def _headers_once(names: Iterable[object], sheet: Sheet) -> list[str]:
    """Return headers as text, each once; one that has none is named by its column."""
    texts = ["" if name is None else str(name).strip() for name in names]
    if len(texts) > MOST_COLUMNS:
        said = f"it has {len(texts)} columns; a spreadsheet has at most {MOST_COLUMNS}."
        raise Unreadable(said)
    times: Counter = Counter()
    headers = []
    for number, text in enumerate(texts, 1):
        times[text] += 1
        again = f" ({times[text]})" if times[text] > 1 else ""
        headers.append(f"{text}{again}" if text else f"(no header, column {number})")
    doubled = [repr(text) for text in times if text and times[text] > 1]
    if doubled:
        sheet.note("header-twice", headers=listed(doubled))
    if len(set(headers)) < len(headers):
        raise Unreadable(f"two columns are headed {doubled[0]}; rename one.")
    return headers


def _in_rows(cells: pd.DataFrame, first: int, skipped: Sequence[int] = ()):
    """Return cells numbered as a spreadsheet does, counting the rows set aside.

    Columns that have neither a header nor a cell are dropped.
    """
    rows = pd.RangeIndex(first, first + len(cells) + len(skipped), name="row_in_file")
    cells.index = rows.drop(list(skipped))[: len(cells)] if skipped else rows
    bare = [c for c in map(str, cells) if c.startswith("(no header")]
    bare = [c for c in bare if cells[c].isna().all()]
    return cells.drop(columns=bare)


def _refuse_too_large(unpacked: int) -> None:
    """Refuse a file that would unfold to more than the memory meant for it."""
    if unpacked > LARGEST_UNPACKED:
        most = f"at most {LARGEST_UNPACKED / 1e9:.1f} GB are read. Split the season."
        raise Unreadable(f"would unfold to {unpacked / 1e9:.1f} GB; {most}")


def _not_as(form: str, error: Exception) -> Unreadable:
    """Return the error of a damaged file, with the first line of a library's words."""
    said = str(error).splitlines()[0].rstrip(".") if str(error) else "it is damaged"
    return Unreadable(f"not readable as {form}: {said}.")


def _read_text(path: Path, how: FileOptions) -> Sheet:
    """Read every cell of a CSV file as text; rows of another length are found."""
    sheet = Sheet(pd.DataFrame())
    encoding = how.encoding or encoding_of(path, sheet)
    # What is not UTF-8 is rewritten as it, in memory: pyarrow reads no other.
    plain = encoding in ("utf-8", "utf-8-sig")
    try:
        with path.open(encoding=encoding, newline="") as file:
            for _ in range(how.header_row):
                line = file.readline(1 << 22)
            separator = how.separator or separator_of([line])
            if separator not in (how.separator, ","):
                sheet.note("parted-by", marks=_SEPARATORS[separator])
            file.seek(0)
            reader = csv.reader(file, delimiter=separator)
            above = [next(reader, []) for _ in range(how.header_row - 1)]
            headers = next(reader, [])
            units = next(reader, []) if how.units_row else []
            more = file.read(1)  # nothing where no row stands under the headers
        _put_headers(sheet, headers, above, units, how)
        whole = b"" if plain else path.read_bytes().decode(encoding).encode()
        first = how.header_row + 1 + how.units_row
        cells = sheet.cells.astype("str")
        if more:
            with path.open("rb") if plain else io.BytesIO(whole) as source:
                cells = _body(source, reader.line_num, separator, first, sheet)
    except (csv.Error, UnicodeError, arrow.ArrowInvalid) as error:
        raise _not_as("CSV", error) from error
    wrong = {row: said for row, code, said in sheet.aside if code == "row-length"}
    sheet.cells = _in_rows(cells, first, [*wrong])
    _look_for_open_quotes(sheet, separator)
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        if file.read(1) not in b"\r\n\0":
            last = first + len(cells) + len(wrong) - 1
            sheet.note("file-cut", [last], row=last)
    if wrong:
        more = f", {len(wrong) - 1} more rows likewise" if len(wrong) > 1 else ""
        sheet.note("row-length", wrong, first=min(wrong.items())[1], more=more)
    return sheet


def _body(source, lines: int, separator: str, first: int, sheet: Sheet):
    """Return the cells under so many lines, all as text; set other rows aside."""

    def set_aside(row):
        number = row.number - lines + first - 1
        said = f"row {number} has {row.actual_columns} cells; expected "
        said += f"{row.expected_columns} as in the header"
        sheet.aside.append((number, "row-length", said))
        return "skip"

    names = [*map(str, sheet.cells)]
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


def encoding_of(path: Path, sheet: Sheet) -> str:
    """Return a file's encoding: by its mark, UTF-8 if it is, else Western European."""
    content = path.read_bytes()
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        sheet.note("read-as-utf-16")
        return "utf-16"
    if content[:4096].count(b"\0") > len(content[:4096]) / 4:
        said = "it is no text, or UTF-16 without a mark; then set encoding"
        raise Unreadable(f'{said} = "utf-16-le" in season.toml.')
    try:
        content.decode()
        return "utf-8-sig"
    except UnicodeDecodeError as error:
        at, before = error.start, content[: error.start]
    line, byte = before.count(b"\n") + 1, at - before.rfind(b"\n")
    place = f"line {line}, byte {byte}: {content[at]:#04x} is not UTF-8"
    try:
        content.decode("cp1252")
    except UnicodeDecodeError as error:
        said = f"{place}; name the file's encoding in season.toml."
        raise Unreadable(said) from error
    sheet.note("read-as-cp1252", [line], place=place)
    return "cp1252"


def separator_of(lines: Sequence[str]) -> str:
    """Return the mark that stands as often in most of some lines."""

    def score(mark: str) -> int:
        times = Counter(re.sub(r'"[^"]*"', "", line).count(mark) for line in lines)
        [(count, alike)] = times.most_common(1) or [(0, 0)]
        return count * alike

    return max(_SEPARATORS, key=score)


def _look_for_open_quotes(sheet: Sheet, separator: str) -> None:
    """Find cells that hold lines which look like rows: a quote opened, never closed."""
    width = len(sheet.cells.columns)
    for column in sheet.cells if width > 1 else ():
        cells = sheet.cells[column]
        if not cells.str.contains("\n", regex=False).any():
            continue
        lines, marks = cells.str.count("\n"), cells.str.count(re.escape(separator))
        swallowed = (lines > 0) & (marks >= (width - 1) * lines / 2)
        for row in cells.index[swallowed.fillna(False)]:
            n = counted(int(lines[row]), "line end")
            sheet.note("quote-open", [int(row)], row=row, column=column, n=n)


def _read_parquet(path: Path) -> Sheet:
    """Read a Parquet file; a row's number is its place after a header."""
    try:
        file = arrow.parquet.ParquetFile(path)
        groups = range(file.metadata.num_row_groups)
        sizes = (file.metadata.row_group(i).total_byte_size for i in groups)
        _refuse_too_large(sum(sizes))
        sheet = Sheet(file.read().to_pandas())
    except arrow.ArrowException as error:
        raise _not_as("Parquet", error) from error
    sheet.cells.columns = pd.Index(_headers_once(sheet.cells.columns, sheet))
    sheet.cells = _in_rows(sheet.cells, 2)
    return sheet


def _read_workbook(path: Path, name: str, how: FileOptions) -> Sheet:
    """Read a sheet of an Excel file, its cells as they are typed."""
    with closing(open_workbook(path)) as book:
        filled = filled_sheets(book)
        chosen = _sheet_of(book, filled, name)
        rows = _rows_of(chosen)
        above = [[c.value for c in next(rows, ())] for _ in range(how.header_row - 1)]
        headers = [cell.value for cell in next(rows, ())]
        while headers and headers[-1] in (None, ""):
            headers.pop()
        width = len(headers)
        units = [c.value for c in next(rows, ())][:width] if how.units_row else []
        others = [one.title for one in filled if one is not chosen]
        sheet = Sheet(pd.DataFrame(), sheets=others)
        _put_headers(sheet, headers, above, units, how)
        names = [*map(str, sheet.cells)]
        first = how.header_row + 1 + how.units_row
        body = []
        for number, row in enumerate(rows, first):
            body.append([cell.value for cell in row[:width]])
            for header, cell in zip(names, row, strict=False):
                if is_shown_as_percent(cell):
                    sheet.percents.setdefault(header, []).append(number)
        sheet.cells = _in_rows(pd.DataFrame(body, columns=names, dtype=object), first)
        _look_for_merged(chosen, sheet, first)
        _look_for_unsaved(path, chosen, sheet, first)
        if chosen.sheet_state != "visible":
            sheet.note("sheet-hidden", sheet=chosen.title)
    return sheet


def open_workbook(path: Path) -> openpyxl.Workbook:
    """Return an Excel file, its formulas as their values."""
    try:
        with zipfile.ZipFile(path) as packed:
            size = sum(part.file_size for part in packed.infolist())
        _refuse_too_large(size)
        if size > LARGEST_WHOLE:
            return openpyxl.load_workbook(path, read_only=True, data_only=True)
        of_it = path.stat()
        return whole_book(path, of_it.st_ino, of_it.st_mtime_ns, of_it.st_size)
    except (zipfile.BadZipFile, KeyError, ValueError, TypeError) as error:
        raise _not_as("Excel", error) from error


def _rows_of(sheet) -> Iterator[tuple]:
    """Return a sheet's rows of cells, whatever size the file says it has."""
    if hasattr(sheet, "reset_dimensions"):
        sheet.reset_dimensions()
    return iter(sheet.iter_rows())


@lru_cache(maxsize=1)  # one is kept, for a season's tables are often its sheets
def whole_book(path: Path, *_state: int) -> openpyxl.Workbook:
    """Return an Excel file read whole: only such a one tells of merged cells."""
    return openpyxl.load_workbook(path, data_only=True)


def filled_sheets(book: openpyxl.Workbook) -> list:
    """Return the sheets that hold anything."""
    return [
        sheet
        for sheet in book.worksheets
        if any(cell.value is not None for row in _rows_of(sheet) for cell in row)
    ]


def _sheet_of(book: openpyxl.Workbook, filled: list, name: str):
    """Return the sheet of a name, or the only one there is to be read."""
    by_name = {sheet.title: sheet for sheet in book.worksheets}
    there = listed([repr(title) for title in by_name], most=30)
    if name:
        if name not in by_name:
            raise Unreadable(f"it has no sheet {name!r}; its sheets are {there}.")
        return by_name[name]
    shown = [sheet for sheet in filled if sheet.sheet_state == "visible"] or filled
    if len(shown) > 1:
        raise Unreadable(
            f"it has several sheets: {there}. Name the one to read in season.toml, "
            f'such as read = "{shown[0].title}" after the file and a #.'
        )
    return shown[0] if shown else book.worksheets[0]


def is_shown_as_percent(cell) -> bool:
    """Whether a cell's number is shown a hundredfold, with a percent sign."""
    number = isinstance(cell.value, float | int) and -1 <= cell.value <= 1
    return number and "%" in (cell.number_format or "")


def _look_for_merged(chosen, sheet: Sheet, first: int) -> None:
    """Find cells merged over several rows: all but the first are empty in the file."""
    ranges = getattr(getattr(chosen, "merged_cells", None), "ranges", ())
    body = [r for r in ranges if r.max_row > r.min_row and r.max_row >= first]
    if body:
        rows = [n for r in body for n in range(r.min_row + 1, r.max_row + 1)]
        sheet.note("cells-merged", rows, cells=listed([str(r) for r in body], most=3))


def _look_for_unsaved(path: Path, chosen, sheet: Sheet, first: int) -> None:
    """Find formulas whose results are not stored: their cells look empty."""
    with zipfile.ZipFile(path) as packed:
        parts = [n for n in packed.namelist() if n.startswith("xl/worksheets/sheet")]
        if not any(b"<f" in packed.read(name) for name in parts):
            return  # a second reading is slow, and few tables have formulas
    with closing(openpyxl.load_workbook(path, read_only=True)) as book:
        rows = zip(_rows_of(book[chosen.title]), _rows_of(chosen), strict=False)
        pairs = [pair for both in rows for pair in zip(*both, strict=False)]
    empty = [
        formula
        for formula, stored in pairs
        if formula.data_type == "f" and stored.value is None and formula.row >= first
    ]
    if empty:
        cells = listed([cell.coordinate for cell in empty], most=3)
        at = sorted({cell.row for cell in empty})
        sheet.note("formula-unsaved", at, sheet=chosen.title, cells=cells)
