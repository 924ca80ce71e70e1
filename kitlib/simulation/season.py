"""The folder of an invented season, with faults put in, and what is true of it."""

import tomllib
from collections.abc import Iterator
from itertools import islice
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.intake.schema import SCHEMAS, described_columns
from kitlib.intake.settings import SETTINGS_FILE
from kitlib.simulation import harvest, scenario
from kitlib.words.findings import refuse

Tables = dict[str, pd.DataFrame]
Rows = list[tuple[str, int]]  # table and index label of each

TRUTH_FILE = "truth.csv"
_TRUTH = """
curve crop true_bias bias_at_anchor anchor_pct gain bend bend_from_pct mean_true_pct
sd_trial sd_sample sd_sample_at_anchor trials_with_oven expected_action story
"""
_TRIALS_FOR_ANY_ACTION = 3  # an audit with fewer leaves a curve unresolved

STUCK_CURVE, SWAPPED_CURVE, OTHER_CHAMBER_CURVE = "wheat-S2", "maize-S2", "soybean-S2"
_STUCK_PLOTS = 6
_POINTS_APART, _POINTS_LOST, _POINTS_SWAPPED = 0.6, 0.7, 2.0
_DAYS_LATE = 25
_SHARE_SPOILT = 5  # at most every fifth sample
_RESULT = ["moisture_pct", "tare_g", "wet_g", "dry_g"]
_RESULT += ["prestage_wet_g", "prestage_dry_g"]


def simulate_season(
    directory,
    *,
    trials: int = len(scenario.TRIALS),
    plots: int | None = None,
    seed: int = scenario.DEFAULT_SEED,
) -> Path:
    """Write the folder of an invented season whose truth is known.

    Tables, season.toml, a README, truth.csv (one row per curve), truth_plots.csv
    and faults.csv. The same arguments give the same bytes.

    A simulated season in the folder is replaced, anything else refused. Beyond the
    planned trials these are used again; at least four plots a trial.

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
    plan = harvest.plan_trials(field, trials, plots)
    harvested = harvest.harvest(field, plan)
    rounded = {"true_pct": 3, "true_yield_kg_ha": 1}
    # The truth is written first: a run that was cut short can then be repeated.
    truth = {
        "truth": _curve_truth(harvested, plan),
        "truth_plots": harvested[["trial", "plot", *rounded]].round(rounded),
    }
    tables = _tables(field, lab, harvested, plan)
    faults = _inject(mishaps, tables, plan)
    return _write_folder(folder, {**truth, **tables, "faults": faults}, seed)


def _plots_wanted(trials, plots, seed):
    """Return the number of plots; refuse a season that cannot be made."""
    if trials < 1 or seed < 0:
        raise ValueError(
            f"simulate_season: trials is {trials} and seed is {seed}; expected at "
            "least 1 trial and a seed of 0 or more."
        )
    if plots is None:
        planned = scenario.TRIALS["plots"].to_numpy()
        return int(planned[np.arange(trials) % planned.size].sum())
    if plots < harvest.PLOTS_AT_LEAST * trials:
        raise ValueError(
            f"simulate_season: plots is {plots} for {trials} trial(s); expected at "
            f"least {harvest.PLOTS_AT_LEAST} per trial. Ask for more plots or fewer "
            "trials."
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
    rows, has_oven = [], (plan["selection"] != scenario.NO_OVEN).to_numpy()
    for curve in scenario.CURVES.itertuples():
        own = plots[plots["curve"] == (curve.parallel_of or curve.curve)]
        if len(own):
            codes, pct = np.full(len(own), curve.Index), own["true_pct"].to_numpy()
            trials = int(has_oven[own["trial_code"].unique()].sum())
            action = "unresolved" if trials < _TRIALS_FOR_ANY_ACTION else ""
            action = curve.action if trials >= curve.trials_needed else action
            bias = scenario.systematic_error(codes, pct).mean()
            sd = np.sqrt(np.mean(scenario.sample_sd(codes, pct) ** 2))
            rows.append((curve.curve, bias, pct.mean(), sd, trials, action))
    found = ["curve", "true_bias", "mean_true_pct", "sd_sample", "trials_with_oven"]
    truth = pd.DataFrame(rows, columns=[*found, "expected_action"])
    given = scenario.CURVES.rename(columns={"sd_sample": "sd_sample_at_anchor"})
    return given.merge(truth, on="curve")[_TRUTH.split()].round(6)


def _tables(field, lab, plots, plan) -> Tables:
    """Return the tables of the season by name, each with a plain index."""
    samples = harvest.take_samples(lab, plots, plan)
    used = set(plots["curve"])
    beside = scenario.CURVES["parallel_of"].isin(used)
    known = used | set(scenario.CURVES.loc[beside, "curve"])
    runs = harvest.setup_runs(lab)
    curves = harvest.register(runs)
    parallel = []
    tables = {
        "plots": plots,
        "oven": harvest.oven_table(lab, samples),
        "benchtop": harvest.benchtop_table(lab, samples),
        "curves": curves[curves["curve"].isin(known)],
        "setup_runs": runs[runs["curve"].isin(known)],
        "check_runs": harvest.check_runs(lab, plots),
    }
    for curve in scenario.CURVES[scenario.CURVES["parallel_of"] != ""].itertuples():
        base = plots[plots["curve"] == curve.parallel_of]
        codes = np.full(len(base), scenario.CURVE_CODES[curve.curve])
        read = scenario.read_sensor(field, base, codes).round(1)
        own = base[["trial", "plot"]].assign(curve=curve.curve, sensor_pct=read)
        parallel.append(own)
    tables["readings"] = pd.concat(parallel)
    return {name: table.reset_index(drop=True) for name, table in tables.items()}


def _write_folder(folder: Path, tables: Tables, seed: int) -> Path:
    """Write the tables (of those audited the columns known), settings and a README."""
    plots = tables["plots"]
    crops = scenario.CROPS[scenario.CROPS["crop"].isin(plots["crop"])]
    checks = sorted(set(scenario.CHECKS) & set(plots["entry"]))
    here = Path(__file__).parent
    settings = (here / "settings.txt").read_text(encoding="utf-8")
    settings = settings.format(
        seed=seed,
        checks=", ".join(f'"{name}"' for name in checks),
        standards="\n".join(f"{c.crop} = {c.anchor_pct}" for c in crops.itertuples()),
    )
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        if name in SCHEMAS:
            table = table[[name for name in SCHEMAS[name] if name in table]]
        headers = tomllib.loads(settings)["columns"].get(name, {})
        times = table.select_dtypes("datetime").columns
        texts = {name: np.datetime_as_string(table[name], unit="s") for name in times}
        table.assign(**texts).rename(columns=headers).to_csv(
            folder / f"{name}.csv", index=False, lineterminator="\n", encoding="utf-8"
        )
    # The same line ends everywhere.
    (folder / SETTINGS_FILE).write_text(settings, encoding="utf-8", newline="\n")
    readme = (here / "readme.txt").read_text(encoding="utf-8")
    readme += f"\n## Columns of the tables\n\n{described_columns()}"
    (folder / "README.md").write_text(readme, encoding="utf-8", newline="\n")
    return folder


def _inject(rng, tables, plan):
    """Spoil a few rows of a season in place and return the table of faults.

    Kinds are named by the finding they should lead to, where there is one; rows by
    their line, the header of a file being line 1.
    """
    faults = _known_by_plan(tables, plan)

    def note(kind: str, rows: Rows, done: str) -> None:
        faults.extend((table, label, kind, done) for table, label in rows)

    note("configuration-differs", *_change_chamber(tables))
    note("reading-stuck", *_stick(tables))
    note("suspected-swap", *_swap(tables))
    deck = _deck(rng, tables["oven"], faults)
    for rounds in range(max(times for times, _, _ in _PER_SAMPLE)):
        for times, kind, spoil in _PER_SAMPLE:
            for sample in islice(deck, int(rounds < times)):
                note(kind, *spoil(tables, sample))
    listed = pd.DataFrame(faults, columns=["table", "row", "kind", "done"])
    listed["row"] = [tables[n].index.get_loc(label) + 2 for n, label, _, _ in faults]
    return listed.sort_values(["table", "row"], ignore_index=True)


def _deck(rng, oven, faults) -> Iterator[str]:
    """Return the samples that may be spoilt one by one, in random order."""
    spoilt = [label for table, label, _, _ in faults if table == "oven"]
    spared = oven["curve"].isin([STUCK_CURVE, OTHER_CHAMBER_CURVE])
    spared |= oven["selection_reason"] == scenario.SUSPICIOUS
    spared |= oven.index.isin(spoilt)
    samples = oven.loc[~spared, "sample"].unique()
    return iter(rng.permutation(samples)[: len(samples) // _SHARE_SPOILT])


def _known_by_plan(tables, plan) -> list[tuple]:
    """List what the scenario itself holds: offsets changed, no oven at all."""
    faults = []
    for label, curve in tables["curves"].iterrows():
        if curve["offset_changed_on"]:
            done = f"{curve['offset_before']:+g} before {curve['offset_changed_on']}, "
            done += f"then {curve['offset_loaded']:+g}; offset_in_force says so"
            faults.append(("curves", label, "offset-changed", done))
    first = tables["benchtop"].drop_duplicates("trial").reset_index()
    for trial in plan.loc[plan["selection"] == scenario.NO_OVEN, "trial"]:
        label = int(first.loc[first["trial"] == trial, "index"].iloc[0])
        done = f"trial {trial}: no sample went to the oven"
        faults.append(("benchtop", label, "benchtop-only", done))
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
    limit = float(scenario.CURVES["high_pct"][scenario.CURVE_CODES[STUCK_CURVE]])
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
