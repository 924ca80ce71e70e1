"""A season drafted from a folder of foreign files: copies, settings, open questions.

Which sheet is which table and which header which column is told by words of the trade
in English, German and French (words.csv), by units and by cells. Nothing is decided
without a ground in words; what has none is a question.
"""

import csv
import re
import shutil
import unicodedata
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime
from functools import cache
from pathlib import Path
from statistics import median

import pyarrow.parquet

from kitlib.intake.files import (
    READABLE,
    WORKBOOKS,
    Unreadable,
    encoding_of,
    filled_sheets,
    is_shown_as_percent,
    open_workbook,
    write_bytes,
)
from kitlib.intake.schema import (
    NUMBER,
    REQUIRED_TABLES,
    SCHEMAS,
    TIME,
    needed_columns,
    quantity_of,
)
from kitlib.intake.settings import SETTINGS_FILE, read_season, toml_text
from kitlib.intake.tables import typed_tables
from kitlib.words.findings import STOP, SeasonRefused, refuse
from kitlib.words.terms import crop_key

EXPORTS = "exports"
_HEAD = """\
# Drafted from the files in {folder}/, which are as they were exported.
# Each guess has its ground behind it. Lines that begin with "#?" are questions: what
# could not be told is not set. `moisture-audit init` without --from writes a folder
# with every setting there is.
name = {name}
"""


def _read_words(path: Path) -> dict[str, dict[str, list[str]]]:
    """Return the words of foreign files: by table, or by what they are of."""
    words: dict[str, dict[str, list[str]]] = defaultdict(dict)
    with path.open(encoding="utf-8", newline="") as file:
        for line in csv.DictReader(file):
            tables = [t for t in SCHEMAS if line["means"] in SCHEMAS[t]]
            for table in tables if line["table"] == "*" else [line["table"]]:
                known = words[table].setdefault(line["means"], [])
                known += line["words"].split("|")
    return words


_WORDS = _read_words(Path(__file__).with_name("words.csv"))
_UNITS = {w: tuple(u.split(".")) for u, words in _WORDS["unit"].items() for w in words}
_ALIKE = {w: one for one, words in _WORDS["alike"].items() for w in words}
_CROPS = {word: crop for crop, words in _WORDS["crop"].items() for word in words}
_NOTHING = ("", "none", *_WORDS["cell"]["missing"])
# Words of a header that only number what it names, and those that say nothing.
_NUMBERING = re.compile(
    r"[a-h]|\d+|no|nr|n|nbr|num|numero|number|nummer|id|code|barcode|label|name|nom"
)
_EMPTY_WORDS = frozenset(
    [
        "of",
        "the",
        "on",
        "at",
        "and",
        "am",
        "und",
        "de",
        "du",
        "la",
        "le",
        "des",
        "l",
        "d",
    ]
)
# German words that are written together with what they are of.
_JOINED = re.compile(r"\b(korn|ernte|parzellen|proben|schalen)(?=[a-z]{5})")
_SURE, _OWN_NAME = 20, 50  # how surely a header means a column
_COUNTED = ("dish", "reading", "run")  # numbered within a sample: 1, 2 or A, B
# What may stand side by side in a row, dish after dish.
_DISHES = "tare_g wet_g dry_g prestage_wet_g prestage_dry_g moisture_pct"
_DAYS = "%m/%d/%Y %d/%m/%Y %d.%m.%Y %d-%m-%Y %m-%d-%Y %m/%d/%y %d/%m/%y %d.%m.%y"
_HOURS = ("", " %H:%M", " %H:%M:%S", " %I:%M %p", " %I:%M:%S %p")


@dataclass
class Draft:
    """A drafted season."""

    files: list[Path]  # what was written
    tables: dict[str, list[str]]  # the sheets that each table is read from
    questions: list[str]  # what could not be told, as it stands in season.toml


@dataclass
class _Guess:
    """What a sheet is taken for; each part with its ground in words."""

    name: str  # of the sheet, as season.toml gives it
    rows: list[list]
    table: str = ""
    header_row: int = 1  # as a spreadsheet counts
    columns: dict[str, tuple[list[str], str]] = field(default_factory=dict)
    units: dict[str, tuple[str, str]] = field(default_factory=dict)
    options: dict[str, tuple[object, str]] = field(default_factory=dict)
    questions: list[str] = field(default_factory=list)
    cells: dict[str, list] = field(default_factory=dict)  # by header
    times: list[str] = field(default_factory=list)  # of all columns, as written

    def headers_of(self, column: str) -> list[str]:
        """Return the headers that a column of ours has, none if it has none."""
        return self.columns.get(column, ([], ""))[0]


def draft_season(folder: str | Path, source: str | Path) -> Draft:
    """Copy a folder of foreign files and draft the settings that read them.

    `folder` is the season folder, `source` that of the files as programmes exported
    them; its subfolders are looked at too. `SeasonRefused` is raised if `folder` holds
    anything, or `source` holds no table.
    """
    folder, source = Path(folder), Path(source)
    if folder.exists() and (not folder.is_dir() or any(folder.iterdir())):
        said = "it is not an empty folder, and nothing in it is overwritten. "
        refuse(str(folder), [f"{said}Name a new one."])
    paths = sorted(p for p in source.rglob("*") if p.suffix.lower() in READABLE)
    paths = [p for p in paths if p.is_file() and not p.name.startswith((".", "~"))]
    if not paths:
        refuse(str(source), [f"no table in it; expected {', '.join(READABLE)}."])
    groups: dict[str, list[_Guess]] = {table: [] for table in SCHEMAS}
    written, unclear = [], []
    for path in paths:
        name = f"{EXPORTS}/{path.relative_to(source).as_posix()}"
        written.append(folder / name)
        written[-1].parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(path, written[-1])
        try:
            sheets = _sheets_of(written[-1], name)
        except Unreadable as error:
            unclear.append(f"{name}: {error}")
            continue
        for guess in sheets:
            if _find_table(guess):
                _find_columns(guess)
                groups[guess.table].append(guess)
            else:
                said = "like no table of a season; it is not read"
                unclear.append(f"{guess.name}: {said}")
    for guesses in groups.values():
        _map_by_other_tables(guesses, groups)
        _name_trials_by_files(guesses)
        # Files with the same headers are by one hand, and so are their dates.
        for guess in (g for g in guesses if g.times):
            alike = [g for g in guesses if g.cells.keys() == guess.cells.keys()]
            _find_dates(guess, [text for g in alike for text in g.times])
    groups = {table: guesses for table, guesses in groups.items() if guesses}
    lines, questions = _settings(folder.name, groups)
    lines += [f"#? {question}" for question in unclear]
    text = "\n".join(lines).rstrip() + "\n"
    written.append(write_bytes(folder / SETTINGS_FILE, text.encode()))
    tables = {table: [g.name for g in of] for table, of in groups.items()}
    return Draft(written, tables, questions + unclear + _stops_of(folder))


def _stops_of(folder: Path) -> list[str]:
    """Return what else stops the drafted season from being read, as questions."""
    try:
        tables = typed_tables(folder, read_season(folder))
    except (SeasonRefused, Unreadable) as error:
        return [str(error)]
    found = [f for table in tables.values() for f in table.findings]
    asked = ("column-missing", "table-missing")  # as questions of their own
    return [str(f) for f in found if f.severity == STOP and f.code not in asked]


# ---- words, units and cells


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


def _words_of(text: str) -> frozenset[str]:
    """Return the words of plain text, those that mean the same as one."""
    words = [_ALIKE.get(w, w) for w in _JOINED.sub(r"\1 ", text).split()]
    return frozenset(words) - _EMPTY_WORDS or frozenset(words)


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


@cache
def _phrases_of(table: str, column: str) -> frozenset[frozenset[str]]:
    """Return what headers of a column say, each as a set of words."""
    return frozenset(map(_words_of, _WORDS[table].get(column, ())))


def _strength(header: str, table: str, column: str) -> int:
    """Return how surely a header means a column: 50 its own name, 0 not at all.

    Less sure is a header whose words are those of the trade (40), or but for a number
    (30), or but for words that say no more than which table it is (20). One that only
    holds words of the trade is not sure: so many of them, at most 9.
    """
    if header.strip().casefold() == column:
        return _OWN_NAME
    quantity, words = next(iter(unit_of(header)), ""), plain_words(header).split()
    if quantity == "yield":
        return 0
    others = {"mass", "area", "test_weight"} - {quantity_of(column) or quantity}
    if quantity in others:
        return 0
    while quantity and len(words) > 1 and words[-1] in _unit_words():
        words.pop()
    phrases, said = _phrases_of(table, column), _words_of(" ".join(words))
    bare = frozenset(w for w in said if not _NUMBERING.fullmatch(w)) or said
    for strength, kept in ((40, said), (30, bare), (_SURE, bare - _context_of(table))):
        if kept in phrases:
            return strength
    held = [len(p) for p in phrases if p <= bare and len(max(p, key=len)) > 3]
    return min(max(held, default=0), 9)


@cache
def _unit_words() -> frozenset[str]:
    """Return the words that units are written with."""
    return frozenset(" ".join(map(plain_words, _UNITS)).split()) | {"sq", "ft", "deg"}


@cache
def _context_of(table: str) -> frozenset[str]:
    """Return words that in a table's headers say no more than which table it is."""
    return _words_of(" ".join(_WORDS["context"].get(table, ())))


def _claims_of(headers: Iterable[str], table: str) -> dict[str, dict[str, int]]:
    """Return how surely each header means each column of a table, where it does."""
    claims: dict[str, dict[str, int]] = {}
    for header in headers:
        of = {c: _strength(header, table, c) for c in _WORDS[table]}
        claims[header] = {
            column: strength for column, strength in of.items() if strength
        }
    return claims


def _text(cell: object) -> str:
    """Return a cell as text without spaces around it."""
    return "" if cell is None else str(cell).strip()


def _number(cell: object) -> float | None:
    """Return a cell as a number, with whichever decimal mark."""
    if isinstance(cell, float | int):
        return float(cell)
    plain = re.fullmatch(r"[+-]?\d*[.,]?\d+", _text(cell))
    return float(_text(cell).replace(",", ".")) if plain else None


def _is_time(cell: object) -> bool:
    """Whether a cell holds a date."""
    dates = r"\s*(\d{4}-\d\d-\d\d|\d{1,2}[./-]\d{1,2}[./-]\d{2,4})"
    return isinstance(cell, date) or re.match(dates, str(cell)) is not None


@cache
def _reads(text: str, form: str) -> bool:
    """Whether a text is a time of a form."""
    try:
        datetime.strptime(text, form)
    except ValueError:
        return False
    return True


# ---- sheets as they stand, and which table each is


def _sheets_of(path: Path, name: str) -> list[_Guess]:
    """Return the sheets of a file, hidden and empty ones left out."""
    suffix = path.suffix.lower()
    if suffix in WORKBOOKS:
        book = open_workbook(path)
        found = []
        for sheet in (s for s in filled_sheets(book) if s.sheet_state == "visible"):
            # A percentage is taken as it is shown, a hundredfold.
            rows = [
                [c.value * 100 if is_shown_as_percent(c) else c.value for c in row]
                for row in sheet.iter_rows()
            ]
            own = name if len(book.worksheets) == 1 else f"{name}#{sheet.title}"
            found.append(_Guess(own, rows))
        return found
    if suffix == ".parquet":
        table = pyarrow.parquet.read_table(path)
        body = zip(*(column.to_pylist() for column in table.columns), strict=True)
        return [_Guess(name, [table.column_names, *map(list, body)])]
    encoding = encoding_of(path, [])
    lines = path.read_bytes().decode(encoding).splitlines(keepends=True)
    separator = _separator_of(lines[:60])
    numeric = re.compile(r"\s*[+-]?\d*\.?\d+\s*")
    rows = [
        [float(cell) if numeric.fullmatch(cell) else cell for cell in row]
        for row in csv.reader(lines, delimiter=separator)
    ]
    guess = _Guess(name, rows)
    if separator != ",":
        said = "the mark that parts most lines alike"
        guess.options["separator"] = (separator, said)
    if encoding != "utf-8-sig":
        said = "some bytes are not UTF-8; check the letters"
        guess.options["encoding"] = (encoding, said)
    return [guess]


def _separator_of(lines: Sequence[str]) -> str:
    """Return the mark that stands as often in most lines."""

    def score(mark: str) -> int:
        times = Counter(re.sub(r'"[^"]*"', "", line).count(mark) for line in lines)
        [(count, alike)] = times.most_common(1) or [(0, 0)]
        return count * alike

    return max(",;\t|", key=score)


def _find_table(guess: _Guess) -> bool:
    """Find which table a sheet is most like, and its row of headers."""
    name = set(plain_words(guess.name.removeprefix(f"{EXPORTS}/")).split())
    most = 4 - 2e-9  # at least four words in its favour
    for number, row in enumerate(guess.rows[:15], 1):
        headers = [text for text in map(_text, row) if text]
        for table in SCHEMAS if len(headers) > 2 else ():
            claims = [own for own in _claims_of(headers, table).values()]
            sure = {
                c for own in claims for c, strength in own.items() if strength >= _SURE
            }
            known = sum(max(own.values(), default=0) >= _SURE for own in claims)
            # What tells a table from another, a header or a name, counts more.
            score = known + 2.0 * len(sure & set(_WORDS["telling"][table]))
            score -= 0.5 * len(set(needed_columns(table)) - sure)
            score -= 0.25 * (len(headers) - known)
            score += 2 * len(name & set(_WORDS["sheet"][table]))
            # A plan of the field has most of a table's headers, but no readings.
            score -= 3.0 * (not sure & set(_WORDS["core"][table]))
            if score > most + 1e-9:
                guess.table, guess.header_row, most = table, number, score
    return bool(guess.table)


# ---- columns, units and options of a sheet


def _find_columns(guess: _Guess) -> None:
    """Map a sheet's columns, and find out its units and options."""
    times: Counter = Counter()
    headers = []
    for text in map(_text, guess.rows[guess.header_row - 1]):
        times[text] += 1  # a second one of a name is called as `files` calls it
        headers.append(f"{text} ({times[text]})" if text and times[text] > 1 else text)
    body = [row for row in guess.rows[guess.header_row :] if any(map(_text, row))]
    units_row = _units_row(body[0]) if body else {}
    if units_row:
        guess.options["units_row"] = (True, "the row under the headers holds units")
        body = body[1:]
    if guess.header_row > 1:
        said = f"the row with the headers {headers[0]!r}, {headers[1]!r}"
        guess.options["header_row"] = (guess.header_row, said)
    guess.cells = cells = {
        header: [row[at] if at < len(row) else None for row in body]
        for at, header in enumerate(headers)
        if header
    }
    _map_by_headers(guess, cells)
    _map_by_content(guess, cells)
    used = {ours: cells[h[0]] for ours, (h, _) in guess.columns.items()}
    _find_units(
        guess, used, {h: units_row[n] for n, h in enumerate(headers) if n in units_row}
    )
    _find_marks(guess, used)


def _units_row(row: Sequence) -> dict[int, tuple[str, ...]]:
    """Return the units in a row, by column, if it is a row of units."""
    filled = {at: _text(cell) for at, cell in enumerate(row) if _text(cell)}
    units = {at: unit for at, text in filled.items() if (unit := unit_of(text))}
    text = [t for t in filled.values() if re.search(r"\d", t) and not unit_of(t)]
    return units if len(units) >= 2 and not text else {}


def _claimants_of(guess: _Guess, cells) -> dict[str, list[tuple[int, str]]]:
    """Return the headers that may be each column, with how surely; ask of others."""
    wanted = defaultdict(list)
    for header, own in _claims_of(cells, guess.table).items():
        own = {c: s for c, s in own.items() if _fits(c, guess.table, cells[header])}
        best = max(own.values(), default=0)
        columns = [column for column, strength in own.items() if strength == best]
        if best >= _SURE:
            columns = [c for c in columns if c in _COUNTED] or columns
        if len(columns) > 1:
            guess.questions.append(f"{header!r} may be {' or '.join(columns)}")
        elif columns:
            wanted[columns[0]].append((best, header))
    return wanted


def _map_by_headers(guess: _Guess, cells) -> None:
    """Give each column the header that means it; ask where several might."""
    for column, claimants in _claimants_of(guess, cells).items():
        best = max(strength for strength, _ in claimants)
        chosen = [header for strength, header in claimants if strength == best]
        ground = "its own name" if best == _OWN_NAME else "the trade's word"
        if len(chosen) == 1:
            if best < _SURE:
                ground = "it holds a word of the trade; look whether it is so"
                guess.questions.append(f"{chosen[0]!r} is read as {column}: is it?")
            guess.columns[column] = (chosen, ground)
        elif column in _DISHES.split() and _are_numbered(chosen):
            ground += f", {len(chosen)} side by side in a row"
            guess.columns[column] = (chosen, ground)
        else:
            said = f"{column}: which of {', '.join(map(repr, chosen))} is it?"
            guess.questions.append(said)
    several = {c: h for c, (h, _) in guess.columns.items() if len(h) > 1}
    if len({len(headers) for headers in several.values()}) > 1:
        for column, headers in several.items():
            del guess.columns[column]
            said = f"{column}: {', '.join(map(repr, headers))} do not match the others"
            guess.questions.append(said)


def _are_numbered(headers: Sequence[str]) -> bool:
    """Whether all headers but the first are numbered, as of dishes in one row."""
    marks = [re.findall(r"\b([a-h]|\d+)\b", plain_words(header)) for header in headers]
    return all(marks[1:])


def _fits(column: str, table: str, cells: Sequence) -> bool:
    """Whether a column's cells are of its kind; those of an empty one may be."""
    filled = [c for c in cells if str(c).strip().casefold() not in _NOTHING]
    kind = SCHEMAS[table][column].kind
    if not filled or kind not in (NUMBER, TIME):
        counted = column not in _COUNTED or all(map(_is_count, filled))
        return counted
    fit = [_is_time(c) if kind == TIME else _number(c) is not None for c in filled]
    return sum(fit) >= 0.7 * len(filled)


def _is_count(cell: object) -> bool:
    """Whether a cell tells the dishes or readings of a sample apart: 2 or B."""
    number = _number(cell)
    return len(_text(cell)) < 3 if number is None else number in range(100)


def _map_by_content(guess: _Guess, cells) -> None:
    """Map a column that no header names, where its cells say what it is."""
    used = {header for headers, _ in guess.columns.values() for header in headers}
    patterns = {
        "crop": "|".join(map(re.escape, _CROPS)),
        "method": r"(iso|s\d{3}|aacc|en iso|icc)\b.*",
    }
    for column, pattern in patterns.items():
        if column in guess.columns or column not in SCHEMAS[guess.table]:
            continue
        for header in cells.keys() - used:
            texts = {plain_words(c) for c in cells[header] if c not in (None, "")}
            if texts and all(re.fullmatch(pattern, text) for text in texts):
                said = f"its cells are {column}s, such as {min(texts)!r}"
                guess.columns[column] = ([header], said)
                break


def _map_by_other_tables(guesses: list[_Guess], groups) -> None:
    """Map names by those of other tables, and ask for needed columns without a header.

    A trial or a sample goes by one name in all tables, whatever its header says.
    """
    others = [g for of in groups.values() for g in of if of is not guesses]
    for guess in guesses:
        taken = {header for own, _ in guess.columns.values() for header in own}
        left = [header for header in guess.cells if header not in taken]
        needed = [c for c in needed_columns(guess.table) if c not in guess.columns]
        for column in [c for c in needed if c in ("trial", "sample")]:
            for other in (o for o in others if o.headers_of(column)):
                names = {_text(c) for c in other.cells[other.headers_of(column)[0]]}
                met = [h for h in left if {*map(_text, guess.cells[h])} - {""} <= names]
                if len(met) == 1:
                    said = f"its cells are those of {column} in {other.name}"
                    guess.columns[column] = (met, said)
                    break
        for column in needed:
            if column not in guess.columns:
                guess.questions.append(_what_is_missing(guess, column, left))


def _what_is_missing(guess: _Guess, column: str, left: Sequence[str]) -> str:
    """Return the question for a needed column that no header means."""
    unused = f"headers not used are {', '.join(map(repr, left[:8]))}"
    said = f"{column}: no header means it; {unused if left else 'all are used'}. "
    table, sensor = guess.table, guess.headers_of("sensor")
    if column == "curve" and sensor:
        said += f'If each sensor had one curve, write curve = "{sensor[0]}" under '
        return said + f"[columns.{table}] and the sensors' names under [alias.curve]"
    said += f'Write {column} = "the header" under [columns.{table}], or '
    return said + f"fixed = {{ {column} = … }} under its `read` if all rows have one"


def _find_units(guess: _Guess, used, units_row: dict[str, tuple[str, ...]]) -> None:
    """Find the units of a sheet by its headers, its row of units and its cells."""
    found = defaultdict(list)
    for column, ([header, *_], _) in guess.columns.items():
        quantity = quantity_of(column)
        if not quantity or header.casefold() == column:
            continue  # our own name holds its unit
        said = units_row.get(header) or unit_of(header)
        numbers = [n for n in map(_number, used[column]) if n is not None]
        middle = median(numbers or [0.0])
        if said and said[0] == quantity:
            where = "the row of units" if header in units_row else "its header"
            found[quantity].append((said[1], f"{where} at {header!r}"))
        elif quantity == "moisture" and 0.02 < middle < 0.7:
            ground = f"{header!r} is {middle:g} in the middle"
            found[quantity].append(("fraction", ground))
        elif quantity in ("mass", "area"):
            ours = {"mass": "kg", "area": "m2"}[quantity]
            asked = f"{header!r} names no unit; {ours} unless you set {quantity}"
            guess.questions.append(asked)
        elif quantity == "test_weight" and 40 < middle < 64:
            asked = f"{header!r} is {middle:g} in the middle: lb_bu or kg_hl?"
            guess.questions.append(asked)
    for quantity, units in found.items():
        if len({unit for unit, _ in units}) == 1:
            guess.units[quantity] = units[0]
        else:
            told = "; ".join(f"{unit} by {ground}" for unit, ground in units)
            guess.questions.append(f"{quantity}: {told}. Give one unit in the file")


def _find_marks(guess: _Guess, used) -> None:
    """Find decimal mark, marks for missing cells, rows to skip and forms of dates."""
    texts: dict[str, list[str]] = {NUMBER: [], TIME: []}
    for column, cells in used.items():
        own = texts.setdefault(SCHEMAS[guess.table][column].kind, [])
        own += [cell.strip() for cell in cells if isinstance(cell, str)]
    commas = [text for text in texts[NUMBER] if re.fullmatch(r"[+-]?\d+,\d+", text)]
    if commas:
        guess.options["decimal"] = (",", f"numbers such as {commas[0]}")
    missing = sorted({t for t in texts[NUMBER] if t and t.casefold() in _NOTHING})
    if missing:
        guess.options["missing"] = (missing, "they stand where numbers do")
    for column in ("trial", "plot", "sample", "entry"):
        words = {_text(cell) for cell in used.get(column, ())}
        words = {
            w for w in words if plain_words(w).split(" ")[0] in _WORDS["cell"]["total"]
        }
        if words:
            skipped = {column: sorted(words)}
            guess.options["skip_rows_where"] = (skipped, "rows of totals")
            break
    times = [t for t in texts[TIME] if t.casefold() not in _NOTHING]
    guess.times = [t for t in times if not re.match(r"\d{4}-\d\d-\d\d", t)]


def _find_dates(guess: _Guess, texts: Sequence[str]) -> None:
    """Find the forms that all times have; ask where two orders would do."""
    by_order = defaultdict(list)
    for day in _DAYS.split():
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
        said = " or ".join(repr(forms[0]) for forms in whole)
        guess.questions.append(f"dates such as {texts[0]!r}: is it {said}?")
    else:
        guess.questions.append(f"dates such as {texts[0]!r} are in no form known here")


def _name_trials_by_files(guesses: Sequence[_Guess]) -> None:
    """Take the trials' names from the files or sheets, if none has a column of them."""
    lacking = [g for g in guesses if "trial" not in g.columns]
    if len(lacking) < 2 or len(lacking) < len(guesses):
        return
    for guess in guesses if "trial" in SCHEMAS[guesses[0].table] else ():
        file, _, sheet = guess.name.partition("#")
        name = sheet.rpartition("/")[2] or Path(file).stem
        said = "one file or sheet a trial; the trial's name is the file's"
        guess.options["fixed"] = ({"trial": name}, said)
        asked = [q for q in guess.questions if not q.startswith("trial:")]
        guess.questions = asked


# ---- season.toml


def _settings(
    name: str, groups: dict[str, list[_Guess]]
) -> tuple[list[str], list[str]]:
    """Return the lines of season.toml, and the questions in them."""
    lines = [_HEAD.format(folder=EXPORTS, name=toml_text(name.strip(". ") or "season"))]
    questions = []
    for table, guesses in groups.items():
        lines += _lines_of(table, guesses)
        questions += _asked_once(guesses)
    others = defaultdict(set)
    for guess in (g for guesses in groups.values() for g in guesses):
        for header in guess.headers_of("crop"):
            for text in {_text(cell) for cell in guess.cells[header]} - {""}:
                ours = _CROPS.get(plain_words(text))
                if ours and crop_key(text) != ours:
                    others[ours].add(text)
    if others:
        lines.append("\n[alias.crop]  # the same crops in other words")
        lines += [f"{ours} = {_toml(sorted(o))}" for ours, o in sorted(others.items())]
    for table in REQUIRED_TABLES:
        if table not in groups:
            questions.append(f"no file looks like the table {table}; add {table}.csv")
            lines.append(f"#? {questions[-1]}")
    return lines, questions


def _asked_once(guesses: Sequence[_Guess]) -> list[str]:
    """Return the questions of a table's files, alike ones once with their count."""
    asked = defaultdict(list)
    for guess in guesses:
        for question in guess.questions:
            asked[question].append(guess.name)
    more = {q: f" and {len(of) - 1} more" if of[1:] else "" for q, of in asked.items()}
    return [f"{of[0]}{more[question]}: {question}" for question, of in asked.items()]


def _lines_of(table: str, guesses: list[_Guess]) -> list[str]:
    """Return the lines of one table: its files, columns and units."""
    alike = defaultdict(list)  # what is read in one and the same way, together
    for guess in guesses:
        parts = (guess.options, guess.columns, guess.units)
        told = [{key: value for key, (value, _) in part.items()} for part in parts]
        alike[repr(told)].append(guess)
    shared = [
        column
        for column in SCHEMAS[table]
        if guesses[0].headers_of(column)
        and len({tuple(g.headers_of(column)) for g in guesses}) == 1
    ]
    several = len(alike) > 1
    lines = [f"\n# ---- {table}"]
    for group in alike.values():
        first, names = group[0], [guess.name for guess in group]
        lines.append(f"[[files.{table}]]" if several else f"[files.{table}]")
        lines.append(f"read = {_toml(names if len(names) > 1 else names[0])}")
        lines += _told(first.options)
        own = {c: v for c, v in first.columns.items() if c not in shared}
        if own:
            lines += [f"[files.{table}.columns]", *_told(own)]
        if first.units and several:
            lines += [f"[files.{table}.units]", *_told(first.units)]
        asked = dict.fromkeys(q for guess in group for q in guess.questions)
        lines += [f"#? {question}" for question in asked]
    if shared:
        columns = {column: guesses[0].columns[column] for column in shared}
        lines += [f"[columns.{table}]", *_told(columns)]
    if guesses[0].units and not several:
        lines += [f"[units.{table}]", *_told(guesses[0].units)]
    return lines


def _told(settings) -> list[str]:
    """Return lines of settings, each with its ground."""
    return [
        f"{key} = {_toml(value)}  # {why}" for key, (value, why) in settings.items()
    ]


def _toml(value: object) -> str:
    """Return a value as TOML writes it."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{k} = {_toml(v)}" for k, v in value.items()) + " }"
    if isinstance(value, list | tuple):
        # Every setting that takes a list takes its one value in place of it too.
        many = "[" + ", ".join(map(_toml, value)) + "]"
        return _toml(value[0]) if len(value) == 1 else many
    return toml_text(value) if isinstance(value, str) else str(value)
