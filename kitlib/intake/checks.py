"""Tables checked: names, cells and rows, and what contradicts the rest of a season.

Every problem is found and every row accounted for. Names are used as they are
written, and where two sides contradict each other both stay in: which is wrong cannot
be told here.
"""

import unicodedata
from collections.abc import Iterator, Sequence
from itertools import combinations
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.intake.schema import (
    MOISTURES,
    NAMES,
    PLACE,
    SCHEMAS,
    TEXT,
    TIME,
    CheckedTable,
    by_value,
    found,
    needed_columns,
)
from kitlib.intake.settings import Season, season_folder, toml_text
from kitlib.intake.supplied import odd_offsets
from kitlib.intake.tables import typed_tables
from kitlib.intake.units import FEWEST, Frames, doubtful_units, values_apart
from kitlib.words.findings import STOP, Finding, refuse
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, crop_key, listed

# A name longer than this is more likely two cells run together. [letters]
LONGEST_CELL = 200
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
# Letters of other alphabets and marks that look like one of ours: own list.
_ALIKE = str.maketrans(
    "\u0410\u0412\u0415\u041a\u041c\u041d\u041e\u0420\u0421\u0422\u0425\u0405\u0406"
    "\u0430\u0435\u043e\u0440\u0441\u0443\u0445\u0455\u0456\u0391\u0392\u0395\u039a"
    "\u039c\u039d\u039f\u03a1\u03a4\u03a7\u2010\u2011\u2012\u2013\u2014\u2212",
    "ABEKMHOPCTXSI" + "aeopcyxsi" + "ABEKMNOPTX" + "------",
)
# Tables whose rows have a key of their own, and what two rows with one key are.
_UNIQUE = {
    "plots": (PLACE, "plot-twice"),
    "readings": ([*PLACE, "curve"], "reading-twice"),
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
    "benchtop": ["sample", *PLACE, "meter", "reading"],
    "curves": ["curve", "built_on"],
    "setup_runs": ["curve", "sample", "run"],
    "check_runs": ["curve", "sample", "run"],
}
# Cells that may be empty, besides those a table must have; of plots, those without
# which a yield is not known are told of where it is wanted.
_MAY_LACK = {"remark", "parallel_of", "sample"}
_OF_YIELDS = {"sensor_pct", "plot_mass_kg", "plot_area_m2"}
_WEIGHTS = ["tare_g", "wet_g", "dry_g"]
_MANY = 10  # plots, from which on all alike is no chance
_RARE = 0.1  # empty cells in at most this share of a column are taken for slips
# What a plot harvested again is called: the first one's name and one of these.
_AGAIN = r"(?i)^(.+?)[ _-]?(?:r|re-?run|rep(?:eat)?|again|dup|new|b|[ _-]2|\(2\))$"


def read_tables(folder: str | Path, season: Season) -> dict[str, CheckedTable]:
    """Return every table of a season folder, read and checked; a missing one is empty.

    A cell at fault is empty; a row without its keys, or one of two rows with one key,
    is in `left_out`. `SeasonRefused` is raised if a required table or column is not
    there or a file cannot be read; it names every such problem of every table.
    """
    folder = season_folder(folder)
    tables = typed_tables(folder, season)
    told = [found for table in tables.values() for found in table.findings]
    if stops := [f"{f} {f.remedy}" for f in told if f.severity == STOP]:
        refuse(str(folder), stops)
    for table in tables.values():
        _empty_impossible_cells(table, season.highest_moisture)
        keys = list(needed_columns(table.name, (TEXT,)))
        for key in keys:
            empty = table.frame.loc[table.frame[key].isna(), key]
            table.fault(empty.fillna(""), "cell-empty", "a name or number")
        lacking = table.frame[keys].isna().any(axis=1)
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
    judges = [_missing_cells, _rows_again, _times_apart, _against_register, odd_offsets]
    judges += [_places, lambda frames: _entries(frames["plots"], season.check_entries)]
    judges += [_copies, _sample_labels, values_apart]
    doubts += [found for judge in judges for found in judge(frames)]
    own = {name: [d for d in doubts if d.table == name] for name in tables}
    return [f for name in tables for f in [*tables[name].findings, *own[name]]]


def _empty_impossible_cells(table: CheckedTable, highest: float) -> None:
    """Empty every cell beyond its range, or wetter than grain can be, and find it."""
    ranges = [
        (name, rule.low, rule.high, f"{rule.low:g} to {rule.high:g} {rule.unit}")
        for name, rule in SCHEMAS[table.name].items()
    ]
    said = f"at most {highest:g} % moisture (highest_moisture in season.toml)"
    ranges += [(name, -np.inf, highest, said) for name in MOISTURES]
    for name, low, high, rule in ranges:
        if name in table.frame and high == high:  # not nan: there is a range
            values = table.frame[name]
            wrong = values[(values < low) | (values > high)]
            table.fault(wrong, "out-of-range", rule.strip())
            table.frame.loc[wrong.index, name] = np.nan


def _leave_out_doubled(table: CheckedTable) -> None:
    """Leave out rows that repeat another, and both of two that share one key."""
    # Only rows alike in their key, or in what a table must have, are looked at whole.
    keys, code = _UNIQUE.get(table.name, (list(needed_columns(table.name)), ""))
    alike = table.frame[table.frame.duplicated(keys, keep=False)]
    exact = alike.drop(columns=["remark"], errors="ignore").duplicated()
    if table.name in _TOLD_APART:
        exact &= alike[_TOLD_APART[table.name]].notna().any(axis=1)
    rows, reason = exact.index[exact], "the row is identical to an earlier one"
    table.tell("row-twice", rows, n=counted(len(rows), "row"))
    table.leave_out(table.frame.index.isin(rows), "row-twice", reason)
    if not code:
        return
    if table.name == "plots":
        _leave_out_sites_mixed(table)
    shared = table.frame.duplicated(keys, keep=False)
    for values, group in table.frame[shared].groupby(keys, sort=False):
        place = ", ".join(f"{k} {v}" for k, v in zip(keys, values, strict=True))
        table.tell(code, group.index, where=table.where(group.index), place=place)
        fault = (code, table.findings[-1].message)
        table.faults |= {int(row): fault for row in group.index}
    table.leave_out(shared, code, "two rows share one key")


def _leave_out_sites_mixed(table: CheckedTable) -> None:
    """Leave out plots that share a number because their sites share a trial's name."""
    frame = table.frame[table.frame.duplicated(PLACE, keep=False)]
    by_plot = frame.groupby(PLACE)["location"]
    apart = by_plot.transform("nunique") == by_plot.transform("size")
    for trial, rows in frame[apart].groupby("trial"):
        n = counted(rows["plot"].nunique(), "plot number")
        parts = {"n": n, "sites": listed(sorted(rows["location"].unique()))}
        table.tell("sites-share-plots", rows.index, trial=trial, **parts)
    which = table.frame.index.isin(frame.index[apart])
    reason = "another site of the same trial name has a plot of this number"
    table.leave_out(which, "sites-share-plots", reason)


def _odd_names(frame: pd.DataFrame, table: str) -> Iterator[Finding]:
    """Yield what looks odd in the text cells of one table."""
    for column in (c for c, kind in SCHEMAS[table].items() if kind.kind == TEXT):
        texts = frame[column].dropna()
        names = pd.Series(texts.unique(), dtype="str")
        if column == "remark" or names.empty:
            continue
        long = names.str.len() > LONGEST_CELL
        short = names.where(~long, "")
        unseen = by_value(short.mask(short.str.fullmatch("[ -~]*"), ""), _invisible)
        odd: list[tuple] = [
            ("name-long", long, f"is longer than {LONGEST_CELL} letters"),
            ("name-odd", unseen, "holds letters that cannot be seen"),
        ]
        for what, pattern in _MADE_BY_SPREADSHEET.items():
            if column in needed_columns(table):
                said = f"looks like {what} that a spreadsheet or program wrote"
                odd.append(("name-odd", short.str.fullmatch(pattern), said))
        if column == "entry":
            said = "is ranked as an entry but looks like a placeholder"
            odd.append(("entry-odd", short.str.fullmatch(_PLACEHOLDER), said))
        for key, which, looks in (told for told in odd if told[1].any()):
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
    shown = [ascii(t) if exact or _invisible(t) else repr(t) for t in cut]
    return listed(shown, most=3)


def _invisible(text: str) -> bool:
    """Whether a text holds control or format characters."""
    return any(unicodedata.category(letter) in ("Cc", "Cf") for letter in text)


def keys_alike(frames: Frames) -> list[Finding]:
    """Return names that differ by letter case, spaces, look-alikes or zeros only.

    The rows of each spelling but the most frequent are named.
    """
    alike: list[Finding] = []
    of_season = [name for name in NAMES if name != "plot"]
    for column in (*of_season, "selection_reason", "plot", "block"):
        holding = {table: frame for table, frame in frames.items() if column in frame}
        names = [frame[column].dropna() for frame in holding.values()]
        if not names or _plain(pd.concat(names).drop_duplicates()).is_unique:
            continue  # as in most seasons; quickly seen
        parts = [
            # Plots and blocks are counted anew in every trial.
            pd.DataFrame({"name": frame[column], "table": table}).assign(
                group=frame["trial"] if column in ("plot", "block") else ""
            )
            for table, frame in holding.items()
        ]
        alike += _spelt_twice(pd.concat(parts), column)
    return alike


def _spelt_twice(cells: pd.DataFrame, column: str) -> Iterator[Finding]:
    """Yield names of one column that are spelt in two ways."""
    cells = cells.dropna(subset=["name"])
    names = cells[["group", "name"]].drop_duplicates()
    names = names.assign(plain=_plain(names["name"]))
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
            parts |= {"column": column, "line": f"{toml_text(usual)} = [{others}]"}
            yield from found("keys-alike", str(table), rows["row"], **parts)


def _plain(names: pd.Series) -> pd.Series:
    """Return names by which different spellings meet, whatever their letters."""
    text = names.str.slice(0, LONGEST_CELL)
    odd = ~text.str.fullmatch("[!-~]*")  # letter by letter only where there is need
    letters = (unicodedata.normalize("NFKC", t).translate(_ALIKE) for t in text[odd])
    bare = ("".join(t.split()) for t in letters)
    text[odd] = ["".join(c for c in t if not _invisible(c)) for t in bare]
    text = text.str.replace(r"^(\d+)\.0+$", r"\1", regex=True).str.casefold()
    return text.str.replace(r"^0+(\d+)$", r"\1", regex=True)


def _missing_cells(frames: Frames) -> Iterator[Finding]:
    """Yield cells that are empty in a column that is otherwise filled in."""
    for table, frame in frames.items():
        told = {*needed_columns(table, (TEXT,)), *_MAY_LACK}
        told |= _OF_YIELDS if table == "plots" else set()
        for column in (c for c in SCHEMAS[table] if c not in told):
            empty = frame[column].isna()
            if column in _WEIGHTS:
                # A lab may give moistures or weights, but not some of a dish's.
                empty &= frame[_WEIGHTS].notna().any(axis=1)
            elif empty.mean() > _RARE:
                continue
            yield from found("cells-missing", table, frame.index[empty], column=column)


def _rows_again(frames: Frames) -> Iterator[Finding]:
    """Yield rows that share what should tell the repeats of one thing apart."""
    for table, columns in _REPEATS.items():
        named = frames[table].dropna(subset=columns)
        again = named.index[named.duplicated(columns, keep=False)]
        yield from found("row-again", table, again, columns=", ".join(columns))


def _times_apart(frames: Frames) -> Iterator[Finding]:
    """Yield times that stand alone, far from any other of their group."""
    limit = threshold("days_apart")
    rules = [(t, c, rule) for t, of in SCHEMAS.items() for c, rule in of.items()]
    for table, column, rule in rules:
        if rule.kind != TIME or not (by := rule.near):
            continue
        frame = frames[table][[by, column]].dropna().sort_values([by, column])
        days = (frame[column].astype("int64") / 86_400e6).groupby(frame[by])
        before, after = days.diff(), -days.diff(-1)
        alone = (before.fillna(np.inf) > limit) & (after.fillna(np.inf) > limit)
        rows = frame.index[alone & (days.transform("size") >= 3)].sort_values()
        shown = listed([f"{time:%Y-%m-%d}" for time in frame.loc[rows, column]], 5)
        parts = {"column": column, "times": shown, "limit": limit, "by": by}
        yield from found("time-alone", table, rows, **parts)
    plots = frames["plots"].drop_duplicates(PLACE).set_index(PLACE)["harvested_at"]
    for table, column in (("oven", "sampled_at"), ("benchtop", "read_at")):
        frame = frames[table]
        cut = plots.reindex(pd.MultiIndex.from_frame(frame[PLACE])).to_numpy()
        away = (frame[column] - cut).abs() > pd.Timedelta(days=limit)
        rows = frame.index[away]
        yield from found("time-from-harvest", table, rows, column=column, limit=limit)


def _against_register(frames: Frames) -> Iterator[Finding]:
    """Yield plots that name a curve of another crop or sensor, or an unknown one."""
    plots, curves = frames["plots"], frames["curves"]
    register = curves.dropna(subset=["curve"]).drop_duplicates("curve", keep="last")
    register = register.set_index("curve")
    known = plots["curve"].isin(register.index)
    names = listed(sorted(plots["curve"][~known].unique()))
    yield from found("curve-unknown", "plots", plots.index[~known], names=names)
    crop = plots["curve"].map(register["crop"].map(crop_key, na_action="ignore"))
    sensor = plots["curve"].map(register["sensor"])
    other_crop = known & (crop != by_value(plots["crop"], crop_key))
    both = plots["sensor"].notna() & sensor.notna()
    other_sensor = both & (sensor != plots["sensor"])
    for column, differs in (("crop", other_crop), ("sensor", other_sensor)):
        couples = plots.loc[differs, ["curve", column]].drop_duplicates()
        told = [f"{curve} on {v}" for curve, v in couples.itertuples(index=False)]
        rows, key = plots.index[differs], f"{column}-differs"
        yield from found(key, "plots", rows, couples=listed(told, 4))


def _places(frames: Frames) -> Iterator[Finding]:
    """Yield plots in another place than their trial, or in that of another plot."""
    # Every check takes the columns that it reads: a copy of all of a million plots
    # is a third of the memory that the audit holds.
    plots = frames["plots"][[*PLACE, "location", "chamber_config", "row", "range"]]
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
    placed = plots.dropna(subset=["row", "range"])
    same = placed.duplicated(["trial", "row", "range"], keep=False)
    yield from found("position-twice", "plots", placed.index[same])


def _entries(plots: pd.DataFrame, checks: Sequence[str]) -> Iterator[Finding]:
    """Yield entries with more plots than the others, `checks` apart.

    Told only where nearly all of a trial's have the same number, or stand once a block.
    """
    plots = plots.loc[~plots["entry"].isin(checks), [*PLACE, "block", "entry"]]
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


def _copies(frames: Frames) -> Iterator[Finding]:
    """Yield second runs of a plot, one entry in all plots, trials that are copies."""
    plots = frames["plots"]
    # Matched a column at a time; only what matches is taken apart name by name.
    runs = plots[plots["plot"].str.match(_AGAIN).fillna(False).astype(bool)]
    runs = runs.assign(first=runs["plot"].str.extract(_AGAIN)[0])
    keys = pd.MultiIndex.from_frame(plots[["trial", "plot", "entry"]])
    both = runs[pd.MultiIndex.from_frame(runs[["trial", "first", "entry"]]).isin(keys)]
    names = listed(list(both["trial"] + " " + both["plot"]))
    yield from found("plot-again", "plots", both.index, names=names)
    if len(plots) >= _MANY and plots["entry"].nunique() == 1:
        yield from found("entry-everywhere", "plots", plots.index, n=len(plots))
    # By chance few plots in a thousand agree in both with one of another trial.
    measured = ["sensor_pct", "plot_mass_kg"]
    told = plots[[*PLACE, *measured]].dropna(subset=measured)
    again = told.duplicated(["plot", *measured], keep=False)
    by_trial = again.groupby(told["trial"]).agg(["mean", "sum"])
    many = by_trial[(by_trial["mean"] > 0.5) & (by_trial["sum"] >= _MANY / 2)].index
    rows = told.index[again & told["trial"].isin(many)]
    yield from found("trial-twice", "plots", rows, trials=listed(list(many)))


def _sample_labels(frames: Frames) -> Iterator[Finding]:
    """Yield samples that two tables place on different plots."""
    keys = ["sample", *PLACE]
    for pair in combinations(("plots", "oven", "benchtop"), 2):
        one, other = (frames[table][keys].dropna().drop_duplicates() for table in pair)
        both = one.merge(other, on="sample", suffixes=("", "_2"))
        apart = (both["trial"] != both["trial_2"]) | (both["plot"] != both["plot_2"])
        names = sorted(both.loc[apart, "sample"].unique())
        parts = {"one": pair[0], "other": pair[1], "names": listed(names)}
        for table in pair:
            rows = frames[table].index[frames[table]["sample"].isin(names)]
            yield from found("sample-elsewhere", table, rows, **parts)
