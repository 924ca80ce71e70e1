"""A season drafted from a folder of foreign files: copies, settings, open questions."""

import re
import shutil
from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from kitlib.intake.exports import Guess, grids_of, guess_of
from kitlib.intake.files import READABLE
from kitlib.intake.headers import CROP_WORDS, plain_words
from kitlib.intake.options import toml_text
from kitlib.intake.outputs import write_bytes
from kitlib.intake.schema import REQUIRED_TABLES, SCHEMAS
from kitlib.intake.settings import SETTINGS_FILE, read_season
from kitlib.intake.sheets import Unreadable
from kitlib.intake.tables import typed_tables
from kitlib.words.errors import SeasonRefused, refuse
from kitlib.words.findings import STOP
from kitlib.words.terms import crop_key

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
