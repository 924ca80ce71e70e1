"""Check runs day by day: offsets restated, re-tests joined up, every run counted."""

import numpy as np
import pandas as pd
from pytest import approx

from kitlib.review.control_charts import check_runs, known_at, offset_at

DAYS = pd.to_datetime(["2025-09-01", "2025-09-08", "2025-09-15", "2025-09-22"])


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
    assert found.cells["runs"].tolist() == [2, 1, 1]
    assert found.cells["error"].to_numpy() == approx([0.2, 0.0, 0.0])


def test_every_run_is_used_or_open():
    runs = runs_of("a", [15.1, np.nan, 15.0, 15.2], at=[*DAYS[:3], pd.NaT])
    found = check_runs(runs, [0.0, 0.0, np.nan, 0.0], 0.0)
    assert (found.n_runs, found.n_open) == (1, 3)
    assert len(found.days) == 1


def test_order_of_rows_does_not_matter():
    runs = pd.concat([runs_of("b", [1, 2, 3, 4]), runs_of("a", [5, 6, 7, 8])])
    runs = runs.reset_index(drop=True)
    one = check_runs(runs, np.zeros(8), 0.0).cells
    other = check_runs(runs[::-1], np.zeros(8), 0.0).cells
    pd.testing.assert_frame_equal(one, other)
