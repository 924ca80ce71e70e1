"""The sensor's test weight against the benchtop's: the moisture curve leans on it."""

import pandas as pd

from kitlib.curves.effects import mean_over
from kitlib.curves.samples import tried
from kitlib.statistics.agreement_limits import limits_of_agreement
from kitlib.statistics.stats import agreement
from kitlib.trials.yields import kg_hl_to_lb_bu

NOT_GIVEN = "not given"

COLUMNS = [
    "crop",
    "chamber_config",
    "n",
    "n_trials",
    "mean_kg_hl",
    "bias_kg_hl",
    "bias_low_kg_hl",
    "bias_high_kg_hl",
    "bias_method",
    "sep_kg_hl",
    "limit_low_kg_hl",
    "limit_high_kg_hl",
    "bias_lb_bu",
    "sep_lb_bu",
]


def audit_test_weight(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return how the sensor's test weight agrees with the benchtop's.

    Estimand of the bias: mean of sensor − benchtop over trials like these, by crop
    and chamber set-up, for the set-up's volume is what test weight is measured by.

    Parameters
    ----------
    pairs : DataFrame
        The season's pairs; those with both test weights count, each sample once.
    level : float
        Confidence level, clustered by trial.

    Returns
    -------
    DataFrame
        Columns `COLUMNS`, empty where no sample has both.
    """
    both = pairs[~pairs["parallel"]]
    both = both.dropna(subset=["test_weight_kg_hl", "benchtop_test_weight_kg_hl"])
    both = both.drop_duplicates(["sample", "trial", "plot"])
    config = both["chamber_config"].fillna(NOT_GIVEN)
    rows = [
        _row(crop, set_up, group, level)
        for (crop, set_up), group in both.groupby(["crop", config], sort=True)
    ]
    return pd.DataFrame(rows, columns=COLUMNS)


def _row(crop: str, set_up: str, group: pd.DataFrame, level: float) -> dict:
    """Return the agreement of one crop's test weights in one chamber set-up."""
    sensor = group["test_weight_kg_hl"].to_numpy(float)
    benchtop = group["benchtop_test_weight_kg_hl"].to_numpy(float)
    trial = group["trial"].to_numpy(object)
    bias = mean_over(sensor - benchtop, trial)
    ends = bias.interval(level)
    agreed, _ = tried(agreement, sensor, benchtop)
    limits, _ = tried(limits_of_agreement, sensor, benchtop)
    row = {
        "crop": crop,
        "chamber_config": set_up,
        "n": len(group),
        "n_trials": group["trial"].nunique(),
        "mean_kg_hl": benchtop.mean(),
        "bias_kg_hl": bias.value,
        "bias_low_kg_hl": ends.low,
        "bias_high_kg_hl": ends.high,
        "bias_method": bias.method or bias.remark,
        "bias_lb_bu": kg_hl_to_lb_bu(bias.value),
    }
    if agreed is not None:
        row["sep_kg_hl"] = agreed.sep
        row["sep_lb_bu"] = kg_hl_to_lb_bu(agreed.sep)
    if limits is not None:
        row["limit_low_kg_hl"] = limits.lower.value
        row["limit_high_kg_hl"] = limits.upper.value
    return row
