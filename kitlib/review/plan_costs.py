"""What sampling plans cost, and the cheapest that brings a bias near enough."""

from math import isfinite
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import chi2

from kitlib.review.sampling_plan import Scatter, bias_half_width, slope_half_width

TRIALS = (*range(2, 13), 14, 16, 20, 24, 30, 40)
SAMPLES_PER_TRIAL = (1, 2, 3, 4, 5, 6, 8, 10)
DISHES = (1, 2, 3)
BENCHTOP_PER_TRIAL = (0, 5, 10)


class Costs(NamedTuple):
    """What a plan costs, in any one unit, money or hours."""

    trial: float
    sample: float
    dish: float
    benchtop_reading: float


# Hours of work, our own choice: a visit half a day, a sample taken, bagged and
# labelled a quarter of an hour, a dish weighed twice twelve minutes.
HOURS = Costs(trial=4.0, sample=0.25, dish=0.2, benchtop_reading=0.1)


def cost_of(costs: Costs, trials, samples, dishes, benchtop=0):
    """Return what a plan costs.

    Examples
    --------
    >>> float(cost_of(Costs(10, 2, 1, 0.5), trials=3, samples=4, dishes=2))
    78.0
    """
    trials, oven, more = (np.asarray(a, float) for a in (trials, samples, benchtop))
    read = np.where(more > 0, oven + more, 0.0)
    a_trial = costs.trial + (oven + more) * costs.sample
    a_trial = a_trial + oven * dishes * costs.dish + read * costs.benchtop_reading
    return trials * a_trial


PLAN_COLUMNS = ["trials", "samples_per_trial", "dishes", "benchtop_per_trial"]
PLAN_COLUMNS += ["oven_samples", "half_width_bias", "half_width_slope", "cost"]
PLAN_COLUMNS += ["chance_reached", "reaches", "cheapest"]


def plan_table(
    scatter: Scatter, costs: Costs, wanted: float, level: float = 0.95
) -> pd.DataFrame:
    """Return what each plan reaches and costs, and the cheapest that suffices.

    Parameters
    ----------
    scatter : Scatter
    costs : Costs
    wanted : float
        Half-width of the bias's interval that is wanted. [% moisture]
    level : float

    Returns
    -------
    DataFrame
        Columns `PLAN_COLUMNS`: `reaches` where the half-width is at most the one
        wanted, `chance_reached` the chance that a season's own interval is, and
        `cheapest` for one plan at most, of equal cost the one with fewer trials.

    Examples
    --------
    >>> table = plan_table(Scatter(sd_trial=0.2, sd_own=0.4), HOURS, wanted=0.25)
    >>> table.loc[table["cheapest"], ["trials", "samples_per_trial"]].values.tolist()
    [[7, 5]]
    """
    meters = BENCHTOP_PER_TRIAL if isfinite(scatter.sd_benchtop) else (0,)
    grid = np.meshgrid(TRIALS, SAMPLES_PER_TRIAL, DISHES, meters, indexing="ij")
    plan = np.column_stack([axis.ravel() for axis in grid])
    trials, samples, *_ = plan.T
    half = bias_half_width(scatter, *plan.T, level)
    slope = slope_half_width(scatter, *plan.T[:3], level)
    table = pd.DataFrame(
        {
            **dict(zip(PLAN_COLUMNS, plan.T, strict=False)),
            "oven_samples": trials * samples,
            "half_width_bias": half,
            "half_width_slope": slope,
            "cost": cost_of(costs, *plan.T),
            "chance_reached": chance_reached(half, trials, wanted),
            "reaches": half <= wanted,
            "cheapest": False,
        }
    )
    enough = table[table["reaches"]]
    if len(enough):
        order = ["cost", "trials", "samples_per_trial", "dishes", "benchtop_per_trial"]
        table.loc[enough.sort_values(order).index[0], "cheapest"] = True
    return table[PLAN_COLUMNS]


def chance_reached(half_width, trials, wanted: float):
    """Return the chance that a season's interval is no wider than wanted.

    Its squared half-width is a chi-squared on trials − 1 degrees of freedom about
    the planned one.

    Examples
    --------
    >>> print(f"{chance_reached(0.3, 6, 0.3):.2f}")
    0.58
    """
    df = np.asarray(trials, float) - 1
    return chi2.cdf(df * (wanted / np.asarray(half_width, float)) ** 2, df)


def cheapest(table: pd.DataFrame) -> pd.Series | None:
    """Return the cheapest plan that suffices, None if none of the table does."""
    found = table[table["cheapest"]]
    return found.iloc[0] if len(found) else None


def efficient(table: pd.DataFrame) -> pd.DataFrame:
    """Return the plans no other one beats at the same cost or less, by cost."""
    ranked = table.sort_values(["cost", "half_width_bias"], kind="stable")
    best_before = ranked["half_width_bias"].cummin().shift(fill_value=np.inf)
    return ranked[ranked["half_width_bias"] < best_before]


def worth_telling(table: pd.DataFrame) -> pd.DataFrame:
    """Return the efficient plans, and all of two dishes without a benchtop meter."""
    plain = (table["dishes"] == 2) & (table["benchtop_per_trial"] == 0)
    return table[plain | table.index.isin(efficient(table).index)]
