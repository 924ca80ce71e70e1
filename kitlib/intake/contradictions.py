"""Values that stand far from those beside them: another unit, a lost decimal point.

A value is only pointed at; it stays in. The limits are our own choice, wide enough
that honest harvest data rarely pass them.

Rows that contradict the rest of their table or another table.

Each is named with its rows and stays in: which side is wrong cannot be told here.
"""

from collections.abc import Iterator, Sequence
from itertools import chain

import numpy as np
import pandas as pd

from kitlib.intake.cells import by_value
from kitlib.intake.schema import column_kinds, needed_columns
from kitlib.words.findings import Finding
from kitlib.words.limits import plausible_yield, threshold
from kitlib.words.terms import counted, crop_key, listed

_FEWEST = 5  # values a group needs to judge one of them
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
_WARMEST, _COLDEST = 45.0, -5.0  # a median beyond is more likely another unit [°C]


def values_apart(frames: dict[str, pd.DataFrame]) -> list[Finding]:
    """Return single values far from their group's, and groups of another unit."""
    found = list(_yields(frames["plots"]))
    for table, column, by, factor in _BY_FACTOR:
        found += _beyond(frames[table], table, column, by, np.log, np.log(factor))
    for table, column, by, points in _BY_POINTS:
        found += _beyond(frames[table], table, column, by, np.asarray, points)
        found += _temperatures(frames[table][column], table, column)
    found += _readings(frames["plots"])
    found += _known_samples(frames)
    return found + list(_test_weights(frames))


def _distance(values: pd.Series, groups) -> pd.Series:
    """Return how far each value lies from its group's median, in a group of many."""
    by_group = values.groupby(groups)
    many = by_group.transform("count") >= _FEWEST
    return (values - by_group.transform("median")).where(many)


def _beyond(frame, table, column, by, scale, limit) -> list[Finding]:
    """Return the cells of a column further from their group than the limit."""
    values = (
        frame[column].where(frame[column] > 0) if scale is np.log else frame[column]
    )
    far = _distance(pd.Series(scale(values.astype(float)), values.index), frame[by])
    where = f"the others of its {by}"
    return _apart(frame.loc[far.abs() > limit, column], table, column, where)


def _apart(values: pd.Series, table, column, where: str) -> list[Finding]:
    """Return one finding for the values of a column that stand apart."""
    if values.empty:
        return []
    rows = tuple(map(int, values.index))
    shown = listed([f"{value:g} (row {row})" for row, value in values.items()], most=5)
    said = f"{column} {shown} lies far from {where}; check unit and decimal point."
    return [Finding(code="value-apart", table=table, rows=rows, message=said)]


def _yields(plots: pd.DataFrame) -> Iterator[Finding]:
    """Yield plots, trials and crops whose mass per area is hardly possible."""
    mass, area = plots["plot_mass_kg"], plots["plot_area_m2"]
    grain = np.log((mass / area).where((mass > 0) & (area > 0)) * 1e4)
    far = _distance(grain, plots["trial"])
    which = far.abs() > np.log(threshold("plot_yield_factor"))
    shown = np.exp(grain[which]).round()
    yield from _apart(shown, "plots", "mass per area in kg/ha", "its trial's others")
    crop = by_value(plots["crop"], crop_key)
    trials = pd.DataFrame({"trial": plots["trial"], "crop": crop, "grain": grain})
    medians = trials.groupby(["crop", "trial"])["grain"].median()
    for (name, trial), median in medians.items():
        others = medians[name].drop(trial)
        low, high = plausible_yield(name)
        amount, said = np.exp(median), ""
        if not low <= amount <= high:
            said = f"expected for {name} are {low:g} to {high:g}"
        elif abs(median - others.median()) > np.log(threshold("trial_yield_factor")):
            said = f"the crop's other trials {np.exp(others.median()):.0f}"
        if said:
            said = (
                f"trial {trial} harvested {amount:.0f} kg/ha (median); {said}. Check "
            )
            said += "the units of mass and area."
            own = plots.index[(plots["trial"] == trial) & (crop == name)]
            rows = tuple(map(int, own))
            yield Finding(code="unit-doubtful", table="plots", rows=rows, message=said)
    yield from _same_mass(plots)


def _same_mass(plots: pd.DataFrame) -> Iterator[Finding]:
    """Yield trials whose plots all weigh the same."""
    by_trial = plots.groupby("trial")["plot_mass_kg"]
    same = (by_trial.nunique() == 1) & (by_trial.count() >= _FEWEST)
    for trial in same.index[same]:
        rows = tuple(map(int, plots.index[plots["trial"] == trial]))
        said = f"all plots of trial {trial} weigh the same; is plot_mass_kg another "
        said += "column, such as the area?"
        yield Finding(code="unit-doubtful", table="plots", rows=rows, message=said)


def _temperatures(values: pd.Series, table: str, column: str) -> list[Finding]:
    """Return whether a table's temperatures look like degrees of another scale."""
    median = values.median()
    if not (median > _WARMEST or median < _COLDEST):
        return []
    said = f"{column} has a median of {median:.0f} °C; check [units] temperature in "
    said += "season.toml."
    rows = tuple(map(int, values.dropna().index))
    return [Finding(code="unit-doubtful", table=table, rows=rows, message=said)]


def _readings(plots: pd.DataFrame) -> list[Finding]:
    """Return readings far outside the spread of their trial."""
    far = _distance(plots["sensor_pct"], plots["trial"]).abs()
    spread = 1.4826 * far.groupby(plots["trial"]).transform("median")
    which = (far > 8 * spread) & (far > threshold("reading_apart"))
    values = plots.loc[which, "sensor_pct"]
    return _apart(values, "plots", "sensor_pct", "the others of its trial")


def _known_samples(frames) -> list[Finding]:
    """Return runs of known samples that read far from the curve's other runs."""
    found = []
    for table in ("setup_runs", "check_runs"):
        runs = frames[table]
        far = _distance(runs["sensor_pct"] - runs["known_pct"], runs["curve"]).abs()
        spread = 1.4826 * far.groupby(runs["curve"]).transform("median")
        which = (far > 6 * spread) & (far > threshold("run_apart"))
        error = runs.loc[which, "sensor_pct"] - runs.loc[which, "known_pct"]
        what = "sensor_pct − known_pct"
        found += _apart(error.round(2), table, what, "the curve's other runs")
        own = runs.groupby("sample")["known_pct"].transform("median")
        which = (runs["known_pct"] - own).abs() > threshold("run_apart")
        found += _apart(
            runs.loc[which, "known_pct"], table, "known_pct", "the sample's"
        )
    return found


def _test_weights(frames) -> Iterator[Finding]:
    """Yield whether sensor and benchtop test weights look like two units."""
    column = "test_weight_kg_hl"
    if frames["benchtop"].empty or frames["plots"].empty:
        return
    bench = frames["benchtop"].groupby(["trial", "plot"])[column].mean().rename("bench")
    both = frames["plots"].join(bench, on=["trial", "plot"])[[column, "bench"]].dropna()
    ratio = (both[column] / both["bench"]).median()
    if len(both) < _FEWEST or abs(np.log(ratio)) < np.log(1.12):
        return
    said = (
        f"test weights of the sensor are {ratio:.2f} times the benchtop's on the same "
    )
    said += f"{counted(len(both), 'plot')}; one of them may be in lb/bu."
    for table in ("plots", "benchtop"):
        yield Finding(code="unit-doubtful", table=table, message=said)


# Plots without these are told of as plots whose yield is not known.
_TOLD_WITH_YIELDS = ("sensor_pct", "plot_mass_kg", "plot_area_m2")
_FEWEST_contr = 5  # plots a trial needs to say that one is unlike the others
_RARE = 0.1  # empty cells in at most this share of a column are taken for slips
# Columns that tell the repeats of one thing apart.
_REPEATS = {
    "oven": ["sample", "dish"],
    "benchtop": ["sample", "trial", "plot", "meter", "reading"],
    "curves": ["curve", "built_on"],
    "setup_runs": ["curve", "sample", "run"],
    "check_runs": ["curve", "sample", "run"],
}
_TIMES = (("plots", "harvested_at", "trial"), ("benchtop", "read_at", "trial"))
_TIMES += (("oven", "sampled_at", "trial"), ("oven", "weighed_at", "trial"))
_TIMES += (("check_runs", "run_at", "curve"), ("setup_runs", "run_at", "curve"))


def contradictions(
    frames: dict[str, pd.DataFrame], checks: Sequence[str] = ()
) -> list[Finding]:
    """Return what contradicts itself within a table or between tables.

    `checks` are entries that may stand in a trial more often than others.
    """
    found = [*_missing_cells(frames), *_repeats(frames), *_times(frames)]
    found += [*_against_register(frames["plots"], frames["curves"])]
    found += [*_offsets(frames["plots"], frames["curves"])]
    found += [*_places(frames["plots"]), *_entries(frames["plots"], checks)]
    return [*found, *_sample_labels(frames["oven"], frames["benchtop"])]


def _found(code: str, table: str, rows, said: str) -> Iterator[Finding]:
    """Yield a finding unless it has no rows."""
    rows = tuple(map(int, rows))
    if rows:
        yield Finding(code=code, table=table, rows=rows, message=said)


def _missing_cells(frames) -> Iterator[Finding]:
    """Yield cells that are empty in a column that is otherwise filled in."""
    for table, frame in frames.items():
        keys = needed_columns(table)
        for column in column_kinds(table):
            if column in ("remark", "parallel_of") or frame.empty:
                continue
            if table == "plots" and column in _TOLD_WITH_YIELDS:
                continue
            if column in keys and column_kinds(table)[column] == "text":
                continue  # such a row is left out and told of as a fault
            empty = frame[column].isna()
            if column in ("tare_g", "wet_g", "dry_g"):
                # A lab may give moistures or weights, but not some of a dish's.
                given = frame[["tare_g", "wet_g", "dry_g"]].notna().any(axis=1)
                empty &= given
            elif empty.mean() > _RARE:
                continue
            said = f"{column} is empty in row {listed(frame.index[empty])}, though "
            said += "filled in elsewhere."
            yield from _found("cells-missing", table, frame.index[empty], said)


def _repeats(frames) -> Iterator[Finding]:
    """Yield rows that are one and the same repeat, with other values."""
    for table, columns in _REPEATS.items():
        named = frames[table].dropna(subset=columns)
        again = named.index[named.duplicated(columns, keep=False)]
        said = f"rows {listed(again)} share {', '.join(columns)} with another row, but "
        said += "not their values; number the repeats or delete the wrong one."
        yield from _found("row-again", table, again, said)


def _times(frames) -> Iterator[Finding]:
    """Yield times that stand alone, far from any other of their group."""
    limit = threshold("days_apart")
    for table, column, by in _TIMES:
        frame = frames[table].dropna(subset=[column, by]).sort_values([by, column])
        day = frame[column].astype("int64") / 86_400e6
        gaps = day.groupby(frame[by])
        before, after = gaps.diff(), -gaps.diff(-1)
        few = gaps.transform("size") < 3
        alone = (before.fillna(np.inf) > limit) & (after.fillna(np.inf) > limit) & ~few
        rows = frame.index[alone].sort_values()
        shown = listed([f"{frame.at[r, column]:%Y-%m-%d} (row {r})" for r in rows], 5)
        said = f"{column} {shown} is over {limit:g} days from any other of its {by}; "
        said += "check the order of day and month, and the year."
        yield from _found("time-apart", table, rows, said)
    plots = frames["plots"].set_index(["trial", "plot"])["harvested_at"]
    for table, column in (("oven", "sampled_at"), ("benchtop", "read_at")):
        frame = frames[table]
        keys = pd.MultiIndex.from_frame(frame[["trial", "plot"]])
        cut = plots[~plots.index.duplicated()].reindex(keys).to_numpy()
        away = (frame[column] - cut).abs() > pd.Timedelta(days=limit)
        said = (
            f"{column} of row {listed(frame.index[away])} is over {limit:g} days from "
        )
        said += "the harvest of the plot; check both dates."
        yield from _found("time-apart", table, frame.index[away], said)


def _against_register(plots, curves) -> Iterator[Finding]:
    """Yield plots that name a curve of another crop or sensor, or an unknown one."""
    register = curves.dropna(subset=["curve"]).drop_duplicates("curve", keep="last")
    register = register.set_index("curve")
    known = plots["curve"].isin(register.index)
    unknown = plots[~known]
    said = f"curve {listed(sorted(unknown['curve'].unique()))} is not in the register; "
    said += "no sample can speak for these plots."
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
        seen = told.loc[told["curve"] == row.curve, "offset_in_force"]
        last = len(loaded[row.curve]) == 1
        if len(seen) and last and row.offset_loaded not in set(seen):
            said = f"curve {row.curve}: the register says an offset of "
            said += f"{row.offset_loaded:g} was loaded, but its plots were read under "
            said += f"{listed(sorted(set(seen)), 4)}. Check the sign."
            yield from _found("offset-odd", "curves", [row.Index], said)


def _places(plots) -> Iterator[Finding]:
    """Yield plots in another place than their trial, or in that of another plot."""
    for column in ("location", "chamber_config"):
        usual = plots.groupby(["trial", column])["plot"].transform("size")
        most = usual.groupby(plots["trial"]).transform("max")
        size = plots.groupby("trial")["plot"].transform("size")
        few = np.maximum(1, _RARE * size)
        odd = plots[(usual < most) & (usual <= few) & (size > _FEWEST_contr)]
        said = f"{column} {listed(sorted(odd[column].unique()), 4)} is not that of the "
        said += "trial's other plots."
        yield from _found("plot-differs", "plots", odd.index, said)
    field = ["trial", "row", "range"]
    placed = plots.dropna(subset=field)
    same = placed.index[placed.duplicated(field, keep=False)]
    said = f"rows {listed(same)} stand at the row and range of another plot."
    yield from _found("position-twice", "plots", same, said)


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
        said = f"trial {name}: entry {listed(sorted(group['entry'].unique()))} stands "
        said += "more often, in the trial or in a block, than the others. A check, or "
        said += "an entry misnamed?"
        yield from _found("entry-again", "plots", sorted(group.index), said)


def _most_common(values: pd.Series, group: pd.Series) -> pd.Series:
    """Return the most common value of each group, the least of several."""
    times = pd.DataFrame({"group": group, "value": values}).value_counts()
    times = times.reset_index().sort_values(["count", "value"], ascending=[False, True])
    return times.drop_duplicates("group").set_index("group")["value"]


def _sample_labels(oven, benchtop) -> Iterator[Finding]:
    """Yield samples that oven and benchtop place on different plots."""
    keys = ["sample", "trial", "plot"]
    mine = oven[keys].drop_duplicates()
    both = (
        benchtop[keys].drop_duplicates().merge(mine, on="sample", suffixes=("", "_o"))
    )
    where = (both["trial"] != both["trial_o"]) | (both["plot"] != both["plot_o"])
    names = sorted(both.loc[where, "sample"].unique())
    for table, frame in (("oven", oven), ("benchtop", benchtop)):
        rows = frame.index[frame["sample"].isin(names)]
        said = (
            f"sample {listed(names)} stands on one plot at the oven and on another at "
        )
        said += "the benchtop; check the labels."
        yield from _found("sample-elsewhere", table, rows, said)
