"""The folder of an invented season, as a user would have it, and what is true of it."""

from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.intake.schema import SCHEMAS
from kitlib.intake.settings import SETTINGS_FILE
from kitlib.simulation.faults import faults_table, inject
from kitlib.simulation.harvest import (
    CURVE_CODES,
    CURVE_TRUTH,
    PLOTS_AT_LEAST,
    check_entries,
    harvest,
    plan_trials,
    read_sensor,
    sample_sd,
    systematic_error,
)
from kitlib.simulation.lab import (
    benchtop_table,
    check_runs,
    oven_table,
    register,
    setup_runs,
    take_samples,
)
from kitlib.simulation.scenario import (
    CROPS,
    DEFAULT_SEED,
    NO_OVEN,
    REPORT_DATE,
    SEASON_NAME,
    SEASON_YEAR,
    TRIALS,
)
from kitlib.words.errors import refuse

_TRIALS_FOR_ANY_ACTION = 3  # an audit with fewer leaves a curve unresolved


def plot_truth(plots):
    """Return every plot's true moisture and true yield at standard moisture."""
    rounded = {"true_pct": 3, "true_yield_kg_ha": 1}
    return plots[["trial", "plot", *rounded]].round(rounded)


def curve_truth(plots, plan):
    """Return what is true of each curve in use."""
    rows = [_truth_of(curve, plots, plan) for curve in CURVE_TRUTH.itertuples()]
    return pd.DataFrame([row for row in rows if row]).round(6)


def _truth_of(curve, plots, plan):
    """Return the truth of one curve over its own plots, nothing if it has none."""
    own = plots[plots["curve"] == (curve.parallel_of or curve.curve)]
    if own.empty:
        return None
    codes, true_pct = np.full(len(own), curve.Index), own["true_pct"].to_numpy()
    has_oven = (plan["selection"] != NO_OVEN).to_numpy()
    trials = int(has_oven[own["trial_code"].unique()].sum())
    action = "unresolved" if trials < _TRIALS_FOR_ANY_ACTION else ""
    return {
        "curve": curve.curve,
        "crop": curve.crop,
        "true_bias": systematic_error(codes, true_pct).mean(),
        "bias_at_anchor": curve.bias_at_anchor,
        "anchor_pct": curve.anchor_pct,
        "gain": curve.gain,
        "bend": curve.bend,
        "bend_from_pct": curve.bend_from_pct,
        "mean_true_pct": true_pct.mean(),
        "sd_trial": curve.sd_trial,
        "sd_sample": np.sqrt(np.mean(sample_sd(codes, true_pct) ** 2)),
        "sd_sample_at_anchor": curve.sd_sample,
        "trials_with_oven": trials,
        "expected_action": curve.action if trials >= curve.trials_needed else action,
        "story": curve.story,
    }


TRUTH_FILE = "truth.csv"
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


def refuse_other_folder(folder: Path) -> None:
    """Refuse to write over anything that was not simulated."""
    if folder.exists() and not folder.is_dir():
        refuse(str(folder), ["it is a file; expected a folder. Name another one."])
    simulated = (folder / TRUTH_FILE).exists()
    if folder.is_dir() and any(folder.iterdir()) and not simulated:
        problem = "it holds files that were not simulated; expected an empty folder."
        refuse(str(folder), [f"{problem} Name a new one."])


def write_folder(folder: Path, tables: dict[str, pd.DataFrame], seed: int) -> Path:
    """Write the tables, the settings and a README of a simulated season.

    Parameters
    ----------
    folder : Path
        Made if it is not there.
    tables : dict of DataFrame
        By file name, the truth first: a run that was cut short can then be
        repeated. Of a table that the audit reads, the columns it knows.
    seed : int
        Seed of the season, used by the audit's resampling as well.

    Returns
    -------
    Path
        The folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    for name, table in tables.items():
        if name in SCHEMAS:
            table = table[[name for name in SCHEMAS[name].columns if name in table]]
        headers = BENCHTOP_HEADERS if name == "benchtop" else {}
        _write_table(table.rename(columns=headers), folder / f"{name}.csv")
    _write_text(_settings(seed, tables["plots"]), folder / SETTINGS_FILE)
    _write_text(_README, folder / "README.md")
    return folder


def _settings(seed: int, plots: pd.DataFrame) -> str:
    """Return the text of season.toml, for what occurs in the season."""
    crops, entries = set(plots["crop"]), set(plots["entry"])
    standards = [f"{c.crop} = {c.anchor_pct}" for c in CROPS if c.crop in crops]
    checks = [f'"{name}"' for name in check_entries() if name in entries]
    return _SETTINGS.format(
        name=SEASON_NAME,
        year=SEASON_YEAR,
        report_date=REPORT_DATE,
        seed=seed,
        checks=", ".join(checks),
        standards="\n".join(standards),
        headers="\n".join(
            f'{ours} = "{own}"' for ours, own in BENCHTOP_HEADERS.items()
        ),
    )


def _write_table(table, path):
    """Write a table as CSV; times in ISO 8601, an empty cell for what is missing."""
    times = table.select_dtypes("datetime").columns
    texts = {name: np.datetime_as_string(table[name], unit="s") for name in times}
    table.assign(**texts).to_csv(
        path, index=False, lineterminator="\n", encoding="utf-8"
    )


def _write_text(text, path):
    """Write a text file with the same line ends everywhere."""
    path.write_text(text, encoding="utf-8", newline="\n")


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
        Made if it is not there; a simulated season in it is replaced.
    trials : int
        Number of trials; beyond the planned ones these are used again.
    plots : int, optional
        Plots in all trials together; by default as planned.
    seed : int
        Start of the random numbers, 0 or more.

    Returns
    -------
    Path
        The folder.

    Raises
    ------
    ValueError
        If there is no trial, there are under four plots per trial, or the seed is
        negative.
    SeasonRefused
        If the folder holds anything else than a simulated season.

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
    refuse_other_folder(folder)
    field, lab, mishaps = np.random.default_rng(seed).spawn(3)
    plan = plan_trials(field, trials, plots)
    harvested = harvest(field, plan)
    truth = {
        "truth": curve_truth(harvested, plan),
        "truth_plots": plot_truth(harvested),
    }
    tables = _tables(field, lab, harvested, plan)
    faults = faults_table(inject(mishaps, tables, plan), tables)
    return write_folder(folder, {**truth, **tables, "faults": faults}, seed)


def _plots_wanted(trials, plots, seed):
    """Return the number of plots; refuse a season that cannot be made."""
    if trials < 1 or seed < 0:
        raise ValueError(
            f"simulate_season: trials is {trials} and seed is {seed}; expected at "
            "least 1 trial and a seed of 0 or more."
        )
    if plots is None:
        return sum(TRIALS[number % len(TRIALS)].plots for number in range(trials))
    if plots < PLOTS_AT_LEAST * trials:
        raise ValueError(
            f"simulate_season: plots is {plots} for {trials} trial(s); expected at "
            f"least {PLOTS_AT_LEAST} per trial. Ask for more plots or fewer trials."
        )
    return plots


def _tables(field, lab, plots, plan):
    """Return the tables of the season by name, each with a plain index."""
    samples = take_samples(lab, plots, plan)
    used = set(plots["curve"])
    parallel = CURVE_TRUTH["parallel_of"].isin(used)
    in_use = CURVE_TRUTH.loc[CURVE_TRUTH["curve"].isin(used) | parallel, "curve"]
    runs = setup_runs(lab)
    curves = register(runs)
    tables = {
        "plots": plots,
        "oven": oven_table(lab, samples),
        "benchtop": benchtop_table(lab, samples),
        "curves": curves[curves["curve"].isin(in_use)],
        "setup_runs": runs[runs["curve"].isin(in_use)],
        "check_runs": check_runs(lab, plots),
        "readings": _parallel_readings(field, plots),
    }
    return {name: table.reset_index(drop=True) for name, table in tables.items()}


def _parallel_readings(rng, plots):
    """Return the readings of the curves recorded beside another one."""
    readings = []
    for curve in CURVE_TRUTH[CURVE_TRUTH["parallel_of"] != ""].itertuples():
        base = plots[plots["curve"] == curve.parallel_of]
        codes = np.full(len(base), CURVE_CODES[curve.curve])
        read = read_sensor(rng, base, codes).round(1)
        readings.append(
            base[["trial", "plot"]].assign(curve=curve.curve, sensor_pct=read)
        )
    return pd.concat(readings)
