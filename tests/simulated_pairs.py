"""Samples of known truth, for many seasons at once."""

import numpy as np
import pandas as pd


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
