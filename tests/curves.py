"""Audits of one curve made from samples, for tests that need no season folder."""

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit
from kitlib.intake.pairs import OVEN, PAIR_COLUMNS
from kitlib.intake.settings import Season

SEASON = Season(name="test")


def pairs_of(sensor, reference, trial, reference_se=0.05) -> pd.DataFrame:
    """Return samples as the pairs of one curve, all taken blind."""
    n = len(sensor)
    pairs = pd.DataFrame(
        {
            "sample": [f"s{k}" for k in range(n)],
            "trial": np.asarray(trial).astype(str),
            "plot": [f"{k}" for k in range(n)],
            "basis": OVEN,
            "used": True,
            "parallel": False,
            "sensor_pct": np.asarray(sensor, float),
            "recorded_pct": np.asarray(sensor, float),
            "reference_pct": np.asarray(reference, float),
            "reference_se": reference_se,
        }
    )
    pairs["error"] = pairs["sensor_pct"] - pairs["reference_pct"]
    pairs = pairs.reindex(columns=PAIR_COLUMNS)
    pairs["harvested_at"] = pd.to_datetime(pairs["harvested_at"])
    return pairs


def audit_of(
    sensor,
    reference,
    trial,
    season=SEASON,
    crop="wheat",
    plots=None,
    reference_se=0.05,
    **register,
) -> CurveAudit:
    """Return the audit of one curve on given samples."""
    known = {
        "crop": crop,
        "crop_key": crop,
        "offset_loaded": 0.0,
        "offset_mixed": False,
        "chamber_config": np.nan,
        "sep_at_setup": np.nan,
        "n_at_setup": np.nan,
        **register,
    }
    if plots is not None:
        plots = plots.assign(harvested_at=pd.NaT)
    return CurveAudit(
        crop=crop,
        register=pd.Series(known, name="W", dtype=object),
        pairs=pairs_of(sensor, reference, trial, reference_se),
        plots=plots,
        settings=season,
    )
