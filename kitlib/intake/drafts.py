"""What the words and units of foreign headers mean: English, German and French."""

import csv
import re
import shutil
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, time
from functools import cache
from pathlib import Path
from statistics import median

import pandas as pd
import pyarrow.parquet

from kitlib.intake.files import (
    READABLE,
    WORKBOOKS,
    Sheet,
    Unreadable,
    encoding_of,
    filled_sheets,
    is_shown_as_percent,
    open_workbook,
    write_bytes,
)
from kitlib.intake.schema import (
    MOISTURES,
    NUMBER,
    REQUIRED_TABLES,
    SCHEMAS,
    TIME,
    column_kinds,
    needed_columns,
)
from kitlib.intake.settings import SETTINGS_FILE, read_season, toml_text
from kitlib.intake.tables import typed_tables
from kitlib.words.findings import STOP, SeasonRefused, refuse
from kitlib.words.terms import crop_key

# Units as headers and rows of units write them: quantity and our name of the unit.
_UNITS = {
    "mass": {"kg": "kg kgs", "lb": "lb lbs pounds", "g": "g gr gramm grams"},
    "test_weight": {"kg_hl": "kg/hl", "lb_bu": "lb/bu lbs/bu #/bu"},
    "area": {"m2": "m2 m² qm sqm", "ft2": "ft2 ft² sqft", "ac": "ac acre acres"},
    "temperature": {"c": "°c c degc", "f": "°f f degf"},
    "moisture": {
        "percent": "% pct percent %wb",
        "fraction": "fraction kg/kg",
        "dry_basis": "%db db %ts %dm",
    },
}
_UNIT_WORDS = {
    word: (quantity, unit)
    for quantity, units in _UNITS.items()
    for unit, words in units.items()
    for word in words.split()
}
_PER_AREA = ("t/ha", "kg/ha", "dt/ha", "q/ha", "bu/ac", "bu/acre", "lb/ac")
# Words of a header that only number what it names.
_NUMBERING = re.compile(r"[a-h]|\d+|no|nr|n|num|numero|number|nummer|id|code|name|nom")
# Crops as others write them, by the name that the table of limits has.
CROP_WORDS = {
    word: crop
    for crop, words in {
        "maize": "maize corn mais kornermais koernermais",
        "wheat": "wheat weizen winterweizen ble|ble tendre|wheat hrw|wheat srw",
        "barley": "barley gerste orge wintergerste braugerste",
        "oats": "oats hafer avoine",
        "rye": "rye roggen seigle",
        "soybean": "soybean soybeans soja soya sojabohne",
        "rapeseed": "rapeseed canola raps winterraps colza",
        "sorghum": "sorghum milo",
        "sunflower": "sunflower sonnenblume sonnenblumen tournesol",
    }.items()
    for part in words.split("|")
    for word in ([part] if "|" in words and " " in part else part.split())
}


@cache
def _words() -> dict[str, dict[str, list[str]]]:
    """Return the headers that mean each column, by table."""
    words: dict[str, dict[str, list[str]]] = {table: {} for table in SCHEMAS}
    with Path(__file__).with_name("headers.csv").open(encoding="utf-8") as file:
        for line in csv.DictReader(file):
            tables = SCHEMAS if line["table"] == "*" else [line["table"]]
            for table in (t for t in tables if line["column"] in column_kinds(t)):
                known = words[table].setdefault(line["column"], [])
                known += line["headers"].split("|")
    return words


def plain_words(text: object) -> str:
    """Return a header's words, without accents, marks and letter case.

    Examples
    --------
    >>> plain_words("Prüfglied-Nr."), plain_words("Grain_Wt")
    ('prufglied nr', 'grain wt')
    """
    apart = unicodedata.normalize("NFKD", str(text).casefold())
    letters = "".join(c for c in apart if not unicodedata.combining(c))
    return " ".join(re.findall(r"[a-z0-9]+", letters))


def unit_of(text: object) -> tuple[str, str] | None:
    """Return quantity and unit that a header or a cell of a units row ends in.

    Examples
    --------
    >>> unit_of("TW lb/bu"), unit_of("Area (sq ft)"), unit_of("Plot")
    (('test_weight', 'lb_bu'), ('area', 'ft2'), None)
    """
    bare = re.sub(r"[()\[\]_]", " ", str(text).casefold()).replace("sq ", "sq")
    bare = re.sub(
        r"%\s+(?=d\.?b|t\.?s|d\.?m|w\.?b)", "%", bare.replace("dry basis", "db")
    )
    last = (bare.split() or [""])[-1].replace(".", "")
    return ("yield", last) if last in _PER_AREA else _UNIT_WORDS.get(last)


def quantity_of(column: str) -> str:
    """Return what quantity a column is of, empty if it has no unit to choose."""
    if column in MOISTURES:
        return "moisture"
    ends = {"_kg_hl": "test_weight", "_kg": "mass", "_m2": "area", "_c": "temperature"}
    return next((q for end, q in ends.items() if column.endswith(end)), "")


def _strength(header: str, column: str, words: Sequence[str]) -> int:
    """Return how surely a header means a column: 4 its own name, 0 not at all."""
    if header.strip().casefold() == column:
        return 4
    unit = unit_of(header)
    own = plain_words(header)
    if unit and unit[0] == (quantity_of(column) or unit[0]) and unit[0] != "yield":
        tail = plain_words(re.split(r"[\s_(\[]+", header.strip())[-1])
        cut = own.removesuffix(tail).strip().removesuffix(" sq").strip()
        own = cut or own
    elif unit and unit[0] in ("yield", "mass", "area", "test_weight"):
        return 0  # another quantity's unit, or a yield
    if own in words:
        return 3
    unnumbered = " ".join(w for w in own.split() if not _NUMBERING.fullmatch(w))
    if unnumbered in words:
        return 2
    tokens = set(unnumbered.split())
    inside = [w for w in words if len(w) > 3 and set(w.split()) <= tokens]
    return 1 if inside else 0


def claims_of(headers: Sequence[str], table: str) -> dict[str, dict[str, int]]:
    """Return how surely each header means each column of a table, where it does."""
    return {
        header: {
            column: strength
            for column, words in _words()[table].items()
            if (strength := _strength(header, column, words))
        }
        for header in headers
    }


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


EXPORTS = "exports"
_HEAD = """\
# Drafted from the files in {folder}/, which are as they were exported.
# Each guess has its ground behind it. Lines that begin with "#?" are questions: what
# could not be told is not set. `moisture-audit init` without --from writes a folder
# with every setting there is.
name = {name}
"""


@dataclass
class Draft:
    """A drafted season.

    Attributes
    ----------
    files : list of Path
        What was written.
    tables : dict of str to list of str
        The sheets that each table is read from.
    questions : list of str
        What could not be told, as it stands in season.toml.
    """

    files: list[Path]
    tables: dict[str, list[str]]
    questions: list[str]


def draft_season(folder: str | Path, source: str | Path) -> Draft:
    """Copy a folder of foreign files and draft the settings that read them.

    Parameters
    ----------
    folder : str or Path
        The season folder, new or empty.
    source : str or Path
        Folder of files as programmes exported them; subfolders are looked at too.

    Raises
    ------
    SeasonRefused
        If `folder` holds anything, or `source` holds no table.
    """
    folder, source = Path(folder), Path(source)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        said = "it is not an empty folder, and nothing in it is overwritten. "
        refuse(str(folder), [f"{said}Name a new one."])
    paths = sorted(p for p in source.rglob("*") if p.suffix.lower() in READABLE)
    paths = [p for p in paths if p.is_file() and not p.name.startswith((".", "~"))]
    if not paths:
        refuse(str(source), [f"no table in it; expected {', '.join(READABLE)}."])
    guesses, questions = [], []
    written = []
    for path in paths:
        inside = path.relative_to(source).as_posix()
        copy = folder / EXPORTS / inside
        copy.parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, copy)
        written.append(copy)
        found, unclear = _guesses(copy, f"{EXPORTS}/{inside}")
        guesses += found
        questions += unclear
    groups = _groups(guesses)
    text, asked = _settings(folder.name, groups)
    questions += asked
    text += "".join(
        f"\n#? {question}" for question in questions if question not in asked
    )
    written.append(write_bytes(folder / SETTINGS_FILE, f"{text.rstrip()}\n".encode()))
    tables = {table: [g.grid.name for g in of] for table, of in groups.items()}
    return Draft(written, tables, questions + _trial_reading(folder))


def _guesses(path: Path, name: str) -> tuple[list[Guess], list[str]]:
    """Return what the sheets of a file are taken for, and what is to be asked."""
    try:
        grids = grids_of(path, name)
    except Unreadable as error:
        return [], [f"{name}: {error}"]
    guesses, unclear = [], []
    for grid in grids:
        guess = guess_of(grid)
        if guess:
            guesses.append(guess)
        else:
            unclear.append(f"{grid.name}: like no table of a season; it is not read")
    return guesses, unclear


def _groups(guesses: Sequence[Guess]) -> dict[str, list[Guess]]:
    """Return guesses by table; a sheet a trial gets its trial from its name."""
    groups: dict[str, list[Guess]] = {table: [] for table in SCHEMAS}
    for guess in guesses:
        groups[guess.table].append(guess)
    for table, of in groups.items():
        lacking = [g for g in of if "trial" not in g.columns]
        if len(lacking) > 1 and len(lacking) == len(of):
            for guess in of:
                if "trial" in SCHEMAS[table].columns:
                    name = re.split(r"[#/]", guess.grid.name)[-1]
                    name = (
                        name.rsplit(".", 1)[0] if "#" not in guess.grid.name else name
                    )
                    said = "one file or sheet a trial; the trial's name is the file's"
                    guess.options["fixed"] = ({"trial": name}, said)
                    guess.questions = [
                        q for q in guess.questions if not q.startswith("trial:")
                    ]
    return {table: of for table, of in groups.items() if of}


# ---- season.toml


def _settings(name: str, groups: dict[str, list[Guess]]) -> tuple[str, list[str]]:
    """Return the text of season.toml, and the questions in it."""
    lines = [_HEAD.format(folder=EXPORTS, name=toml_text(name.strip(". ") or "season"))]
    questions = []
    for table, guesses in groups.items():
        lines += _of_table(table, guesses)
        questions += [f"{g.grid.name}: {q}" for g in guesses for q in g.questions]
    lines += _crop_aliases(groups)
    for table in REQUIRED_TABLES:
        if table not in groups:
            question = f"no file looks like the table {table}; add {table}.csv"
            questions.append(question)
            lines.append(f"#? {question}")
    return "\n".join(lines), questions


def _of_table(table: str, guesses: list[Guess]) -> list[str]:
    """Return the lines of one table: its files, columns and units."""
    alike = _alike(guesses)
    shared = {
        column: guesses[0].columns[column]
        for column in SCHEMAS[table].columns
        if all(
            g.columns.get(column, ([], ""))[0] == guesses[0].columns.get(column, [0])[0]
            for g in guesses
        )
    }
    lines = [f"\n# ---- {table}"]
    for group in alike:
        first = group[0]
        lines.append(f"[[files.{table}]]" if len(alike) > 1 else f"[files.{table}]")
        names = [guess.grid.name for guess in group]
        lines.append(f"read = {_toml(names if len(names) > 1 else names[0])}")
        lines += _options(first)
        own = {c: v for c, v in first.columns.items() if c not in shared}
        if own:
            lines += [f"[files.{table}.columns]", *_mapping(own)]
        if first.units and len(alike) > 1:
            lines += [f"[files.{table}.units]", *_units(first)]
        lines += [f"#? {q}" for g in group for q in g.questions]
    if shared:
        lines += [f"[columns.{table}]", *_mapping(shared)]
    if guesses[0].units and len(alike) == 1:
        lines += [f"[units.{table}]", *_units(guesses[0])]
    return lines


def _alike(guesses: list[Guess]) -> list[list[Guess]]:
    """Return guesses that are read in one and the same way, together."""
    groups = defaultdict(list)
    for guess in guesses:
        told = {key: value for key, (value, _) in guess.options.items()}
        columns = {column: headers for column, (headers, _) in guess.columns.items()}
        units = {quantity: unit for quantity, (unit, _) in guess.units.items()}
        groups[repr((told, columns, units))].append(guess)
    return list(groups.values())


def _options(guess: Guess) -> list[str]:
    """Return the lines that say how a file is read."""
    told = [(key, value, why) for key, (value, why) in guess.options.items()]
    return [f"{key} = {_toml(value)}  # {why}" for key, value, why in told]


def _mapping(columns: dict[str, tuple[list[str], str]]) -> list[str]:
    """Return the lines that map columns."""
    return [
        f"{column} = {_toml(headers if len(headers) > 1 else headers[0])}  # {ground}"
        for column, (headers, ground) in columns.items()
    ]


def _units(guess: Guess) -> list[str]:
    """Return the lines that give units."""
    return [
        f"{quantity} = {_toml(unit)}  # {ground}"
        for quantity, (unit, ground) in guess.units.items()
    ]


def _toml(value: object) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(map(_toml, value)) + "]"
    return toml_text(value) if isinstance(value, str) else str(value)


def _crop_aliases(groups: dict[str, list[Guess]]) -> list[str]:
    """Return the lines that name crops as the table of limits does."""
    others = defaultdict(set)
    for guesses in groups.values():
        for guess in guesses:
            headers = guess.columns.get("crop", ([], ""))[0]
            for text in _cells_under(guess, headers):
                ours = CROP_WORDS.get(plain_words(text))
                if ours and crop_key(text) != ours:
                    others[ours].add(text)
    if not others:
        return []
    lines = ["\n[alias.crop]  # the same crops in other words"]
    return lines + [
        f"{ours} = {_toml(sorted(o))}" for ours, o in sorted(others.items())
    ]


def _cells_under(guess: Guess, headers: Sequence[str]) -> set[str]:
    """Return the different texts under a header of a sheet."""
    rows = guess.grid.rows
    names = [
        "" if cell is None else str(cell).strip() for cell in rows[guess.header_row - 1]
    ]
    places = [names.index(header) for header in headers if header in names]
    body = rows[guess.header_row :]
    cells = [row[at] for row in body for at in places if at < len(row)]
    return {str(cell).strip() for cell in cells if cell not in (None, "")}


def _trial_reading(folder: Path) -> list[str]:
    """Return what stops the drafted season from being read, as questions."""
    try:
        tables = typed_tables(folder, read_season(folder))
    except (SeasonRefused, Unreadable) as error:
        return [str(error)]
    found = [f for table in tables.values() for f in table.findings]
    return [str(f) for f in found if f.severity == STOP]
