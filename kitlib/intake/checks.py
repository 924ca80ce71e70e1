"""Tables checked: names, cells and rows, and what contradicts the rest of a season.

Every problem is found and every row accounted for. Names are used as they are
written, and where two sides contradict each other both stay in: which is wrong cannot
be told here.
"""

import unicodedata
from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.intake.schema import (
    MOISTURES,
    SCHEMAS,
    TEXT,
    CheckedTable,
    by_value,
    found,
    needed_columns,
    needed_names,
)
from kitlib.intake.settings import Season, season_folder, toml_text
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
_PLACE, _FIELD = ["trial", "plot"], ["trial", "row", "range"]
# Tables whose rows have a key of their own, and what two rows with one key are.
_UNIQUE = {
    "plots": (_PLACE, "plot-twice"),
    "readings": ([*_PLACE, "curve"], "reading-twice"),
}
# A row may be the repeat of another unless one of these cells tells them apart.
_TOLD_APART = {
    "oven": ["wet_g", "dish"],
    "benchtop": ["reading"],
    "setup_runs": ["run_at", "run"],
    "check_runs": ["run_at", "run"],
}
# Columns that tell the repeats of one thing apart.
_REPEATS = {
    "oven": ["sample", "dish"],
    "benchtop": ["sample", "trial", "plot", "meter", "reading"],
    "curves": ["curve", "built_on"],
    "setup_runs": ["curve", "sample", "run"],
    "check_runs": ["curve", "sample", "run"],
}
# Plots without these are told of as plots whose yield is not known.
_TOLD_WITH_YIELDS = ("sensor_pct", "plot_mass_kg", "plot_area_m2")
_WEIGHTS = ["tare_g", "wet_g", "dry_g"]
_MANY = 10  # plots, from which on all alike is no chance
_RARE = 0.1  # empty cells in at most this share of a column are taken for slips
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
_AGAIN = r"(?i)^(.+?)[ _-]?(?:r|re-?run|rep(?:eat)?|again|dup|new|b|[ _-]2|\(2\))$"
# Table, column, group it is compared in, and how far it may be: °C, else a factor.
_MOST_APART = (
    ("plots", "test_weight_kg_hl", "trial", 1.2),
    ("benchtop", "test_weight_kg_hl", "trial", 1.2),
    ("setup_runs", "grain_mass_kg", "curve", 3.0),
    ("setup_runs", "lab_test_weight_kg_hl", "curve", 1.4),
    ("plots", "grain_temp_c", "trial", 25.0),
    ("benchtop", "grain_temp_c", "trial", 25.0),
    ("setup_runs", "grain_temp_c", "curve", 25.0),
    ("setup_runs", "air_temp_c", "curve", 25.0),
)
_ROBUST = 1.4826  # median of distances to SD, for values of normal distribution


def read_tables(folder: str | Path, season: Season) -> dict[str, CheckedTable]:
    """Return every table of a season folder, read and checked; a missing one is empty.

    A cell at fault is empty; a row without its keys, or one of two rows with one key,
    is in `left_out`. `SeasonRefused` is raised if a required table or column is not
    there or a file cannot be read; it names every such problem of every table.
    """
    folder = season_folder(folder)
    tables = typed_tables(folder, season)
    stops = [found for table in tables.values() for found in table.findings]
    refuse(str(folder), [f"{f} {f.remedy}" for f in stops if f.severity == STOP])
    for table in tables.values():
        _empty_impossible_cells(table, season.highest_moisture)
        for key in needed_names(table.name):
            empty = table.frame.index[table.frame[key].isna()]
            wrong = pd.Series("", index=empty, name=key)
            table.fault(wrong, "cell-empty", "a name or number")
        lacking = table.frame[list(needed_names(table.name))].isna().any(axis=1)
        table.leave_out(lacking, "cell-empty", "a key of the row is empty")
        _leave_out_doubled(table)
    return tables


def table_findings(tables: dict[str, CheckedTable], season: Season) -> list[Finding]:
    """Return what was found as tables were read, and what looks odd in them.

    Nothing is left out for looking odd, so no result waits for this.
    """
    frames = {name: table.frame for name, table in tables.items()}
    doubts = [found for name in tables for found in _odd_names(frames[name], name)]
    doubts += [*keys_alike(frames), *doubtful_units(tables)]
    doubts += [*_contradictions(frames, season.check_entries), *values_apart(frames)]
    return [
        found
        for name, table in tables.items()
        for found in [*table.findings, *(d for d in doubts if d.table == name)]
    ]


# ---- cells and rows


def _empty_impossible_cells(table: CheckedTable, highest: float) -> None:
    """Empty every cell beyond its range, or wetter than grain can be, and find it."""
    for name, column in SCHEMAS[table.name].items():
        values = table.frame[name]
        if np.isfinite(column.low):
            wrong = values[(values < column.low) | (values > column.high)]
            rule = f"{column.low:g} to {column.high:g} {column.unit}".strip()
            table.fault(wrong, "out-of-range", rule)
            table.frame.loc[wrong.index, name] = np.nan
    for name in (c for c in MOISTURES if c in table.frame):
        wrong = table.frame[name][table.frame[name] > highest]
        rule = f"at most {highest:g} % moisture (highest_moisture in season.toml)"
        table.fault(wrong, "out-of-range", rule)
        table.frame.loc[wrong.index, name] = np.nan


def _leave_out_doubled(table: CheckedTable) -> None:
    """Leave out rows that repeat another, and both of two that share one key.

    Only rows alike in their key, or in what a table must have, are looked at whole.
    """
    keys, code = _UNIQUE.get(table.name, (list(needed_columns(table.name)), ""))
    alike = table.frame[table.frame.duplicated(keys, keep=False)]
    exact = alike.drop(columns=["remark"], errors="ignore").duplicated()
    if table.name in _TOLD_APART:
        exact &= alike[_TOLD_APART[table.name]].notna().any(axis=1)
    rows = exact.index[exact]
    table.tell("row-twice", rows, n=counted(len(rows), "row"))
    reason = "the row is identical to an earlier one"
    table.leave_out(table.frame.index.isin(rows), "row-twice", reason)
    if not code:
        return
    if table.name == "plots":
        _leave_out_sites_mixed(table, keys)
    shared = table.frame.duplicated(keys, keep=False)
    for values, group in table.frame[shared].groupby(keys, sort=False):
        place = ", ".join(f"{k} {v}" for k, v in zip(keys, values, strict=True))
        table.tell(code, group.index, where=table.where(group.index), place=place)
        fault = (code, table.findings[-1].message)
        table.faults |= {int(row): fault for row in group.index}
    table.leave_out(shared, code, "two rows share one key")


def _leave_out_sites_mixed(table: CheckedTable, keys: list[str]) -> None:
    """Leave out plots that share a number because their sites share a trial's name."""
    frame = table.frame[table.frame.duplicated(keys, keep=False)]
    by_plot = frame.groupby(keys)["location"]
    apart = by_plot.transform("nunique") == by_plot.transform("size")
    for trial, rows in frame[apart].groupby("trial"):
        n = counted(rows["plot"].nunique(), "plot number")
        parts = {"n": n, "sites": listed(sorted(rows["location"].unique()))}
        table.tell("sites-share-plots", rows.index, trial=trial, **parts)
    which = table.frame.index.isin(frame.index[apart])
    reason = "another site of the same trial name has a plot of this number"
    table.leave_out(which, "sites-share-plots", reason)


# ---- names


def _odd_names(frame: pd.DataFrame, table: str) -> Iterator[Finding]:
    """Yield what looks odd in the text cells of one table."""
    for column in (c for c, kind in SCHEMAS[table].items() if kind.kind == TEXT):
        texts = frame[column].dropna()
        names = pd.Series(texts.unique(), dtype="str")
        if column == "remark" or names.empty:
            continue
        long = names.str.len() > LONGEST_CELL
        short = names.where(~long, "")
        unusual = short[~short.str.fullmatch(_USUAL)]
        unseen = unusual.index[[_invisible(text) for text in unusual]]
        odd: list[tuple] = [
            ("name-long", long, f"is longer than {LONGEST_CELL} letters"),
            ("name-odd", names.index.isin(unseen), "holds letters that cannot be seen"),
        ]
        for what, pattern in _MADE_BY_SPREADSHEET.items():
            if column in needed_columns(table):
                said = f"looks like {what} that a spreadsheet or program wrote"
                odd.append(("name-odd", short.str.fullmatch(pattern), said))
        if column == "entry":
            said = "is ranked as an entry but looks like a placeholder"
            odd.append(("entry-odd", short.str.fullmatch(_PLACEHOLDER), said))
        for key, which, looks in odd:
            rows, shown = texts.index[texts.isin(names[which])], _examples(names[which])
            yield from found(key, table, rows, column=column, names=shown, looks=looks)
    if "plot" in frame and len(frame):
        plots = frame[frame["plot"].str.fullmatch(r"\d+").fillna(False)]
        length = plots["plot"].str.len()
        padded = length.where(plots["plot"].str.startswith("0"))
        cut = plots[length < padded.groupby(plots["trial"]).transform("min")]
        yield from found("zeros-lost", table, cut.index, names=_examples(cut["plot"]))


def _examples(texts: pd.Series, exact: bool = False) -> str:
    """Return a few cells as Python writes them, letters unseen or all by number."""
    cut = [t if len(t) <= 40 else f"{t[:40]}…" for t in texts.unique()[:4]]
    return listed(
        [ascii(t) if exact or _invisible(t) else repr(t) for t in cut], most=3
    )


def _invisible(text: str) -> bool:
    """Whether a text holds control or format characters."""
    return any(unicodedata.category(letter) in ("Cc", "Cf") for letter in text)


def keys_alike(frames: Frames) -> list[Finding]:
    """Return names that differ by letter case, spaces, look-alikes or zeros only.

    The most frequent spelling is taken for the right one, the plots table's before
    another as frequent; the rows of every other are named.
    """
    alike: list[Finding] = []
    for column in (*_NAMES, *_IN_TRIALS):
        parts = [
            pd.DataFrame({"name": frame[column], "table": table}).assign(
                group=frame["trial"] if column in _IN_TRIALS else ""
            )
            for table, frame in frames.items()
            if column in frame
        ]
        alike += _spelt_twice(pd.concat(parts), column) if parts else []
    return alike


def _spelt_twice(cells: pd.DataFrame, column: str) -> Iterator[Finding]:
    """Yield names of one column that are spelt in two ways."""
    cells = cells.dropna(subset=["name"])
    names = cells[["group", "name"]].drop_duplicates()
    names = names.assign(plain=_plain_spellings(names["name"]))
    twice = names[names.duplicated(["group", "plain"], keep=False)]
    if twice.empty:
        return
    cells = cells.rename_axis("row").reset_index().merge(twice, on=["group", "name"])
    cells["times"] = cells.groupby(["group", "name"])["name"].transform("size")
    for _, spellings in cells.groupby(["group", "plain"], sort=True):
        usual = spellings["name"].iloc[int(spellings["times"].to_numpy().argmax())]
        for table, rows in spellings[spellings["name"] != usual].groupby("table"):
            parts = {"names": _examples(rows["name"], exact=True), "usual": usual[:40]}
            others = ", ".join(toml_text(name) for name in rows["name"].unique())
            parts["line"] = f"{toml_text(usual)} = [{others}]"
            at = rows["row"]
            yield from found("keys-alike", str(table), at, column=column, **parts)


def _plain_spellings(names: pd.Series) -> np.ndarray:
    """Return names by which different spellings of them meet."""
    cut = names.str.slice(0, LONGEST_CELL)
    cut = cut.str.replace(r"^(\d+)\.0+$", r"\1", regex=True)
    digits = cut.str.fullmatch("[0-9]+")
    plain = cut.str.lower().to_numpy(object)
    plain[digits] = cut[digits].str.lstrip("0").replace("", "0")
    # The slow way, letter by letter, only where there is need of it.
    others = ~cut.str.fullmatch(_USUAL) | cut.str.contains(" ", regex=False)
    plain[others] = [_plain(name) for name in cut[others]]
    return plain


def _plain(name: str) -> str:
    """Return a name by which different spellings of it meet, whatever its letters."""
    letters = unicodedata.normalize("NFKC", name).translate(_ALIKE)
    seen = (c for c in letters if not c.isspace() and not _invisible(c))
    text = "".join(seen).casefold()
    return text.lstrip("0") or "0" if text.isdecimal() else text


# ---- what contradicts itself within a table or between tables


def _contradictions(frames: Frames, checks: Sequence[str]) -> Iterator[Finding]:
    """Yield contradictions; `checks` may stand in a trial oftener than others."""
    plots, curves = frames["plots"], frames["curves"]
    yield from _missing_cells(frames)
    for table, columns in _REPEATS.items():
        named = frames[table].dropna(subset=columns)
        again = named.index[named.duplicated(columns, keep=False)]
        yield from found("row-again", table, again, columns=", ".join(columns))
    yield from _times_apart(frames)
    yield from _against_register(plots, curves)
    yield from _offsets(plots, curves)
    yield from _places(plots)
    yield from _entries(plots, checks)
    yield from _plots_again(plots)
    yield from _filled_down_or_copied(plots)
    yield from _sample_labels(frames)


def _missing_cells(frames: Frames) -> Iterator[Finding]:
    """Yield cells that are empty in a column that is otherwise filled in."""
    for table, frame in frames.items():
        skipped = {*needed_names(table), "remark", "parallel_of"}
        skipped |= set(_TOLD_WITH_YIELDS) if table == "plots" else set()
        for column in (c for c in SCHEMAS[table] if c not in skipped):
            empty = frame[column].isna()
            if column in _WEIGHTS:
                # A lab may give moistures or weights, but not some of a dish's.
                empty &= frame[_WEIGHTS].notna().any(axis=1)
            elif empty.mean() > _RARE:
                continue
            yield from found("cells-missing", table, frame.index[empty], column=column)


def _times_apart(frames: Frames) -> Iterator[Finding]:
    """Yield times that stand alone, far from any other of their group."""
    limit = threshold("days_apart")
    for table, column, by in _TIMES:
        frame = frames[table].dropna(subset=[column, by]).sort_values([by, column])
        days = (frame[column].astype("int64") / 86_400e6).groupby(frame[by])
        before, after = days.diff(), -days.diff(-1)
        alone = (before.fillna(np.inf) > limit) & (after.fillna(np.inf) > limit)
        rows = frame.index[alone & (days.transform("size") >= 3)].sort_values()
        shown = listed([f"{time:%Y-%m-%d}" for time in frame.loc[rows, column]], 5)
        parts = {"column": column, "times": shown, "limit": limit, "by": by}
        yield from found("time-alone", table, rows, **parts)
    plots = frames["plots"].drop_duplicates(_PLACE).set_index(_PLACE)["harvested_at"]
    for table, column in (("oven", "sampled_at"), ("benchtop", "read_at")):
        frame = frames[table]
        cut = plots.reindex(pd.MultiIndex.from_frame(frame[_PLACE])).to_numpy()
        away = (frame[column] - cut).abs() > pd.Timedelta(days=limit)
        rows = frame.index[away]
        yield from found("time-from-harvest", table, rows, column=column, limit=limit)


def _against_register(plots, curves) -> Iterator[Finding]:
    """Yield plots that name a curve of another crop or sensor, or an unknown one."""
    register = curves.dropna(subset=["curve"]).drop_duplicates("curve", keep="last")
    register = register.set_index("curve")
    known = plots["curve"].isin(register.index)
    names = listed(sorted(plots["curve"][~known].unique()))
    yield from found("curve-unknown", "plots", plots.index[~known], names=names)
    crop = plots["curve"].map(register["crop"].map(crop_key, na_action="ignore"))
    sensor = plots["curve"].map(register["sensor"])
    other_crop = known & (crop != by_value(plots["crop"], crop_key))
    both = plots["sensor"].notna() & sensor.notna()
    for column, code, differs in (
        ("crop", "crop-differs", other_crop),
        ("sensor", "sensor-differs", both & (sensor != plots["sensor"])),
    ):
        couples = plots.loc[differs, ["curve", column]].drop_duplicates()
        told = [f"{curve} on {v}" for curve, v in couples.itertuples(index=False)]
        rows = plots.index[differs]
        yield from found(code, "plots", rows, couples=listed(told, 4))


def _offsets(plots, curves) -> Iterator[Finding]:
    """Yield offsets in force that hardly any plot has, or not the register's.

    Also curves whose first version was built after plots were harvested with it.
    """
    told = plots.dropna(subset=["offset_in_force", "curve"])
    loaded = curves.groupby("curve")["offset_loaded"].agg(lambda o: set(o.dropna()))
    times = told[["curve", "offset_in_force"]].value_counts().sort_index()
    share = times / times.groupby("curve").transform("sum")
    odd = [key for key in times.index[share < _RARE / 2]]
    odd = [
        (curve, offset) for curve, offset in odd if offset not in loaded.get(curve, ())
    ]
    keys = pd.MultiIndex.from_frame(told[["curve", "offset_in_force"]])
    shown = listed([f"{curve} {offset:g}" for curve, offset in odd])
    rows = sorted(told.index[keys.isin(odd)]) if odd else ()
    yield from found("offset-rare", "plots", rows, offsets=shown)
    for row in curves.dropna(subset=["curve", "offset_loaded"]).itertuples():
        seen = set(told.loc[told["curve"] == row.curve, "offset_in_force"])
        if seen and len(loaded[row.curve]) == 1 and row.offset_loaded not in seen:
            parts = {"offset": row.offset_loaded, "seen": listed(sorted(seen), 4)}
            key, at = "offset-not-read-with", [row.Index]
            yield from found(key, "curves", at, name=row.curve, **parts)
    built = curves.groupby("curve")["built_on"].min().dt.normalize()
    # Not by map, which takes an empty register for one of numbers.
    of_plots = built.reindex(plots["curve"]).to_numpy()
    early = plots["harvested_at"].dt.normalize() < of_plots
    for curve, rows in plots[early].groupby("curve"):
        parts = {"built": built[curve], "first": rows["harvested_at"].min()}
        yield from found("built-late", "plots", rows.index, name=curve, **parts)


def _places(plots) -> Iterator[Finding]:
    """Yield plots in another place than their trial, or in that of another plot."""
    trial = plots["trial"]
    size = plots.groupby("trial")["plot"].transform("size")
    for column in ("location", "chamber_config"):
        usual = plots.groupby(["trial", column])["plot"].transform("size")
        fewer = usual < usual.groupby(trial).transform("max")
        few = usual <= np.maximum(1, _RARE * size)
        odd = plots[fewer & few & (size > FEWEST)]
        parts = {"column": column, "names": listed(sorted(odd[column].unique()), 4)}
        yield from found("plot-differs", "plots", odd.index, **parts)
        many = plots[~few & (column == "location")].dropna(subset=[column])
        sites = many.groupby("trial")[column].unique()
        for name, places in sites[sites.map(len) > 1].items():
            rows, parts = plots.index[trial == name], {"sites": listed(sorted(places))}
            yield from found("trial-two-sites", "plots", rows, trial=name, **parts)
    placed = plots.dropna(subset=_FIELD)
    same = placed.index[placed.duplicated(_FIELD, keep=False)]
    yield from found("position-twice", "plots", same)


def _entries(plots, checks) -> Iterator[Finding]:
    """Yield entries with more plots than their design gives the others.

    Told only where nearly all of a trial's entries have the same number of plots, or
    stand once in a block: the few with more are checks, or misnamed.
    """
    plots = plots[~plots["entry"].isin(checks)]
    if plots.empty:
        return
    by_entry = plots.groupby(["trial", "entry"])["plot"].transform("size")
    by_block = plots.groupby(["trial", "block", "entry"])["plot"].transform("size")
    trial = plots["trial"]
    # The most common number of plots of each trial's entries, the least of several.
    counts = pd.DataFrame({"trial": trial, "n": by_entry}).value_counts().reset_index()
    counts = counts.sort_values(["count", "n"], ascending=[False, True])
    usual = trial.map(counts.drop_duplicates("trial").set_index("trial")["n"])
    nearly_all = (by_entry <= usual).groupby(trial).transform("mean") > 1 - 2 * _RARE
    once_more = nearly_all & (usual > 1) & (by_entry == usual + 1)
    twice = by_block > 1
    few = np.maximum(2, _RARE * twice.groupby(trial).transform("size"))
    twice &= twice.groupby(trial).transform("sum") <= few
    for name, group in plots[once_more | twice].groupby("trial"):
        rows, entries = sorted(group.index), listed(sorted(group["entry"].unique()))
        yield from found("entry-again", "plots", rows, trial=name, entries=entries)


def _filled_down_or_copied(plots) -> Iterator[Finding]:
    """Yield one entry in all plots of a season, and trials that are copies."""
    if len(plots) >= _MANY and plots["entry"].nunique() == 1:
        yield from found("entry-everywhere", "plots", plots.index, n=len(plots))
    # By chance few plots in a thousand agree in both with one of another trial.
    told = plots.dropna(subset=["sensor_pct", "plot_mass_kg"])
    again = told.duplicated(["plot", "sensor_pct", "plot_mass_kg"], keep=False)
    by_trial = again.groupby(told["trial"]).agg(["mean", "sum"])
    many = (by_trial["mean"] > 0.5) & (by_trial["sum"] >= _MANY / 2)
    copies = by_trial.index[many]
    rows = told.index[again & told["trial"].isin(copies)]
    yield from found("trial-twice", "plots", rows, trials=listed(list(copies)))


def _plots_again(plots) -> Iterator[Finding]:
    """Yield plots named like another of their entry, with a mark of a second run."""
    # Matched a column at a time; only what matches is taken apart name by name.
    runs = plots[plots["plot"].str.match(_AGAIN).fillna(False).astype(bool)]
    runs = runs.assign(first=runs["plot"].str.extract(_AGAIN)[0])
    keys = pd.MultiIndex.from_frame(plots[["trial", "plot", "entry"]])
    both = runs[pd.MultiIndex.from_frame(runs[["trial", "first", "entry"]]).isin(keys)]
    names = listed(list(both["trial"] + " " + both["plot"]))
    yield from found("plot-again", "plots", both.index, names=names)


def _sample_labels(frames: Frames) -> Iterator[Finding]:
    """Yield samples that oven and benchtop place on different plots."""
    keys = ["sample", *_PLACE]
    mine, theirs = (frames[t][keys].drop_duplicates() for t in ("oven", "benchtop"))
    both = theirs.merge(mine, on="sample", suffixes=("", "_oven"))
    apart = (both["trial"] != both["trial_oven"]) | (both["plot"] != both["plot_oven"])
    names = sorted(both.loc[apart, "sample"].unique())
    for table in ("oven", "benchtop"):
        rows = frames[table].index[frames[table]["sample"].isin(names)]
        yield from found("sample-elsewhere", table, rows, names=listed(names))


# ---- single values far from those beside them


def values_apart(frames: Frames) -> Iterator[Finding]:
    """Yield single values far from their group's.

    The limits are defaults of this kit, wide enough that honest harvest data rarely
    pass them (tests/calibration/ALARMS.md).
    """
    plots, name = frames["plots"], "mass per area in kg/ha"
    yield from _apart(odd_yields(plots), "plots", "its trial and entry", name)
    yield from _apart(odd_readings(plots), "plots", "its trial and entry")
    for table, column, by, most in _MOST_APART:
        values = scaled = frames[table][column].astype(float)
        if not column.endswith("_c"):
            scaled, most = pd.Series(np.log(values.where(values > 0))), np.log(most)
        far = _distance(scaled, frames[table][by]).abs() > most
        yield from _apart(values[far], table, f"its {by}")
    for table in ("setup_runs", "check_runs"):
        runs, limit = frames[table], threshold("run_apart")
        known, error = runs["known_pct"], runs["sensor_pct"] - runs["known_pct"]
        far = _distance(error, runs["curve"]).abs()
        spread = _ROBUST * far.groupby(runs["curve"]).transform("median")
        odd = error[(far > 6 * spread) & (far > limit)].round(2)
        yield from _apart(odd, table, "its curve", "sensor_pct − known_pct")
        own = known.groupby(runs["sample"]).transform("median")
        yield from _apart(known[(known - own).abs() > limit], table, "its sample")


def _distance(values: pd.Series, groups) -> pd.Series:
    """Return how far each value lies from its group's median, in a group of many."""
    by_group = values.groupby(groups)
    many = by_group.transform("count") >= FEWEST
    return (values - by_group.transform("median")).where(many)


def _apart(values: pd.Series, table: str, where: str, name="") -> list[Finding]:
    """Return one finding for the values of a column that stand apart."""
    shown = listed([f"{value:g}" for value in values], most=5)
    parts = {"name": name or values.name, "where": where, "shown": shown}
    return found("value-apart", table, values.index, **parts)


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


def odd_yields(plots: pd.DataFrame) -> pd.Series:
    """Return plots whose mass per area is hardly possible beside the others. [kg/ha]"""
    grain = log_yield(plots)
    left = _unlike(grain, plots, np.log(1.5), threshold("plot_yield_spreads"))
    return np.exp(grain[left > np.log(threshold("plot_yield_factor"))]).round()


def odd_readings(plots: pd.DataFrame) -> pd.Series:
    """Return readings far outside the spread of their trial and entry. [%]

    A reading that several plots share is told of as that of a sensor that stuck.
    """
    reading = plots["sensor_pct"]
    left = _unlike(reading, plots, threshold("reading_apart"), 5)
    shared = reading.groupby([plots["trial"], reading]).transform("size") > 2
    return reading[(left > 3) & ~shared]
