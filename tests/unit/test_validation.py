"""Limits, ratios and reference error."""

from math import sqrt

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.agreement import (
    rer,
    rpd,
    sd_reference,
    sep_without_reference_error,
    unexplained_error_limit,
)
from kitlib.words.findings import NotFinite, TooFewSamples


def test_limits_need_two_samples():
    with pytest.raises(TooFewSamples, match="df_at_setup = 0"):
        unexplained_error_limit(0.4, 10, 0)


def test_a_larger_set_at_setup_makes_a_stricter_limit():
    assert unexplained_error_limit(0.4, 20, 200) < unexplained_error_limit(0.4, 20, 20)


def test_ratios():
    assert sd_reference([14.0, 16.0]) == approx(sqrt(2))
    assert rpd([14.0, 16.0], 0.5) == approx(2 * sqrt(2))
    assert rer([14.0, 16.0], 0.5) == approx(4)


@pytest.mark.parametrize("ratio", [rpd, rer])
@pytest.mark.parametrize("sep", [0.0, np.nan])
def test_ratios_to_no_sep_are_not_known(ratio, sep):
    assert np.isnan(ratio([14.0, 16.0], sep))


def test_ratios_of_a_constant_reference_are_zero():
    assert rpd([15.2, 15.2, 15.2], 0.5) == 0


def test_one_reference_value_has_no_spread():
    with pytest.raises(TooFewSamples, match="sd_reference"):
        sd_reference([15.2])


def test_reference_error_is_taken_off_in_squares():
    found = sep_without_reference_error(0.5, 0.3)
    assert found.value**2 + 0.3**2 == approx(0.5**2)
    assert found.remark == ""


def test_errors_of_single_values_are_pooled_in_squares():
    each = sep_without_reference_error(0.5, [0.0, 0.3 * sqrt(2)])
    assert each.value == approx(0.4)


@pytest.mark.parametrize("reference_se", [0.5, 0.7])
def test_reference_error_never_leaves_less_than_nothing(reference_se):
    found = sep_without_reference_error(0.5, reference_se)
    assert found.value == 0
    assert found.remark == "reference error explains all of the SEP"


def test_standard_errors_must_make_sense():
    with pytest.raises(ValueError, match="below 0"):
        sep_without_reference_error(0.5, [0.1, -0.1])
    with pytest.raises(NotFinite, match=r"reference_se\[1\] is nan"):
        sep_without_reference_error(0.5, [0.1, np.nan])
