"""What the invented sensors read: the true moisture and the errors of a curve."""

import numpy as np
import pandas as pd

from kitlib.simulation.programme import CROPS, GROWTH_PER_POINT, REPEAT_SHARE
from kitlib.simulation.scenario import CURVES

CURVE_TRUTH = pd.DataFrame(CURVES).merge(
    pd.DataFrame(CROPS), on="crop", validate="many_to_one"
)
CURVE_CODES = {curve.curve: code for code, curve in enumerate(CURVES)}


def of_curve(name, curve_code):
    """Return a property of curves, from scenario or programme, by their codes."""
    return CURVE_TRUTH[name].to_numpy()[curve_code]


def systematic_error(curve_code, true_pct):
    """Return a curve's mean error over all trials at a true moisture. [points]

    Sensor - true moisture with the register's offset loaded: the bias at the
    anchor, plus what the gain and the bend add away from it.
    """
    from_anchor = true_pct - of_curve("anchor_pct", curve_code)
    beyond = np.maximum(true_pct - of_curve("bend_from_pct", curve_code), 0)
    return (
        of_curve("bias_at_anchor", curve_code)
        + (of_curve("gain", curve_code) - 1) * from_anchor
        + of_curve("bend", curve_code) * beyond
    )


def sample_sd(curve_code, true_pct):
    """Return the SD of a sample's own error at a true moisture. [points]"""
    from_anchor = true_pct - of_curve("anchor_pct", curve_code)
    growth = np.maximum(1 + GROWTH_PER_POINT * from_anchor, 0.5)
    return of_curve("sd_sample", curve_code) * growth


def read_sensor(rng, plots: pd.DataFrame, curve_code) -> np.ndarray:
    """Return what plots read by a curve, its register's offset loaded. [%]

    A curve recorded in parallel shares the trial's error and the sample's own, as
    both come from the same signal; only the repeatability is drawn anew.
    """
    true_pct = plots["true_pct"].to_numpy()
    repeat = rng.standard_normal(len(plots))
    own = np.sqrt(1 - REPEAT_SHARE) * plots["z_sample"] + np.sqrt(REPEAT_SHARE) * repeat
    return (
        true_pct
        + systematic_error(curve_code, true_pct)
        + of_curve("sd_trial", curve_code) * plots["z_trial"].to_numpy()
        + sample_sd(curve_code, true_pct) * own.to_numpy()
    )


def offset_in_force(curve_code, at) -> np.ndarray:
    """Return the offset that was loaded at a time, by curve. [points]"""
    changed = pd.to_datetime(CURVE_TRUTH["offset_changed_on"]).to_numpy()[curve_code]
    before = np.asarray(at) < changed  # no change is no date, and never before it
    loaded = of_curve("offset_loaded", curve_code)
    return np.where(before, of_curve("offset_before", curve_code), loaded)
