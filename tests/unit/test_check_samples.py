"""Check samples: runs as errors, limits by hand, alarms when due and hardly otherwise.

Published tables of the charts stand among the oracles.
"""

from math import sqrt

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from scipy.stats import norm

from kitlib.review.check_samples import (
    BASE_DAYS,
    CUSUM,
    EWMA,
    SHEWHART,
    check_chart,
    check_runs,
    cusum,
    drift_of,
    ewma_weights,
    held_to_line,
    joint_quantile,
    known_at,
    offset_at,
    pooled_scatter,
    setup_line,
    sigmas,
)

DAYS = pd.to_datetime(["2025-09-01", "2025-09-08", "2025-09-15", "2025-09-22"])
QUIET = [[0.1, 1.0], [0.3, 1.2], [0.2, 1.1]]


def runs_of(sample, sensor, known=15.0, at=DAYS):
    return pd.DataFrame(
        {
            "sample": sample,
            "known_pct": known,
            "sensor_pct": sensor,
            "run_at": at,
            "at_setup": False,
        }
    )


def test_offset_before_the_first_plot_is_that_of_the_first():
    plots = pd.to_datetime(["2025-09-05", "2025-09-10"])
    found = offset_at(DAYS[:1], plots, [0.2, 0.2], 0.9)
    assert found.tolist() == [0.2]


def test_offset_between_two_that_differ_is_nobodys_to_tell():
    plots = pd.to_datetime(["2025-09-05", "2025-09-10"])
    found = offset_at(DAYS, plots[::-1], [0.3, 0.6], 0.9)  # rows in any order
    assert found.tolist()[0] == 0.6 and np.isnan(found[1])
    assert found.tolist()[2:] == [0.3, 0.3]


def test_a_season_that_says_nothing_has_the_registers_offset():
    plots = pd.to_datetime(["2025-09-05", None])
    assert offset_at(DAYS, plots, [np.nan, 0.3], 0.9).tolist() == [0.9] * 4
    assert offset_at(DAYS, [], [], 0.9).tolist() == [0.9] * 4


def test_known_moisture_is_joined_between_tests():
    # 15.0 tested on day 0, 14.6 on day 20; nothing is known after that.
    days = np.array([0, 5, 10, 20, 30], "datetime64[D]")
    found = known_at(days, [15.0, 15.0, 15.0, 14.6, 14.6])
    assert found == approx(np.array([15.0, 14.9, 14.8, 14.6, 14.6]))
    assert known_at(days[:2], [15.0, 15.0]) == approx([15.0, 15.0])


def test_a_drying_sample_does_not_look_like_a_drifting_sensor():
    # The sensor is right throughout; the sample dries by 0.1 a week.
    dries = [15.0, 14.9, 14.8, 14.7]
    runs = runs_of("a", dries, known=[15.0, 15.0, 15.0, 14.7])
    found = check_runs(runs, np.zeros(4), 0.0)
    assert found.cells["error"].to_numpy() == approx(np.zeros(4), abs=1e-9)
    assert found.cells["error_held"].to_numpy() == approx([0, -0.1, -0.2, -0.3])
    assert found.own_change == {"a": approx(-0.3)}


def test_readings_are_restated_to_the_registers_offset():
    runs = runs_of("a", [15.6, 15.6, 15.3, 15.3])
    found = check_runs(runs, [0.6, 0.6, 0.3, 0.3], 0.3)
    assert found.cells["error"].to_numpy() == approx(np.full(4, 0.3))


def test_runs_of_one_day_are_one_cell():
    at = pd.to_datetime(["2025-09-01 08:00", "2025-09-01 17:00", *DAYS[1:3]])
    found = check_runs(runs_of("a", [15.1, 15.3, 15.0, 15.0], at=at), np.zeros(4), 0.0)
    assert found.cells["error"].to_numpy() == approx([0.2, 0.0, 0.0])


def test_every_run_is_used_or_open():
    runs = runs_of("a", [15.1, np.nan, 15.0, 15.2], at=[*DAYS[:3], pd.NaT])
    found = check_runs(runs, [0.0, 0.0, np.nan, 0.0], 0.0)
    assert (found.n_runs, found.n_open) == (1, 3)
    assert found.cells["day"].nunique() == 1


def test_order_of_rows_does_not_matter():
    runs = pd.concat([runs_of("b", [1, 2, 3, 4]), runs_of("a", [5, 6, 7, 8])])
    runs = runs.reset_index(drop=True)
    one = check_runs(runs, np.zeros(8), 0.0).cells
    other = check_runs(runs[::-1], np.zeros(8), 0.0).cells
    pd.testing.assert_frame_equal(one, other)


def checks(errors, known=15.0, start="2025-09-01", at_setup=0):
    """Return check runs of samples a, b, … a week apart; rows are days."""
    errors = np.atleast_2d(np.asarray(errors, float))
    n_days, n_samples = errors.shape
    day = pd.date_range(start, periods=n_days, freq="7D").repeat(n_samples)
    runs = pd.DataFrame(
        {
            "sample": list("abcdef"[:n_samples]) * n_days,
            "known_pct": known,
            "sensor_pct": known + errors.ravel(),
            "run_at": day,
            "at_setup": np.arange(n_days).repeat(n_samples) < at_setup,
        }
    ).dropna(subset="sensor_pct")
    return check_runs(runs, np.zeros(len(runs)), 0.0)


def test_base_by_hand():
    cells = checks([[0.1, 1.0], [0.3, 1.2], [0.2, 1.1], [9.0, 9.0]]).cells
    # Centres 0.2 and 1.1, from three days each.
    assert cells["base"].sum() == 2 * BASE_DAYS
    assert cells["deviation"].to_numpy() == approx(
        [-0.1, -0.1, 0.1, 0.1, 0, 0, 8.8, 7.9], abs=1e-12
    )
    assert set(cells["base_days"]) == {3}


def test_a_sample_run_later_has_no_base():
    cells = checks([[0.1, np.nan], [0.3, np.nan], [0.2, np.nan], [0.2, 1.0]]).cells
    assert cells.loc[cells["deviation"].notna(), "sample"].eq("a").all()
    assert cells.loc[cells["sample"] == "b", "deviation"].isna().all()


def test_scatter_is_pooled_over_curves():
    one = checks([[0.1], [0.3], [0.2]])
    other = checks([[0.0, 1.0], [0.4, 1.0], [0.2, 1.0]])
    sd, df = pooled_scatter([one, other])
    assert df == 6
    assert sd**2 == approx((0.02 + 0.08) / 6)


def test_no_scatter_is_not_a_scatter_of_zero():
    assert pooled_scatter([])[1] == 0
    sd, df = pooled_scatter([checks([[0.1], [0.1], [0.1]])])
    assert np.isnan(sd) and df == 0


def test_setup_line_holds_a_day_together_and_leaves_setup_days_out():
    known, readings = [10, 15, 20, 25], [10.1, 14.9, 20.1, 24.9]
    found = checks([[0.0, 0.0], [0.0, 2.0]], at_setup=1)
    line, first = held_to_line(found, known, readings)
    assert line == setup_line(known, readings, a_day=2)
    assert first == pd.Timestamp("2025-09-08")
    assert held_to_line(checks([[0.0, 0.0]]), known, readings)[1] is None
    assert held_to_line(found, known[:2], readings[:2]) == (None, None)


def chart_of(errors, sd=0.15, df=20, **more):
    found = checks(errors, **more)
    return check_chart(found, sd, df)


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


@pytest.mark.slow
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


@pytest.mark.slow
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


def test_too_few_days_are_not_judged_and_say_why():
    found = chart_of(QUIET)
    assert "nothing to test" in found.remark
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


@pytest.mark.slow
def test_drift_covers_as_often_as_it_says(rng):
    held = 0
    for _ in range(100):
        day = rng.normal(0, 0.1, (8, 1))  # what a day does to all samples
        held += drift_of(checks(day + rng.normal(0, 0.1, (8, 2)))).interval().holds(0)
    assert held / 100 > 0.95 - 4 * sqrt(0.95 * 0.05 / 100)


def test_joint_quantile_holds_all_values_together(rng):
    draws = rng.normal(size=(40000, 5))
    within = (np.abs(draws) <= joint_quantile(1e9, 5)).all(axis=1).mean()
    assert within == approx(0.95, abs=4 * sqrt(0.95 * 0.05 / 40000))


def test_joint_quantile_is_on_the_safe_side_with_one_sd_for_all(rng):
    # Šidák's inequality for values over one estimated SD.
    draws = rng.normal(size=(40000, 6))
    sd = np.sqrt(rng.chisquare(5, 40000) / 5)
    within = (np.abs(draws).max(axis=1) <= joint_quantile(5, 6) * sd).mean()
    assert within > 0.95


def test_sigmas_are_as_rare_as_three_of_a_normal_distribution(rng):
    t = rng.standard_t(8, 2_000_000)
    assert (np.abs(t) > sigmas(8)).mean() == approx(2 * norm.sf(3), rel=0.05)


def test_departure_undoes_the_line():
    line = setup_line([10, 15, 22, 30], [10.3, 15.6, 22.2, 31.1])
    known = np.array([12.0, 27.0])
    on_it = line.start + line.slope * known
    assert line.departure(known, on_it) == approx(0, abs=1e-12)
    assert line.departure(known, on_it + 0.7 * line.slope) == approx(0.7)


def test_lines_that_are_none():
    assert setup_line([10, 20], [10, 20]) is None
    assert setup_line([15, 15, 15], [15.1, 15.2, 15.3]) is None
    assert setup_line([10, 15, 20], [20, 15, 10]) is None
    assert setup_line([10, 15, 20], [10, 15, 20]) is None  # no scatter, no limit


def test_ewma_variance_settles():
    # Exact at every step: lambda / (2 - lambda) (1 - (1 - lambda)^2t).
    weights, step = ewma_weights(200, 0.2), np.arange(1, 201)
    exact = 0.2 / 1.8 * (1 - 0.8 ** (2 * step))
    assert (weights**2).sum(axis=1) == approx(exact)


def test_cusum_mirrors():
    values = np.array([0.4, 1.3, -0.2, 2.0, -3.0, -0.1])
    above, below = cusum(values, slack=0.5)
    mirrored = cusum(-values, slack=0.5)
    assert above == approx(mirrored[1]) and below == approx(mirrored[0])
    assert cusum(values + 7, target=7, slack=0.5)[0] == approx(above)
    assert cusum([])[0].size == 0
