"""Control charts and drift of check samples: alarms when due, hardly otherwise."""

from math import sqrt

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from test_check_limits import checks

from kitlib.review.check_samples import (
    CUSUM,
    EWMA,
    SHEWHART,
    base_of,
    check_chart,
    drift_of,
)
from kitlib.review.control_charts import joint_quantile, sigmas

QUIET = [[0.1, 1.0], [0.3, 1.2], [0.2, 1.1]]


def chart_of(errors, sd=0.15, df=20, **more):
    found = checks(errors, **more)
    return check_chart(found, base_of(found), sd, df)


def test_limits_by_hand():
    found = chart_of([*QUIET, [0.2, 1.1], [0.5, 1.1]])
    assert found.cells["deviation"].to_numpy() == approx([0, 0, 0.3, 0], abs=1e-12)
    limit = joint_quantile(20, 4) * 0.15 * sqrt(1 + 1 / 3)
    assert found.cells["limit"].to_numpy() == approx(np.full(4, limit))
    assert found.first_out == {SHEWHART: None, EWMA: None, CUSUM: None}


def test_a_jump_is_called_the_day_it_comes():
    found = chart_of([*QUIET, [0.2, 1.1], [1.2, 1.1], [0.2, 1.1]])
    assert found.first_out[SHEWHART] == pd.Timestamp("2025-09-29")
    assert found.cells["out"].sum() == 1


def test_a_lasting_shift_is_called_by_the_ewma_before_it_shows_in_one_sample():
    found = chart_of([*QUIET, *[[0.5, 1.4]] * 6])
    assert found.first_out[SHEWHART] is None
    assert found.first_out[EWMA] is not None


def test_ewma_limits_hold_the_error_of_the_centres(rng):
    # SD of the last average over many seasons, centres estimated from three days each.
    ends, widths = [], []
    for _ in range(100):
        found = chart_of(rng.normal(0, 0.15, (9, 2)))
        ends.append(found.occasions["ewma"].iloc[-1])
        widths.append(found.occasions["ewma_limit"].iloc[-1])
    # The limits stand at the t quantile, 20 df, as rare as 3 SD of a normal one.
    assert np.ptp(widths) < 1e-12
    assert np.std(ends) == approx(widths[0] / sigmas(20), rel=4 / sqrt(200))


@pytest.mark.parametrize("days", [8, 16])
def test_a_sensor_in_order_is_hardly_ever_called_out(rng, days):
    alarms = {SHEWHART: 0, EWMA: 0, CUSUM: 0}
    for _ in range(50):
        errors = rng.normal(0, 0.15, (days, 2)) + rng.normal(0, 0.4, 2)
        for name, day in chart_of(errors).first_out.items():
            alarms[name] += day is not None
    # 6 % of 50 seasons and four standard errors more.
    assert max(alarms.values()) <= 3 + 4 * sqrt(50 * 0.06 * 0.94)


def test_samples_levels_do_not_matter():
    one = chart_of([*QUIET, [0.5, 1.4]])
    other = chart_of([[a + 3, b - 5] for a, b in [*QUIET, [0.5, 1.4]]])
    assert one.occasions["ewma"].to_numpy() == approx(other.occasions["ewma"])
    assert one.occasions["cusum"].to_numpy() == approx(other.occasions["cusum"])


def test_base_days_stand_about_their_centres():
    found = chart_of([*QUIET, [0.2, 1.1]])
    assert found.base_cells["deviation"].sum() == approx(0, abs=1e-12)
    assert len(found.base_cells) == 6


def test_too_few_days_are_not_judged_and_say_why():
    found = chart_of(QUIET)
    assert "nothing is left to judge" in found.remark
    assert found.first_out == {} and found.cells.empty
    unknown = chart_of([*QUIET, [0.2, 1.1]], sd=float("nan"), df=0)
    assert "no SD is known" in unknown.remark
    assert not unknown.cells["out"].any()


def test_drift_recovers_a_line_through_samples_of_their_own_level(rng):
    weeks = np.arange(12)
    drifting = np.add.outer(0.07 * weeks, [0.0, 1.5]) + rng.normal(0, 0.02, (12, 2))
    found = drift_of(checks(drifting))
    assert abs(found.value - 0.30) < 4 * found.se  # 0.07 a week is 0.30 in 30 days
    assert found.se < 0.02


def test_drift_leaves_the_set_up_out_and_needs_days():
    errors = [[5.0], [0.1], [0.2], [0.3], [0.4]]
    found = drift_of(checks(errors, at_setup=1))
    assert found.value == approx(0.1 * 30 / 7)
    assert not drift_of(checks(errors[:2], at_setup=1)).known
    assert "no check sample" in drift_of(checks(errors[:1], at_setup=1)).remark


def test_drift_covers_as_often_as_it_says(rng):
    held = 0
    for _ in range(100):
        day = rng.normal(0, 0.1, (8, 1))  # what a day does to all samples
        held += drift_of(checks(day + rng.normal(0, 0.1, (8, 2)))).interval().holds(0)
    assert held / 100 > 0.95 - 4 * sqrt(0.95 * 0.05 / 100)
