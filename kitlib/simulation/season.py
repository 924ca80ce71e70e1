"""The folder of an invented season, with faults put in, and what is true of it."""

from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pandas as pd

from kitlib.intake.schema import SCHEMAS
from kitlib.intake.settings import SETTINGS_FILE
from kitlib.simulation.harvest import (
    PLOTS_AT_LEAST,
    benchtop_table,
    check_runs,
    harvest,
    oven_table,
    plan_trials,
    register,
    setup_runs,
    take_samples,
)
from kitlib.simulation.scenario import (
    CROPS,
    CURVE_CODES,
    CURVES,
    DEFAULT_SEED,
    NO_OVEN,
    REPORT_DATE,
    SEASON_NAME,
    SEASON_YEAR,
    SUSPICIOUS,
    TRIALS,
    check_entries,
    read_sensor,
    sample_sd,
    systematic_error,
)
from kitlib.words.findings import refuse

Tables = dict[str, pd.DataFrame]
Rows = list[tuple[str, int]]  # table and index label of each

TRUTH_FILE = "truth.csv"
_TRIALS_FOR_ANY_ACTION = 3  # an audit with fewer leaves a curve unresolved

STUCK_CURVE, SWAPPED_CURVE, OTHER_CHAMBER_CURVE = "wheat-S2", "maize-S2", "soybean-S2"
_STUCK_PLOTS = 6
_POINTS_APART, _POINTS_LOST, _POINTS_SWAPPED = 0.6, 0.7, 2.0
_DAYS_LATE = 25
_SHARE_SPOILT = 5  # at most every fifth sample
_RESULT = ["moisture_pct", "tare_g", "wet_g", "dry_g"]
_RESULT += ["prestage_wet_g", "prestage_dry_g"]

BENCHTOP_HEADERS = {
    "sample": "Sample ID",
    "trial": "Trial",
    "plot": "Plot no.",
    "meter": "Meter",
    "moisture_pct": "Moisture %",
    "reading": "Run",
    "read_at": "Read at",
    "grain_temp_c": "Grain °C",
    "test_weight_kg_hl": "Test weight kg/hl",
}

_SETTINGS = """\
# An invented season: places, trials, entries, labs and all readings are made up
# by `moisture-audit simulate`. Nothing in this folder was ever measured.
name = "{name}"
year = {year}
report_date = {report_date}
seed = {seed}
confidence = 0.95
setting_step = 0.1
selection_share = 0.2
ignore = ["truth*.csv", "faults.csv"]
check_entries = [{checks}]

[standard_moisture]
{standards}

# The benchtop meters' program exports these headers of its own.
[columns.benchtop]
{headers}
"""

_README = """\
# An invented season

Everything in this folder is made up: the breeding programme, its places, trials,
entries, sensors and labs, and every reading. It was written by
`moisture-audit simulate`; the same arguments give the same bytes.

| file | holds |
|---|---|
| `season.toml` | the settings of the audit |
| `plots.csv` | the harvested plots with what the sensors read |
| `oven.csv` | the air-oven dishes |
| `benchtop.csv` | the benchtop meters' readings, under headers of their own |
| `curves.csv` | the register of curves |
| `readings.csv` | a curve recorded in parallel on the same plots |
| `setup_runs.csv`, `check_runs.csv` | runs of known samples, at set-up and weekly |
| `truth.csv` | the true errors of every curve, and what an audit should find |
| `truth_plots.csv` | every plot's true moisture and true yield |
| `faults.csv` | the rows that were spoilt on purpose; the header of a file is row 1 |

An audit reads none of the last three. Dishes may disagree by chance in samples
that `faults.csv` does not list: a repeatability limit is passed by one pair in
twenty.

The sizes of the errors follow published studies: about 85 % of the random error
belongs to the sample, 10 % to the repeat reading and 5 % to the oven, and it grows
with moisture (Hurburgh, Hazen and Bern, Trans. ASAE 28 (1985) 634-640; Paulsen,
Hill and Dixon, Trans. ASAE 27 (1984) 1917).
"""


def simulate_season(
    directory,
    *,
    trials: int = len(TRIALS),
    plots: int | None = None,
    seed: int = DEFAULT_SEED,
) -> Path:
    """Write the folder of an invented season whose truth is known.

    Tables, season.toml, a README, truth.csv (one row per curve), truth_plots.csv
    and faults.csv. The same arguments give the same bytes.

    Parameters
    ----------
    directory : str or Path
        Made if it is not there; a simulated season in it is replaced, anything else
        refused.
    trials : int
        Number of trials; beyond the planned ones these are used again.
    plots : int, optional
        Plots in all trials together, four per trial or more; by default as planned.
    seed : int
        Start of the random numbers, 0 or more.

    Notes
    -----
    `true_bias` in truth.csv is the mean, over the population of trials, of sensor -
    true moisture at the moistures of the curve's own plots, with the register's
    offset loaded. For a straight curve that is its error at their mean moisture.
    `sd_sample` is the root mean square over the same plots. `expected_action` is
    empty where a season this small may show it or not.
    """
    folder = Path(directory)
    plots = _plots_wanted(trials, plots, seed)
    _refuse_other_folder(folder)
    field, lab, mishaps = np.random.default_rng(seed).spawn(3)
    plan = plan_trials(field, trials, plots)
    harvested = harvest(field, plan)
    rounded = {"true_pct": 3, "true_yield_kg_ha": 1}
    # The truth is written first: a run that was cut short can then be repeated.
    truth = {
        "truth": _curve_truth(harvested, plan),
        "truth_plots": harvested[["trial", "plot", *rounded]].round(rounded),
    }
    tables = _tables(field, lab, harvested, plan)
    faults = _faults_table(_inject(mishaps, tables, plan), tables)
    return _write_folder(folder, {**truth, **tables, "faults": faults}, seed)


def _plots_wanted(trials, plots, seed):
    """Return the number of plots; refuse a season that cannot be made."""
    if trials < 1 or seed < 0:
        raise ValueError(
            f"simulate_season: trials is {trials} and seed is {seed}; expected at "
            "least 1 trial and a seed of 0 or more."
        )
    if plots is None:
        return int(TRIALS["plots"].iloc[np.arange(trials) % len(TRIALS)].sum())
    if plots < PLOTS_AT_LEAST * trials:
        raise ValueError(
            f"simulate_season: plots is {plots} for {trials} trial(s); expected at "
            f"least {PLOTS_AT_LEAST} per trial. Ask for more plots or fewer trials."
        )
    return plots


def _refuse_other_folder(folder: Path) -> None:
    """Refuse to write over anything that was not simulated."""
    if folder.exists() and not folder.is_dir():
        refuse(str(folder), ["it is a file; expected a folder. Name another one."])
    simulated = (folder / TRUTH_FILE).exists()
    if folder.is_dir() and any(folder.iterdir()) and not simulated:
        problem = "it holds files that were not simulated; expected an empty folder."
        refuse(str(folder), [f"{problem} Name a new one."])


def _curve_truth(plots, plan):
    """Return what is true of each curve in use, over its own plots."""
    rows = []
    for curve in CURVES.itertuples():
        own = plots[plots["curve"] == (curve.parallel_of or curve.curve)]
        if own.empty:
            continue
        codes, true_pct = np.full(len(own), curve.Index), own["true_pct"].to_numpy()
        has_oven = (plan["selection"] != NO_OVEN).to_numpy()
        trials = int(has_oven[own["trial_code"].unique()].sum())
        action = "unresolved" if trials < _TRIALS_FOR_ANY_ACTION else ""
        given = ["curve", "crop", "true_bias", "bias_at_anchor", "anchor_pct", "gain"]
        given += ["bend", "bend_from_pct", "mean_true_pct", "sd_trial", "sd_sample"]
        found = {
            "true_bias": systematic_error(codes, true_pct).mean(),
            "mean_true_pct": true_pct.mean(),
            "sd_sample": np.sqrt(np.mean(sample_sd(codes, true_pct) ** 2)),
        }
        rows.append(
            {name: found.get(name, getattr(curve, name, None)) for name in given}
            | {
                "sd_sample_at_anchor": curve.sd_sample,
                "trials_with_oven": trials,
                "expected_action": (
                    curve.action if trials >= curve.trials_needed else action
                ),
                "story": curve.story,
            }
        )
    return pd.DataFrame(rows).round(6)


def _tables(field, lab, plots, plan) -> Tables:
    """Return the tables of the season by name, each with a plain index."""
    samples = take_samples(lab, plots, plan)
    used = set(plots["curve"])
    known = used | set(CURVES.loc[CURVES["parallel_of"].isin(used), "curve"])
    runs = setup_runs(lab)
    curves = register(runs)
    parallel = []
    tables = {
        "plots": plots,
        "oven": oven_table(lab, samples),
        "benchtop": benchtop_table(lab, samples),
        "curves": curves[curves["curve"].isin(known)],
        "setup_runs": runs[runs["curve"].isin(known)],
        "check_runs": check_runs(lab, plots),
    }
    for curve in CURVES[CURVES["parallel_of"] != ""].itertuples():
        base = plots[plots["curve"] == curve.parallel_of]
        codes = np.full(len(base), CURVE_CODES[curve.curve])
        read = read_sensor(field, base, codes).round(1)
        own = base[["trial", "plot"]].assign(curve=curve.curve, sensor_pct=read)
        parallel.append(own)
    tables["readings"] = pd.concat(parallel)
    return {name: table.reset_index(drop=True) for name, table in tables.items()}


def _write_folder(folder: Path, tables: Tables, seed: int) -> Path:
    """Write the tables, the settings and a README of a simulated season.

    Of a table that the audit reads, the columns it knows.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        if name in SCHEMAS:
            table = table[[name for name in SCHEMAS[name] if name in table]]
        headers = BENCHTOP_HEADERS if name == "benchtop" else {}
        times = table.select_dtypes("datetime").columns
        texts = {name: np.datetime_as_string(table[name], unit="s") for name in times}
        table.assign(**texts).rename(columns=headers).to_csv(
            folder / f"{name}.csv", index=False, lineterminator="\n", encoding="utf-8"
        )
    plots = tables["plots"]
    crops = CROPS[CROPS["crop"].isin(plots["crop"])]
    checks = sorted(set(check_entries()) & set(plots["entry"]))
    headers = BENCHTOP_HEADERS.items()
    settings = _SETTINGS.format(
        name=SEASON_NAME,
        year=SEASON_YEAR,
        report_date=REPORT_DATE,
        seed=seed,
        checks=", ".join(f'"{name}"' for name in checks),
        standards="\n".join(f"{c.crop} = {c.anchor_pct}" for c in crops.itertuples()),
        headers="\n".join(f'{ours} = "{theirs}"' for ours, theirs in headers),
    )
    for name, text in ((SETTINGS_FILE, settings), ("README.md", _README)):
        # The same line ends everywhere.
        (folder / name).write_text(text, encoding="utf-8", newline="\n")
    return folder


class Fault(NamedTuple):
    """One row that was spoilt: where, of what kind, and what was done."""

    table: str
    label: int
    kind: str
    done: str


def _inject(rng: np.random.Generator, tables: Tables, plan: pd.DataFrame):
    """Spoil a few rows of a season in place and return the list of faults.

    Kinds are named by the finding they should lead to, where there is one.
    """
    faults = _known_by_plan(tables, plan)
    faults += _noted("configuration-differs", *_change_chamber(tables))
    faults += _noted("reading-stuck", *_stick(tables))
    faults += _noted("suspected-swap", *_swap(tables))
    deck = _deck(rng, tables["oven"], faults)
    for rounds in range(max(times for times, _, _ in _PER_SAMPLE)):
        for times, kind, spoil in _PER_SAMPLE:
            for sample in islice(deck, int(rounds < times)):
                faults += _noted(kind, *spoil(tables, sample))
    return faults


def _faults_table(faults: list[Fault], tables: Tables) -> pd.DataFrame:
    """Return the faults with their lines; the header of a file is line 1."""
    lines = [np.flatnonzero(tables[f.table].index == f.label)[0] + 2 for f in faults]
    listed = pd.DataFrame(faults, columns=["table", "row", "kind", "done"])
    listed["row"] = lines
    return listed.sort_values(["table", "row"], ignore_index=True)


def _noted(kind: str, rows: Rows, done: str) -> list[Fault]:
    """Return one fault per row."""
    return [Fault(table, label, kind, done) for table, label in rows]


def _deck(rng, oven, faults) -> Iterator[str]:
    """Return the samples that may be spoilt one by one, in random order."""
    spoilt = [fault.label for fault in faults if fault.table == "oven"]
    spared = oven["curve"].isin([STUCK_CURVE, OTHER_CHAMBER_CURVE])
    spared |= (oven["selection_reason"] == SUSPICIOUS) | oven.index.isin(spoilt)
    samples = oven.loc[~spared, "sample"].unique()
    return iter(rng.permutation(samples)[: len(samples) // _SHARE_SPOILT])


def _known_by_plan(tables, plan) -> list[Fault]:
    """List what the scenario itself holds: offsets changed, no oven at all."""
    faults = []
    for label, curve in tables["curves"].iterrows():
        if curve["offset_changed_on"]:
            done = f"{curve['offset_before']:+g} before {curve['offset_changed_on']}, "
            done += f"then {curve['offset_loaded']:+g}; offset_in_force says so"
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


def _change_chamber(tables) -> tuple[Rows, str]:
    """Harvest one trial of a curve in another chamber configuration than its own."""
    rows = _first_trial(tables["plots"], OTHER_CHAMBER_CURVE).index
    tables["plots"].loc[rows, "chamber_config"] = "reduced"
    done = "harvested in another chamber configuration; the reading is not changed"
    return [("plots", row) for row in rows], done


def _stick(tables) -> tuple[Rows, str]:
    """Set a run of plots between two sampled ones to the sensor's limit."""
    plots, sampled = tables["plots"], tables["oven"][["trial", "plot"]]
    ours = _first_trial(plots, STUCK_CURVE).sort_values("order")
    keys = pd.MultiIndex.from_frame(ours[["trial", "plot"]])
    has_oven = keys.isin(pd.MultiIndex.from_frame(sampled))
    between = ours[~has_oven].groupby(np.cumsum(has_oven)[~has_oven])
    rows = max(between.groups.values(), key=len, default=ours.index[:0])[:_STUCK_PLOTS]
    limit = float(CURVES["high_pct"][CURVE_CODES[STUCK_CURVE]])
    plots.loc[rows, "sensor_pct"] = limit
    done = f"the sensor stuck at its limit of {limit:g}"
    return [("plots", row) for row in rows], done


def _swap(tables) -> tuple[Rows, str]:
    """Exchange the oven results of two samples of a trial that differ clearly."""
    oven = tables["oven"]
    ours = _first_trial(oven, SWAPPED_CURVE).set_index("sample")["true_pct"]
    if ours.empty:
        return [], ""
    driest = ours.idxmin()
    wetter = (ours - ours[driest].iloc[0] - _POINTS_SWAPPED).abs().idxmin()
    one, other = _dishes(tables, driest), _dishes(tables, wetter)
    both = [*one, *other]
    oven.loc[both, _RESULT] = oven.loc[[*other, *one], _RESULT].to_numpy()
    done = f"labels of samples {driest} and {wetter} exchanged in the lab"
    return [("oven", row) for row in both], done


def _dishes(tables, sample):
    """Return the oven rows of a sample."""
    return tables["oven"].index[tables["oven"]["sample"] == sample]


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
    trial, plot = tables["oven"].loc[_dishes(tables, sample)[0], ["trial", "plot"]]
    plots = tables["plots"]
    row = plots.index[(plots["trial"] == trial) & (plots["plot"] == plot)][0]
    plots.loc[row, "sensor_pct"] = np.nan
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
