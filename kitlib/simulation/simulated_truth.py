"""What is true of the invented season: the errors of its curves, its plots."""

import numpy as np
import pandas as pd

from kitlib.simulation.scenario import NO_OVEN
from kitlib.simulation.simulated_sensor import CURVE_TRUTH, sample_sd, systematic_error

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
