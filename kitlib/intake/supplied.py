"""What rows lack and other places tell: offsets in force, and the plots of samples.

Offsets stand in a column of the tables, or in season.toml as changes at a time.
"""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from kitlib.intake.schema import PLACE, CheckedTable, at_places, found, plot_places
from kitlib.intake.settings import Season
from kitlib.words.findings import Finding
from kitlib.words.terms import counted, listed

_RARE = 0.05  # an offset on so small a share of a curve's plots is taken for a slip


def put_offsets_in_force(tables: dict[str, CheckedTable], season: Season) -> None:
    """Fill in the offset that was in force on each reading, as [[offsets]] tell it.

    Before a curve's first change it is the register's, but in set-up runs, which came
    before any was loaded. A reading without a time cannot be told and is not used.
    """
    if not season.offsets:
        return
    loaded = tables["curves"].frame.groupby("curve")["offset_loaded"].last()
    plots, readings = tables["plots"].frame, tables["readings"].frame
    known = plots.drop_duplicates(PLACE)
    harvested = at_places(known["harvested_at"], plot_places(known, readings))
    times = {"plots": plots["harvested_at"]}
    times["readings"] = harvested.set_axis(readings.index).rename("harvested_at")
    times |= {t: tables[t].frame["run_at"] for t in ("check_runs", "setup_runs")}
    for name, time in times.items():
        table, frame = tables[name], tables[name].frame
        if any("offset_in_force" in source.headers for source in table.sources):
            table.tell("offsets-twice")
            continue
        for change in sorted(season.offsets, key=lambda change: change.start):
            own = frame["curve"] == change.curve
            if name != "setup_runs":
                first = own & frame["offset_in_force"].isna() & time.notna()
                frame.loc[first, "offset_in_force"] = loaded.get(change.curve, np.nan)
            frame.loc[own & (time >= change.start), "offset_in_force"] = change.value
        _tell_of_days_without_clock(table, time, season)
        if name == "setup_runs":
            continue
        curves = {change.curve for change in season.offsets}
        untold = frame.index[frame["curve"].isin(curves) & time.isna()]
        if len(untold):
            n = counted(len(untold), "row")
            table.tell("offsets-untimed", untold, n=n, time=time.name)
            fault = ("offsets-mixed", table.findings[-1].message)
            table.faults = dict.fromkeys(map(int, untold), fault) | table.faults
        frame.loc[untold, "sensor_pct"] = np.nan


def put_plots_of_samples(tables: dict[str, CheckedTable]) -> None:
    """Fill in the plot of a lab's row that names its sample only, as the plots tell it.

    A row whose sample is in the row of no plot, or of several, is left out.
    """
    known = tables["plots"].frame[["sample", *PLACE]].dropna().drop_duplicates()
    if known.empty:
        return
    places = known.drop_duplicates("sample", keep=False).set_index("sample")
    for table in (tables["oven"], tables["benchtop"]):
        frame = table.frame
        bare = frame["sample"].notna() & frame["plot"].isna()
        told = {column: frame["sample"].map(places[column]) for column in PLACE}
        bare &= frame["trial"].isna() | (frame["trial"] == told["trial"])
        for column in PLACE:
            frame[column] = frame[column].mask(bare, told[column]).astype("str")
        placed = frame.index[bare & frame["plot"].notna()]
        table.tell("samples-placed", placed, n=counted(len(placed), "row"))
        left = bare & frame["plot"].isna()
        several = left & frame["sample"].isin(known["sample"])
        for which, where in ((left & ~several, "no plot"), (several, "several plots")):
            names = listed(frame.loc[which, "sample"].unique())
            rows = frame.index[which]
            table.tell("sample-unplaced", rows, where=where, names=names)
            reason = f"its sample is in the row of {where}"
            table.leave_out(table.frame.index.isin(rows), "sample-unplaced", reason)


def _tell_of_days_without_clock(table, time: pd.Series, season: Season) -> None:
    """Tell of readings without a time of day on the day of a change of offset."""
    for change in season.offsets:
        day = pd.Timestamp(change.start).normalize()
        clockless = (time == day) & (change.start > day)  # at midnight none is needed
        own = table.frame[clockless & (table.frame["curve"] == change.curve)]
        by = "trial" if "trial" in own else "sample"
        parts = {"n": counted(len(own), "row"), "change": change, "by": by}
        names = listed(sorted(own[by].unique()), most=40)
        table.tell("offsets-clockless", own.index, names=names, **parts)


def odd_offsets(frames: dict[str, pd.DataFrame]) -> Iterator[Finding]:
    """Yield offsets that are rare, or not the register's, and curves built late."""
    plots, curves = frames["plots"], frames["curves"]
    told = plots[["curve", "offset_in_force"]].dropna()
    by_curve = curves.groupby("curve")["offset_loaded"]
    loaded = {curve: set(offsets.dropna()) for curve, offsets in by_curve}
    times = told.value_counts().sort_index()
    share = times / times.groupby("curve").transform("sum")
    rare = times.index[share < _RARE]
    odd = [(curve, o) for curve, o in rare if o not in loaded.get(curve, ())]
    keys = pd.MultiIndex.from_frame(told)
    shown = listed([f"{curve} {offset:g}" for curve, offset in odd])
    rows = sorted(told.index[keys.isin(odd)]) if odd else ()
    yield from found("offset-rare", "plots", rows, offsets=shown)
    register = curves.dropna(subset=["curve", "offset_loaded"])
    for at, curve, offset in register[["curve", "offset_loaded"]].itertuples():
        seen = set(told.loc[told["curve"] == curve, "offset_in_force"])
        if seen and len(loaded[curve]) == 1 and offset not in seen:
            parts = {"name": curve, "offset": offset, "seen": listed(sorted(seen), 4)}
            yield from found("offset-not-read-with", "curves", [at], **parts)
    built = curves.groupby("curve")["built_on"].min().dt.normalize()
    # Not by map, which takes an empty register for one of numbers.
    of_plots = built.reindex(plots["curve"]).to_numpy()
    early = plots["harvested_at"].dt.normalize() < of_plots
    for curve, rows in plots[early].groupby("curve"):
        parts = {"built": built[curve], "first": rows["harvested_at"].min()}
        yield from found("built-late", "plots", rows.index, name=curve, **parts)
