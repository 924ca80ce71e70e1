"""Limits of agreement: identities and input that gives none."""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.agreement import limits_by_moisture, limits_of_agreement
from kitlib.words.errors import NoSpread, TooFewSamples

REFERENCE = np.array([12.0, 14.0, 16.0, 18.0, 20.0, 22.0])
ERROR = np.array([0.1, 0.3, 0.2, 0.4, 0.0, 0.5])


def test_limits_lie_evenly_about_the_bias():
    found = limits_of_agreement(REFERENCE + ERROR, REFERENCE)
    assert (found.lower.value + found.upper.value) / 2 == approx(found.bias)
    assert found.upper.value - found.bias == approx(1.96 * found.sd)


def test_about_95_of_100_errors_lie_within(rng):
    error = rng.normal(0.3, 0.5, 100_000)
    found = limits_of_agreement(error + 15.0, np.full(100_000, 15.0))
    within = (found.lower.value <= error) & (error <= found.upper.value)
    assert within.mean() == approx(0.95, abs=0.005)


def test_one_sample_has_no_limits():
    with pytest.raises(TooFewSamples, match="at least 2"):
        limits_of_agreement([15.0], [14.0])


def test_limits_follow_bias_and_spread():
    # Errors 0.1 (m - 12) -/+ 0.02 m, twice at each moisture.
    m = np.repeat(REFERENCE, 2)
    error = 0.1 * (m - 12) + 0.02 * m * np.tile([-1, 1], 6)
    found = limits_by_moisture(m + error, m, m)
    half = 1.96 * np.sqrt(np.pi / 2) * 0.02
    for moisture in (12.0, 17.0, 22.0):
        middle = 0.1 * (moisture - 12)
        limits = (middle - half * moisture, middle + half * moisture)
        assert found.at(moisture) == approx(limits)


def test_limits_are_not_told_outside_the_data():
    found = limits_by_moisture(REFERENCE + ERROR, REFERENCE, REFERENCE)
    assert np.isnan(found.at(11.9)).all() and np.isnan(found.at(22.1)).all()


def test_limits_are_not_told_where_the_spread_has_fallen_below_zero():
    m = np.array([10.0, 10.0, 11.0, 11.0, 19.0, 19.0, 20.0, 20.0])
    error = np.array([3.0, -3.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    found = limits_by_moisture(m + error, m, m)
    assert found.sd_intercept + 20 * found.sd_slope < 0
    assert np.isnan(found.at(20.0)).all()
    assert np.isfinite(found.at(10.0)).all()


def test_moistures_must_differ():
    with pytest.raises(NoSpread, match="all 3 moistures are 15"):
        limits_by_moisture([15.1, 15.2, 15.3], [15, 15, 15], [15, 15, 15])
