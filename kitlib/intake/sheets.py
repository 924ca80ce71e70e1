"""A sheet of a file as it stands, its headers and rows, and those of workbooks."""

import zipfile
from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import openpyxl
import pandas as pd

from kitlib.intake.options import FileOptions
from kitlib.words.errors import KitError
from kitlib.words.terms import listed

WORKBOOKS = (".xlsx", ".xlsm")
ROW = "row_in_file"
# A compressed file may not unfold to more than this. [bytes]
LARGEST_UNPACKED = 4 << 30
# A workbook up to this size is read with what its cells look like. [bytes]
LARGEST_WHOLE = 100 << 20
# A spreadsheet has no more columns than this.
MOST_COLUMNS = 16_384


class Unreadable(KitError):
    """A file that cannot be read as a table, with the reason."""


@dataclass
class Sheet:
    """Cells as they stand in one file or sheet, and what was seen on the way.

    Attributes
    ----------
    cells : DataFrame
        Text (or, from Parquet and Excel, typed) cells under the file's headers,
        indexed by their row as a spreadsheet counts it.
    aside : list of (int, str, str)
        Rows that are no rows of the table: row, code of the reason, and its words.
    notes : list of (str, str, tuple of int)
        What was found out or looks amiss: code of the finding, its words, rows.
    units_row : dict of str to str
        By header, the cell of the row of units.
    percents : dict of str to list of int
        By header, rows whose number the spreadsheet shows as a percentage.
    sheets : list of str
        The workbook's sheets that hold anything.
    """

    cells: pd.DataFrame
    aside: list[tuple[int, str, str]] = field(default_factory=list)
    notes: list[tuple[str, str, tuple[int, ...]]] = field(default_factory=list)
    units_row: dict[str, str] = field(default_factory=dict)
    percents: dict[str, list[int]] = field(default_factory=dict)
    sheets: list[str] = field(default_factory=list)


def headers_once(names: Iterable[object], sheet: Sheet) -> list[str]:
    """Return headers as text, each once; one that has none is named by its column."""
    texts = ["" if name is None else str(name).strip() for name in names]
    if len(texts) > MOST_COLUMNS:
        raise Unreadable(
            f"it has {len(texts)} columns; a spreadsheet has at most {MOST_COLUMNS}."
        )
    times: Counter = Counter()
    headers = []
    for number, text in enumerate(texts, 1):
        times[text] += 1
        if not text:
            text = f"(no header, column {number})"
        elif times[text] > 1:
            text = f"{text} ({times[text]})"
        headers.append(text)
    doubled = [repr(text) for text in times if text and times[text] > 1]
    if doubled:
        said = f"several columns are headed {listed(doubled)}; the second is called "
        said += "'… (2)' here, and so on"
        sheet.notes.append(("header-twice", said, ()))
    if len(set(headers)) < len(headers):
        raise Unreadable(f"two columns are headed {doubled[0]}; rename one.")
    return headers


def keep_aside(sheet: Sheet, above: Sequence[Sequence], units: Sequence) -> None:
    """Set the rows above the headers and the row of units aside."""
    for number, row in enumerate(above, 1):
        if any(cell not in (None, "") for cell in row):
            said = "the row stands above the headers"
            sheet.aside.append((number, "above-headers", said))
    if units:
        said = "the row holds units"
        sheet.aside.append((len(above) + 2, "units-row", said))
        texts = ["" if cell is None else str(cell).strip() for cell in units]
        sheet.units_row = dict(zip(sheet.cells.columns, texts, strict=False))


def rows_in_file(first: int, n: int, skipped: Sequence[int] = ()) -> pd.Index:
    """Return the spreadsheet rows of n table rows, counting those set aside."""
    rows = pd.RangeIndex(first, first + n + len(skipped), name=ROW)
    return rows.drop(list(skipped))[:n] if skipped else rows


def without_empty_columns(cells: pd.DataFrame) -> pd.DataFrame:
    """Return the columns that have a header or a cell."""
    bare = [
        c for c in cells if str(c).startswith("(no header") and cells[c].isna().all()
    ]
    return cells.drop(columns=bare)


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


def read_workbook(path: Path, name: str, how: FileOptions) -> Sheet:
    """Read a sheet of an Excel file, its cells as they are typed."""
    book = open_workbook(path)
    try:
        chosen, sheet = _sheet_of(book, name), Sheet(pd.DataFrame())
        rows = _rows_of(chosen)
        above = [
            [cell.value for cell in next(rows, ())] for _ in range(how.header_row - 1)
        ]
        headers = [cell.value for cell in next(rows, ())]
        while headers and headers[-1] in (None, ""):
            headers.pop()
        width = len(headers)
        names = headers_once(headers, sheet)
        sheet.cells = pd.DataFrame(columns=names, dtype=object)
        units = [c.value for c in next(rows, ())][:width] if how.units_row else []
        keep_aside(sheet, above, units)
        first = how.header_row + 1 + how.units_row
        body = []
        for number, row in enumerate(rows, first):
            body.append([cell.value for cell in row[:width]])
            for header, cell in zip(names, row, strict=False):
                if is_shown_as_percent(cell):
                    sheet.percents.setdefault(header, []).append(number)
        sheet.cells = pd.DataFrame(body, columns=names, dtype=object)
        sheet.cells.index = rows_in_file(first, len(body))
        sheet.cells = without_empty_columns(sheet.cells)
        _tell_of_merged(chosen, sheet)
        _tell_of_hidden(chosen, sheet)
        sheet.sheets = [one.title for one in filled_sheets(book)]
    finally:
        book.close()
    return sheet


def open_workbook(path: Path) -> openpyxl.Workbook:
    """Return an Excel file, its formulas as their values.

    Raises
    ------
    Unreadable
        If it is damaged, or would unfold to more than `LARGEST_UNPACKED` bytes.
    """
    try:
        with zipfile.ZipFile(path) as packed:
            size = sum(part.file_size for part in packed.infolist())
        refuse_too_large(size)
        # Only a book read whole tells which cells are merged.
        return openpyxl.load_workbook(
            path, read_only=size > LARGEST_WHOLE, data_only=True
        )
    except (zipfile.BadZipFile, KeyError, ValueError, TypeError) as error:
        raise Unreadable(f"not readable as Excel: {first_line(error)}.") from error


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


def _tell_of_merged(chosen, sheet: Sheet) -> None:
    """Find cells merged over several rows: all but the first are empty in the file."""
    merged = getattr(chosen, "merged_cells", None)
    tall = [r for r in merged.ranges if r.max_row > r.min_row] if merged else []
    body = [r for r in tall if r.max_row >= sheet.cells.index.min()]
    if body:
        said = f"cells {listed([str(r) for r in body], most=3)} are merged; only the "
        said += "first row of each has the value. Unmerge them and fill it down"
        rows = [n for r in body for n in range(r.min_row + 1, r.max_row + 1)]
        sheet.notes.append(("cells-merged", said, tuple(rows)))


def _tell_of_hidden(chosen, sheet: Sheet) -> None:
    """Say that the sheet read is hidden."""
    if chosen.sheet_state != "visible":
        said = f"the sheet {chosen.title!r} is hidden in the workbook, and is read"
        sheet.notes.append(("sheet-hidden", said, ()))


def refuse_too_large(unpacked: int) -> None:
    """Refuse a file that would unfold to more than the memory meant for it."""
    if unpacked > LARGEST_UNPACKED:
        raise Unreadable(
            f"would unfold to {unpacked / 1e9:.1f} GB; at most "
            f"{LARGEST_UNPACKED / 1e9:.1f} GB are read. Split the season."
        )


def first_line(error: Exception) -> str:
    """Return the first line of a library's message, without its full stop."""
    return str(error).splitlines()[0].rstrip(".") if str(error) else "it is damaged"
