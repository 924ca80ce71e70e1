"""A season drafted from a folder of foreign files: copies, settings, open questions.

Nothing is decided without a ground in words; what has none is a question.
"""

import re
import shutil
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from statistics import median

from kitlib.intake.files import READABLE, Unreadable
from kitlib.intake.foreign import (
    AREA,
    COUNTED,
    CROPS,
    NOTHING,
    OWN_NAME,
    SURE,
    WORDS,
    claims_of,
    clock_of,
    date_forms,
    fits,
    number_of,
    plain_words,
    sheets_of,
    sides_of,
    text_of,
    told_by,
    unit_of,
    units_in,
)
from kitlib.intake.outputs import write_bytes
from kitlib.intake.schema import (
    NUMBER,
    PLACE,
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
# What may stand side by side in a row, dish after dish.
_DISHES = "tare_g wet_g dry_g prestage_wet_g prestage_dry_g moisture_pct"


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
    options: dict[str, tuple[object, str]] = field(default_factory=dict)
    table: str = ""
    header_row: int = 1  # as a spreadsheet counts
    columns: dict[str, tuple[list[str], str]] = field(default_factory=dict)
    units: dict[str, tuple[str, str]] = field(default_factory=dict)
    questions: list[str] = field(default_factory=list)
    cells: dict[str, list] = field(default_factory=dict)  # by header
    times: list[str] = field(default_factory=list)  # of all columns, as written

    def headers_of(self, column: str) -> list[str]:
        """Return the headers that a column of ours has, none if it has none."""
        return self.columns.get(column, ([], ""))[0]

    def left(self) -> list[str]:
        """Return the headers that are no column of ours."""
        taken = {header for own, _ in self.columns.values() for header in own}
        return [header for header in self.cells if header not in taken]


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
            sheets = [_Guess(*sheet) for sheet in sheets_of(written[-1], name)]
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
        _find_dates(guesses)
    groups = {table: guesses for table, guesses in groups.items() if guesses}
    lines, questions = _settings(folder.name, groups)
    lines += [f"#? {question}" for question in unclear]
    text = "\n".join(lines).rstrip() + "\n"
    written.append(write_bytes(folder / SETTINGS_FILE, text.encode()))
    read = {table: [guess.name for guess in of] for table, of in groups.items()}
    return Draft(written, read, questions + unclear + _stops_of(folder))


def _stops_of(folder: Path) -> list[str]:
    """Return what else stops the drafted season from being read, as questions."""
    try:
        tables = typed_tables(folder, read_season(folder))
    except (SeasonRefused, Unreadable) as error:
        return [str(error)]
    found = [f for table in tables.values() for f in table.findings]
    asked = ("column-missing", "table-missing")  # as questions of their own
    return [str(f) for f in found if f.severity == STOP and f.code not in asked]


def _find_table(guess: _Guess) -> bool:
    """Find which table a sheet is most like, and its row of headers."""
    name = set(plain_words(guess.name.removeprefix(f"{EXPORTS}/")).split())
    most = 4 - 2e-9  # at least four words in its favour
    for number, row in enumerate(guess.rows[:15], 1):
        headers = [text for text in map(text_of, row) if text]
        for table in SCHEMAS if len(headers) > 2 else ():
            claims = [claims_of(header, table) for header in dict.fromkeys(headers)]
            sure = {column for own in claims for column in own if own[column] >= SURE}
            known = sum(max(own.values(), default=0) >= SURE for own in claims)
            # What tells a table from another, a header or a name, counts more.
            score = known + 2.0 * len(sure & set(WORDS["telling"][table]))
            score -= 0.5 * len(set(needed_columns(table)) - sure)
            score -= 0.25 * (len(headers) - known)
            score += 2 * len(name & set(WORDS["sheet"][table]))
            # A plan of the field has most of a table's headers, but no readings.
            score -= 3.0 * (not sure & set(WORDS["core"][table]))
            if score > most + 1e-9:
                guess.table, guess.header_row, most = table, number, score
    return bool(guess.table)


def _find_columns(guess: _Guess) -> None:
    """Map a sheet's columns, and find out its units and options."""
    times: Counter = Counter()
    headers = []
    for text in map(text_of, guess.rows[guess.header_row - 1]):
        times[text] += 1  # a second one of a name is called as `files` calls it
        headers.append(f"{text} ({times[text]})" if text and times[text] > 1 else text)
    body = [row for row in guess.rows[guess.header_row :] if any(map(text_of, row))]
    units_row = units_in(body[0]) if body else {}
    if units_row:
        guess.options["units_row"] = True, "the row under the headers holds units"
        body = body[1:]
    if guess.header_row > 1:
        said = f"the row with the headers {headers[0]!r}, {headers[1]!r}"
        guess.options["header_row"] = guess.header_row, said
    guess.cells = {
        header: [row[at] if at < len(row) else None for row in body]
        for at, header in enumerate(headers)
        if header
    }
    _map_by_headers(guess)
    left = guess.left()
    if guess.table == "plots" and (sides := sides_of(left)):
        guess.columns.setdefault(AREA, (sides, "length times width"))
    for column, (own, ground) in guess.columns.items():
        is_time = SCHEMAS[guess.table][column].kind == TIME
        if is_time and (clock := clock_of(own[0], guess.cells, left)):
            guess.columns[column] = [*own, clock], f"{ground}, with the time of day"
    for header in left:
        column, example = told_by(guess.cells[header])
        if column in SCHEMAS[guess.table]:
            said = f"its cells are {column}s, such as {example!r}"
            guess.columns.setdefault(column, ([header], said))
    _find_units(guess, {headers[at]: unit for at, unit in units_row.items()})
    _find_marks(guess)


def _claimants_of(guess: _Guess) -> dict[str, list[tuple[int, str]]]:
    """Return the headers that may be each column, with how surely; ask of others."""
    wanted = defaultdict(list)
    for header, cells in guess.cells.items():
        own = claims_of(header, guess.table)
        own = {c: s for c, s in own.items() if fits(c, guess.table, cells)}
        best = max(own.values(), default=0)
        columns = [column for column, strength in own.items() if strength == best]
        if best >= SURE:
            columns = [c for c in columns if c in COUNTED] or columns
        if len(columns) > 1:
            guess.questions.append(f"{header!r} may be {' or '.join(columns)}")
        elif columns:
            wanted[columns[0]].append((best, header))
    return wanted


def _map_by_headers(guess: _Guess) -> None:
    """Give each column the header that means it; ask where several might."""
    for column, claimants in _claimants_of(guess).items():
        best = max(strength for strength, _ in claimants)
        chosen = [header for strength, header in claimants if strength == best]
        # Not g, which is a unit.
        numbers = [re.findall(r"\b([a-fh]|\d+)\b", plain_words(h)) for h in chosen[1:]]
        ground = "its own name" if best == OWN_NAME else "the trade's word"
        if len(chosen) == 1:
            if best < SURE:
                ground = "it holds a word of the trade; look whether it is so"
                guess.questions.append(f"{chosen[0]!r} is read as {column}: is it?")
            guess.columns[column] = chosen, ground
        elif column in _DISHES.split() and all(numbers):
            ground += f", {len(chosen)} side by side in a row"
            guess.columns[column] = chosen, ground
        else:
            said = f"{column}: which of {', '.join(map(repr, chosen))} is it?"
            guess.questions.append(said)
    several = {c: h for c, (h, _) in guess.columns.items() if len(h) > 1}
    if len({len(headers) for headers in several.values()}) > 1:
        for column, headers in several.items():
            del guess.columns[column]
            said = f"{column}: {', '.join(map(repr, headers))} do not match the others"
            guess.questions.append(said)


def _map_by_other_tables(guesses: list[_Guess], groups) -> None:
    """Map names by those of other tables, and ask for needed columns without a header.

    A trial or a sample goes by one name in all tables, whatever its header says.
    """
    others = [g for of in groups.values() for g in of if of is not guesses]
    # Then the plots tell where a lab's samples were taken.
    labelled = any(plots.headers_of("sample") for plots in groups["plots"])
    for guess in guesses:
        left = guess.left()
        needed = [c for c in needed_columns(guess.table) if c not in guess.columns]
        for column in [c for c in needed if c in ("trial", "sample")]:
            for other in (o for o in others if o.headers_of(column)):
                names = {text_of(c) for c in other.cells[other.headers_of(column)[0]]}
                texts = {h: {*map(text_of, guess.cells[h])} - {""} for h in left}
                met = [header for header in left if texts[header] <= names]
                if len(met) == 1:
                    said = f"its cells are those of {column} in {other.name}"
                    guess.columns[column] = met, said
                    break
        lacking = [column for column in needed if column not in guess.columns]
        if labelled and guess.table in ("oven", "benchtop"):
            lacking = [column for column in lacking if column not in PLACE]
        guess.questions += [_what_is_missing(guess, c, left) for c in lacking]


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


def _find_units(guess: _Guess, units_row: dict[str, tuple[str, ...]]) -> None:
    """Find the units of a sheet by its headers, its row of units and its cells."""
    found = defaultdict(list)
    headed = [(c, h) for c, (own, _) in guess.columns.items() for h in own]
    for column, header in headed:
        quantity = quantity_of(column)
        if not quantity or header.casefold() == column:
            continue  # our own name holds its unit
        said = units_row.get(header) or unit_of(header)
        numbers = [n for n in map(number_of, guess.cells[header]) if n is not None]
        middle = median(numbers or [0.0])
        at_middle = f"{header!r} is {middle:g} in the middle"
        if quantity == "area" and said[:1] == ("length",):  # of a side of the plot
            said = quantity, f"{said[1]}2"
        if said and said[0] == quantity:
            where = "the row of units" if header in units_row else "its header"
            found[quantity].append((said[1], f"{where} at {header!r}"))
        elif quantity == "moisture" and 0.02 < middle < 0.7:
            found[quantity].append(("fraction", at_middle))
        elif quantity in ("mass", "area") and guess.table != "oven":
            unless = f"{'kg' if quantity == 'mass' else 'm2'} unless you set {quantity}"
            guess.questions.append(f"{header!r} names no unit; {unless}")
        elif quantity == "test_weight" and 40 < middle < 64:
            guess.questions.append(f"{at_middle}: lb_bu or kg_hl?")
    for quantity, units in found.items():
        if len({unit for unit, _ in units}) == 1:
            guess.units[quantity] = units[0]
        else:
            told = "; ".join(f"{unit} by {ground}" for unit, ground in units)
            guess.questions.append(f"{quantity}: {told}. Give one unit in the file")


def _find_marks(guess: _Guess) -> None:
    """Find decimal mark, marks for missing cells, rows to skip and times."""
    used = {ours: guess.cells[own[0]] for ours, (own, _) in guess.columns.items()}
    texts: dict[str, list[str]] = defaultdict(list)
    for column, cells in used.items():
        own = [cell.strip() for cell in cells if isinstance(cell, str)]
        texts[SCHEMAS[guess.table][column].kind] += own
    commas = [text for text in texts[NUMBER] if re.fullmatch(r"[+-]?\d+,\d+", text)]
    if commas:
        guess.options["decimal"] = ",", f"numbers such as {commas[0]}"
    missing = sorted({t for t in texts[NUMBER] if t and t.casefold() in NOTHING})
    if missing:
        guess.options["missing"] = missing, "they stand where numbers do"
    totals = WORDS["cell"]["total"]
    for column in ("trial", "plot", "sample", "entry"):
        words = {text_of(cell) for cell in used.get(column, ())}
        words = {w for w in words if plain_words(w).split(" ")[0] in totals}
        if words:
            skipped = {column: sorted(words)}
            guess.options["skip_rows_where"] = skipped, "rows of totals"
            break
    times = [t for t in texts[TIME] if t.casefold() not in NOTHING]
    guess.times = [t for t in times if not re.match(r"\d{4}-\d\d-\d\d", t)]


def _find_dates(guesses: list[_Guess]) -> None:
    """Find the forms that all times have; ask where two orders would do."""
    for guess in (g for g in guesses if g.times):
        # Files with the same headers are by one hand, and so are their dates.
        alike = [g for g in guesses if g.cells.keys() == guess.cells.keys()]
        texts = [text for one in alike for text in one.times]
        orders = date_forms(texts)
        if len(orders) == 1:
            said = f"all times, such as {max(texts)!r}, can only be read so"
            guess.options["dates"] = orders[0], said
            continue
        said = f"is it {' or '.join(repr(forms[0]) for forms in orders)}?"
        said = f": {said}" if orders else " are in no form known here"
        guess.questions.append(f"dates such as {texts[0]!r}{said}")


def _name_trials_by_files(guesses: Sequence[_Guess]) -> None:
    """Take the trials' names from the files or sheets, if none has a column of them."""
    if len(guesses) < 2 or any("trial" in guess.columns for guess in guesses):
        return
    for guess in guesses if "trial" in SCHEMAS[guesses[0].table] else ():
        file, _, sheet = guess.name.partition("#")
        name = sheet.rpartition("/")[2] or Path(file).stem
        said = "one file or sheet a trial; the trial's name is the file's"
        guess.options["fixed"] = {"trial": name}, said
        guess.questions = [q for q in guess.questions if not q.startswith("trial:")]


def _settings(name: str, groups: dict[str, list[_Guess]]) -> tuple[list, list]:
    """Return the lines of season.toml, and the questions in them."""
    lines = [_HEAD.format(folder=EXPORTS, name=toml_text(name.strip(". ") or "season"))]
    questions = []
    for table, guesses in groups.items():
        lines += _lines_of(table, guesses)
        asked = defaultdict(list)  # alike questions once, with their count
        for guess, question in ((g, q) for g in guesses for q in g.questions):
            asked[question].append(guess.name)
        for question, (first, *more) in asked.items():
            of = f"{first} and {len(more)} more" if more else first
            questions.append(f"{of}: {question}")
    others = defaultdict(set)
    for guess in (g for guesses in groups.values() for g in guesses):
        for header in guess.headers_of("crop"):
            for text in {text_of(cell) for cell in guess.cells[header]} - {""}:
                ours = CROPS.get(plain_words(text))
                if ours and crop_key(text) != ours:
                    others[ours].add(text)
    if others:
        lines.append("\n[alias.crop]  # the same crops in other words")
        lines += [f"{c} = {toml_text(sorted(o))}" for c, o in sorted(others.items())]
    for table in (t for t in REQUIRED_TABLES if t not in groups):
        questions.append(f"no file looks like the table {table}; add {table}.csv")
        lines.append(f"#? {questions[-1]}")
    return lines, questions


def _lines_of(table: str, guesses: list[_Guess]) -> list[str]:
    """Return the lines of one table: its files, columns and units."""
    alike = defaultdict(list)  # what is read in one and the same way, together
    for guess in guesses:
        parts = (guess.options, guess.columns, guess.units)
        told = [{key: value for key, (value, _) in part.items()} for part in parts]
        alike[repr(told)].append(guess)
    first, several = guesses[0], len(alike) > 1
    shared = [
        column
        for column in SCHEMAS[table]
        if first.headers_of(column)
        and all(g.headers_of(column) == first.headers_of(column) for g in guesses)
    ]
    lines = [f"\n# ---- {table}"]
    for group in alike.values():
        one, names = group[0], [guess.name for guess in group]
        lines.append(f"[[files.{table}]]" if several else f"[files.{table}]")
        lines += [f"read = {toml_text(names)}", *_told(one.options)]
        own = {c: v for c, v in one.columns.items() if c not in shared}
        if own:
            lines += [f"[files.{table}.columns]", *_told(own)]
        if one.units and several:
            lines += [f"[files.{table}.units]", *_told(one.units)]
        lines += dict.fromkeys(f"#? {q}" for guess in group for q in guess.questions)
    if shared:
        columns = {column: first.columns[column] for column in shared}
        lines += [f"[columns.{table}]", *_told(columns)]
    if first.units and not several:
        lines += [f"[units.{table}]", *_told(first.units)]
    return lines


def _told(settings: dict) -> list[str]:
    """Return lines of settings, each with its ground."""
    return [f"{k} = {toml_text(v)}  # {why}" for k, (v, why) in settings.items()]
