"""One name for each thing in all tables, and what the settings say of the tables."""

from collections import Counter
from collections.abc import Sequence

import numpy as np
import pandas as pd

from kitlib.intake.cells import Table
from kitlib.intake.options import FileOptions
from kitlib.intake.schema import NAMES, SCHEMAS
from kitlib.intake.settings import SETTINGS_FILE, Season
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
