"""Rows and values that contradict the rest of their table or another table.

Each is named with its rows and stays in: which side is wrong cannot be told here.
"""

from collections.abc import Callable, Iterator, Sequence
from itertools import chain

import numpy as np
import pandas as pd

from kitlib.intake.cells import by_value
from kitlib.intake.schema import TEXT, column_kinds, needed_columns
from kitlib.intake.units import FEWEST, Frames, log_yield
from kitlib.words.findings import Finding
from kitlib.words.limits import threshold
from kitlib.words.terms import crop_key, listed

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
