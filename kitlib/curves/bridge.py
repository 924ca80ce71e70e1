"""The benchtop meter's own bias, slope and SEP against the oven."""

import numpy as np
import pandas as pd

from kitlib.curves.curve_audit import performance
from kitlib.curves.samples import Samples

BRIDGE_COLUMNS = [
    "crop",
    "meter",
    "n",
    "n_trials",
    "bias",
    "bias_low",
    "bias_high",
    "bias_method",
    "sep",
    "slope",
    "slope_low",
    "slope_high",
    "intercept",
]


def bridge_table(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return each benchtop meter's own bias, slope and SEP against the oven, by crop.

    Bias is benchtop − oven; slope and intercept are of oven on benchtop. One row
    per sample counts, however many curves read its plot.
    """
    both = pairs[pairs["used"] & pairs["benchtop_pct"].notna()]
    both = both.drop_duplicates(["sample", "trial", "plot"])
    rows = []
    for (crop, meter), group in both.groupby(["crop", "meter"], sort=True):
        samples = Samples.of(group.assign(sensor_pct=group["benchtop_pct"]))
        found = performance(samples)
        bias, slope = found.bias.interval(level), found.slope.interval(level)
        rows.append(
            {
                "crop": crop,
                "meter": meter,
                "n": samples.n,
                "n_trials": samples.n_trials,
                "bias": found.bias.value,
                "bias_low": bias.low,
                "bias_high": bias.high,
                "bias_method": found.bias.method or found.bias.remark,
                "sep": found.sep,
                "slope": found.slope.value,
                "slope_low": slope.low,
                "slope_high": slope.high,
                "intercept": found.line.intercept.value if found.line else np.nan,
            }
        )
    return pd.DataFrame(rows, columns=BRIDGE_COLUMNS)
