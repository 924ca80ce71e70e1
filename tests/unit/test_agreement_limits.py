"""Limits of agreement, concordance and equivalence: identities, and no answer."""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.agreement import (
    agreement,
    concordance,
    limits_of_agreement,
    shown_within,
)
from kitlib.statistics.estimates import Estimate, not_known
from kitlib.words.findings import NotFinite, TooFewSamples

REFERENCE = np.array([12.0, 14.0, 16.0, 18.0, 20.0, 22.0])
ERROR = np.array([0.1, 0.3, 0.2, 0.4, 0.0, 0.5])
SENSOR = [14.6, 15.9, 17.1, 18.8, 20.3]
OVEN = [14.2, 15.8, 17.3, 18.1, 20.0]


def test_limits_lie_evenly_about_the_bias():
    lower, upper = limits_of_agreement(REFERENCE + ERROR, REFERENCE)
    found = agreement(REFERENCE + ERROR, REFERENCE)
    assert (lower.value + upper.value) / 2 == approx(found.bias)
    assert upper.value - found.bias == approx(1.96 * found.sep)


def test_about_95_of_100_errors_lie_within(rng):
    error = rng.normal(0.3, 0.5, 100_000)
    lower, upper = limits_of_agreement(error + 15.0, np.full(100_000, 15.0))
    within = (lower.value <= error) & (error <= upper.value)
    assert within.mean() == approx(0.95, abs=0.005)


def test_one_sample_has_no_limits():
    with pytest.raises(TooFewSamples, match="at least 2"):
        limits_of_agreement([15.0], [14.0])


def test_concordance_by_its_definition():
    covariance = np.cov(SENSOR, OVEN, ddof=0)
    shift = np.mean(SENSOR) - np.mean(OVEN)
    value = 2 * covariance[0, 1] / (np.trace(covariance) + shift**2)
    assert concordance(SENSOR, OVEN) == approx(value, rel=1e-12)
    assert concordance(OVEN, SENSOR) == approx(value, rel=1e-12)
    assert concordance(OVEN, OVEN) == approx(1)
    assert concordance(np.add(SENSOR, 2), OVEN) < value


@pytest.mark.parametrize(
    ("sensor", "reference"), [([15.0] * 5, OVEN), (SENSOR, [15.0] * 5)]
)
def test_a_constant_method_has_no_concordance(sensor, reference):
    assert np.isnan(concordance(sensor, reference))


def test_concordance_refuses_too_few_and_what_is_no_number():
    with pytest.raises(TooFewSamples, match="at least 3"):
        concordance([14.0, 15.0], [14.1, 15.3])
    with pytest.raises(NotFinite, match=r"concordance: sensor\[0\]"):
        concordance([np.inf, 15.0, 16.0], [14.1, 15.3, 16.0])


def test_a_bias_is_shown_within_where_its_90_percent_interval_is():
    bias = Estimate(value=0.1, se=0.1, df=9)
    end = bias.interval(0.90).high
    assert shown_within(bias, end * (1 + 1e-9))
    assert not shown_within(bias, end * (1 - 1e-9))
    assert not shown_within(not_known("one sample"), 1.0)


@pytest.mark.parametrize(("margin", "level"), [(0.0, 0.95), (0.4, 0.5)])
def test_a_margin_and_a_level_must_make_sense(margin, level):
    with pytest.raises(ValueError, match=r"shown_within: (margin|level) is"):
        shown_within(Estimate(value=0.1, se=0.1, df=9), margin, level)
