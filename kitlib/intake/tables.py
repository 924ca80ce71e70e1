"""A season's tables: from the files that people have to typed columns of ours.

Each file or sheet is a source with headers, units and marks of its own; the sources
of a table are stacked, and what one thing is called is settled over all tables.
"""

import fnmatch
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path, PurePosixPath

import numpy as np
import pandas as pd

from kitlib.intake.files import (
    FOREIGN,
    READABLE,
    SUFFIXES,
    Sheet,
    Unreadable,
    read_cells,
    sha256_of,
    without_blank_rows,
)
from kitlib.intake.schema import (
    FORMER_HEADERS,
    MOISTURES,
    NAMES,
    REQUIRED_TABLES,
    ROWS_PER_SOURCE,
    SCHEMAS,
    Source,
    Table,
    column_kinds,
    in_its_kind,
    in_our_unit,
    left_out_rows,
    needed_columns,
    trimmed,
)
from kitlib.intake.settings import (
    SETTINGS_FILE,
    FileOptions,
    Season,
    read_season,
    season_folder,
)
from kitlib.words.findings import Finding
from kitlib.words.limits import method_key
from kitlib.words.terms import counted, crop_key, listed

# The time by which the offset in force is known, by table.
_TIMES = {"plots": "harvested_at", "check_runs": "run_at"}


def settle_names(tables: dict[str, Table], season: Season) -> None:
    """Give each thing one name: by [alias], else its most frequent spelling.

    Names are compared without letter case and outer spaces. A spelling that
    season.toml uses, for check entries, methods or curves, is taken before others.
    """
    told = {
        "entry": season.check_entries,
        "method": [
            *season.repeatability,
            *(m for g in season.methods_alike for m in g),
        ],
        "curve": [change.curve for change in season.offsets],
    }
    for column in NAMES:
        cells = {
            (name, here): tables[name].frame[here]
            for name in SCHEMAS
            for here in (column, "parallel_of" if column == "curve" else column)
            if here in tables[name].frame
        }
        alias = season.alias.get(column, {})
        ours = _chosen_spellings(cells.values(), told.get(column, ()), alias)
        changed: Counter = Counter()
        for (name, here), names in cells.items():
            changed += _rename(tables[name].frame, here, names, ours)
        if changed:
            _tell_of_spellings(changed, column, cells, tables)


def _chosen_spellings(columns, told: Sequence[str], alias) -> dict[str, str]:
    """Return the name to use by each plain spelling."""
    times: Counter = Counter()
    for cells in columns:
        times.update(cells.value_counts(sort=False).to_dict())
    ours: dict[str, str] = {}
    for name in [*told, *sorted(times, key=lambda name: -times[name])]:
        ours.setdefault(name.strip().casefold(), name)
    for name, others in alias.items():
        ours |= {other.strip().casefold(): name for other in [name, *others]}
    return ours


def _rename(frame: pd.DataFrame, column: str, names: pd.Series, ours) -> Counter:
    """Write a column's names as they are to be; return how many of each were not."""
    codes, distinct = pd.factorize(names)
    wanted = [ours[name.casefold()] for name in distinct]
    if wanted == list(distinct):
        return Counter()
    times = np.bincount(codes[codes >= 0], minlength=len(wanted)).tolist()
    frame[column] = pd.Series(wanted, dtype="str").reindex(codes).set_axis(names.index)
    return Counter(
        {
            (theirs, name): n
            for theirs, name, n in zip(distinct, wanted, times, strict=True)
            if theirs != name
        }
    )


def _tell_of_spellings(changed: Counter, column: str, cells, tables) -> None:
    """Say once for a column which names were read as which."""
    most = changed.most_common()
    pairs = [f"{theirs!r} as {ours!r}" for (theirs, ours), _ in most]
    said = (
        f"{column} is spelt in several ways; {counted(sum(changed.values()), 'cell')} "
    )
    said += f"are read under one name: {listed(pairs, most=3)}."
    table = next(iter(cells))[0]
    found = Finding(code="names-settled", table=table, message=said)
    tables[table].findings.append(found)


def put_offsets_in_force(tables: dict[str, Table], season: Season) -> None:
    """Fill in the offset that was in force on each plot, as [[offsets]] tell it.

    Before a curve's first change it is the register's. A plot without a time cannot
    be told; its reading is not used.
    """
    if not season.offsets:
        return
    loaded = tables["curves"].frame.groupby("curve")["offset_loaded"].last()
    for name, time in _TIMES.items():
        frame = tables[name].frame
        if any("offset_in_force" in source.headers for source in tables[name].sources):
            said = "season.toml has [[offsets]] and the table a column "
            said += "offset_in_force; delete either."
            found = Finding(code="setting-contradicts", table=name, message=said)
            tables[name].findings.append(found)
            continue
        for change in sorted(season.offsets, key=lambda change: change.start):
            own = frame["curve"] == change.curve
            first = own & frame["offset_in_force"].isna() & frame[time].notna()
            frame.loc[first, "offset_in_force"] = loaded.get(change.curve, np.nan)
            since = own & (frame[time] >= change.start)
            frame.loc[since, "offset_in_force"] = change.value
        curves = {change.curve for change in season.offsets}
        untold = frame.index[frame["curve"].isin(curves) & frame[time].isna()]
        if len(untold):
            said = f"{counted(len(untold), 'row')} of a curve with [[offsets]] have no "
            said += (
                f"{time}, so the offset in force is not known and sensor_pct is not "
            )
            said += "used."
            found = Finding(
                code="offsets-mixed", message=said, table=name, rows=tuple(untold)
            )
            tables[name].findings.append(found)
            faults = {row: ("offsets-mixed", said) for row in map(int, untold)}
            tables[name].faults |= faults | tables[name].faults
            frame.loc[untold, "sensor_pct"] = np.nan


def settings_not_used(tables: dict[str, Table], season: Season) -> list[Finding]:
    """Return settings for crops, methods, entries or tables that do not occur."""
    crops = {crop_key(crop) for crop in _names_in(tables, "crop")}
    by_crop = ("standard_moisture", "allowed_bias", "max_sep", "tolerance", "bushel_lb")
    methods = {method_key(method) for method in _names_in(tables, "method")}
    entries = _names_in(tables, "entry")
    curves = _names_in(tables, "curve")
    there = {f"{k}.{c}": c in crops for k in by_crop for c in getattr(season, k)}
    there |= {
        f"repeatability of {m!r}": method_key(m) in methods
        for m in season.repeatability
    }
    there |= {f"check entry {e!r}": e in entries for e in season.check_entries}
    there |= {f"offset of {o.curve!r}": o.curve in curves for o in season.offsets}
    for key, left_out in (("columns", {}), ("files", [FileOptions()])):
        told = {t for t, said in getattr(season, key).items() if said != left_out}
        there |= {f"[{key}.{table}]": bool(tables[table].sources) for table in told}
    unused = [setting for setting, occurs in there.items() if not occurs]
    if not unused or tables["plots"].frame.empty:
        return []
    said = f"{SETTINGS_FILE} has settings for what does not occur: "
    said += f"{listed(unused, most=8)}. Check their spelling."
    return [Finding(code="setting-unused", message=said)]


def _names_in(tables: dict[str, Table], column: str) -> set[str]:
    """Return every name that a column holds in any table."""
    frames = [table.frame for table in tables.values() if column in table.frame]
    return {name for frame in frames for name in frame[column].dropna().unique()}


# The column that numbers what stands side by side in a row, by table.
_REPEATS = {"oven": "dish", "benchtop": "reading", "setup_runs": "run"}
_REPEATS |= {"check_runs": "run"}


def typed_tables(folder: Path, season: Season) -> dict[str, Table]:
    """Read every table of a season folder, one name for each thing in all of them.

    Cells are of their kind and in our units; rows are not checked yet.

    Returns
    -------
    dict of Table
        One for each table of the contract; one that is not there is empty.
    """
    tables = {name: _read_table(Path(folder), name, season) for name in SCHEMAS}
    settle_names(tables, season)
    put_offsets_in_force(tables, season)
    about_all = tables["plots"].findings
    about_all += _files_not_read(Path(folder), tables, season)
    about_all += settings_not_used(tables, season)
    return tables


def empty_table(name: str) -> pd.DataFrame:
    """Return a table without rows, every column of its kind."""
    columns = SCHEMAS[name].columns
    frame = pd.DataFrame({c: pd.Series(dtype=t.dtype.type) for c, t in columns.items()})
    return frame.rename_axis(index="row_in_file")


# ---- which files


def source_files(folder: Path, season: Season) -> list[Path]:
    """Return the files that the tables of a season are read from."""
    found = set()
    for table in SCHEMAS:
        for how in season.sources_of(table):
            with suppress(Unreadable):  # told of where the table is read
                found |= {path for path, _ in _places(Path(folder), table, how)}
    return sorted(found)


def _places(folder: Path, table: str, how: FileOptions) -> list[tuple[Path, str]]:
    """Return the files a table is read from, each with a sheet's name or "".

    A pattern that no file has is left for `_sources` to tell of.
    """
    if not how.read:
        named = [folder / f"{table}{suffix}" for suffix in SUFFIXES]
        return [(path, "") for path in named if path.exists() or path.is_symlink()]
    places = [place for pattern in how.read for place in _matching(folder, pattern)]
    return list(dict.fromkeys(places))


def _matching(folder: Path, pattern: str) -> list[tuple[Path, str]]:
    """Return the files, in order of name, that one entry of `read` stands for."""
    whole, sheet = pattern, ""
    if "#" in pattern and not (folder / pattern).exists():
        whole, _, sheet = pattern.rpartition("#")
    inside = PurePosixPath(whole)
    if inside.is_absolute() or ".." in inside.parts or ":" in whole or "\\" in whole:
        raise Unreadable(
            f"{pattern!r} is not inside the season folder; write a path in it, with /."
        )
    found = [folder / whole] if (folder / whole).exists() else []
    found = found or sorted(path for path in folder.glob(whole) if path.is_file())
    return [(path, sheet) for path in found]


def _sources(folder: Path, table: str, how: FileOptions) -> list[tuple[Path, str]]:
    """Return the files of a table; refuse two of its name, and a pattern of none."""
    places = _places(folder, table, how)
    if not how.read and len(places) > 1:
        names = " and ".join(path.name for path, _ in places)
        raise Unreadable(f"{names} are both there; keep one.")
    for pattern in how.read:
        if not _matching(folder, pattern):
            there = sorted(p.name for p in folder.iterdir() if p.suffix in READABLE)
            raise Unreadable(
                f"no file {pattern!r} in the season folder; there are "
                f"{listed(there, most=12) or 'no tables'}."
            )
    return places


def _files_not_read(folder: Path, tables, season: Season) -> list[Finding]:
    """Return files and sheets with tables that no table of the season is read from."""
    used = {path.name for path in source_files(folder, season)} | {SETTINGS_FILE}
    found = []
    left = [
        path.name
        for path in sorted(folder.iterdir())
        if path.suffix.lower() in (*READABLE, *FOREIGN)
        and path.name not in used
        and not any(fnmatch.fnmatch(path.name, pattern) for pattern in season.ignore)
    ]
    if left:
        said = f"{counted(len(left), 'file')} in the season folder that no table is "
        said += f"read from: {listed([repr(name) for name in left], most=6)}."
        found.append(Finding(code="file-not-read", message=said))
    sources = [source for table in tables.values() for source in table.sources]
    read = {source.name for source in sources}
    sheets = {name for source in sources for name in source.sheets} - read
    if sheets:
        said = f"{counted(len(sheets), 'sheet')} that no table is read from: "
        said += f"{listed([repr(name) for name in sorted(sheets)], most=6)}."
        found.append(Finding(code="file-not-read", message=said))
    return found


# ---- one table


def _read_table(folder: Path, name: str, season: Season) -> Table:
    """Read one table from all its files and sheets; what stops the audit is found."""
    table, frames = Table(empty_table(name)), []
    for how in season.sources_of(name):
        label = ""
        try:
            for path, sheet in _sources(folder, name, how):
                label = path.relative_to(folder).as_posix()
                label += f"#{sheet}" if sheet else ""
                frames += _frames_of(
                    read_cells(path, sheet, how), label, name, how, table
                )
        except Unreadable as error:
            said = f"{label}: {error}" if label and how.read else str(error)
            found = Finding(code="table-unreadable", table=name, message=said)
            table.findings.append(found)
    if frames:
        table.frame = pd.concat(frames) if len(frames) > 1 else frames[0]
    elif not table.findings:
        table.findings += _not_there(name)
    if frames and table.read == 0:
        said = "there is a header and no row under it."
        table.findings.append(Finding(code="table-empty", table=name, message=said))
    return table


def _not_there(name: str) -> list[Finding]:
    """Return what is to be said of a table that has no file."""
    if name == "oven":
        said = "no oven table; without oven results nothing can be audited."
        return [Finding(code="no-oven", table=name, message=said)]
    if name in REQUIRED_TABLES:
        said = f"not found in the folder; expected {name}.csv, .parquet or .xlsx, or "
        said += f"the files to read under [files.{name}] in season.toml."
        return [Finding(code="table-missing", table=name, message=said)]
    if name == "benchtop":
        said = "no benchtop table: a season without a benchtop meter."
        return [Finding(code="no-benchtop", table=name, message=said)]
    return []


def _frames_of(
    seen: Sheet, label: str, name: str, how: FileOptions, table: Table
) -> list[pd.DataFrame]:
    """Return the typed rows of one file or sheet; those of a second dish by itself."""
    _tell(seen, label, name, table)
    mapped = _mapped_headers([str(c) for c in seen.cells], label, name, how, table)
    cells = without_blank_rows(_without_missing(seen.cells, how.missing))
    dishes = _dishes(cells, mapped)
    frames = []
    for number, (headers, part) in enumerate(dishes, 1):
        source = _source(seen, label, headers, how)
        start = len(table.sources) * ROWS_PER_SOURCE
        table.sources.append(source)
        table.read += len(part)
        part = _under_our_names(part, mapped, headers)
        part.index = part.index + start
        for column, value in how.fixed.items():
            part[column] = _fixed(value, part.index)
        if len(dishes) > 1 and name in _REPEATS:
            part[_REPEATS[name]] = _fixed(number, part.index)
        _restore_percents(part, seen, start, source, name, table)
        part = _without_skipped(part, name, how, table)
        frames.append(_typed(part, name, how, table))
    return frames


def _source(seen: Sheet, label: str, headers: dict[str, str], how: FileOptions):
    """Return what is known of a file or sheet, for checks to judge its columns by."""
    return Source(
        name=label,
        headers=headers,
        units_row={ours: seen.units_row.get(h, "") for ours, h in headers.items()},
        units=how.units,
        sheets=tuple(f"{label.partition('#')[0]}#{title}" for title in seen.sheets),
    )


def _tell(seen: Sheet, label: str, name: str, table: Table) -> None:
    """Take over what was seen as a file was read, and the rows that are none."""
    start = len(table.sources) * ROWS_PER_SOURCE
    for code, said, rows in seen.notes:
        said = f"{said}." if rows else f"{label}: {said}."
        table.findings.append(
            Finding(
                code=code,
                message=said,
                table=name,
                rows=tuple(row + start for row in rows),
            )
        )
    table.read += len(seen.aside)
    for row, code, said in seen.aside:
        bare = pd.DataFrame(index=[row + start])
        table.left_out.append(left_out_rows(bare, name, code, said))
        table.faults[row + start] = (code, said)
    wrong = [(row, said) for row, code, said in seen.aside if code == "row-length"]
    if wrong:
        more = f", {len(wrong) - 1} more rows likewise" if len(wrong) > 1 else ""
        said = f"{wrong[0][1]}{more}. Look for a separator too many."
        rows = tuple(row + start for row, _ in wrong)
        found = Finding(code="row-length", table=name, rows=rows, message=said)
        table.findings.append(found)


def _mapped_headers(
    headers: list[str], label: str, name: str, how: FileOptions, table: Table
) -> dict[str, list[str]]:
    """Return the file's header, or headers, of each of our columns that is there."""
    by_plain = {_plain(header): header for header in reversed(headers)}
    mapped, absent = {}, []
    for ours, theirs in how.columns.items():
        found = [by_plain.get(_plain(header)) for header in theirs]
        found = [h if h in headers else f for h, f in zip(theirs, found, strict=True)]
        absent += [(ours, h) for h, f in zip(theirs, found, strict=True) if f is None]
        mapped[ours] = [header for header in found if header is not None]
    known = {ours: ours for ours in column_kinds(name)}
    known = {
        **{old: new for old, new in FORMER_HEADERS.items() if new in known},
        **known,
    }
    own = {ours: by_plain[o] for o, ours in known.items() if o in by_plain}
    beside = {o: h for o, h in own.items() if mapped.get(o, [h]) != [h]}
    mapped |= {ours: [header] for ours, header in own.items() if ours not in mapped}
    lacking = [
        c for c in needed_columns(name) if c not in mapped and c not in how.fixed
    ]
    for code, said, remedy in (
        ("column-missing", _said_of_absent(absent, headers, label), ""),
        ("column-missing", *_said_of_lacking(lacking, headers, label, name)),
        ("column-twice", _said_of_beside(beside, how, label), ""),
        ("setting-contradicts", _said_of_unclear(mapped, headers, how, label), ""),
    ):
        if said:
            fault = Finding(code=code, table=name, message=said, remedy=remedy)
            table.findings.append(fault)
    return {ours: found for ours, found in mapped.items() if found}


def _plain(header: str) -> str:
    """Return a header by which spellings of it meet: letter case and spaces apart."""
    return " ".join(header.split()).casefold()


def _said_of_absent(absent, headers, label: str) -> str:
    """Say which headers that season.toml names are not there, and which are."""
    if not absent:
        return ""
    named = listed([f"{ours} to {theirs!r}" for ours, theirs in absent], most=6)
    said = f"season.toml maps {named}, which is no header of {label}. Its headers are "
    return f"{said}{listed([repr(header) for header in headers], most=40)}."


def _said_of_lacking(lacking, headers, label: str, name: str) -> tuple[str, str]:
    """Say which required columns are missing, and the lines that would map them."""
    if not lacking:
        return "", ""
    columns, are = ("column", "is") if len(lacking) == 1 else ("columns", "are")
    said = f"{columns} {listed(lacking, most=12)} {are} missing in {label}, whose "
    said += f"headers are {listed([repr(header) for header in headers], most=40)}."
    lines = [f"[columns.{name}]", *(f'{column} = "your header"' for column in lacking)]
    remedy = "Add what is missing, or map yours in season.toml:"
    return said, "\n    ".join([remedy, *lines])


def _said_of_beside(beside, how: FileOptions, label: str) -> str:
    """Say which columns with a name of ours are not read, for another is mapped."""
    if not beside:
        return ""
    pairs = [
        f"{header!r} is not read, for season.toml maps {ours} to "
        f"{listed([repr(theirs) for theirs in how.columns[ours]])}"
        for ours, header in beside.items()
    ]
    return f"in {label}, {listed(pairs, most=3)}."


def _said_of_unclear(mapped, headers, how: FileOptions, label: str) -> str:
    """Say where a setting does not tell which column, or how many, it means."""
    used = {header for found in mapped.values() for header in found}
    twice = [h for h in used if f"{h} (2)" in headers and f"{h} (2)" not in used]
    if twice:
        said = f"{label}: two columns are headed {sorted(twice)[0]!r}; rename one, or"
        return (
            f"{said} map the right one: the second is called '{sorted(twice)[0]} (2)'."
        )
    counts = {len(found) for found in mapped.values()} - {1}
    if len(counts) > 1:
        return (
            f"[columns] lists of {label} differ in length; expected one header a dish."
        )
    both = sorted(how.fixed.keys() & mapped.keys())
    if both:
        said = f"{listed(both)} is fixed in season.toml and a column of {label} as well"
        return f"{said}; delete either."
    return ""


def _without_missing(cells: pd.DataFrame, missing: Sequence[str]) -> pd.DataFrame:
    """Return cells, those empty that hold what stands for a missing value."""
    if not missing:
        return cells
    words = [word.strip().casefold() for word in missing]
    return cells.apply(
        lambda column: column.mask(trimmed(column).str.casefold().isin(words))
    )


def _dishes(cells: pd.DataFrame, mapped) -> list[tuple[dict[str, str], pd.DataFrame]]:
    """Return, for each dish side by side, its headers and the rows that fill it."""
    several = [headers for headers in mapped.values() if len(headers) > 1]
    if not several:
        return [({ours: headers[0] for ours, headers in mapped.items()}, cells)]
    n = min(map(len, several))
    given = np.array(
        [cells[[h[dish] for h in several]].notna().any(axis=1) for dish in range(n)]
    )
    given[0] |= ~given.any(axis=0)  # a row without any dish is told of once
    return [
        (
            {ours: h[dish] if len(h) > 1 else h[0] for ours, h in mapped.items()},
            cells[given[dish]],
        )
        for dish in range(n)
    ]


def _under_our_names(cells, mapped, headers: dict[str, str]) -> pd.DataFrame:
    """Return the cells under our names, columns that the audit does not know kept."""
    used = {header for found in mapped.values() for header in found}
    kept = {header: cells[header] for header in cells if header not in used}
    # A column with a name of ours that is not the one mapped keeps out of its way.
    kept = {f"{h} (not read)" if h in headers else h: c for h, c in kept.items()}
    ours = {name: cells[header] for name, header in headers.items()}
    return pd.DataFrame(ours | kept, index=cells.index, copy=False)


def _fixed(value: object, index: pd.Index) -> pd.Series:
    """Return a column that is the same in all rows, as a file would hold it."""
    if isinstance(value, bool):
        value = "yes" if value else "no"
    if isinstance(value, date | datetime):
        value = value.isoformat()
    if isinstance(value, float):
        return pd.Series(value, index)
    return pd.Series(str(value), index, dtype="str")


def _restore_percents(part, seen: Sheet, start: int, source: Source, name, table):
    """Read a moisture that the spreadsheet shows as 14.2% as 14.2, and tell of it."""
    for column in set(MOISTURES) & source.headers.keys():
        rows = seen.percents.get(source.headers[column], [])
        shown = part.index.intersection([row + start for row in rows])
        if source.units.moisture != "percent" or shown.empty:
            continue
        numbers = part.loc[shown, column].astype(float) * 100
        part.loc[shown, column] = numbers.round(10).astype(object)
        said = (
            f"{column} is shown with a percent sign in {counted(len(shown), 'row')}; "
        )
        said += "it is read as shown, a hundred times the number stored."
        table.findings.append(
            Finding(code="cells-percent", message=said, table=name, rows=tuple(shown))
        )


def _without_skipped(cells, name: str, how: FileOptions, table: Table) -> pd.DataFrame:
    """Return the rows but for those that season.toml says are none, such as totals."""
    for column, values in how.skip_rows_where.items():
        if column not in cells:
            said = f"skip_rows_where names {column}, which is no column there."
            found = Finding(code="column-missing", table=name, message=said)
            table.findings.append(found)
            continue
        words = trimmed(cells[column]).fillna("").str.casefold()
        skipped = words.isin([value.strip().casefold() for value in values])
        reasons = [f"skip_rows_where: {column} is {w!r}" for w in words[skipped]]
        gone = left_out_rows(cells[skipped], name, "row-skipped", reasons)
        table.left_out.append(gone)
        cells = cells[~skipped]
    return cells


def _typed(cells, name: str, how: FileOptions, table: Table) -> pd.DataFrame:
    """Return every known column in its kind and our unit, absent ones empty."""
    typed = {}
    for column, kind in column_kinds(name).items():
        if column in cells:
            values = in_its_kind(
                cells[column], kind, name, table, how.decimal, how.dates
            )
            typed[column] = in_our_unit(values, column, how.units)
        else:
            dtype = SCHEMAS[name].columns[column].dtype.type
            typed[column] = pd.Series(index=cells.index, dtype=dtype)
    unknown = {column: cells[column] for column in cells if column not in typed}
    if unknown:
        said = f"kept but not used: {listed(unknown, most=12)}."
        table.findings.append(Finding(code="columns-kept", table=name, message=said))
    return pd.DataFrame(typed | unknown, index=cells.index, copy=False)


def input_files(folder: Path) -> list[Path]:
    """Return the files of a season folder that the audit reads, by name."""
    folder = season_folder(folder)
    return sorted([folder / SETTINGS_FILE, *source_files(folder, read_season(folder))])


def input_hashes(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file the audit reads, by its path in the folder."""
    return {
        path.relative_to(folder).as_posix(): sha256_of(path)
        for path in input_files(folder)
    }
