"""The sensor's test weight against the benchtop's: moisture readings rest on it."""

import pandas as pd

from kitlib.statistics.agreement import agreement, limits_of_agreement
from kitlib.statistics.arrays import tried
from kitlib.statistics.clustered import clustered_mean
from kitlib.trials.yields import KG_PER_LB, NOT_GIVEN
from kitlib.words.terms import columns_of

# The Winchester bushel of 2150.42 cubic inches (7 CFR 810.102(d)), an inch of
# 25.4 mm. Volume arithmetic only: some grading tables use fitted lines per crop,
# which allow for packing and differ from it.
HL_PER_WINCHESTER_BUSHEL = 0.3523907016688
KG_HL_PER_LB_BU = KG_PER_LB / HL_PER_WINCHESTER_BUSHEL


def audit_test_weight(pairs: pd.DataFrame, level: float) -> pd.DataFrame:
    """Return how the sensor's test weight agrees with the benchtop's.

    Estimand of the bias: mean of sensor − benchtop over trials like these, by crop
    and chamber configuration, whose volume is what test weight is measured by.

    Parameters
    ----------
    pairs : DataFrame
        The season's pairs; those with both test weights count, each sample once.
    level : float
        Confidence level, clustered by trial.

    Returns
    -------
    DataFrame
        Columns as declared for `test_weight`, empty where no sample has both.
    """
    both = pairs[~pairs["parallel"]]
    both = both.dropna(subset=["test_weight_kg_hl", "benchtop_test_weight_kg_hl"])
    both = both.drop_duplicates(["sample", "trial", "plot"])
    config = both["chamber_config"].fillna(NOT_GIVEN)
    rows = [
        {"crop": crop, "chamber_config": configuration, **_agreed(group, level)}
        for (crop, configuration), group in both.groupby(["crop", config], sort=True)
    ]
    return pd.DataFrame(rows, columns=list(columns_of("test_weight")))


def _agreed(group: pd.DataFrame, level: float) -> dict:
    """Return how the test weights of one crop and chamber configuration agree."""
    sensor = group["test_weight_kg_hl"].to_numpy(float)
    benchtop = group["benchtop_test_weight_kg_hl"].to_numpy(float)
    bias = clustered_mean(sensor - benchtop, group["trial"].to_numpy(object))
    ends = bias.interval(level)
    row = {
        "n": len(group),
        "n_trials": group["trial"].nunique(),
        "mean_kg_hl": benchtop.mean(),
        "bias_kg_hl": bias.value,
        "bias_low_kg_hl": ends.low,
        "bias_high_kg_hl": ends.high,
        "bias_method": bias.method or bias.remark,
        "bias_lb_bu": bias.value / KG_HL_PER_LB_BU,
    }
    agreed, _ = tried(agreement, sensor, benchtop)
    if agreed is not None:
        row |= {"sep_kg_hl": agreed.sep, "sep_lb_bu": agreed.sep / KG_HL_PER_LB_BU}
    limits, _ = tried(limits_of_agreement, sensor, benchtop)
    if limits is not None:
        row["limit_low_kg_hl"] = limits.lower.value
        row["limit_high_kg_hl"] = limits.upper.value
    return row
