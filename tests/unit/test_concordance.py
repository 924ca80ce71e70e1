"""Concordance: identities and input that gives none."""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.agreement import concordance
from kitlib.words.errors import NotFinite, TooFewSamples

SENSOR = [14.6, 15.9, 17.1, 18.8, 20.3]
OVEN = [14.2, 15.8, 17.3, 18.1, 20.0]


def test_it_is_precision_times_accuracy():
    found = concordance(SENSOR, OVEN)
    assert found.value == approx(found.precision * found.accuracy)
    assert found.precision == approx(np.corrcoef(SENSOR, OVEN)[0, 1])


def test_by_its_definition():
    covariance = np.cov(SENSOR, OVEN, ddof=0)
    shift = np.mean(SENSOR) - np.mean(OVEN)
    value = 2 * covariance[0, 1] / (np.trace(covariance) + shift**2)
    assert concordance(SENSOR, OVEN).value == approx(value, rel=1e-12)


def test_swapping_the_methods_changes_nothing():
    there, back = concordance(SENSOR, OVEN), concordance(OVEN, SENSOR)
    assert (there.value, there.se) == approx((back.value, back.se))


def test_an_offset_costs_accuracy_not_precision():
    plain, off = concordance(SENSOR, OVEN), concordance(np.add(SENSOR, 2), OVEN)
    assert off.precision == approx(plain.precision)
    assert off.accuracy < plain.accuracy


def test_perfect_agreement_has_no_interval():
    found = concordance(OVEN, OVEN)
    assert found.value == approx(1)
    assert np.isnan(found.interval()).all()


@pytest.mark.parametrize(
    ("sensor", "reference"), [([15.0] * 5, OVEN), (SENSOR, [15.0] * 5)]
)
def test_a_constant_method_has_no_concordance(sensor, reference):
    found = concordance(sensor, reference)
    assert np.isnan(found.value) and np.isnan(found.interval()).all()
    assert "are the same" in found.remark


def test_two_samples_always_lie_on_a_line():
    with pytest.raises(TooFewSamples, match="at least 3"):
        concordance([14.0, 15.0], [14.1, 15.3])


def test_what_is_not_a_number_is_named():
    with pytest.raises(NotFinite, match=r"concordance: sensor\[0\]"):
        concordance([np.inf, 15.0, 16.0], [14.1, 15.3, 16.0])
