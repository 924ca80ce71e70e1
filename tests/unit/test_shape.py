"""Bend and spread of the errors over moisture."""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.agreement import curvature, span_of, spread_trend
from kitlib.words.findings import NoSpread, NotFinite, TooFewSamples


def scaled(reference):
    """Return moistures as -1 at the 5 % point to +1 at the 95 % point."""
    low, high = span_of(reference)
    return 2 * (reference - low) / (high - low) - 1


@pytest.fixture
def moistures(rng):
    return rng.uniform(12, 24, 60), np.arange(60) // 5


def test_a_parabola_is_found_exactly(moistures):
    reference, trial = moistures
    z = scaled(reference)
    found = curvature(reference + 0.2 + 0.5 * z - 0.3 * z**2, reference, trial)
    assert found.value == approx(0.3, rel=1e-9)


def test_a_straight_relation_does_not_bend_whatever_its_slope(moistures):
    reference, trial = moistures
    found = curvature(2.0 + 1.3 * reference, reference, trial)
    assert found.value == approx(0, abs=1e-12)


def test_a_bend_turned_over_changes_sign(moistures, rng):
    reference, trial = moistures
    error = 0.01 * (reference - 18) ** 2 + rng.normal(0, 0.3, 60)
    up = curvature(reference + error, reference, trial)
    down = curvature(reference - error, reference, trial)
    assert up.value == approx(-down.value) and up.se == approx(down.se)


def test_a_steady_sensor_on_skew_moistures_does_not_bend(rng):
    # Against its own readings it would: few wet samples, so that the wettest
    # readings are mostly lucky ones.
    reference = 12 + rng.exponential(2.0, 20_000)
    sensor = reference + rng.normal(0, 1.0, 20_000)
    found = curvature(sensor, reference, np.arange(20_000) // 20)
    assert found.interval(0.99).holds(0.0)
    # The same errors, told against the readings.
    wrong = curvature(2 * sensor - reference, sensor, np.arange(20_000) // 20)
    assert not wrong.interval(0.99).holds(0.0)


def test_spread_that_doubles_is_found(rng):
    reference = rng.uniform(12, 24, 40_000)
    sd = 0.3 * 2 ** ((scaled(reference) + 1) / 2)
    sensor = reference + 0.5 + rng.normal(0, 1, 40_000) * sd
    found = spread_trend(sensor, reference, np.arange(40_000) // 40)
    assert found.ratio == approx(2, abs=0.06)
    assert found.interval(0.999).holds(2.0)


def test_steady_spread_has_a_ratio_of_one(rng):
    reference = rng.uniform(12, 24, 40_000)
    sensor = 1.2 * reference + rng.normal(0, 0.5, 40_000)
    found = spread_trend(sensor, reference, np.arange(40_000) // 40)
    assert found.interval(0.999).holds(1.0)


def test_wet_and_dry_changed_over_give_the_reciprocal(moistures, rng):
    reference, trial = moistures
    sensor = reference + rng.normal(0, 0.5, 60)
    there = spread_trend(sensor, reference, trial)
    back = spread_trend(-sensor, -reference, trial)
    assert there.ratio * back.ratio == approx(1, rel=1e-8)
    assert there.log_ratio.se == approx(back.log_ratio.se, rel=1e-8)


def test_errors_of_zero_are_taken():
    reference = np.array([12.0, 12, 12, 16, 16, 16, 20, 20, 20, 20])
    error = np.array([0.1, -0.1, 0, 0.2, -0.2, 0, 0.3, -0.3, 0, 0])
    found = spread_trend(reference + error, reference, np.arange(10) % 5)
    assert found.ratio > 1.5 and np.isfinite(found.interval()).all()


def test_a_perfect_line_has_no_spread_to_follow(moistures):
    reference, trial = moistures
    found = spread_trend(1.1 * reference, reference, trial)
    assert not found.log_ratio.known and np.isnan(found.interval()).all()
    assert "too few errors" in found.log_ratio.remark


def test_errors_at_one_end_only_are_not_followed():
    reference = np.array([12.0, 12, 12, 12, 20, 20, 20, 20])
    error = np.array([0, 0, 0, 0, 0.3, -0.3, 0.3, -0.3])
    found = spread_trend(reference + error, reference, list("ABCDABCD"))
    assert not found.log_ratio.known and np.isnan(found.ratio)


def test_two_trials_give_values_but_no_intervals(moistures, rng):
    reference, trial = moistures
    sensor = reference + rng.normal(0, 0.5, 60)
    assert np.isnan(curvature(sensor, reference, trial % 2).interval()).all()
    found = spread_trend(sensor, reference, trial % 2)
    assert found.log_ratio.known and np.isnan(found.interval()).all()


def test_constant_references_are_refused():
    with pytest.raises(NoSpread, match="middle 90 %"):
        curvature([14.0, 15.0, 16.0, 17.0], [15.0] * 4, range(4))
    with pytest.raises(NoSpread, match="middle 90 %"):
        spread_trend([14.0, 15.0, 16.0, 17.0], [15.0] * 4, range(4))
    with pytest.raises(NoSpread, match="takes 2 values"):
        curvature([14.0, 15.0, 16.0, 17.0], [14.0, 14.0, 16.0, 16.0], range(4))


def test_a_constant_sensor_is_straight():
    found = curvature([15.0] * 5, [12.0, 14.0, 15.0, 17.0, 20.0], range(5))
    assert found.value == approx(0, abs=1e-12)


def test_bad_input_is_named():
    with pytest.raises(TooFewSamples, match="curvature: got n = 3"):
        curvature([14, 15, 16], [14, 15, 16], range(3))
    with pytest.raises(NotFinite, match=r"spread_trend: reference\[3\] is inf"):
        spread_trend([14, 15, 16, 17], [14, 15, 16, np.inf], range(4))
