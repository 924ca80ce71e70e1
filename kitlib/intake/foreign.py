"""What the headers and the cells of foreign files mean.

It is told by words of the trade in English, German, French and Spanish (words.csv), by
units and by the forms that numbers and dates have.
"""

import csv
import re
import unicodedata
from collections import defaultdict
from collections.abc import Sequence
from contextlib import suppress
from datetime import date, datetime, time, timedelta
from functools import cache
from pathlib import Path

import pandas as pd
import pyarrow.parquet

from kitlib.intake import files
from kitlib.intake.schema import (
    NUMBER,
    SAMPLE_KEYS,
    SCHEMAS,
    TIME,
    CheckedTable,
    by_value,
    in_its_kind,
    quantity_of,
)
from kitlib.intake.settings import FileOptions
from kitlib.words.terms import csv_rows

# The words of foreign files: by table, or by what they are of, those of each meaning.
WORDS: dict[str, dict[str, list[str]]] = defaultdict(lambda: defaultdict(list))
for _row in csv_rows("kitlib.intake", "words.csv"):
    _having = [table for table in SCHEMAS if _row["means"] in SCHEMAS[table]]
    for _table in _having if _row["table"] == "*" else [_row["table"]]:
        # A pattern may hold the mark that parts words.
        _parted = _row["words"].split("|" if _table != "pattern" else "\n")
        WORDS[_table][_row["means"]] += _parted
_UNITS = {w: tuple(u.split(".")) for u, words in WORDS["unit"].items() for w in words}
# What a header may call each unit of a quantity; the first that fits is meant.
_PATTERNS = {u: re.compile(pattern) for u, [pattern] in WORDS["pattern"].items()}
_ALIKE = {w: one for one, words in WORDS["alike"].items() for w in words}
CROPS = {word: crop for crop, words in WORDS["crop"].items() for word in words}
_METHOD = re.compile(r"(iso|s\d{3}|aacc|en iso|icc)\b.*")
_EMPTY_WORDS = frozenset(WORDS["header"]["empty"])
# Words of a header that only number what it names.
_NUMBERING = re.compile(
    r"[a-h]|\d+|no|nr|n|nbr|num|numero|number|nummer|id|code|barcode|label|name|nom"
)
# German words that are written together with what they are of.
_JOINED = re.compile(r"\b(korn|ernte|parzellen|proben|schalen)(?=[a-z]{5})")
SURE, OWN_NAME = 20, 50  # how surely a header means a column
NOTHING = ("", "none", *WORDS["cell"]["missing"])
AREA = "plot_area_m2"
COUNTED = ("dish", "reading", "run")  # numbered within a sample: 1, 2 or A, B
_CLOCK = re.compile(r"\d{1,2}:\d\d(:\d\d)?(?i: [ap]m)?")
_DAYS = "%m/%d/%Y %d/%m/%Y %d.%m.%Y %d-%m-%Y %m-%d-%Y %m/%d/%y %d/%m/%y %d.%m.%y"
_HOURS = ("", " %H:%M", " %H:%M:%S", " %I:%M %p", " %I:%M:%S %p")


def plain_words(text: object) -> str:
    """Return a header's words, without accents, marks and letter case.

    Examples
    --------
    >>> plain_words("Prüfglied-Nr."), plain_words("GrainWt")
    ('prufglied nr', 'grain wt')
    """
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", str(text))
    apart = unicodedata.normalize("NFKD", parted.casefold())
    letters = "".join(c for c in apart if not unicodedata.combining(c))
    return " ".join(re.findall(r"[a-z0-9]+", letters))


def unit_of(text: object) -> tuple[str, ...]:
    """Return quantity and unit that a header or a cell of a units row ends in.

    Examples
    --------
    >>> unit_of("TW lb/bu"), unit_of("Area (sq ft)"), unit_of("Plot")
    (('test_weight', 'lb_bu'), ('area', 'ft2'), ())
    """
    parted = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", str(text))
    bare = re.sub(r"[()\[\]_]", " ", parted.casefold()).replace("sq ", "sq")
    bare = bare.replace("dry basis", "db")
    bare = re.sub(r"%\s+(?=d\.?b|t\.?s|d\.?m|w\.?b)", "%", bare)
    words = bare.replace(".", "").split() or [""]
    return _UNITS.get("/".join(words[-2:]), ()) or _UNITS.get(words[-1], ())


def named_unit(text: str, quantity: str) -> str:
    """Return the unit of a quantity that a text names anywhere, empty if none."""
    plain = text.casefold().replace("_", " ")
    named = (unit.split(".") for unit, p in _PATTERNS.items() if p.search(plain))
    return next((unit for of, unit in named if of == quantity), "")


@cache
def claims_of(header: str, table: str) -> dict[str, int]:
    """Return the columns of a table that a header may mean, with how surely.

    `OWN_NAME` is a column's own name. Less sure is a header whose words are those of
    the trade (40), or but for a number (30), or but for words that say no more than
    which table it is (`SURE`). One that only holds words of the trade is not sure: so
    many of them, at most 9.
    """
    claims = {column: _strength(header, table, column) for column in WORDS[table]}
    return {column: strength for column, strength in claims.items() if strength}


def _strength(header: str, table: str, column: str) -> int:
    """Return how surely a header means a column, 0 not at all."""
    if header.strip().casefold() == column:
        return OWN_NAME
    quantity, words = next(iter(unit_of(header)), ""), plain_words(header).split()
    others = {"mass", "area", "test_weight"} - {quantity_of(column) or quantity}
    if quantity in {"yield", *others}:
        return 0
    while quantity and len(words) > 1 and words[-1] in _unit_words():
        words.pop()
    phrases, said = _phrases_of(table, column), _words_of(" ".join(words))
    bare = frozenset(w for w in said if not _NUMBERING.fullmatch(w)) or said
    for strength, kept in ((40, said), (30, bare), (SURE, bare - _context_of(table))):
        if kept in phrases:
            return strength
    held = [len(p) for p in phrases if p <= bare and len(max(p, key=len)) > 3]
    return min(max(held, default=0), 9)


def _words_of(text: str) -> frozenset[str]:
    """Return the words of plain text, those that mean the same as one."""
    words = [_ALIKE.get(w, w) for w in _JOINED.sub(r"\1 ", text).split()]
    return frozenset(words) - _EMPTY_WORDS or frozenset(words)


@cache
def _phrases_of(table: str, column: str) -> frozenset[frozenset[str]]:
    """Return what headers of a column say, each as a set of words."""
    return frozenset(map(_words_of, WORDS[table][column]))


@cache
def _context_of(table: str) -> frozenset[str]:
    """Return words that in a table's headers say no more than which table it is."""
    return _words_of(" ".join(WORDS["context"][table]))


@cache
def _unit_words() -> frozenset[str]:
    """Return the words that units are written with."""
    return frozenset(" ".join(map(plain_words, _UNITS)).split()) | {"sq", "ft", "deg"}


def text_of(cell: object) -> str:
    """Return a cell as text without spaces around it."""
    return "" if cell is None else str(cell).strip()


def number_of(cell: object) -> float | None:
    """Return a cell as a number, with whichever decimal mark."""
    if isinstance(cell, float | int):
        return float(cell)
    plain = re.fullmatch(r"[+-]?\d*[.,]?\d+", text_of(cell))
    return float(text_of(cell).replace(",", ".")) if plain else None


def fits(column: str, table: str, cells: Sequence) -> bool:
    """Whether a column's cells are of its kind; those of an empty one may be."""
    filled = [c for c in cells if str(c).strip().casefold() not in NOTHING]
    kind = SCHEMAS[table][column].kind
    if column in COUNTED:  # 2 or B tell the dishes or readings of a sample apart
        told = [(number_of(cell), text_of(cell)) for cell in filled]
        return all(len(text) < 3 if n is None else n in range(100) for n, text in told)
    if kind == NUMBER:
        fit = [number_of(cell) is not None for cell in filled]
    elif kind == TIME:
        days = r"\s*(\d{4}-\d\d-\d\d|\d{1,2}[./-]\d{1,2}[./-]\d{2,4})"
        fit = [isinstance(c, date) or bool(re.match(days, str(c))) for c in filled]
    else:
        return True
    return sum(fit) >= 0.7 * len(filled)


def date_forms(texts: Sequence[str]) -> list[list[str]]:
    """Return each order of day and month that all texts may be in, with its forms."""
    by_order = defaultdict(list)
    for form in (day + hour for day in _DAYS.split() for hour in _HOURS):
        if any(_reads(text, form) for text in texts):
            by_order[form[:5]].append(form)

    def read_all(forms: list[str]) -> bool:
        return all(any(_reads(text, form) for form in forms) for text in texts)

    return [*filter(read_all, by_order.values())]


@cache
def _reads(text: str, form: str) -> bool:
    """Whether a text is a time of a form."""
    with suppress(ValueError):
        return bool(datetime.strptime(text, form))
    return False


def is_of_parts(table: str, column: str, headers: Sequence[str]) -> bool:
    """Whether headers name parts of one value: day and hour, two sides, a key's."""
    whole = SCHEMAS[table][column].kind == TIME or column in SAMPLE_KEYS
    return len(headers) > 1 and (whole or (column == AREA and len(headers) == 2))


def of_parts(
    told: pd.DataFrame, column: str, how: FileOptions, table: CheckedTable
) -> pd.Series:
    """Return values whose parts stand in columns of their own; faults are told of."""
    kind = SCHEMAS[table.name][column].kind
    if kind == TIME:
        return _joined_times(told, how.dates)
    named = (told[header].rename(column) for header in told)
    first, *others = (in_its_kind(part, kind, table, how.decimal) for part in named)
    if kind == NUMBER:
        return first * others[0]
    return first.str.cat(pd.concat(others, axis=1), sep=" ")


def _joined_times(parts: pd.DataFrame, forms: Sequence[str]) -> pd.Series:
    """Return date and time of day, cells of their own, as one text for each row."""
    if all(":" not in form for form in forms):  # they are of days alone
        forms = [*forms, *(hour.strip() for hour in _HOURS if "%p" in hour)]
    texts = parts.apply(by_value, make=lambda cell: _time_text(cell, forms), missing="")
    return texts.iloc[:, 0].str.cat(texts.iloc[:, 1:], sep=" ")


def _time_text(cell: object, forms: Sequence[str]) -> str:
    """Return a date, or a time of day, as text: ISO 8601 if the forms tell but one."""
    if isinstance(cell, timedelta) and timedelta() <= cell < timedelta(days=1):
        cell = (datetime.min + cell).time()  # a workbook's hours since midnight
    if isinstance(cell, date | time):
        return cell.isoformat().removesuffix("T00:00:00")
    text = text_of(cell).removesuffix(" 00:00:00")  # of a date
    told = set()
    for form in forms:
        with suppress(ValueError):
            when = datetime.strptime(text, form)
            of_day = date.min.strftime(form) == date.max.strftime(form)
            told.add(when.time() if of_day else when)
    return _time_text(told.pop(), ()) if len(told) == 1 else text


def told_by(cells: Sequence) -> tuple[str, str]:
    """Return the column that cells give away, crop or method, and one of them."""
    texts = {plain_words(cell) for cell in cells if cell not in (None, "")}
    column = "method" if all(map(_METHOD.fullmatch, texts)) else ""
    column = "crop" if texts <= CROPS.keys() else column
    return column if texts else "", min(texts, default="")


def sides_of(headers: Sequence[str]) -> list[str]:
    """Return the header of a plot's length and that of its width, if one is of each."""
    meant = map(set, WORDS["side"].values())
    sides = [[h for h in headers if side & _words_of(plain_words(h))] for side in meant]
    return [side for [side] in sides] if [*map(len, sides)] == [1, 1] else []


def clock_of(header: str, cells: dict[str, list], left: Sequence[str]) -> str:
    """Return the header of the times of day that go with dates, empty if none.

    It is called as the dates are, but for one word: Harvest Date, Harvest Time.
    """

    def named(of: str) -> frozenset[str]:
        return _words_of(plain_words(of)).difference(*WORDS["clock"].values())

    days = [text_of(cell).removesuffix(" 00:00:00") for cell in cells[header]]
    clocks = [h for h in left if named(h) == named(header)]
    if any(":" in day for day in days) or len(clocks) != 1:
        return ""
    hours = filter(None, map(text_of, cells[clocks[0]]))
    return clocks[0] if all(map(_CLOCK.fullmatch, hours)) else ""


def units_in(row: Sequence) -> dict[int, tuple[str, ...]]:
    """Return the units in a row, by column, if it is a row of units."""
    filled = {at: text_of(cell) for at, cell in enumerate(row) if text_of(cell)}
    units = {at: unit for at, text in filled.items() if (unit := unit_of(text))}
    text = [t for t in filled.values() if re.search(r"\d", t) and not unit_of(t)]
    return units if len(units) >= 2 and not text else {}


def sheets_of(path: Path, name: str) -> list[tuple[str, list[list], dict]]:
    """Return the sheets of a file, hidden and empty ones left out.

    Each with its name, its rows as they stand, and how the file is to be read.
    """
    suffix = path.suffix.lower()
    if suffix in files.WORKBOOKS:
        book = files.open_workbook(path)
        found: list[tuple[str, list[list], dict]] = []
        filled, hundredfold = files.filled_sheets(book), files.is_shown_as_percent
        for sheet in (s for s in filled if s.sheet_state == "visible"):
            # A percentage is taken as it is shown.
            rows = [
                [100 * c.value if hundredfold(c) else c.value for c in row]
                for row in sheet.iter_rows()
            ]
            own = name if len(book.worksheets) == 1 else f"{name}#{sheet.title}"
            found.append((own, rows, {}))
        return found
    if suffix == ".parquet":
        table = pyarrow.parquet.read_table(path)
        body = zip(*(column.to_pylist() for column in table.columns), strict=True)
        return [(name, [table.column_names, *map(list, body)], {})]
    encoding = files.encoding_of(path, files.Sheet(pd.DataFrame()))
    lines = path.read_bytes().decode(encoding).splitlines(keepends=True)
    separator = files.separator_of(lines[:60])
    numeric = re.compile(r"\s*[+-]?\d*\.?\d+\s*")
    rows = [
        [float(cell) if numeric.fullmatch(cell) else cell for cell in row]
        for row in csv.reader(lines, delimiter=separator)
    ]
    options = {}
    if separator != ",":
        options["separator"] = separator, "the mark that parts most lines alike"
    if encoding != "utf-8-sig":
        options["encoding"] = encoding, "some bytes are not UTF-8; check the letters"
    return [(name, rows, options)]
