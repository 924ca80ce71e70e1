"""Set-up and check runs of a curve made ready, with what is missing left out."""

import numpy as np
import pandas as pd
from pytest import approx

from kitlib.review.setup_runs import (
    IN_FORCE,
    checks_of,
    loaded_offset,
    offsets_in,
    repeated_runs,
    repeats_of,
    setup_chart_of,
)

DAY = pd.Timestamp("2025-09-01 08:00")
NO_PLOTS = pd.DataFrame({"harvested_at": pd.to_datetime([]), "offset_in_force": []})


def runs(sample, known, sensor, at=DAY, **more):
    return pd.DataFrame(
        {
            "sample": sample,
            "known_pct": known,
            "sensor_pct": sensor,
            "run_at": at,
            **more,
        }
    )


SETUP = runs(
    ["a", "a", "b", "c", "d"],
    [12.0, 12.0, 16.0, 20.0, 24.0],
    [12.1, 12.3, 16.0, 20.2, 23.9],
    DAY - pd.Timedelta(days=200),
)
CHECKS = runs(["k"] * 5, 15.0, [15.1, 15.3, 15.2, 15.4, 15.2], DAY).assign(
    run_at=pd.to_datetime(DAY) + pd.to_timedelta([0, 0.1, 7, 14, 21], unit="D")
)


def test_mixed_offsets_are_not_known():
    row = pd.Series({"offset_mixed": True, "offset_loaded": 0.3})
    assert np.isnan(loaded_offset(row))
    assert loaded_offset(row.replace(True, False)) == 0.3


def test_a_recorded_offset_goes_before_the_registers():
    told = SETUP.assign(**{IN_FORCE: [0.1, np.nan, 0.0, 0.0, 0.0]})
    assert offsets_in(told, 0.3).tolist() == [0.1, 0.3, 0.0, 0.0, 0.0]
    assert offsets_in(SETUP, 0.3).tolist() == [0.3] * 5
    as_text = SETUP.assign(**{IN_FORCE: ["0.1", "", "x", "0", None]})
    assert offsets_in(as_text, 0.3).tolist() == [0.1, 0.3, 0.3, 0.0, 0.3]


def test_runs_repeat_within_a_sample_or_a_sample_and_day():
    found = repeats_of(repeated_runs(SETUP, CHECKS))
    # Sample a twice at set-up; check sample k twice on its first day.
    assert (found.df, found.n_samples) == (2, 2)
    assert found.sd**2 == approx((0.02 + 0.02) / 2)


def test_readings_under_other_offsets_are_made_alike_first():
    told = SETUP.iloc[:2].assign(**{IN_FORCE: [0.0, 0.2]})
    assert repeats_of(repeated_runs(told, CHECKS.iloc[:0])).sd == approx(0, abs=1e-12)


def test_runs_without_a_number_or_a_time_take_no_part():
    lacking = CHECKS.assign(
        sensor_pct=[15.1, np.nan, 15.2, 15.4, 15.2],
        run_at=CHECKS["run_at"].where([True, True, True, True, False]),
    )
    assert len(repeated_runs(SETUP.iloc[:0], lacking)) == 3


def test_checks_of_a_curve_begin_with_the_set_up_of_the_same_sample():
    early = SETUP.assign(sample="k", known_pct=15.0, sensor_pct=15.5)
    found = checks_of(early, CHECKS, NO_PLOTS, 0.0)
    assert found.cells["at_setup"].tolist() == [True, False, False, False, False]
    assert found.n_runs == 10
    assert checks_of(SETUP, CHECKS, NO_PLOTS, 0.0).n_runs == 5


def test_checks_are_restated_by_the_plots_of_their_curve():
    at = pd.to_datetime([DAY + pd.Timedelta(days=d) for d in (1, 8, 20)])
    plots = pd.DataFrame({"harvested_at": at, "offset_in_force": [0.5, 0.5, 0.1]})
    found = checks_of(SETUP, CHECKS, plots, 0.1)
    # Of the run on day 14 nobody can tell; those of days 0 and 7 hold 0.4 too much.
    assert (found.n_runs, found.n_open) == (4, 1)
    assert found.cells["error"].to_numpy() == approx([0.2 - 0.4, 0.2 - 0.4, 0.2])


def test_without_runs_or_an_offset_there_are_no_checks():
    assert checks_of(SETUP, CHECKS.iloc[:0], NO_PLOTS, 0.0) is None
    assert checks_of(SETUP, CHECKS, NO_PLOTS, float("nan")) is None
    assert checks_of(SETUP, CHECKS.assign(sensor_pct=np.nan), NO_PLOTS, 0.0) is None


def test_set_up_line_needs_three_other_samples():
    checks = checks_of(SETUP, CHECKS, NO_PLOTS, 0.0)
    found = setup_chart_of(checks, SETUP, 0.0, 0.95)
    assert found.line.n == 4  # samples, not runs
    assert found.first_out is None
    assert setup_chart_of(checks, SETUP.iloc[:3], 0.0, 0.95) is None
    assert setup_chart_of(None, SETUP, 0.0, 0.95) is None
