"""A season's tables: from the files that people have to typed columns of ours.

Each file or sheet is a source with headers, units and marks of its own; the sources
of a table are stacked, and what one thing is called is settled over all tables.
"""

import fnmatch
from collections import Counter
from contextlib import suppress
from datetime import date
from pathlib import Path, PurePosixPath

import pandas as pd

from kitlib.intake.files import (
    FOREIGN,
    READABLE,
    SUFFIXES,
    Sheet,
    Unreadable,
    read_cells,
    whole_book,
)
from kitlib.intake.foreign import is_of_parts, of_parts
from kitlib.intake.outputs import sha256_of
from kitlib.intake.schema import (
    DTYPES,
    FORMER_HEADERS,
    MOISTURES,
    NAMES,
    ROWS_PER_SOURCE,
    SCHEMAS,
    TEXT,
    CheckedTable,
    Source,
    by_value,
    empty_table,
    found,
    in_its_kind,
    in_our_unit,
    trimmed,
)
from kitlib.intake.settings import (
    SETTINGS_FILE,
    FileOptions,
    Season,
    read_season,
    season_folder,
)
from kitlib.intake.supplied import put_offsets_in_force, put_plots_of_samples
from kitlib.words.findings import Finding
from kitlib.words.limits import method_key
from kitlib.words.terms import counted, crop_key, listed

# What is told of a table that is not there, if anything.
_NOT_THERE = {"plots": "table-missing", "curves": "table-missing"}
_NOT_THERE |= {"oven": "no-oven", "benchtop": "no-benchtop"}
_OF_SAMPLES = ("oven", "benchtop")
# The column that numbers what stands side by side in a row, by table.
_REPEATS = {"oven": "dish", "benchtop": "reading"}
_REPEATS |= {"setup_runs": "run", "check_runs": "run"}


def typed_tables(folder: Path, season: Season) -> dict[str, CheckedTable]:
    """Return every table of a season folder, in our units, one name for each thing.

    Rows are not checked yet; a table that is not there is empty.
    """
    tables: dict[str, CheckedTable] = {}
    for name in SCHEMAS:  # the plots first
        named = name in _OF_SAMPLES and tables["plots"].frame["sample"].notna().any()
        table = CheckedTable(empty_table(name), name, by_sample=bool(named))
        tables[name] = _read_table(Path(folder), table, season)
    whole_book.cache_clear()  # it may be large
    _settle_names(tables, season)
    put_plots_of_samples(tables)
    put_offsets_in_force(tables, season)
    _tell_of_files_not_read(Path(folder), tables, season)
    _tell_of_settings_not_used(tables, season)
    return tables


def source_files(folder: Path, season: Season) -> list[Path]:
    """Return the files that the tables of a season are read from."""
    files = set()
    for table in SCHEMAS:
        for how in season.sources_of(table):
            with suppress(Unreadable):  # told of where the table is read
                files |= {path for path, _ in _places(Path(folder), table, how)}
    return sorted(files)


def input_files(folder: Path) -> list[Path]:
    """Return the files of a season folder that the audit reads, by name."""
    folder = season_folder(folder)
    return sorted([folder / SETTINGS_FILE, *source_files(folder, read_season(folder))])


def input_hashes(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file the audit reads, by its path in the folder."""
    folder, files = season_folder(folder), input_files(folder)
    return {path.relative_to(folder).as_posix(): sha256_of(path) for path in files}


def _places(folder: Path, table: str, how: FileOptions) -> list[tuple[Path, str]]:
    """Return the files a table is read from, each with a sheet's name or ""."""
    if not how.read:
        named = [folder / f"{table}{suffix}" for suffix in SUFFIXES]
        named = [path for path in named if path.exists() or path.is_symlink()]
        if len(named) > 1:
            names = " and ".join(path.name for path in named)
            raise Unreadable(f"{names} are both there; keep one.")
        return [(path, "") for path in named]
    places = [place for pattern in how.read for place in _matching(folder, pattern)]
    return list(dict.fromkeys(places))


def _matching(folder: Path, pattern: str) -> list[tuple[Path, str]]:
    """Return the files, in order of name, that one entry of `read` stands for."""
    whole, sheet = pattern, ""
    if "#" in pattern and not (folder / pattern).exists():
        whole, _, sheet = pattern.rpartition("#")
    inside = PurePosixPath(whole)
    if inside.is_absolute() or ".." in inside.parts or ":" in whole or "\\" in whole:
        said = "is not inside the season folder; write a path in it, with /."
        raise Unreadable(f"{pattern!r} {said}")
    there = [folder / whole] if (folder / whole).exists() else []
    there = there or sorted(path for path in folder.glob(whole) if path.is_file())
    if not there:
        names = sorted(p.name for p in folder.iterdir() if p.suffix.lower() in READABLE)
        said = f"no file {pattern!r} in the season folder; there are "
        raise Unreadable(f"{said}{listed(names, 12) or 'no tables'}.")
    return [(path, sheet) for path in there]


def _tell_of_files_not_read(folder: Path, tables, season: Season) -> None:
    """Tell of files, and sheets with tables, that no table is read from."""
    used = set(source_files(folder, season))
    files = [
        path.name
        for path in sorted(folder.iterdir())
        if path.suffix.lower() in (*READABLE, *FOREIGN)
        and path not in used
        and not any(fnmatch.fnmatch(path.name, pattern) for pattern in season.ignore)
    ]
    sources = [source for table in tables.values() for source in table.sources]
    sheets = {name for source in sources for name in source.sheets}
    sheets -= {source.name for source in sources}
    unread = {f"{counted(len(files), 'file')} in the season folder": files}
    unread[counted(len(sheets), "sheet")] = sorted(sheets)
    for what, names in unread.items():
        if names:  # what concerns the whole season is kept with the plots
            shown = listed([repr(name) for name in names], most=6)
            tables["plots"].findings += found("not-read", "", what=what, names=shown)


def _read_table(folder: Path, table: CheckedTable, season: Season) -> CheckedTable:
    """Read one table from all its files and sheets; what stops the audit is found."""
    name, frames, places = table.name, [], []
    for how in season.sources_of(name):
        try:
            places += [(how, *place) for place in _places(folder, name, how)]
        except Unreadable as error:
            table.findings.append(Finding("table-unreadable", str(error), name))
    table.stacked = len(places) > 1
    for how, path, sheet in places:
        label = path.relative_to(folder).as_posix() + (f"#{sheet}" if sheet else "")
        try:
            frames += _frames_of(read_cells(path, sheet, how), label, how, table)
        except Unreadable as error:
            said = f"{label}: {error}" if how.read else str(error)
            table.findings.append(Finding("table-unreadable", said, name))
    if frames:
        table.frame = pd.concat(frames) if len(frames) > 1 else frames[0]
        table.findings += [] if table.read else found("table-empty", name)
    elif not table.findings and name in _NOT_THERE:
        table.tell(_NOT_THERE[name])
    return table


def _frames_of(
    seen: Sheet, label: str, how: FileOptions, table: CheckedTable
) -> list[pd.DataFrame]:
    """Return the typed rows of one file or sheet; those of a second dish by itself."""
    _take_over(seen, label, table)
    cells, mapped = seen.cells, _mapped_headers([*seen.cells], label, how, table)
    if how.missing:
        words = [word.strip().casefold() for word in how.missing]
        cells = cells.apply(lambda c: c.mask(trimmed(c).str.casefold().isin(words)))
    cells = cells.dropna(how="all")  # blank rows are no rows
    used = {header for own in mapped.values() for header in own}
    parts = {c: h for c, h in mapped.items() if is_of_parts(table.name, c, h)}
    mapped |= {column: headers[:1] for column, headers in parts.items()}
    sheets = tuple(f"{label.partition('#')[0]}#{title}" for title in seen.sheets)
    dishes = _dishes(cells, mapped)
    table.stacked |= len(dishes) > 1
    frames = []
    for number, (headers, part) in enumerate(dishes, 1):
        start = len(table.sources) * ROWS_PER_SOURCE
        units = {ours: seen.units_row.get(h, "") for ours, h in headers.items()}
        table.sources.append(Source(label, headers, units, how.units, sheets))
        table.read += len(part)
        # A column with a name of ours that is not the one mapped keeps out of its way.
        kept = {
            f"{h} (not read)" if h in headers else h: part[h]
            for h in part.columns.drop(used)
        }
        ours = {name: part[header] for name, header in headers.items()}
        part = pd.DataFrame(ours | kept, index=part.index, copy=False)
        part.index = part.index + start
        for column, value in how.fixed.items():
            part[column] = _fixed(value, part.index)
        if len(dishes) > 1 and table.name in _REPEATS:
            part[_REPEATS[table.name]] = _fixed(number, part.index)
        _restore_percents(part, seen, start, table)
        part = _without_skipped(part, how, table)
        for column, own in parts.items():
            told = cells[own].set_axis(cells.index + start).loc[part.index]
            part[column] = of_parts(told, column, how, table)
        frames.append(_typed(part, how, table))
    return frames


def _take_over(seen: Sheet, label: str, table: CheckedTable) -> None:
    """Take over what was seen as a file was read, and the rows that are none."""
    start = len(table.sources) * ROWS_PER_SOURCE
    for code, said, rows in seen.notes:
        said = f"{said}." if rows and not table.stacked else f"{label}: {said}."
        at = tuple(row + start for row in rows)
        table.findings.append(Finding(code, said, table.name, at))
    table.read += len(seen.aside)
    for row, code, said in seen.aside:
        bare = pd.DataFrame(index=[row + start])
        table.left_out.append(table.account_of(bare, code, said, quote=False))
        table.faults[row + start] = (code, said)


def _mapped_headers(
    headers: list[str], label: str, how: FileOptions, table: CheckedTable
) -> dict[str, list[str]]:
    """Return the file's header, or headers, of each of our columns that is there."""

    def plain(header: str) -> str:  # by which spellings of a header meet
        return " ".join(header.split()).casefold()

    by_plain = {plain(header): header for header in reversed(headers)}
    mapped: dict[str, list[str]] = {}
    absent = []
    for ours, theirs in how.columns.items():
        here = {h: h if h in headers else by_plain.get(plain(h)) for h in theirs}
        absent += [
            f"{ours} to {h!r}" for h in here if not (here[h] or ours in how.fixed)
        ]
        mapped[ours] = [header for header in here.values() if header is not None]
    known = SCHEMAS[table.name]
    ours_by = {old: new for old, new in FORMER_HEADERS.items() if new in known}
    ours_by |= {name: name for name in known}
    own = {ours: by_plain[h] for h, ours in ours_by.items() if h in by_plain}
    beside = [
        f"{header!r} is not read, for season.toml maps {ours} to "
        f"{listed([repr(theirs) for theirs in how.columns[ours]])}"
        for ours, header in own.items()
        if mapped.get(ours, [header]) != [header]
    ]
    mapped |= {ours: [header] for ours, header in own.items() if ours not in mapped}
    there = listed([repr(header) for header in headers], most=40)
    if absent:
        parts = {"pairs": listed(absent, most=6), "headers": there}
        table.tell("header-not-there", file=label, **parts)
    if lacking := [c for c in table.needed if c not in mapped and c not in how.fixed]:
        noun, verb = ("column", "is") if len(lacking) == 1 else ("columns", "are")
        names = f"{noun} {listed(lacking, most=12)} {verb}"
        lines = ["", f"[columns.{table.name}]"]
        lines += [f'{c} = "your header"' for c in lacking]
        parts = {"columns": names, "headers": there, "lines": "\n    ".join(lines)}
        key = "mass-lacking" if "plot_mass_kg" in lacking else "column-lacking"
        table.tell(key, file=label, **parts)
    if beside:
        table.tell("column-beside", file=label, pairs=listed(beside, most=3))
    # Where a setting does not tell which column, or how many, it means.
    used = {header for own in mapped.values() for header in own}
    twice = [h for h in used if f"{h} (2)" in headers and f"{h} (2)" not in used]
    both = sorted(column for column in how.fixed if mapped.get(column))
    several = [c for c, h in mapped.items() if len(h) > 1]
    several = [c for c in several if not is_of_parts(table.name, c, mapped[c])]
    count = _REPEATS.get(table.name)
    single = [c for c in several if not count or (known[c].kind == TEXT and c != count)]
    if twice:
        table.tell("headed-twice", file=label, name=min(twice))
    elif single:
        table.tell("list-refused", file=label, columns=listed(single))
    elif len({len(mapped[c]) for c in several}) > 1:
        table.tell("dishes-unlike", file=label)
    elif both:
        table.tell("fixed-twice", file=label, columns=listed(both))
    return {ours: own for ours, own in mapped.items() if own}


def _dishes(cells: pd.DataFrame, mapped) -> list[tuple[dict[str, str], pd.DataFrame]]:
    """Return, for each dish side by side, its headers and the rows that fill it."""
    several, dishes = [own for own in mapped.values() if len(own) > 1], []
    filled = pd.Series(False, cells.index)
    for dish in range(min(map(len, several), default=1)):
        headers = {c: h[dish] if len(h) > 1 else h[0] for c, h in mapped.items()}
        given = cells[[h[dish] for h in several]].notna().any(axis=1)
        filled |= given
        dishes.append((headers, cells[given] if several else cells))
    if several and not filled.all():  # a row without any dish is told of once
        bare = ~filled | filled.index.isin(dishes[0][1].index)
        dishes[0] = (dishes[0][0], cells[bare])
    return dishes


def _fixed(value: object, index: pd.Index) -> pd.Series:
    """Return a column that is the same in all rows, as a file would hold it."""
    if isinstance(value, float):
        return pd.Series(value, index)
    value = ("no", "yes")[value] if isinstance(value, bool) else value
    said = value.isoformat() if isinstance(value, date) else str(value)
    return pd.Series(said, index, dtype="str")


def _restore_percents(part, seen: Sheet, start: int, table: CheckedTable) -> None:
    """Read a moisture that the spreadsheet shows as 14.2% as 14.2, and tell of it."""
    source = table.sources[-1]
    told = source.headers if source.units.moisture == "percent" else {}
    for column in (c for c in MOISTURES if c in told):
        rows = seen.percents.get(source.headers[column], [])
        shown = part.index.intersection([row + start for row in rows])
        if len(shown):
            numbers = part.loc[shown, column].astype(float) * 100
            part.loc[shown, column] = numbers.round(10).astype(object)
        table.tell("cells-percent", shown, column=column, n=counted(len(shown), "row"))


def _without_skipped(cells, how: FileOptions, table: CheckedTable) -> pd.DataFrame:
    """Return the rows but for those that season.toml says are none, such as totals."""
    for column, values in how.skip_rows_where.items():
        if column not in cells:
            table.tell("skipped-where", column=column)
            continue
        words = trimmed(cells[column]).fillna("").str.casefold()
        skipped = words.isin([value.strip().casefold() for value in values])
        reasons = [f"skip_rows_where: {column} is {w!r}" for w in words[skipped]]
        gone = table.account_of(cells[skipped], "row-skipped", reasons, quote=False)
        table.left_out.append(gone)
        cells = cells[~skipped]
    return cells


def _typed(cells, how: FileOptions, table: CheckedTable) -> pd.DataFrame:
    """Return every known column in its kind and our unit, absent ones empty."""
    typed = {}
    for name, column in SCHEMAS[table.name].items():
        typed[name] = pd.Series(index=cells.index, dtype=DTYPES[column.kind])
        if name in cells:
            marks = how.decimal, how.dates
            values = in_its_kind(cells[name], column.kind, table, *marks)
            typed[name] = in_our_unit(values, name, how.units)
    if unknown := {name: cells[name] for name in cells if name not in typed}:
        file, names = table.sources[-1].name, listed(unknown, most=12)
        table.tell("columns-kept", file=file, columns=names)
    return pd.DataFrame(typed | unknown, index=cells.index, copy=False)


def _settle_names(tables: dict[str, CheckedTable], season: Season) -> None:
    """Give each thing one name: by [alias], else its most frequent spelling.

    Names are compared without letter case and outer spaces; a spelling in season.toml,
    of check entries, methods or curves, is taken before others.
    """
    alike = [method for group in season.methods_alike for method in group]
    told = {
        "entry": season.check_entries,
        "method": [*season.repeatability, *alike],
        "curve": [change.curve for change in season.offsets],
    }
    for column in NAMES:
        here = ("curve", "parallel_of") if column == "curve" else (column,)
        cells = [(t, c) for t in tables.values() for c in here if c in t.frame]
        every = pd.concat([table.frame[name] for table, name in cells]).dropna()
        seen = pd.Series(every.unique())
        alone = len(seen) == seen.str.casefold().nunique()
        if alone and not told.get(column) and column not in season.alias:
            continue
        usual = [name for name, _ in Counter(every.tolist()).most_common()]
        ours: dict[str, str] = {}
        for name in [*told.get(column, ()), *usual]:
            ours.setdefault(name.strip().casefold(), name)
        for name, others in season.alias.get(column, {}).items():
            ours |= {other.strip().casefold(): name for other in [name, *others]}
        new_names = {name: ours[name.casefold()] for name in usual}
        for table, name in cells:
            old = table.frame[name]
            table.frame[name] = new = by_value(old, new_names.get).astype("str")
            moved = (old != new) & old.notna()
            changed = Counter(zip(old[moved], new[moved], strict=True)).most_common()
            pairs = listed([f"{was!r} as {now!r}" for (was, now), _ in changed], most=3)
            # Where most cells are meant, it is said of the table.
            rows = None if moved.mean() > 0.5 else old.index[moved]
            parts = {"column": name, "n": counted(int(moved.sum()), "cell")}
            table.tell("names-settled", rows, pairs=pairs, **parts)


def _tell_of_settings_not_used(tables: dict[str, CheckedTable], season: Season) -> None:
    """Tell of settings for crops, methods, entries or tables that do not occur."""

    def names(column: str) -> set[str]:
        frames = [table.frame for table in tables.values() if column in table.frame]
        return {name for frame in frames for name in frame[column].dropna().unique()}

    crops = {crop_key(crop) for crop in names("crop")}
    methods = {method_key(method) for method in names("method")}
    by_crop = ("standard_moisture", "allowed_bias", "max_sep", "tolerance", "bushel_lb")
    there = {f"{k}.{c}": c in crops for k in by_crop for c in getattr(season, k)}
    for method in season.repeatability:
        there[f"repeatability of {method!r}"] = method_key(method) in methods
    entries, curves = names("entry"), names("curve")
    there |= {f"check entry {e!r}": e in entries for e in season.check_entries}
    there |= {f"offset of {o.curve!r}": o.curve in curves for o in season.offsets}
    for key, left_out in (("columns", {}), ("files", [FileOptions()])):
        for table, said in getattr(season, key).items():
            if said != left_out:
                there[f"[{key}.{table}]"] = bool(tables[table].sources)
    unused = [setting for setting, occurs in there.items() if not occurs]
    if unused and not tables["plots"].frame.empty:
        told = found("setting-unused", "", settings=listed(unused, most=8))
        tables["plots"].findings += told
