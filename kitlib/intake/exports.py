"""What foreign files hold: which sheet is which table, which header which column.

Nothing is decided here without a ground in words; what has none is a question.
"""

import csv
import re
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from functools import cache
from pathlib import Path
from statistics import median

import pandas as pd
import pyarrow.parquet

from kitlib.intake.files import encoding_of
from kitlib.intake.headers import (
    CROP_WORDS,
    claims_of,
    plain_words,
    quantity_of,
    unit_of,
)
from kitlib.intake.schema import (
    NUMBER,
    SCHEMAS,
    TIME,
    column_kinds,
    needed_columns,
)
from kitlib.intake.sheets import (
    WORKBOOKS,
    Sheet,
    filled_sheets,
    is_shown_as_percent,
    open_workbook,
)

# What tells a table from another: a header of these columns counts thrice.
_TELLING = {
    "plots": ("plot_mass_kg", "plot_area_m2", "entry"),
    "oven": ("tare_g", "wet_g", "dry_g", "method", "weighed_at"),
    "benchtop": ("meter", "read_at"),
    "curves": ("offset_loaded", "low_pct", "high_pct", "built_on"),
    "readings": (),
    "setup_runs": ("known_pct", "air_temp_c", "grain_mass_kg"),
    "check_runs": ("known_pct", "run_at"),
}
_NAMED = {
    "plots": "combine harvest plots ernte parzellen mahdrescher recolte parcelles",
    "oven": "oven ofen trocken trockenschrank etuve lab labor labo dishes schalen",
    "benchtop": "bench benchtop meter humidimetre schnellbestimmer",
    "curves": "curves calibrations kalibrierungen kalibrierkurven courbes register",
    "readings": "second parallel readings",
    "setup_runs": "setup set up einrichtung reglage",
    "check_runs": "check checks kontrolle controle",
}
_NOTHING = (
    "",
    "-",
    "--",
    ".",
    "n/a",
    "na",
    "nd",
    "n.d.",
    "nil",
    "null",
    "#n/a",
    "k.a.",
)
_TOTALS = (
    "total",
    "totals",
    "sum",
    "summe",
    "gesamt",
    "mean",
    "average",
    "mittel",
    "mittelwert",
    "moyenne",
    "somme",
)
_DAYS = (
    "%m/%d/%Y",
    "%d/%m/%Y",
    "%d.%m.%Y",
    "%d-%m-%Y",
    "%m-%d-%Y",
    "%m/%d/%y",
    "%d/%m/%y",
    "%d.%m.%y",
)
_HOURS = ("", " %H:%M", " %H:%M:%S", " %I:%M %p", " %I:%M:%S %p")
_SEPARATORS = ",;\t|"


@dataclass
class Grid:
    """A sheet of a foreign file, row by row, under the name season.toml gives it."""

    name: str
    rows: list[list]
    options: dict[str, tuple[str, str]] = field(default_factory=dict)


@dataclass
class Guess:
    """What a sheet is taken for, each part with its ground.

    Attributes
    ----------
    grid : Grid
    table : str
        The table it is.
    header_row : int
        As a spreadsheet counts rows.
    columns : dict of str to (list of str, str)
        By our column, the headers and the ground.
    units : dict of str to (str, str)
        By quantity, the unit and the ground.
    options : dict of str to (object, str)
        Options of [files.<table>], each with its ground.
    questions : list of str
        What could not be told.
    """

    grid: Grid
    table: str
    header_row: int
    columns: dict[str, tuple[list[str], str]] = field(default_factory=dict)
    units: dict[str, tuple[str, str]] = field(default_factory=dict)
    options: dict[str, tuple[object, str]] = field(default_factory=dict)
    questions: list[str] = field(default_factory=list)


# ---- sheets as they stand


def grids_of(path: Path, name: str) -> list[Grid]:
    """Return the sheets of a file, hidden and empty ones left out."""
    suffix = path.suffix.lower()
    if suffix in WORKBOOKS:
        book = open_workbook(path)
        sheets = [s for s in filled_sheets(book) if s.sheet_state == "visible"]
        return [
            Grid(
                name if len(book.worksheets) == 1 else f"{name}#{sheet.title}",
                [[_shown(cell) for cell in row] for row in sheet.iter_rows()],
            )
            for sheet in sheets
        ]
    if suffix == ".parquet":
        table = pyarrow.parquet.read_table(path)
        body = zip(*(column.to_pylist() for column in table.columns), strict=True)
        return [Grid(name, [table.column_names, *map(list, body)])]
    encoding = encoding_of(path, Sheet(pd.DataFrame()))
    lines = path.read_bytes().decode(encoding).splitlines(keepends=True)
    separator = _separator_of(lines[:60])
    rows = [list(map(_typed, row)) for row in csv.reader(lines, delimiter=separator)]
    options = {}
    if separator != ",":
        options["separator"] = (separator, "the mark that parts most lines alike")
    if encoding not in ("utf-8", "utf-8-sig"):
        options["encoding"] = (encoding, "some bytes are not UTF-8; check the letters")
    return [Grid(name, rows, options)]


def _shown(cell) -> object:
    """Return a spreadsheet's cell as it shows it: a percentage a hundredfold."""
    return cell.value * 100 if is_shown_as_percent(cell) else cell.value


def _typed(cell: str) -> object:
    """Return a cell of a text file: a number where it is one with a decimal point."""
    try:
        return float(cell) if re.fullmatch(r"\s*[+-]?\d*\.?\d+\s*", cell) else cell
    except ValueError:
        return cell


def _separator_of(lines: Sequence[str]) -> str:
    """Return the mark that stands as often in most lines."""
    best, most = ",", 0
    for mark in _SEPARATORS:
        times = Counter(re.sub(r'"[^"]*"', "", line).count(mark) for line in lines)
        [(count, alike)] = times.most_common(1) or [(0, 0)]
        if count * alike > most:
            best, most = mark, count * alike
    return best


# ---- tables and columns


def guess_of(grid: Grid) -> Guess | None:
    """Return what a sheet is taken for, None where it is like no table."""
    name = set(plain_words(grid.name.replace("exports/", "")).split())
    best, most = None, 0.0
    for number, row in enumerate(grid.rows[:15]):
        headers = [str(cell).strip() for cell in row if cell not in (None, "")]
        if len(headers) < 3:
            continue
        for table in SCHEMAS:
            score = _likeness(headers, table) + 2 * len(
                name & set(_NAMED[table].split())
            )
            if score > most + 1e-9:
                best, most = (number, table), score
    if best is None or most < 6:
        return None
    number, table = best
    guess = Guess(grid, table, number + 1, options=dict(grid.options))
    _fill(guess)
    return guess


def _likeness(headers: Sequence[str], table: str) -> float:
    """Return how much a row of headers looks like a table's."""
    claims = claims_of(headers, table)
    sure = {c for own in claims.values() for c, strength in own.items() if strength > 1}
    lacking = [c for c in needed_columns(table) if c not in sure]
    known = sum(1 for own in claims.values() if max(own.values(), default=0) > 1)
    telling = sum(2.0 for column in _TELLING[table] if column in sure)
    return known + telling - 0.5 * len(lacking) - 0.25 * (len(headers) - known)


def _fill(guess: Guess) -> None:
    """Map a sheet's columns, and find out its units and options."""
    rows = guess.grid.rows
    headers = _named_once(rows[guess.header_row - 1])
    body = [
        row for row in rows[guess.header_row :] if any(c not in (None, "") for c in row)
    ]
    units_row = _units_row(body[0]) if body else {}
    if units_row:
        guess.options["units_row"] = (True, "the row under the headers holds units")
        body = body[1:]
    if guess.header_row > 1:
        said = f"the row with the headers {headers[0]!r}, {headers[1]!r}"
        guess.options["header_row"] = (guess.header_row, said)
    cells = {
        header: [row[at] if at < len(row) else None for row in body]
        for at, header in enumerate(headers)
        if header
    }
    claims = claims_of(list(cells), guess.table)
    _map_columns(guess, claims, cells)
    _map_by_content(guess, cells)
    used = {ours: cells[h[0]] for ours, (h, _) in guess.columns.items()}
    said_units = {h: units_row[at] for at, h in enumerate(headers) if at in units_row}
    _find_units(guess, used, said_units)
    _find_options(guess, used)
    _ask_for_missing(guess, cells)


def _named_once(row: Iterable) -> list[str]:
    """Return a row of headers as `files` names them: a second one is '… (2)'."""
    times: Counter = Counter()
    names = []
    for cell in row:
        name = "" if cell is None else str(cell).strip()
        times[name] += 1
        names.append(f"{name} ({times[name]})" if name and times[name] > 1 else name)
    return names


def _units_row(row: Sequence) -> dict[int, tuple[str, str]]:
    """Return the units in a row, by column, if it is a row of units."""
    filled = {at: str(c).strip() for at, c in enumerate(row) if c not in (None, "")}
    units = {at: unit for at, text in filled.items() if (unit := unit_of(text))}
    text = [t for t in filled.values() if re.search(r"\d", t) and not unit_of(t)]
    return units if len(units) >= 2 and not text else {}


def _map_columns(guess: Guess, claims, cells) -> None:
    """Give each column the header that surely means it; ask where several might."""
    wanted = defaultdict(list)
    for header, own in claims.items():
        best = max(own.values(), default=0)
        columns = [column for column, strength in own.items() if strength == best]
        columns = [c for c in columns if _fits(c, guess.table, cells[header])]
        if len(columns) > 1:
            guess.questions.append(f"{header!r} may be {' or '.join(columns)}")
        elif columns:
            wanted[columns[0]].append((best, header))
    for column, headers in wanted.items():
        best = max(strength for strength, _ in headers)
        chosen = [header for strength, header in headers if strength == best]
        ground = {4: "its own name", 3: "the trade's word", 2: "the trade's word"}
        if best == 1:
            said = f"{' or '.join(map(repr, chosen))} may be {column}"
            guess.questions.append(said)
        elif len(chosen) == 1 or _side_by_side(column, chosen):
            aside = "" if len(chosen) == 1 else f", {len(chosen)} side by side in a row"
            guess.columns[column] = (chosen, ground[best] + aside)
        else:
            said = f"{column}: which of {', '.join(map(repr, chosen))} is it?"
            guess.questions.append(said)
    counts = {len(h) for h, _ in guess.columns.values() if len(h) > 1}
    if len(counts) > 1:
        for column in [c for c, (h, _) in guess.columns.items() if len(h) > 1]:
            unlike = guess.columns.pop(column)[0]
            said = f"{column}: {', '.join(map(repr, unlike))} do not match the others"
            guess.questions.append(said)


def _side_by_side(column: str, headers: Sequence[str]) -> bool:
    """Whether headers of one column are numbered, as of dishes in one row."""
    repeated = (
        "tare_g",
        "wet_g",
        "dry_g",
        "moisture_pct",
        "prestage_wet_g",
        "prestage_dry_g",
    )
    marks = [re.findall(r"\b([a-h]|\d+)\b", plain_words(header)) for header in headers]
    return column in repeated and all(mark or n == 0 for n, mark in enumerate(marks))


def _fits(column: str, table: str, cells: Sequence) -> bool:
    """Whether a column's cells are of its kind; those of an empty one may be."""
    filled = [c for c in cells if str(c).strip().casefold() not in (*_NOTHING, "none")]
    kind = column_kinds(table)[column]
    if not filled or kind not in (NUMBER, TIME):
        return True
    fits = _number if kind == NUMBER else _is_time
    return sum(fits(cell) is not None for cell in filled) >= 0.7 * len(filled)


def _number(cell: object) -> float | None:
    """Return a cell as a number, with whichever decimal mark."""
    if isinstance(cell, float | int):
        return float(cell)
    text = str(cell).strip()
    plain = re.fullmatch(r"[+-]?\d*[.,]?\d+", text)
    return float(text.replace(",", ".")) if plain else None


def _is_time(cell: object) -> object:
    """Return something for a cell that holds a date, None for others."""
    if isinstance(cell, datetime | date):
        return cell
    if isinstance(cell, time):
        return None
    return re.match(r"\s*(\d{4}-\d\d-\d\d|\d{1,2}[./-]\d{1,2}[./-]\d{2,4})", str(cell))


def _map_by_content(guess: Guess, cells) -> None:
    """Map a column that no header names, where its cells say what it is."""
    used = {header for headers, _ in guess.columns.values() for header in headers}
    for column, known in (("crop", CROP_WORDS), ("method", None)):
        if column in guess.columns or column not in column_kinds(guess.table):
            continue
        for header in cells.keys() - used:
            texts = {plain_words(c) for c in cells[header] if c not in (None, "")}
            alike = (
                texts <= known.keys()
                if known
                else all(re.match(r"(iso|s\d{3}|aacc|en iso|icc)\b", t) for t in texts)
            )
            if texts and alike:
                said = f"its cells are {column}s, such as {sorted(texts)[0]!r}"
                guess.columns[column] = ([header], said)
                break


def _find_units(guess: Guess, used, units_row: dict[str, tuple[str, str]]) -> None:
    """Find the units of a sheet by its headers, its row of units and its cells."""
    found = defaultdict(list)
    for column, (headers, _) in guess.columns.items():
        header, quantity = headers[0], quantity_of(column)
        if not quantity or header.casefold() == column:
            continue  # our own name holds its unit
        said = units_row.get(header) or unit_of(header)
        where = "the row of units" if header in units_row else "its header"
        if said and said[0] == quantity:
            found[quantity].append((said[1], f"{where} at {header!r}"))
        else:
            _judge_by_cells(guess, header, quantity, _middle(used[column]), found)
    for quantity, units in found.items():
        if len({unit for unit, _ in units}) == 1:
            guess.units[quantity] = units[0]
        else:
            told = "; ".join(f"{unit} by {ground}" for unit, ground in units)
            guess.questions.append(f"{quantity}: {told}. Give one unit in the file")


def _judge_by_cells(guess: Guess, header: str, quantity: str, middle: float, found):
    """Find by its cells whether a moisture is a fraction; ask for other units."""
    if quantity == "moisture" and 0.02 < middle < 0.7:
        found[quantity].append(("fraction", f"{header!r} is {middle:g} in the middle"))
    elif quantity in ("mass", "area"):
        default = {"mass": "kg", "area": "m2"}[quantity]
        said = f"{header!r} names no unit; {default} unless you set {quantity}"
        guess.questions.append(said)
    elif quantity == "test_weight" and 40 < middle < 64:
        said = f"{header!r} is {middle:g} in the middle: lb_bu or kg_hl?"
        guess.questions.append(said)


def _middle(cells: Sequence) -> float:
    """Return the median of the numbers among cells, 0 if there are none."""
    return median([n for n in map(_number, cells) if n is not None] or [0.0])


def _find_options(guess: Guess, used) -> None:
    """Find decimal mark, forms of dates, marks for missing cells, rows to skip."""
    kinds = column_kinds(guess.table)
    numbers = [
        str(cell).strip()
        for column, cells in used.items()
        if kinds[column] == NUMBER
        for cell in cells
        if isinstance(cell, str)
    ]
    commas = [text for text in numbers if re.fullmatch(r"[+-]?\d+,\d+", text)]
    if commas:
        guess.options["decimal"] = (",", f"numbers such as {commas[0]}")
    missing = sorted({t for t in numbers if t and t.casefold() in _NOTHING})
    if missing:
        guess.options["missing"] = (missing, "they stand where numbers do")
    _find_rows_to_skip(guess, used)
    texts = [
        cell.strip()
        for column, cells in used.items()
        if kinds[column] == TIME
        for cell in cells
        if isinstance(cell, str) and cell.strip().casefold() not in _NOTHING
    ]
    texts = [text for text in texts if not re.match(r"\d{4}-\d\d-\d\d", text)]
    if texts:
        _find_dates(guess, texts)


def _find_dates(guess: Guess, texts: Sequence[str]) -> None:
    """Find the forms that all times of a sheet have; ask where two orders would do."""
    by_order = defaultdict(list)
    for day in _DAYS:
        for form in (day + hour for hour in _HOURS):
            if any(_reads(text, form) for text in texts):
                by_order[day[:5]].append(form)
    whole = [
        forms
        for forms in by_order.values()
        if all(any(_reads(text, form) for form in forms) for text in texts)
    ]
    if len(whole) == 1:
        said = f"all times, such as {max(texts)!r}, can be read so and not otherwise"
        guess.options["dates"] = (whole[0], said)
    elif whole:
        said = " or ".join(repr(form) for forms in whole for form in forms[:1])
        guess.questions.append(f"dates such as {texts[0]!r}: is it {said}?")
    else:
        guess.questions.append(f"dates such as {texts[0]!r} are in no form known here")


@cache
def _reads(text: str, form: str) -> bool:
    """Whether a text is a time of a form."""
    try:
        datetime.strptime(text, form)
    except ValueError:
        return False
    return True


def _find_rows_to_skip(guess: Guess, used) -> None:
    """Find rows of totals, by the word in one of their keys."""
    for column in ("trial", "plot", "sample", "entry"):
        words = {
            str(cell).strip()
            for cell in used.get(column, ())
            if plain_words(cell or "").split(" ")[0] in _TOTALS
        }
        if words:
            said = "rows of totals"
            guess.options["skip_rows_where"] = ({column: sorted(words)}, said)
            return


def _ask_for_missing(guess: Guess, cells) -> None:
    """Ask for the columns that a table must have and no header means."""
    used = {header for headers, _ in guess.columns.values() for header in headers}
    left = [header for header in cells if header not in used]
    for column in needed_columns(guess.table):
        if column not in guess.columns:
            guess.questions.append(
                f"{column}: no header means it; headers not used are "
                f"{', '.join(map(repr, left[:8])) or 'none'}"
            )
