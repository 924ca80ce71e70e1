"""Limits against worked rows of their formulas."""

import numpy as np
import pytest
from pytest import approx
from scipy.stats import studentized_range

from kitlib.words.limits import (
    CRITICAL_RANGE,
    TOLERANCE_RULES,
    range_factor,
    repeatability_for,
    standard_moisture_for,
    tolerance_for,
)


@pytest.mark.parametrize(
    ("crop", "moisture", "tolerance"),
    # Own arithmetic on NIST Handbook 44, 5.56(a) (numbers from memory).
    [
        ("corn", 12.0, 0.80),
        ("corn", 16.0, 0.80),
        ("corn", 18.0, 0.90),
        ("corn", 25.0, 1.25),
        ("wheat", 12.0, 0.70),
        ("wheat", 17.5, 0.70),
        ("wheat", 20.0, 0.80),
        ("soybean", 13.0, 0.70),
    ],
)
def test_handbook_44(crop, moisture, tolerance):
    assert tolerance_for(crop).at(moisture) == approx(tolerance, abs=0.005)


@pytest.mark.parametrize(
    ("rule", "crop", "moisture", "tolerance"),
    # French Orders of 10 February 1993, article 11, and 1 July 2010, article 6 (read);
    # own arithmetic.
    [
        ("French 1993 class I", "wheat", 12.0, 0.56),
        ("French 1993 class I", "wheat", 8.0, 0.50),
        ("French 1993 class II", "maize", 20.0, 1.20),
        ("French 1993 class II", "rapeseed", 9.0, 0.72),
        ("French 2010", "wheat", 13.0, 0.52),
        ("French 2010", "maize", 25.0, 1.25),
        ("French 2010", "maize", 9.0, 0.50),
        ("French 2010", "sunflower", 8.0, 0.50),
    ],
)
def test_french_orders(rule, crop, moisture, tolerance):
    assert tolerance_for(crop, rule).at(moisture) == approx(tolerance, abs=0.005)


def test_tolerances_of_arrays_equal_those_of_their_values():
    moistures = np.array([8.0, 17.5, 30.0])
    for rule in TOLERANCE_RULES.values():
        for tolerance in rule.values():
            each = [tolerance.at(m) for m in moistures.tolist()]
            assert tolerance.at(moistures).tolist() == approx(each)


def test_standard_moistures_are_those_of_the_regulation():
    # 7 CFR 457 as read; maize by the extension convention (UF/IFAS AG442).
    assert standard_moisture_for("Corn") == 15.5
    assert standard_moisture_for("soybean") == 13.0
    assert standard_moisture_for("canola") == 8.5
    assert np.isnan(standard_moisture_for("millet"))


@pytest.mark.parametrize("dishes", CRITICAL_RANGE)
def test_critical_ranges_are_the_quantiles_of_the_range(dishes):
    # ISO 5725-6 gives the factors to one decimal: the 95 % quantile of the range of
    # `dishes` standard normal values (studentized range with infinite df).
    exact = studentized_range.ppf(0.95, dishes, np.inf)
    assert CRITICAL_RANGE[dishes] == approx(exact, abs=0.05)


def test_unknown_methods_have_no_limit():
    assert np.isnan(repeatability_for("microwave"))
    assert np.isnan(repeatability_for("ISO 712-1", 1))


def test_one_dish_has_no_range_to_hold_to_a_limit():
    assert np.isnan(range_factor(1))
