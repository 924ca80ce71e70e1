"""Files: foreign ones read as they stand, our own written whole or not at all."""

import csv
import hashlib
import io
import json
import os
import platform
import re
import stat
import tempfile
import zipfile
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any
from urllib.parse import quote

import openpyxl
import pandas as pd
import pyarrow as arrow
import pyarrow.csv
import pyarrow.parquet
from filelock import FileLock, Timeout

from kitlib.intake.settings import FileOptions
from kitlib.words.findings import KitError
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
ROW = "row_in_file"


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
    sheets: list[str] = field(default_factory=list)  # of the workbook, that hold any


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
        reason = error.strerror or str(error)
        raise Unreadable(f"cannot be opened: {reason}.") from error


# ---- headers and rows of any file


def _sheet_under(headers: Sequence, above: Sequence, units: Sequence, how) -> Sheet:
    """Return a sheet of headers, the rows above them and the row of units set aside."""
    sheet = Sheet(pd.DataFrame())
    sheet.cells = pd.DataFrame(columns=_headers_once(headers, sheet))
    for number, row in enumerate(above, 1):
        if any(cell not in (None, "") for cell in row):
            said = "the row stands above the headers"
            sheet.aside.append((number, "above-headers", said))
    if units:
        row = how.header_row + 1
        sheet.aside.append((row, "units-row", "the row holds units"))
        texts = ["" if cell is None else str(cell).strip() for cell in units]
        sheet.units_row = dict(zip(sheet.cells.columns, texts, strict=False))
    return sheet


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
        said = f"several columns are headed {listed(doubled)}; the second is called "
        said += "'… (2)' here, and so on"
        sheet.notes.append(("header-twice", said, ()))
    if len(set(headers)) < len(headers):
        raise Unreadable(f"two columns are headed {doubled[0]}; rename one.")
    return headers


def _rows_in_file(first: int, n: int, skipped: Sequence[int] = ()) -> pd.Index:
    """Return the spreadsheet rows of n table rows, counting those set aside."""
    rows = pd.RangeIndex(first, first + n + len(skipped), name=ROW)
    return rows.drop(list(skipped))[:n] if skipped else rows


def _without_empty_columns(cells: pd.DataFrame) -> pd.DataFrame:
    """Return the columns that have a header or a cell."""
    bare = [
        c for c in cells if str(c).startswith("(no header") and cells[c].isna().all()
    ]
    return cells.drop(columns=bare)


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


# ---- tables as text


def _read_text(path: Path, how: FileOptions) -> Sheet:
    """Read every cell of a CSV file as text; rows of another length are found."""
    notes: list = []
    encoding = how.encoding or encoding_of(path, notes)
    try:
        with path.open(encoding=encoding, newline="") as file:
            for _ in range(how.header_row):
                line = file.readline(1 << 22)
            separator = how.separator or _separator_of(line, notes)
            file.seek(0)
            reader = csv.reader(file, delimiter=separator)
            above = [next(reader, []) for _ in range(how.header_row - 1)]
            headers = next(reader, [])
            units = next(reader, []) if how.units_row else []
    except (csv.Error, UnicodeError) as error:
        raise Unreadable(f"not readable as CSV: {_first_line(error)}.") from error
    sheet = _sheet_under(headers, above, units, how)
    sheet.notes[:0] = notes
    first, lines = how.header_row + 1 + how.units_row, reader.line_num

    def set_aside(row):
        number = row.number - lines + first - 1
        said = f"row {number} has {row.actual_columns} cells; expected "
        said += f"{row.expected_columns} as in the header"
        sheet.aside.append((number, "row-length", said))
        return "skip"

    # What is not UTF-8 is rewritten as it, in memory: pyarrow reads no other.
    plain = encoding in ("utf-8", "utf-8-sig")
    try:
        whole = b"" if plain else path.read_bytes().decode(encoding).encode()
        with path.open("rb") if plain else io.BytesIO(whole) as source:
            cells = _body(source, lines, [*map(str, sheet.cells)], separator, set_aside)
    except (arrow.ArrowInvalid, UnicodeDecodeError) as error:
        raise Unreadable(f"not readable as CSV: {_first_line(error)}.") from error
    wrong = [row for row, code, _ in sheet.aside if code == "row-length"]
    cells.index = _rows_in_file(first, len(cells), wrong)
    sheet.cells = _without_empty_columns(cells)
    _look_for_open_quotes(sheet, separator)
    _look_for_cut(path, sheet, first + len(cells) + len(wrong) - 1)
    return sheet


def _body(source, lines: int, names: list[str], separator: str, set_aside):
    """Return the cells under the headers, all as text."""
    for _ in range(lines):
        source.readline()
    if not source.read(1):
        return pd.DataFrame(columns=names, dtype="str")
    source.seek(0)
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


def encoding_of(path: Path, notes: list) -> str:
    """Return a file's encoding: by its mark, UTF-8 if it is, else Western European."""
    content = path.read_bytes()
    if content.startswith((b"\xff\xfe", b"\xfe\xff")):
        notes.append(("file-form", "it is read as utf-16", ()))
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
    said = f"{place}, so the file is read as cp1252 (Western European); if letters "
    said += "look wrong, name its encoding in season.toml"
    notes.append(("file-form", said, ()))
    return "cp1252"


def _separator_of(header: str, notes: list) -> str:
    """Return what parts the columns: the mark most frequent in the header row."""
    bare = re.sub(r'"[^"]*"', "", header)
    found = max(_SEPARATORS, key=bare.count)
    if found == "," or found not in bare:
        return ","
    said = f"its columns are parted by {_SEPARATORS[found]}"
    notes.append(("file-form", said, ()))
    return found


def _look_for_open_quotes(sheet: Sheet, separator: str) -> None:
    """Find cells that hold lines which look like rows: a quote opened, never closed."""
    width = len(sheet.cells.columns)
    for column in sheet.cells if width > 1 else ():
        cells = sheet.cells[column]
        lines = cells.str.count("\n")
        if not (lines > 0).any():
            continue
        marks = cells.str.count(re.escape(separator))
        swallowed = (lines > 0) & (marks >= (width - 1) * lines / 2)
        for row in cells.index[swallowed.fillna(False)]:
            said = f"row {row}: {column} holds {counted(int(lines[row]), 'line end')} "
            said += "and looks like rows of the table: a quotation mark was opened and "
            said += "not closed. The lines in it are not read; close or delete it"
            sheet.notes.append(("quote-open", said, (int(row),)))


def _look_for_cut(path: Path, sheet: Sheet, last: int) -> None:
    """Say whether the last line lacks its end, as in a file copied in part."""
    with path.open("rb") as file:
        file.seek(-1, os.SEEK_END)
        if file.read(1) not in b"\r\n\0":
            said = f"row {last}, the last, does not end with a line end; if the file "
            said += "was cut off, rows are missing"
            sheet.notes.append(("file-cut", said, (last,)))


def _read_parquet(path: Path) -> Sheet:
    """Read a Parquet file; a row's number is its place after a header."""
    try:
        file = arrow.parquet.ParquetFile(path)
        groups = range(file.metadata.num_row_groups)
        size = sum(file.metadata.row_group(i).total_byte_size for i in groups)
        _refuse_too_large(size)
        cells = file.read().to_pandas()
    except arrow.ArrowException as error:
        raise Unreadable(f"not readable as Parquet: {_first_line(error)}.") from error
    sheet = Sheet(cells)
    cells.columns = pd.Index(_headers_once(cells.columns, sheet))
    cells.index = _rows_in_file(2, len(cells))
    return sheet


# ---- workbooks


def _read_workbook(path: Path, name: str, how: FileOptions) -> Sheet:
    """Read a sheet of an Excel file, its cells as they are typed."""
    book = open_workbook(path)
    try:
        chosen = _sheet_of(book, name)
        rows = _rows_of(chosen)
        above = [[c.value for c in next(rows, ())] for _ in range(how.header_row - 1)]
        headers = [cell.value for cell in next(rows, ())]
        while headers and headers[-1] in (None, ""):
            headers.pop()
        width = len(headers)
        units = [c.value for c in next(rows, ())][:width] if how.units_row else []
        sheet = _sheet_under(headers, above, units, how)
        names = [*map(str, sheet.cells)]
        first = how.header_row + 1 + how.units_row
        body = []
        for number, row in enumerate(rows, first):
            body.append([cell.value for cell in row[:width]])
            for header, cell in zip(names, row, strict=False):
                if is_shown_as_percent(cell):
                    sheet.percents.setdefault(header, []).append(number)
        cells = pd.DataFrame(body, columns=names, dtype=object)
        cells.index = _rows_in_file(first, len(body))
        sheet.cells = _without_empty_columns(cells)
        _look_for_merged(chosen, sheet, first)
        _look_for_unsaved(path, chosen, sheet, first)
        if chosen.sheet_state != "visible":
            said = f"the sheet {chosen.title!r} is hidden in the workbook, and is read"
            sheet.notes.append(("sheet-hidden", said, ()))
        sheet.sheets = [one.title for one in filled_sheets(book)]
    finally:
        book.close()
    return sheet


def open_workbook(path: Path) -> openpyxl.Workbook:
    """Return an Excel file, its formulas as their values."""
    try:
        with zipfile.ZipFile(path) as packed:
            size = sum(part.file_size for part in packed.infolist())
        _refuse_too_large(size)
        # Only a book read whole tells which cells are merged.
        return openpyxl.load_workbook(
            path, read_only=size > LARGEST_WHOLE, data_only=True
        )
    except (zipfile.BadZipFile, KeyError, ValueError, TypeError) as error:
        raise Unreadable(f"not readable as Excel: {_first_line(error)}.") from error


def _rows_of(sheet) -> Iterator[tuple]:
    """Return a sheet's rows of cells, whatever size the file says it has."""
    if hasattr(sheet, "reset_dimensions"):
        sheet.reset_dimensions()
    return iter(sheet.iter_rows())


def filled_sheets(book: openpyxl.Workbook) -> list:
    """Return the sheets that hold anything."""
    return [
        sheet
        for sheet in book.worksheets
        if any(cell.value is not None for row in _rows_of(sheet) for cell in row)
    ]


def _sheet_of(book: openpyxl.Workbook, name: str):
    """Return the sheet of a name, or the only one there is to be read."""
    by_name = {sheet.title: sheet for sheet in book.worksheets}
    there = listed([repr(title) for title in by_name], most=30)
    if name:
        if name not in by_name:
            raise Unreadable(f"it has no sheet {name!r}; its sheets are {there}.")
        return by_name[name]
    filled = filled_sheets(book)
    shown = [sheet for sheet in filled if sheet.sheet_state == "visible"] or filled
    if len(shown) > 1:
        raise Unreadable(
            f"it has several sheets: {there}. Name the one to read in season.toml, "
            f'such as read = "{shown[0].title}" after the file and a #.'
        )
    return shown[0] if shown else book.worksheets[0]


def is_shown_as_percent(cell) -> bool:
    """Whether a cell's number is shown a hundredfold, with a percent sign."""
    value = cell.value
    if not isinstance(value, float | int) or not -1 <= value <= 1:
        return False
    return "%" in (cell.number_format or "")


def _look_for_merged(chosen, sheet: Sheet, first: int) -> None:
    """Find cells merged over several rows: all but the first are empty in the file."""
    merged = getattr(chosen, "merged_cells", None)
    tall = [r for r in merged.ranges if r.max_row > r.min_row] if merged else []
    body = [r for r in tall if r.max_row >= first]
    if body:
        said = f"cells {listed([str(r) for r in body], most=3)} are merged; only the "
        said += "first row of each has the value. Unmerge them and fill it down"
        rows = [n for r in body for n in range(r.min_row + 1, r.max_row + 1)]
        sheet.notes.append(("cells-merged", said, tuple(rows)))


def _look_for_unsaved(path: Path, chosen, sheet: Sheet, first: int) -> None:
    """Find formulas whose results are not stored: their cells look empty."""
    with zipfile.ZipFile(path) as packed:
        parts = [n for n in packed.namelist() if n.startswith("xl/worksheets/sheet")]
        if not any(b"<f" in packed.read(name) for name in parts):
            return  # a second reading is slow, and few tables have formulas
    book = openpyxl.load_workbook(path, read_only=True)
    try:
        rows = zip(_rows_of(book[chosen.title]), _rows_of(chosen), strict=False)
        empty = [
            formula
            for formulas, values in rows
            for formula, stored in zip(formulas, values, strict=False)
            if formula.data_type == "f"
            and stored.value is None
            and formula.row >= first
        ]
    finally:
        book.close()
    if empty:
        cells = listed([cell.coordinate for cell in empty], most=3)
        said = (
            f"sheet {chosen.title!r}: the formulas of {cells} have no result stored, "
        )
        said += "so that their cells are read as empty. Open the workbook in a "
        said += "spreadsheet program and save it"
        at = tuple(sorted({cell.row for cell in empty}))
        sheet.notes.append(("formula-unsaved", said, at))


# ---- files written


LOCK_FILE = ".in-use"
LONGEST_NAME = 120


class OutputBusy(KitError):
    """Another run is writing into the output folder."""


def file_name(name: str) -> str:
    """Return a name as a file may carry it, one file for each name.

    Letters, digits, spaces and ``-_.`` stay; all else is written as in a URL, so
    no name leaves its folder. Overlong names end in a hash.

    Examples
    --------
    >>> file_name("T 01"), file_name("../etc"), file_name("A/B")
    ('T 01', '%2E.%2Fetc', 'A%2FB')
    """
    safe = quote(name, safe=" -_.", encoding="utf-8", errors="surrogatepass")
    if safe.startswith((".", " ")):
        safe = f"%{ord(safe[0]):02X}{safe[1:]}"
    if safe.endswith((".", " ")):
        safe = f"{safe[:-1]}%{ord(safe[-1]):02X}"
    if len(safe) > LONGEST_NAME:
        safe = f"{safe[: LONGEST_NAME - 17]}~{_hash_of(name)[:16]}"
    return safe


def _hash_of(text: str) -> str:
    """Return the SHA-256 of any text as hexadecimal."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def file_names(names: Iterable[str]) -> dict[str, str]:
    """Return a file name for each name, apart even where letter case is ignored."""
    taken: set[str] = set()
    found = {}
    for name in names:
        safe = file_name(name)
        while safe.casefold() in taken:
            again = _hash_of(f"{name}\0{safe}")
            safe = f"{file_name(name)}~{again[:8]}"
        taken.add(safe.casefold())
        found[name] = safe
    return found


def write_bytes(path: Path, content: bytes, scratch: Path | None = None) -> Path:
    """Write a file whole: under another name first, then renamed into place.

    The other name is in `scratch`, on the same disk, or beside the file. If it cannot
    be done, OSError names the file, and an earlier file stays.
    """
    path = Path(path)
    temporary = None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        handle, temporary = tempfile.mkstemp(
            dir=scratch or path.parent, prefix=".part-"
        )
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException as error:
        if temporary:
            Path(temporary).unlink(missing_ok=True)
        if isinstance(error, OSError):
            error.filename, error.filename2 = str(path), None
        raise
    return path


def csv_bytes(table: pd.DataFrame) -> bytes:
    """Return a table as CSV: UTF-8, full precision, empty for missing, texts defused.

    Times are ISO 8601; truth values are yes and no.
    """
    out = {}
    for name in table.columns:
        cells = table[name]
        if pd.api.types.is_bool_dtype(cells):
            cells = cells.map({True: "yes", False: "no"}, na_action="ignore")
        elif pd.api.types.is_datetime64_any_dtype(cells):
            cells = cells.dt.strftime("%Y-%m-%dT%H:%M:%S")
        elif not pd.api.types.is_numeric_dtype(cells):
            # With an apostrophe, no spreadsheet runs them as a formula.
            texts = cells.astype("str")
            risky = texts.str.startswith(("=", "+", "-", "@", "\t", "\r"), na=False)
            cells = texts.where(~risky, "'" + texts)
        out[name] = cells
    frame = pd.DataFrame(out, columns=list(table.columns))
    # The writer does not see that a lone carriage return ends a line elsewhere.
    returns = any(
        cells.astype("str").str.contains("\r").any() for cells in out.values()
    )
    quoting: Any = csv.QUOTE_NONNUMERIC if returns else csv.QUOTE_MINIMAL
    text = frame.to_csv(index=False, lineterminator="\n", quoting=quoting)
    return text.encode("utf-8")


def json_bytes(content: dict) -> bytes:
    """Return JSON with its keys in order, the same bytes for the same content."""
    text = json.dumps(content, indent=2, sort_keys=True, ensure_ascii=False)
    return (text + "\n").encode("utf-8")


@contextmanager
def sole_use(folder: Path) -> Iterator[None]:
    """Hold an output folder for one run, as long as the process; refuse a second.

    `OutputBusy` is raised too if its lock is a link, a pipe or a folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    lock = folder / LOCK_FILE
    if lock.is_symlink() or (lock.exists() and not lock.is_file()):
        raise OutputBusy(
            f"{lock}: it is no plain file, so the folder cannot be held for this run. "
            "Delete it, or give --out another folder."
        )
    try:
        with FileLock(lock, timeout=0):
            yield
    except Timeout as error:
        raise OutputBusy(
            f"{folder.name}: another run is writing here; wait for it to end, or give "
            f"--out another folder. If there is none, delete {LOCK_FILE} in it."
        ) from error


# ---- what made them

DISTRIBUTION = "harvest-moisture-audit"
# The packages whose version can move a number or a picture.
PACKAGES = "matplotlib numpy pandas papermill pyarrow scipy statsmodels typst"


@cache
def versions() -> dict[str, str]:
    """Return the versions of the kit, of Python and of the packages it rests on."""
    found = {name: version(name) for name in PACKAGES.split()}
    own = {DISTRIBUTION: version(DISTRIBUTION), "python": platform.python_version()}
    return own | found


@cache
def code_hash() -> str:
    """Return one SHA-256 over the kit's own source files."""
    digest = hashlib.sha256()
    kit = Path(__file__).parents[1]
    sources = [p for p in kit.rglob("*") if p.suffix in (".py", ".typ")]
    for name, path in sorted((p.relative_to(kit).as_posix(), p) for p in sources):
        digest.update(name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal text."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()
