"""Costs of plans, and the cheapest one by brute force."""

from itertools import product
from math import sqrt

import numpy as np
import pytest
from pytest import approx
from reviewed import costs_of

from kitlib.review.plan import (
    BENCHTOP_PER_TRIAL,
    DISHES,
    HOURS,
    SAMPLES_PER_TRIAL,
    TRIALS,
    Scatter,
    bias_half_width,
    cheapest,
    cost_of,
    efficient,
    plan_table,
)
from kitlib.words.terms import columns_of

SCATTER = Scatter(sd_trial=0.25, sd_own=0.45, sd_dish=0.1, sd_moisture=2.5)
COSTS = costs_of(50, 4, 6, 1)


def test_cost_by_hand():
    # Three trials of 4 samples, 2 dishes each: 3 x (50 + 16 + 48).
    assert cost_of(COSTS, 3, 4, 2) == approx(342)
    # Five more for the benchtop: 9 samples taken and read, 8 dishes.
    assert cost_of(COSTS, 3, 4, 2, 5) == approx(3 * (50 + 36 + 48 + 9))


def test_cheapest_is_the_cheapest_of_all_that_suffice():
    wanted = 0.3
    table = plan_table(SCATTER, COSTS, wanted)
    best = cheapest(table)
    enough = [
        float(cost_of(COSTS, *plan))
        for plan in product(TRIALS, SAMPLES_PER_TRIAL, DISHES)
        if bias_half_width(SCATTER, *plan) <= wanted
    ]
    assert best["cost"] == approx(min(enough))
    assert best["half_width_bias"] <= wanted
    assert table["cheapest"].sum() == 1
    assert set(table) | {"crop", "curve", "wanted", "remark"} == set(columns_of("plan"))


def test_a_wish_no_plan_fulfils():
    table = plan_table(SCATTER, COSTS, 1e-6)
    assert cheapest(table) is None and not table["reaches"].any()


def test_dear_visits_call_for_more_samples_a_trial():
    sizes = [
        cheapest(plan_table(SCATTER, costs_of(visit, 4, 6, 1), 0.3))[
            "samples_per_trial"
        ]
        for visit in (1, 200)
    ]
    assert sizes[0] < sizes[1]


def test_plans_without_a_meter_have_no_benchtop_samples():
    assert set(plan_table(SCATTER, COSTS, 0.3)["benchtop_per_trial"]) == {0}
    metered = Scatter(sd_trial=0.1, sd_own=0.6, sd_dish=0.1, sd_benchtop=0.1)
    table = plan_table(metered, costs_of(10, 0.5, 20, 0.1), 0.3)
    assert set(table["benchtop_per_trial"]) == set(BENCHTOP_PER_TRIAL)
    # Dishes are dear and the meter is good: it is used.
    assert cheapest(table)["benchtop_per_trial"] > 0


def test_free_of_cost_the_fewest_trials_win():
    table = plan_table(SCATTER, costs_of(0, 0, 0, 0), 0.3)
    enough = table[table["reaches"]]
    assert cheapest(table)["trials"] == enough["trials"].min()


@pytest.mark.parametrize("trials", [3, 8])
def test_chance_of_reaching_it_against_simulation(rng, trials):
    # Half-widths of intervals from trials of one size, in units of the planned one.
    means = rng.normal(size=(20000, trials))
    half = means.std(axis=1, ddof=1)
    planned = bias_half_width(SCATTER, trials, 1, 1)
    for wanted in (0.8, 1.0, 1.3):
        share = (half <= wanted).mean()
        unsure = 4 * sqrt(0.25 / 20000)
        table = plan_table(SCATTER, HOURS, wanted * float(planned))
        plan = table.query("trials == @trials and samples_per_trial == 1").iloc[0]
        assert plan["chance_reached"] == approx(share, abs=unsure)


def test_efficient_plans_fall_as_cost_rises():
    front = efficient(plan_table(SCATTER, HOURS, 0.3))
    assert (np.diff(front["cost"]) >= 0).all()
    assert (np.diff(front["half_width_bias"]) < 0).all()
