"""Each table checked by itself: its names, its cells and its rows.

Every problem is found and every row accounted for. Names are used as they are
written: nothing here is put right.
"""

import unicodedata
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pandas as pd
import pandera.pandas as pa

from kitlib.intake.cells import Table, fault_cells, left_out_rows
from kitlib.intake.contradictions import contradictions, values_apart
from kitlib.intake.schema import (
    MOISTURES,
    SCHEMAS,
    TEXT,
    UNIQUE_KEYS,
    column_kinds,
    column_ranges,
    needed_columns,
)
from kitlib.intake.settings import Season, season_folder
from kitlib.intake.tables import typed_tables
from kitlib.intake.units import Frames, doubtful_units
from kitlib.words.errors import refuse
from kitlib.words.findings import STOP, Finding
from kitlib.words.terms import counted, listed

# A name longer than this is more likely two cells run together. [letters]
LONGEST_CELL = 200
# Which columns hold the same kind of name, in whatever table; plots and blocks are
# counted anew in every trial.
_NAMES = ["trial", "entry", "crop", "curve", "sample", "method", "lab", "meter"]
_NAMES += ["sensor", "chamber_config", "location", "selection_reason"]
_IN_TRIALS = ("plot", "block")
_MADE_BY_SPREADSHEET = {
    "a date": r"\d{1,2}-[A-Z][a-z]{2}(-\d{2,4})?|[A-Z][a-z]{2}-\d{2,4}"
    r"|\d{1,2}/\d{1,2}/\d{2,4}|\d{4}-\d{2}-\d{2}([ T]00:00:00)?",
    "a rounded number": r"\d(\.\d+)?E\+\d+|\d+\.0",
    "an error or an empty value": r"#(N/A|REF!|VALUE!|NAME\?|NUM!|NULL!|DIV/0!)"
    r"|(?i:nan|null|none|[+-]?inf(inity)?)",
}
# What people write where a plot has no entry.
_PLACEHOLDER = r"(?i)[-–—.?*/x]+|n\.?/?a\.?|nd|tbd|empty|blank|void|unknown|missing"
_PLACEHOLDER += r"|(border|guard|buffer|filler?|fill|bulk|rand|bordure)( ?plot)?s?"
_USUAL = "[ -~]*"  # letters that are none of another alphabet, all of them seen
# Letters of other alphabets and marks that look like one of ours: own list.
_ALIKE = str.maketrans(
    "\u0410\u0412\u0415\u041a\u041c\u041d\u041e\u0420\u0421\u0422\u0425\u0405\u0406"
    "\u0430\u0435\u043e\u0440\u0441\u0443\u0445\u0455\u0456\u0391\u0392\u0395\u039a"
    "\u039c\u039d\u039f\u03a1\u03a4\u03a7\u2010\u2011\u2012\u2013\u2014\u2212",
    "ABEKMHOPCTXSI" + "aeopcyxsi" + "ABEKMNOPTX" + "------",
)


def read_tables(folder: str | Path, season: Season) -> dict[str, Table]:
    """Read and check every table of a season folder.

    Returns
    -------
    dict of Table
        One for each table of the contract; a missing optional table is empty.

    Raises
    ------
    SeasonRefused
        If a required table or column is not there or a file cannot be read; every
        such problem of every table is named.
    """
    folder = season_folder(folder)
    tables = typed_tables(folder, season)
    stops = [found for table in tables.values() for found in table.findings]
    refuse(str(folder), [f"{f} {f.remedy}" for f in stops if f.severity == STOP])
    for name, table in tables.items():
        check_table(table, name, season)
    return tables


def table_findings(tables: dict[str, Table], season: Season) -> list[Finding]:
    """Return what was found as tables were read, and what looks odd in them.

    Nothing is left out for looking odd, so no result waits for this.
    """
    frames = {name: table.frame for name, table in tables.items()}
    doubts = [found for name in tables for found in odd_keys(frames[name], name)]
    doubts += keys_alike(frames) + doubtful_units(tables)
    doubts += contradictions(frames, season.check_entries) + values_apart(frames)
    return [
        found
        for name, table in tables.items()
        for found in [*table.findings, *(d for d in doubts if d.table == name)]
    ]


# ---- names


def odd_keys(frame: pd.DataFrame, table: str) -> list[Finding]:
    """Return what looks odd in the text cells of one table."""
    found = []
    kinds = column_kinds(table)
    for column in map(str, frame):
        if kinds.get(column) != TEXT or column == "remark":
            continue
        texts = frame[column].dropna()
        names = pd.Series(texts.unique(), dtype="str")
        for code, which, said in _oddities(names, column, table):
            odd = names[which]
            if len(odd):
                rows = texts.index[texts.isin(odd)]
                message = f"{column} {_examples(odd)} {said}."
                found.append(Finding(code, message, table, tuple(rows)))
    return found + list(_lost_zeros(frame, table))


def _examples(texts: pd.Series, exact: bool = False) -> str:
    """Return a few cells as Python writes them, letters unseen or all by number."""
    cut = [t if len(t) <= 40 else f"{t[:40]}…" for t in texts.unique()[:4]]
    return listed(
        [ascii(t) if exact or _invisible(t) else repr(t) for t in cut], most=3
    )


def _oddities(texts: pd.Series, column: str, table: str) -> Iterator[tuple]:
    """Yield each thing that can be odd: code, cells, and what it looks like."""
    if texts.empty:
        return
    long = texts.str.len() > LONGEST_CELL
    yield "cell-long", long, f"is longer than {LONGEST_CELL} letters"
    short = texts.where(~long, "")
    unusual = short[~short.str.fullmatch(_USUAL)]
    unseen = unusual.index[[_invisible(text) for text in unusual]]
    yield "key-odd", texts.index.isin(unseen), "holds letters that cannot be seen"
    if column in needed_columns(table):
        for what, pattern in _MADE_BY_SPREADSHEET.items():
            said = f"looks like {what} that a spreadsheet or program wrote"
            yield "key-odd", short.str.fullmatch(pattern), said
    if column == "entry":
        said = "is ranked as an entry but looks like a placeholder"
        yield "entry-placeholder", short.str.fullmatch(_PLACEHOLDER), said


def _invisible(text: str) -> bool:
    """Whether a text holds control or format characters."""
    return any(unicodedata.category(letter) in ("Cc", "Cf") for letter in text)


def _lost_zeros(frame: pd.DataFrame, table: str) -> Iterator[Finding]:
    """Yield plots shorter than the others of their trial, which begin with zeros."""
    if "plot" not in frame or frame.empty:
        return
    plots = frame[["trial", "plot"]].dropna()
    plots = plots[plots["plot"].str.fullmatch(r"\d+")]
    length = plots["plot"].str.len()
    padded = length.where(plots["plot"].str.startswith("0"))
    short = plots[length < padded.groupby(plots["trial"]).transform("min")]
    if len(short):
        said = f"plot {_examples(short['plot'])} is shorter than the others of its "
        said += "trial, which begin with 0; a spreadsheet may have cut the zeros off."
        yield Finding("key-odd", said, table, tuple(short.index))


def keys_alike(frames: Frames) -> list[Finding]:
    """Return names that differ by letter case, spaces, look-alikes or zeros only.

    The most frequent spelling is taken for the right one, the plots table's before
    another as frequent; the rows of every other are named.
    """
    found = []
    for column in (*_NAMES, *_IN_TRIALS):
        parts = [
            pd.DataFrame(
                {
                    "name": frame[column],
                    "group": frame["trial"] if column in _IN_TRIALS else "",
                    "table": table,
                }
            )
            for table, frame in frames.items()
            if column in frame
        ]
        found += _spelt_twice(pd.concat(parts), column) if parts else []
    return found


def _spelt_twice(cells: pd.DataFrame, column: str) -> list[Finding]:
    """Return names of one column that are spelt in two ways."""
    cells = cells.dropna(subset=["name"])
    names = cells[["group", "name"]].drop_duplicates()
    names = names.assign(plain=_plain_spellings(names["name"]))
    twice = names[names.duplicated(["group", "plain"], keep=False)]
    if twice.empty:
        return []
    cells = cells.rename_axis("row").reset_index().merge(twice, on=["group", "name"])
    cells["times"] = cells.groupby(["group", "name"])["name"].transform("size")
    found = []
    for _, spellings in cells.groupby(["group", "plain"], sort=True):
        usual = spellings["name"].iloc[int(spellings["times"].to_numpy().argmax())]
        for table, rows in spellings[spellings["name"] != usual].groupby("table"):
            said = f"{column} {_examples(rows['name'], exact=True)} is spelled like "
            said += f"{usual[:40]!a} except for letter case, spaces, zeros or "
            said += "look-alike letters; they are taken for different names."
            found.append(Finding("keys-alike", said, str(table), tuple(rows["row"])))
    return found


def _plain_spellings(names: pd.Series) -> np.ndarray:
    """Return names by which different spellings of them meet."""
    cut = names.str.slice(0, LONGEST_CELL).str.replace(
        r"^(\d+)\.0+$", r"\1", regex=True
    )
    digits = cut.str.fullmatch("[0-9]+")
    plain = cut.str.lower().to_numpy(object)
    plain[digits] = cut[digits].str.lstrip("0").replace("", "0")
    others = ~cut.str.fullmatch(_USUAL) | cut.str.contains(" ", regex=False)
    plain[others] = [_plain(name) for name in cut[others]]
    return plain


def _plain(name: str) -> str:
    """Return a name by which different spellings of it meet, whatever its letters."""
    letters = unicodedata.normalize("NFKC", name).translate(_ALIKE)
    seen = (c for c in letters if not c.isspace() and not _invisible(c))
    text = "".join(seen).casefold()
    return text.lstrip("0") or "0" if text.isdecimal() else text


# ---- cells and rows


def check_table(table: Table, name: str, season: Season) -> None:
    """Check a table's typed cells, in place.

    A cell at fault is empty afterwards; a row without its keys, or one of two rows
    with one key, is in `left_out`.

    Parameters
    ----------
    table : Table
        As it was read.
    name : str
        Which table it is.
    season : Season
        Tells the highest moisture.
    """
    _check_ranges(table, name)
    _check_moistures(table, name, season.highest_moisture)
    _leave_out_without_keys(table, name)
    _leave_out_doubled(table, name)


def _check_ranges(table: Table, name: str) -> None:
    """Empty every cell beyond its range, and find it."""
    if all(_inside(table.frame[c], *ends) for c, ends in column_ranges(name).items()):
        return
    try:
        SCHEMAS[name].validate(table.frame, lazy=True)
        return
    except pa.errors.SchemaErrors as error:
        cases = error.failure_cases
    cases = cases[cases["check"] != "not_nullable"]
    for (column, rule), group in cases.groupby(["column", "check"], sort=False):
        rows = group["index"].astype(int)
        wrong = pd.Series(group["failure_case"].to_numpy(), index=rows, name=column)
        fault_cells(table, name, wrong, "out-of-range", rule)
        table.frame.loc[rows, column] = np.nan


def _inside(values: pd.Series, low: float, high: float) -> bool:
    """Whether no value of a column is beyond its range."""
    return not ((values < low) | (values > high)).any()


def _check_moistures(table: Table, name: str, highest: float) -> None:
    """Empty every moisture higher than grain can have, and find it."""
    for column in (c for c in MOISTURES if c in table.frame):
        values = table.frame[column]
        wrong = values[values > highest]
        rule = f"at most {highest:g} % moisture (highest_moisture in season.toml)"
        fault_cells(table, name, wrong, "out-of-range", rule)
        table.frame.loc[wrong.index, column] = np.nan


def _leave_out_without_keys(table: Table, name: str) -> None:
    """Leave out the rows that lack a required text cell."""
    kinds = column_kinds(name)
    keys = [c for c in needed_columns(name) if kinds[c] == TEXT]
    for key in keys:
        empty = table.frame[key].isna()
        wrong = pd.Series("", index=table.frame.index[empty], name=key)
        fault_cells(table, name, wrong, "cell-empty", "a name or number")
    lacking = table.frame[keys].isna().any(axis=1)
    _leave_out(table, name, lacking, "cell-empty", "a key of the row is empty")


def _leave_out(table: Table, name: str, which, code: str, reason: str) -> None:
    """Move rows from the table to those left out, quoting their own fault if any."""
    if not which.any():
        return
    gone = table.frame[which]
    quoted = [table.faults.get(int(row), (code, reason)) for row in gone.index]
    rows = left_out_rows(gone, name, code, [said for _, said in quoted])
    rows["code"] = [found for found, _ in quoted]
    table.left_out.append(rows)
    table.frame = table.frame[~which]


def _leave_out_doubled(table: Table, name: str) -> None:
    """Leave out rows that repeat another, and both of two that share one key.

    Only rows alike in their key, or in what a table must have, are looked at whole.
    """
    telling = list(UNIQUE_KEYS.get(name, needed_columns(name)))
    alike = table.frame.duplicated(telling, keep=False)
    if not alike.any():
        return
    exact = table.frame.index.isin(_repeated(table.frame[alike], name))
    if exact.any():
        rows = tuple(table.frame.index[exact])
        said = f"{counted(len(rows), 'row')} identical to another; counted once."
        table.findings.append(Finding("row-twice", said, name, rows))
        reason = "the row is identical to an earlier one"
        _leave_out(table, name, exact, "row-twice", reason)
    if name in UNIQUE_KEYS:
        _leave_out_shared_keys(table, name, UNIQUE_KEYS[name])


def _repeated(frame: pd.DataFrame, name: str) -> pd.Index:
    """Return the rows that repeat an earlier one, remarks apart."""
    exact = frame.drop(columns=["remark"], errors="ignore").duplicated()
    if name == "oven":
        exact &= frame["wet_g"].notna() | frame["dish"].notna()
    if name == "benchtop":
        exact &= frame["reading"].notna()
    if name in ("setup_runs", "check_runs"):
        exact &= frame["run_at"].notna() | frame["run"].notna()
    return frame.index[exact]


def _leave_out_shared_keys(table: Table, name: str, keys: list[str]) -> None:
    """Leave out every row whose key stands on another row with other values."""
    shared = table.frame.duplicated(keys, keep=False)
    code = "plot-twice" if name == "plots" else "reading-twice"
    for values, group in table.frame[shared].groupby(keys, sort=False):
        place = ", ".join(f"{k} {v}" for k, v in zip(keys, values, strict=True))
        said = f"{table.where(tuple(group.index))} are all {place}; expected one row. "
        said += "Which is right cannot be told, so none is used."
        table.findings.append(Finding(code, said, name, tuple(group.index)))
        table.faults.update({int(row): (code, said) for row in group.index})
    _leave_out(table, name, shared, code, "two rows share one key")
