"""An invented season with known truth, and pairs for coverage simulations."""

from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.simulation.scenario import DEFAULT_SEED, TRIALS
from kitlib.simulation.simulated_faults import faults_table, inject
from kitlib.simulation.simulated_folder import refuse_other_folder, write_folder
from kitlib.simulation.simulated_harvest import PLOTS_AT_LEAST, harvest, plan_trials
from kitlib.simulation.simulated_lab import benchtop_table, oven_table, take_samples
from kitlib.simulation.simulated_register import check_runs, register, setup_runs
from kitlib.simulation.simulated_sensor import CURVE_CODES, CURVE_TRUTH, read_sensor
from kitlib.simulation.simulated_truth import curve_truth, plot_truth


def simulate_season(
    directory,
    *,
    trials: int = len(TRIALS),
    plots: int | None = None,
    seed: int = DEFAULT_SEED,
    contradictions: bool = False,
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
    contradictions : bool
        Also put in rows that contradict each other, which an audit must refuse.

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
    faults = faults_table(inject(mishaps, tables, plan, contradictions), tables)
    return write_folder(folder, {**truth, **tables, "faults": faults}, seed)


def simulate_pairs(
    rng: np.random.Generator,
    *,
    trials: int,
    samples_per_trial,
    bias: float = 0.0,
    gain: float = 1.0,
    sd_trial: float = 0.25,
    sd_sample: float = 0.45,
    sd_dish: float = 0.06,
    dishes: int = 2,
    moisture_mean: float = 18.0,
    moisture_sd_between: float = 2.5,
    moisture_sd_within: float = 1.2,
    seasons: int = 1,
) -> pd.DataFrame:
    """Return samples measured by sensor and oven, for many seasons at once.

    Parameters
    ----------
    rng : Generator
    trials : int
        Trials per season.
    samples_per_trial : int or array_like of int, shape (trials,)
        Samples of each trial.
    bias : float
        Mean of sensor - true moisture at `moisture_mean`, over trials. [% moisture]
    gain : float
        Sensor points per point of true moisture.
    sd_trial, sd_sample, sd_dish : float
        SD of the error a trial shares, of a sample's own, of a dish. [% moisture]
    dishes : int
        Dishes whose mean is the reference value.
    moisture_mean, moisture_sd_between, moisture_sd_within : float
        True moisture: mean, SD of trial means, SD of samples in a trial. [%]
    seasons : int
        Independent seasons.

    Returns
    -------
    DataFrame
        season, trial (both from 0), sensor_pct, reference_pct, true_pct.

    Examples
    --------
    >>> pairs = simulate_pairs(
    ...     np.random.default_rng(1), trials=2, samples_per_trial=[1, 3], bias=0.5,
    ...     sd_trial=0, sd_sample=0, sd_dish=0, seasons=2,
    ... )
    >>> (pairs["sensor_pct"] - pairs["reference_pct"]).round(9).unique().tolist()
    [0.5]
    >>> pairs["trial"].tolist()
    [0, 1, 1, 1, 0, 1, 1, 1]
    """
    per_trial = np.broadcast_to(samples_per_trial, trials)
    group = np.repeat(np.arange(seasons * trials), np.tile(per_trial, seasons))
    centre, shared = rng.standard_normal((2, seasons * trials))
    within, own, dried = rng.standard_normal((3, group.size))
    from_mean = moisture_sd_between * centre[group] + moisture_sd_within * within
    true_pct = moisture_mean + from_mean
    error = bias + (gain - 1) * from_mean + sd_trial * shared[group] + sd_sample * own
    return pd.DataFrame(
        {
            "season": group // trials,
            "trial": group % trials,
            "sensor_pct": true_pct + error,
            "reference_pct": true_pct + sd_dish / np.sqrt(dishes) * dried,
            "true_pct": true_pct,
        }
    )


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
