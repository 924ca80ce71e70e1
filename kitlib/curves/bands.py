"""A curve's errors by 2-point bands of moisture, against the tolerance."""

import numpy as np
import pandas as pd

from kitlib.curves.effects import mean_over
from kitlib.curves.samples import Samples
from kitlib.statistics.readings import moisture_bands
from kitlib.words.limits import Tolerance, threshold

BAND_COLUMNS = [
    "band_low",
    "band_high",
    "n",
    "n_trials",
    "mean_error",
    "low",
    "high",
    "method",
    "tolerance",
    "share_within",
    "verdict",
]


WITHIN, BEYOND, FEW = "within", "beyond", "too few samples"


def audit_bands(
    samples: Samples, tolerance: Tolerance, level: float, width: float = 2.0
) -> pd.DataFrame:
    """Return the mean error of each 2-point band of moisture against the tolerance.

    A band's verdict is "within" or "beyond" by its mean error, or "too few
    samples" under the number of `limits.THRESHOLDS`. Columns: `BAND_COLUMNS`.
    """
    lows = moisture_bands(samples.reference, width)
    rows = []
    for low in np.unique(lows):
        here = lows == low
        error, trial = samples.error[here], samples.trial[here]
        mean = mean_over(error, trial)
        allowed = tolerance.at(samples.reference[here])
        limit = float(tolerance.at(float(samples.reference[here].mean())))
        verdict = WITHIN if abs(mean.value) <= limit else BEYOND
        if error.size < threshold("samples_per_band"):
            verdict = FEW
        share = float((np.abs(error) <= allowed).mean())
        ends = mean.interval(level)
        rows.append(
            {
                "band_low": low,
                "band_high": low + width,
                "n": error.size,
                "n_trials": len(set(trial)),
                "mean_error": mean.value,
                "low": ends.low,
                "high": ends.high,
                "method": mean.method or mean.remark,
                "tolerance": limit,
                "share_within": share,
                "verdict": verdict,
            }
        )
    return pd.DataFrame(rows, columns=BAND_COLUMNS)
