"""Faults that real seasons have, put into the invented one and kept on a list."""

from collections.abc import Iterator
from itertools import islice
from typing import NamedTuple

import numpy as np
import pandas as pd

from kitlib.simulation.scenario import CURVES, NO_OVEN, SUSPICIOUS

Tables = dict[str, pd.DataFrame]
Rows = list[tuple[str, int]]


STUCK_CURVE, SWAPPED_CURVE, OTHER_CHAMBER_CURVE = "wheat-S2", "maize-S2", "soybean-S2"
_STUCK_PLOTS = 6
_POINTS_APART, _POINTS_LOST, _POINTS_SWAPPED = 0.6, 0.7, 2.0
_DAYS_LATE = 25
_SHARE_SPOILT = 5  # at most every fifth sample
_RESULT = ["moisture_pct", "tare_g", "wet_g", "dry_g"]
_RESULT += ["prestage_wet_g", "prestage_dry_g"]


class Fault(NamedTuple):
    """One row that was spoilt: where, of what kind, and what was done."""

    table: str
    label: int
    kind: str
    done: str


def inject(rng: np.random.Generator, tables: Tables, plan: pd.DataFrame) -> list[Fault]:
    """Spoil a few rows of a season in place and return what was done.

    Kinds are named by the finding they should lead to, where there is one.

    Parameters
    ----------
    rng : Generator
    tables : dict of DataFrame
        Plots, oven, benchtop and curves, each with an index of its own.
    plan : DataFrame
        The trials.

    Returns
    -------
    list of Fault
        With index labels; `faults_table` turns them into lines.
    """
    faults = [
        *_known_by_plan(tables, plan),
        *_change_chamber(tables),
        *_stick(tables),
        *_swap(tables),
    ]
    deck = _deck(rng, tables["oven"], faults)
    for rounds in range(max(times for times, _, _ in _PER_SAMPLE)):
        for times, kind, spoil in _PER_SAMPLE:
            for sample in islice(deck, int(rounds < times)):
                faults += _noted(kind, *spoil(tables, sample))
    return faults


def faults_table(faults: list[Fault], tables: Tables) -> pd.DataFrame:
    """Return the faults with their lines; the header of a file is line 1."""
    lines = [np.flatnonzero(tables[f.table].index == f.label)[0] + 2 for f in faults]
    listed = pd.DataFrame(faults, columns=["table", "row", "kind", "done"])
    return listed.assign(row=np.array(lines)).sort_values(
        ["table", "row"], ignore_index=True
    )


def _noted(kind, rows: Rows, done):
    """Return one fault per row."""
    return [Fault(table, label, kind, done) for table, label in rows]


def _deck(rng, oven, faults) -> Iterator[str]:
    """Return the samples that may be spoilt one by one, in random order."""
    spoilt = [fault.label for fault in faults if fault.table == "oven"]
    spared = oven["curve"].isin([STUCK_CURVE, OTHER_CHAMBER_CURVE])
    spared |= (oven["selection_reason"] == SUSPICIOUS) | oven.index.isin(spoilt)
    samples = oven.loc[~spared, "sample"].unique()
    return iter(rng.permutation(samples)[: len(samples) // _SHARE_SPOILT])


def _dishes(tables, sample):
    """Return the oven rows of a sample."""
    return tables["oven"].index[tables["oven"]["sample"] == sample]


def _plot_row(tables, sample):
    """Return the plots row of an oven sample."""
    key = tables["oven"].loc[_dishes(tables, sample)[0], ["trial", "plot"]]
    plots = tables["plots"]
    found = (plots["trial"] == key["trial"]) & (plots["plot"] == key["plot"])
    return plots.index[found][0]


def _moisten(oven, rows, points):
    """Raise the moisture of dishes by as many points, in whatever was reported."""
    kept = (oven["prestage_dry_g"] / oven["prestage_wet_g"]).fillna(1)[rows]
    grain = (oven["wet_g"] - oven["tare_g"])[rows]
    less = (grain * points / 100 / kept).round(3)
    oven.loc[rows, "dry_g"] = (oven.loc[rows, "dry_g"] - less).round(3)
    oven.loc[rows, "moisture_pct"] = (oven.loc[rows, "moisture_pct"] + points).round(2)


def _lose_dish(tables, sample) -> tuple[Rows, str]:
    """Take all dishes but the first away."""
    first, *others = _dishes(tables, sample)
    tables["oven"] = tables["oven"].drop(others)
    return [("oven", first)], f"sample {sample}: only one dish was dried"


def _part_dishes(tables, sample) -> tuple[Rows, str]:
    """Raise the last dish above the others."""
    last = _dishes(tables, sample)[-1:]
    _moisten(tables["oven"], last, _POINTS_APART)
    done = f"sample {sample}: dish raised by {_POINTS_APART} points"
    return [("oven", last[0])], done


def _blank_reading(tables, sample) -> tuple[Rows, str]:
    """Delete the reading of the sampled plot."""
    row = _plot_row(tables, sample)
    tables["plots"].loc[row, "sensor_pct"] = np.nan
    return [("plots", row)], f"plot of sample {sample}: reading deleted"


def _mistype_plot(tables, sample) -> tuple[Rows, str]:
    """Give the sample a plot that does not exist."""
    rows = []
    for table in ("oven", "benchtop"):
        frame = tables[table]
        found = frame.index[frame["sample"] == sample]
        frame.loc[found, "plot"] += "1"
        rows += [(table, label) for label in found]
    return rows, f"sample {sample}: a digit too many in its plot"


def _weigh_late(tables, sample) -> tuple[Rows, str]:
    """Let the sample wait, and dry, before it goes to the oven."""
    rows = _dishes(tables, sample)
    tables["oven"].loc[rows, "weighed_at"] += np.timedelta64(_DAYS_LATE, "D")
    _moisten(tables["oven"], rows, -_POINTS_LOST)
    done = f"sample {sample}: dried {_DAYS_LATE} days later, {_POINTS_LOST} points lost"
    return [("oven", label) for label in rows], done


_PER_SAMPLE = (
    (2, "plot-missing", _mistype_plot),
    (2, "no-reading", _blank_reading),
    (3, "one-dish", _lose_dish),
    (3, "dishes-disagree", _part_dishes),
    (2, "late-oven", _weigh_late),
)


def _known_by_plan(tables, plan):
    """List what the scenario itself holds: offsets changed, no oven at all."""
    faults = []
    for label, name in tables["curves"]["curve"].items():
        curve = next(curve for curve in CURVES if curve.curve == name)
        if curve.offset_changed_on:
            done = f"{curve.offset_before:+g} before {curve.offset_changed_on}, then "
            done += f"{curve.offset_loaded:+g}; offset_in_force says so"
            faults.append(Fault("curves", label, "offset-changed", done))
    first = tables["benchtop"].drop_duplicates("trial").reset_index()
    for trial in plan.loc[plan["selection"] == NO_OVEN, "trial"]:
        label = int(first.loc[first["trial"] == trial, "index"].iloc[0])
        done = f"trial {trial}: no sample went to the oven"
        faults.append(Fault("benchtop", label, "benchtop-only", done))
    return faults


def _first_trial(frame, curve):
    """Return the rows of the first trial that a curve served."""
    rows = frame[frame["curve"] == curve]
    return rows[rows["trial"] == rows["trial"].iloc[0]] if len(rows) else rows


def _change_chamber(tables):
    """Harvest one trial of a curve in another chamber configuration than its own."""
    rows = _first_trial(tables["plots"], OTHER_CHAMBER_CURVE).index
    tables["plots"].loc[rows, "chamber_config"] = "reduced"
    done = "harvested in another chamber configuration; the reading is not changed"
    return _noted("configuration-differs", [("plots", row) for row in rows], done)


def _stick(tables):
    """Set a run of plots between two sampled ones to the sensor's limit."""
    plots, sampled = tables["plots"], tables["oven"][["trial", "plot"]]
    ours = _first_trial(plots, STUCK_CURVE).sort_values("order")
    keys = pd.MultiIndex.from_frame(ours[["trial", "plot"]])
    has_oven = keys.isin(pd.MultiIndex.from_frame(sampled))
    between = ours[~has_oven].groupby(np.cumsum(has_oven)[~has_oven])
    rows = max(between.groups.values(), key=len, default=ours.index[:0])[:_STUCK_PLOTS]
    limit = next(c.high_pct for c in CURVES if c.curve == STUCK_CURVE)
    plots.loc[rows, "sensor_pct"] = float(limit)
    done = f"the sensor stuck at its limit of {limit:g}"
    return _noted("reading-stuck", [("plots", row) for row in rows], done)


def _swap(tables):
    """Exchange the oven results of two samples of a trial that differ clearly."""
    oven = tables["oven"]
    ours = _first_trial(oven, SWAPPED_CURVE).set_index("sample")["true_pct"]
    if ours.empty:
        return []
    driest = ours.idxmin()
    wetter = (ours - ours[driest].iloc[0] - _POINTS_SWAPPED).abs().idxmin()
    ours, theirs = _dishes(tables, driest), _dishes(tables, wetter)
    both = [*ours, *theirs]
    oven.loc[both, _RESULT] = oven.loc[[*theirs, *ours], _RESULT].to_numpy()
    done = f"labels of samples {driest} and {wetter} exchanged in the lab"
    return _noted("suspected-swap", [("oven", row) for row in both], done)
