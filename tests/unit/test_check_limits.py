"""Centres and scatter of check samples from their first days, and the set-up line."""

import numpy as np
import pandas as pd
from pytest import approx

from kitlib.review.check_samples import BASE_DAYS, base_of, pooled_scatter, setup_chart
from kitlib.review.control_charts import calibration_line, check_runs


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
    found = base_of(checks([[0.1, 1.0], [0.3, 1.2], [0.2, 1.1], [9.0, 9.0]]))
    assert found.centre.to_dict() == {"a": approx(0.2), "b": approx(1.1)}
    assert found.n.to_dict() == {"a": 3, "b": 3}
    assert found.squares == approx(0.04)  # 0.01 + 0.01 for each sample
    assert found.df == 4
    assert len(found.days) == BASE_DAYS


def test_a_sample_run_later_has_no_base():
    found = base_of(checks([[0.1, np.nan], [0.3, np.nan], [0.2, np.nan], [0.2, 1.0]]))
    assert list(found.centre.index) == ["a"]


def test_scatter_is_pooled_over_curves():
    one = base_of(checks([[0.1], [0.3], [0.2]]))
    other = base_of(checks([[0.0, 1.0], [0.4, 1.0], [0.2, 1.0]]))
    sd, df = pooled_scatter([one, other])
    assert df == 6
    assert sd**2 == approx((0.02 + 0.08) / 6)


def test_no_scatter_is_not_a_scatter_of_zero():
    assert pooled_scatter([])[1] == 0
    sd, df = pooled_scatter([base_of(checks([[0.1], [0.1], [0.1]]))])
    assert np.isnan(sd) and df == 0


def test_setup_chart_holds_a_day_together_and_leaves_setup_days_out():
    line = calibration_line([10, 15, 20, 25], [10.1, 14.9, 20.1, 24.9])
    found = setup_chart(checks([[0.0, 0.0], [0.0, 2.0]], at_setup=1), line)
    assert found.limit == approx(line.limit(2))
    assert found.first_out == pd.Timestamp("2025-09-08")
    assert found.cells["out"].tolist() == [False, True]
    quiet = setup_chart(checks([[0.0, 0.0]], at_setup=0), line)
    assert quiet.first_out is None
