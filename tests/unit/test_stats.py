"""Agreement: identities, signs, and input that is no sample."""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.agreement import agreement
from kitlib.statistics.estimates import errors_of, paired
from kitlib.words.findings import NotFinite, TooFewSamples

SENSOR = [14.6, 15.9, 17.1, 18.8, 20.3]
OVEN = [14.2, 15.8, 17.3, 18.1, 20.0]


def test_by_hand():
    # Errors 0.4, 0.1, -0.2, 0.7, 0.3: mean 0.26, squares about it 0.452.
    found = agreement(SENSOR, OVEN)
    assert found.n == 5
    assert found.bias == approx(0.26)
    assert found.sep == approx(np.sqrt(0.452 / 4))


def test_rmsep_joins_bias_and_sep():
    found = agreement(SENSOR, OVEN)
    error = np.subtract(SENSOR, OVEN)
    assert found.rmsep == approx(np.sqrt(np.mean(error**2)), rel=1e-14)


def test_swapping_the_methods_flips_the_sign():
    there, back = agreement(SENSOR, OVEN), agreement(OVEN, SENSOR)
    assert back.bias == approx(-there.bias)
    assert back.sep == approx(there.sep)


def test_adding_the_offset_makes_the_bias_zero():
    offset = -agreement(SENSOR, OVEN).bias
    after = agreement(np.add(SENSOR, offset), OVEN)
    assert after.bias == approx(0, abs=1e-14)
    assert after.sep == approx(agreement(SENSOR, OVEN).sep)


def test_order_of_rows_never_matters(rng):
    order = rng.permutation(5)
    there = agreement(np.array(SENSOR)[order], np.array(OVEN)[order])
    assert (there.bias, there.sep) == approx((0.26, np.sqrt(0.113)))


def test_one_sample_is_not():
    with pytest.raises(TooFewSamples, match=r"got n = 1 sample.*at least 2"):
        agreement([14.1], [14.0])


@pytest.mark.parametrize("bad", [np.nan, np.inf, -np.inf])
@pytest.mark.parametrize("which", ["sensor", "reference"])
def test_what_is_not_a_number_is_named(which, bad):
    values = {"sensor": [14.1, 15.3], "reference": [14.0, 15.0]}
    values[which][1] = bad
    with pytest.raises(NotFinite, match=rf"agreement: {which}\[1\] is {bad}"):
        agreement(**values)


def test_lists_of_unlike_length_are_refused():
    with pytest.raises(ValueError, match=r"\(2,\) and reference \(3,\)"):
        agreement([14.1, 15.3], [14.0, 15.0, 16.0])
    with pytest.raises(ValueError, match="one result of each per sample"):
        agreement([[14.1, 15.3]], [[14.0, 15.0]])


def test_a_constant_error_has_an_sep_of_exactly_zero():
    # 15.3 - 15.2 is not 14.1 - 14.0 in binary.
    sensor, reference = [15.3, 14.1, 33.3], [15.2, 14.0, 33.2]
    assert len(set(np.subtract(sensor, reference))) > 1
    found = agreement(sensor, reference)
    assert found.sep == 0


def test_small_but_real_errors_are_left_alone():
    error = errors_of(np.array([15.0, 16.0 + 1e-9]), np.array([15.0, 16.0]))
    assert error[1] == approx(1e-9, rel=1e-5)
    assert error[0] == 0


def test_all_zero_readings_are_no_trouble():
    assert agreement([0.0, 0.0], [0.0, 0.0]).sep == 0


def test_paired_asks_for_as_many_as_needed():
    with pytest.raises(TooFewSamples, match=r"shape: got n = 2 .* at least 4"):
        paired("shape", [1, 2], [1, 2], at_least=4)


def test_a_million_samples(rng):
    reference = rng.normal(18, 3, 1_000_000)
    found = agreement(reference + rng.normal(0.3, 0.5, 1_000_000), reference)
    assert found.bias == approx(0.3, abs=0.005)
    assert found.sep == approx(0.5, abs=0.005)
