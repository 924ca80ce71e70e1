"""Variance components that cannot be told apart, and those worked by hand."""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.reml import variance_components
from kitlib.words.findings import NoSpread, NotFinite, TooFewSamples

VALUES = [1.0, 3.0, 7.0, 9.0, 4.0, 6.0]
TRIAL = list("AABBCC")


def test_trials_by_hand():
    # Trial means 2, 8, 5 have variance 9 = t^2 + 2 / 2; within trials it is 2.
    found = variance_components(VALUES, TRIAL)
    assert found.sd_trial**2 == approx(8)
    assert found.sd_residual**2 == approx(2)
    assert np.isnan(found.sd_sensor)
    assert (found.n_trials, found.remark) == (3, "")


def test_a_balanced_crossing_is_the_analysis_of_variance():
    # Four trials by three sensors, once each: expected mean squares solved by hand.
    table = np.array([[1.0, 2, 4], [3, 5, 7], [2, 2, 5], [6, 7, 8]])
    trial, sensor = np.indices(table.shape).reshape(2, -1)
    rows, columns = table.mean(axis=1), table.mean(axis=0)
    left = table - rows[:, None] - columns + table.mean()
    error = (left**2).sum() / 6
    found = variance_components(table.ravel(), trial, sensor)
    assert found.sd_residual**2 == approx(error, rel=1e-6)
    assert found.sd_trial**2 == approx(rows.var(ddof=1) - error / 3, rel=1e-6)
    assert found.sd_sensor**2 == approx(columns.var(ddof=1) - error / 4, rel=1e-6)


def test_swapping_the_groupings_swaps_their_sds(rng):
    trial, sensor = rng.integers(0, 8, 60), rng.integers(0, 4, 60)
    values = rng.normal(size=8)[trial] + rng.normal(size=4)[sensor]
    values += rng.normal(size=60)
    here = variance_components(values, trial, sensor)
    there = variance_components(values, sensor, trial)
    assert (here.sd_trial, here.sd_sensor) == approx((there.sd_sensor, there.sd_trial))


def test_units_and_order_carry_through(rng):
    trial, sensor = rng.integers(0, 8, 60), rng.integers(0, 4, 60)
    values = rng.normal(size=8)[trial] + rng.normal(size=60)
    order = rng.permutation(60)
    here = variance_components(values, trial, sensor)
    there = variance_components(1e3 * values[order] + 1e5, trial[order], sensor[order])
    for name in ("sd_trial", "sd_sensor", "sd_residual"):
        assert getattr(there, name) == approx(1e3 * getattr(here, name), abs=1e-4)


def test_a_variance_of_zero_is_said():
    found = variance_components([0.1, 0.5, 0.2, 0.4, 0.0, 0.6], TRIAL)
    assert found.sd_trial == 0
    assert found.remark == "no variation between trials beyond the rest was detectable"


def test_one_sensor_only():
    found = variance_components(VALUES, TRIAL, ["s1"] * 6)
    assert np.isnan(found.sd_sensor)
    assert found.sd_trial**2 == approx(8)
    assert "one sensor only" in found.remark


def test_a_sensor_of_its_own_for_each_trial():
    found = variance_components(VALUES, TRIAL, ["s1", "s1", "s2", "s2", "s3", "s3"])
    assert np.isnan(found.sd_sensor)
    assert found.sd_trial**2 == approx(8)
    assert "each trial had a sensor of its own" in found.remark


def test_one_sample_a_trial():
    found = variance_components(VALUES, range(6), ["s1", "s1", "s2", "s2", "s3", "s3"])
    assert np.isnan(found.sd_trial)
    assert found.sd_sensor**2 == approx(8)
    assert "no trial gave two samples" in found.remark


def test_one_trial_and_no_sensors_leave_the_plain_sd():
    found = variance_components(VALUES, ["A"] * 6)
    assert np.isnan(found.sd_trial)
    assert found.sd_residual == approx(np.std(VALUES, ddof=1))


@pytest.mark.parametrize(
    ("trial", "sensor"),
    [("AABBCCDDEE", None), ("AABBCCCCDD", list("xxyyyyxxzz"))],
)
def test_samples_that_only_differ_by_their_labels_have_no_known_sd(trial, sensor):
    values = [0.1, 0.1, 0.5, 0.5, 0.2, 0.2, 0.4, 0.4, 0.3, 0.3]
    found = variance_components(values, list(trial), sensor)
    assert found.sd_residual == 0
    assert np.isnan(found.sd_trial) and np.isnan(found.sd_sensor)
    assert "do not differ" in found.remark


def test_input_that_says_nothing_is_refused():
    with pytest.raises(TooFewSamples, match="got n = 1"):
        variance_components([1.0], ["A"])
    with pytest.raises(NoSpread, match="all 3 responses are 2"):
        variance_components([2.0, 2.0, 2.0], list("AAB"))
    with pytest.raises(NotFinite, match=r"variance_components: response\[0\] is nan"):
        variance_components([np.nan, 2.0, 2.0], list("AAB"))
    with pytest.raises(NotFinite, match=r"variance_components: sensor\[1\] is missing"):
        variance_components([1.0, 2.0, 2.0], list("AAB"), ["s1", None, "s2"])
