"""Values that stand far from those beside them: another unit, a lost decimal point.

A value is only pointed at; it stays in. The limits are our own choice, wide enough
that honest harvest data rarely pass them.
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from kitlib.intake.distinct import by_value
from kitlib.words.findings import Finding
from kitlib.words.limits import plausible_yield, threshold
from kitlib.words.terms import counted, crop_key, listed

_FEWEST = 5  # values a group needs to judge one of them
# Table, column, group it is compared in, and how far it may be: a factor or points.
_BY_FACTOR = (
    ("plots", "test_weight_kg_hl", "trial", 1.2),
    ("benchtop", "test_weight_kg_hl", "trial", 1.2),
    ("setup_runs", "sample_mass_kg", "curve", 3.0),
    ("setup_runs", "known_test_weight_kg_hl", "curve", 1.4),
)
_BY_POINTS = (
    ("plots", "grain_temp_c", "trial", 25.0),
    ("benchtop", "grain_temp_c", "trial", 25.0),
    ("setup_runs", "grain_temp_c", "curve", 25.0),
    ("setup_runs", "ambient_temp_c", "curve", 25.0),
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
