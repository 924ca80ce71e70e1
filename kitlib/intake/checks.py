"""Each table checked by itself: its names, its cells and its rows.

Every problem is found and every row accounted for. Names are used as they are
written: nothing here is put right.
"""

import unicodedata
from collections.abc import Callable, Iterator, Sequence
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd
import pandera.pandas as pa

from kitlib.intake.schema import (
    MOISTURES,
    SCHEMAS,
    TEXT,
    UNIQUE_KEYS,
    Table,
    by_value,
    column_kinds,
    column_ranges,
    fault_cells,
    left_out_rows,
    needed_columns,
)
from kitlib.intake.settings import Season, season_folder
from kitlib.intake.tables import typed_tables
from kitlib.intake.units import FEWEST, Frames, doubtful_units, log_yield
from kitlib.words.findings import STOP, Finding, refuse
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, crop_key, listed

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


# Plots without these are told of as plots whose yield is not known.
_TOLD_WITH_YIELDS = ("sensor_pct", "plot_mass_kg", "plot_area_m2")
_WEIGHTS = ["tare_g", "wet_g", "dry_g"]
_RARE = 0.1  # empty cells in at most this share of a column are taken for slips
# Columns that tell the repeats of one thing apart.
_REPEATS = {
    "oven": ["sample", "dish"],
    "benchtop": ["sample", "trial", "plot", "meter", "reading"],
    "curves": ["curve", "built_on"],
    "setup_runs": ["curve", "sample", "run"],
    "check_runs": ["curve", "sample", "run"],
}
# Each column of times, and what its times should lie near together in.
_TIMES = (
    ("plots", "harvested_at", "trial"),
    ("benchtop", "read_at", "trial"),
    ("oven", "sampled_at", "trial"),
    ("oven", "weighed_at", "trial"),
    ("check_runs", "run_at", "curve"),
    ("setup_runs", "run_at", "curve"),
)
# What a plot harvested again is called: the first one's name and one of these.
_AGAIN = r"^(.+?)[ _-]?(?:r|re-?run|rep(?:eat)?|again|dup|new|b|[ _-]2|\(2\))$"
# Table, column, group it is compared in, and how far it may be: a factor or points.
_BY_FACTOR = (
    ("plots", "test_weight_kg_hl", "trial", 1.2),
    ("benchtop", "test_weight_kg_hl", "trial", 1.2),
    ("setup_runs", "grain_mass_kg", "curve", 3.0),
    ("setup_runs", "lab_test_weight_kg_hl", "curve", 1.4),
)
_BY_POINTS = (
    ("plots", "grain_temp_c", "trial", 25.0),
    ("benchtop", "grain_temp_c", "trial", 25.0),
    ("setup_runs", "grain_temp_c", "curve", 25.0),
    ("setup_runs", "air_temp_c", "curve", 25.0),
)
_ROBUST = 1.4826  # median of distances to SD, for values of normal distribution


def contradictions(frames: Frames, checks: Sequence[str] = ()) -> list[Finding]:
    """Return what contradicts itself within a table or between tables.

    `checks` are entries that may stand in a trial more often than others.
    """
    plots, curves = frames["plots"], frames["curves"]
    found = [*_missing_cells(frames), *_repeats(frames), *_times(frames)]
    found += [*_against_register(plots, curves), *_offsets(plots, curves)]
    found += [*_built_late(plots, curves), *_places(plots), *_entries(plots, checks)]
    return [*found, *_plots_again(plots), *_sample_labels(frames)]


def _found(code: str, table: str, rows, said: str) -> Iterator[Finding]:
    """Yield a finding unless it has no rows."""
    if len(rows):
        yield Finding(code, said, table, tuple(rows))


def _missing_cells(frames: Frames) -> Iterator[Finding]:
    """Yield cells that are empty in a column that is otherwise filled in."""
    for table, frame in frames.items():
        kinds = column_kinds(table)
        keys = {c for c in needed_columns(table) if kinds[c] == TEXT}
        skipped = keys | {"remark", "parallel_of"}  # a row without keys is left out
        if table == "plots":
            skipped |= set(_TOLD_WITH_YIELDS)
        for column in (c for c in kinds if c not in skipped):
            empty = frame[column].isna()
            if column in _WEIGHTS:
                # A lab may give moistures or weights, but not some of a dish's.
                empty &= frame[_WEIGHTS].notna().any(axis=1)
            elif empty.mean() > _RARE:
                continue
            said = f"{column} is empty though filled in elsewhere."
            yield from _found("cells-missing", table, frame.index[empty], said)


def _repeats(frames: Frames) -> Iterator[Finding]:
    """Yield rows that are one and the same repeat, with other values."""
    for table, columns in _REPEATS.items():
        named = frames[table].dropna(subset=columns)
        again = named.index[named.duplicated(columns, keep=False)]
        said = f"rows have the same {', '.join(columns)}, but other values."
        yield from _found("row-again", table, again, said)


def _times(frames: Frames) -> Iterator[Finding]:
    """Yield times that stand alone, far from any other of their group."""
    limit = threshold("days_apart")
    for table, column, by in _TIMES:
        frame = frames[table].dropna(subset=[column, by]).sort_values([by, column])
        days = (frame[column].astype("int64") / 86_400e6).groupby(frame[by])
        before, after = days.diff(), -days.diff(-1)
        alone = (before.fillna(np.inf) > limit) & (after.fillna(np.inf) > limit)
        rows = frame.index[alone & (days.transform("size") >= 3)].sort_values()
        shown = listed([f"{time:%Y-%m-%d}" for time in frame.loc[rows, column]], 5)
        said = f"{column} {shown} is over {limit:g} days from any other of its {by}."
        yield from _found("time-apart", table, rows, said)
    plots = frames["plots"].set_index(["trial", "plot"])["harvested_at"]
    for table, column in (("oven", "sampled_at"), ("benchtop", "read_at")):
        frame = frames[table]
        keys = pd.MultiIndex.from_frame(frame[["trial", "plot"]])
        cut = plots[~plots.index.duplicated()].reindex(keys).to_numpy()
        away = (frame[column] - cut).abs() > pd.Timedelta(days=limit)
        said = f"{column} is over {limit:g} days from the harvest of the plot."
        yield from _found("time-apart", table, frame.index[away], said)


def _against_register(plots, curves) -> Iterator[Finding]:
    """Yield plots that name a curve of another crop or sensor, or an unknown one."""
    register = curves.dropna(subset=["curve"]).drop_duplicates("curve", keep="last")
    register = register.set_index("curve")
    known = plots["curve"].isin(register.index)
    unknown = plots[~known]
    said = f"curve {listed(sorted(unknown['curve'].unique()))} is not in the register, "
    said += "so these plots cannot be audited."
    yield from _found("curve-unknown", "plots", unknown.index, said)
    crop = plots["curve"].map(register["crop"].map(crop_key, na_action="ignore"))
    other = plots[known & (crop != by_value(plots["crop"], crop_key))]
    said = f"the plot's crop is not its curve's: {_couples(other, 'crop')}."
    yield from _found("crop-differs", "plots", other.index, said)
    sensor = plots["curve"].map(register["sensor"])
    told = plots["sensor"].notna() & sensor.notna()
    other = plots[told & (sensor != plots["sensor"])]
    said = f"the plot's sensor is not its curve's: {_couples(other, 'sensor')}."
    yield from _found("sensor-differs", "plots", other.index, said)


def _couples(plots: pd.DataFrame, column: str) -> str:
    """Return which curve goes with which value."""
    couples = plots[["curve", column]].drop_duplicates()
    return listed([f"{c} on {v}" for c, v in couples.itertuples(index=False)], most=4)


def _offsets(plots, curves) -> Iterator[Finding]:
    """Yield offsets in force that hardly any plot has, or not the register's."""
    told = plots.dropna(subset=["offset_in_force", "curve"])
    loaded = curves.groupby("curve")["offset_loaded"].agg(lambda o: set(o.dropna()))
    times = told[["curve", "offset_in_force"]].value_counts().sort_index()
    share = times / times.groupby("curve").transform("sum")
    rare = [
        (curve, offset)
        for curve, offset in times.index[share < _RARE / 2]
        if offset not in loaded.get(curve, ())
    ]
    rows = [
        told.index[(told["curve"] == curve) & (told["offset_in_force"] == offset)]
        for curve, offset in rare
    ]
    said = "offset_in_force is one that hardly any plot of the curve has: "
    said += f"{listed([f'{curve} {offset:g}' for curve, offset in rare])}."
    yield from _found("offset-odd", "plots", sorted(chain(*rows)), said)
    for row in curves.dropna(subset=["curve", "offset_loaded"]).itertuples():
        seen = set(told.loc[told["curve"] == row.curve, "offset_in_force"])
        if seen and len(loaded[row.curve]) == 1 and row.offset_loaded not in seen:
            said = f"curve {row.curve}: an offset of {row.offset_loaded:g} is in the "
            said += f"register, but its plots were read with {listed(sorted(seen), 4)}."
            yield from _found("offset-odd", "curves", [row.Index], said)


def _built_late(plots, curves) -> Iterator[Finding]:
    """Yield curves whose first version was built after plots were harvested with it."""
    built = curves.groupby("curve")["built_on"].min().dt.normalize()
    # Not by map, which takes an empty register for one of numbers.
    of_plots = built.reindex(plots["curve"]).to_numpy()
    early = plots["harvested_at"].dt.normalize() < of_plots
    for curve, rows in plots[early].groupby("curve"):
        said = f"curve {curve} was built on {built[curve]:%Y-%m-%d}, but plots were "
        said += f"harvested with it from {rows['harvested_at'].min():%Y-%m-%d} on."
        yield from _found("built-late", "plots", rows.index, said)


def _places(plots) -> Iterator[Finding]:
    """Yield plots in another place than their trial, or in that of another plot."""
    trial = plots["trial"]
    size = plots.groupby("trial")["plot"].transform("size")
    for column in ("location", "chamber_config"):
        usual = plots.groupby(["trial", column])["plot"].transform("size")
        fewer = usual < usual.groupby(trial).transform("max")
        few = usual <= np.maximum(1, _RARE * size)
        odd = plots[fewer & few & (size > FEWEST)]
        said = f"{column} {listed(sorted(odd[column].unique()), 4)} is not that of the "
        said += "trial's other plots."
        yield from _found("plot-differs", "plots", odd.index, said)
        if column == "location":
            many = plots[~few & plots["location"].notna()].groupby("trial")["location"]
            yield from _two_sites(plots, many.unique())
    field = ["trial", "row", "range"]
    placed = plots.dropna(subset=field)
    same = placed.index[placed.duplicated(field, keep=False)]
    said = "plots have the row and range of another plot."
    yield from _found("position-twice", "plots", same, said)


def _two_sites(plots, locations: pd.Series) -> Iterator[Finding]:
    """Yield trials of which many plots stand at one site and many at another."""
    for trial, places in locations[locations.map(len) > 1].items():
        said = f"trial {trial} has plots at {listed(sorted(places))}; its entry means "
        said += "would mix the sites."
        rows = plots.index[plots["trial"] == trial]
        yield from _found("trial-two-sites", "plots", rows, said)


def _entries(plots, checks) -> Iterator[Finding]:
    """Yield entries with more plots than their design gives the others.

    Told only where nearly all of a trial's entries have the same number of plots, or
    stand once in a block: the few with more are checks, or misnamed.
    """
    plots = plots[~plots["entry"].isin(checks)]
    by_entry = plots.groupby(["trial", "entry"])["plot"].transform("size")
    by_block = plots.groupby(["trial", "block", "entry"])["plot"].transform("size")
    trial = plots["trial"]
    usual = trial.map(_most_common(by_entry, trial)).astype(float)
    nearly_all = (by_entry <= usual).groupby(trial).transform("mean") > 1 - 2 * _RARE
    once_more = nearly_all & (usual > 1) & (by_entry == usual + 1)
    twice = by_block > 1
    few = np.maximum(2, _RARE * twice.groupby(trial).transform("size"))
    twice &= twice.groupby(trial).transform("sum") <= few
    for name, group in plots[once_more | twice].groupby("trial"):
        said = f"trial {name}: more plots, in the trial or in a block, than the other "
        said += f"entries: {listed(sorted(group['entry'].unique()))}."
        yield from _found("entry-again", "plots", sorted(group.index), said)


def _most_common(values: pd.Series, group: pd.Series) -> pd.Series:
    """Return the most common value of each group, the least of several."""
    counts = pd.DataFrame({"group": group, "value": values}).value_counts()
    times = counts.reset_index()
    times = times.sort_values(["count", "value"], ascending=[False, True])
    return times.drop_duplicates("group").set_index("group")["value"]


def _plots_again(plots) -> Iterator[Finding]:
    """Yield plots named like another of their entry, with a mark of a second run."""
    marked = plots["plot"].str.extract(f"(?i:{_AGAIN})")[0]
    runs = plots.assign(first=marked)[marked.notna()]
    keys = pd.MultiIndex.from_frame(plots[["trial", "plot", "entry"]])
    both = pd.MultiIndex.from_frame(runs[["trial", "first", "entry"]]).isin(keys)
    names = [f"{r.trial} {r.plot}" for r in runs[both].itertuples()]
    said = f"plot {listed(names)} looks like a second run of the plot named alike; "
    said += "both are counted for the entry."
    yield from _found("plot-again", "plots", runs.index[both], said)


def _sample_labels(frames: Frames) -> Iterator[Finding]:
    """Yield samples that oven and benchtop place on different plots."""
    keys = ["sample", "trial", "plot"]
    mine, theirs = (frames[t][keys].drop_duplicates() for t in ("oven", "benchtop"))
    both = theirs.merge(mine, on="sample", suffixes=("", "_oven"))
    apart = (both["trial"] != both["trial_oven"]) | (both["plot"] != both["plot_oven"])
    names = sorted(both.loc[apart, "sample"].unique())
    said = f"sample {listed(names)} belongs to one plot in the oven table and to "
    said += "another in the benchtop table."
    for table in ("oven", "benchtop"):
        frame = frames[table]
        rows = frame.index[frame["sample"].isin(names)]
        yield from _found("sample-elsewhere", table, rows, said)


# ---- single values far from those beside them


def values_apart(frames: Frames) -> list[Finding]:
    """Return single values far from their group's.

    The limits are defaults of this kit, wide enough that honest harvest data rarely
    pass them (tests/calibration/ALARMS.md).
    """
    found = [*_plot_yields(frames["plots"]), *_readings(frames["plots"])]
    for table, column, by, factor in _BY_FACTOR:
        found += _beyond(frames[table], table, column, by, np.log, np.log(factor))
    for table, column, by, points in _BY_POINTS:
        found += _beyond(frames[table], table, column, by, np.asarray, points)
    return [*found, *_known_samples(frames)]


def _distance(values: pd.Series, groups) -> pd.Series:
    """Return how far each value lies from its group's median, in a group of many."""
    by_group = values.groupby(groups)
    many = by_group.transform("count") >= FEWEST
    return (values - by_group.transform("median")).where(many)


def _beyond(
    frame, table: str, column: str, by: str, scale: Callable, limit: float
) -> Iterator[Finding]:
    """Yield the cells of a column further from their group than the limit."""
    values = frame[column].astype(float)
    values = values.where(values > 0) if scale is np.log else values
    far = _distance(pd.Series(scale(values), values.index), frame[by])
    yield from _apart(frame.loc[far.abs() > limit, column], table, f"its {by}")


def _apart(values: pd.Series, table: str, where: str, name="") -> Iterator[Finding]:
    """Yield one finding for the values of a column that stand apart."""
    shown = listed([f"{value:g}" for value in values], most=5)
    said = f"{name or values.name} far from the others of {where}: {shown}."
    yield from _found("value-apart", table, values.index, said)


def _unlike(values: pd.Series, plots: pd.DataFrame, from_trial: float, spreads: float):
    """Return how far plots lie from their entry's others, where they stand out.

    A plot stands out if it is further from its trial's median than `from_trial`, and
    further from the other plots of its entry (from the trial, if the entry has fewer
    than three) than so many robust SDs of such distances in its trial: dry and
    flooded corners of real trials differ as much as many a slip.
    """
    trial = plots["trial"]
    away = _distance(values, trial)
    by_entry = values.groupby([trial, plots["entry"]])
    n = by_entry.transform("count")
    others = (by_entry.transform("sum") - values) / (n - 1)
    left = (values - others.where(n > 2)).fillna(away)
    spread = _ROBUST * left.abs().groupby(trial).transform("median")
    return left.abs().where((away.abs() > from_trial) & (left.abs() > spreads * spread))


def _plot_yields(plots: pd.DataFrame) -> Iterator[Finding]:
    """Yield plots whose mass per area is hardly possible beside the others."""
    grain = log_yield(plots)
    left = _unlike(grain, plots, np.log(1.5), threshold("plot_yield_spreads"))
    odd = np.exp(grain[left > np.log(threshold("plot_yield_factor"))]).round()
    yield from _apart(odd, "plots", "its trial and entry", "mass per area in kg/ha")


def _readings(plots: pd.DataFrame) -> Iterator[Finding]:
    """Yield readings far outside the spread of their trial and entry.

    A reading that several plots share is told of as that of a sensor that stuck.
    """
    reading = plots["sensor_pct"]
    left = _unlike(reading, plots, threshold("reading_apart"), 5)
    shared = reading.groupby([plots["trial"], reading]).transform("size") > 2
    yield from _apart(reading[(left > 3) & ~shared], "plots", "its trial and entry")


def _known_samples(frames: Frames) -> Iterator[Finding]:
    """Yield runs of known samples that read far from the curve's other runs."""
    for table in ("setup_runs", "check_runs"):
        runs = frames[table]
        error = (runs["sensor_pct"] - runs["known_pct"]).rename(
            "sensor_pct − known_pct"
        )
        far = _distance(error, runs["curve"]).abs()
        spread = _ROBUST * far.groupby(runs["curve"]).transform("median")
        odd = (far > 6 * spread) & (far > threshold("run_apart"))
        yield from _apart(error[odd].round(2), table, "its curve")
        own = runs.groupby("sample")["known_pct"].transform("median")
        odd = (runs["known_pct"] - own).abs() > threshold("run_apart")
        yield from _apart(runs.loc[odd, "known_pct"], table, "its sample")
