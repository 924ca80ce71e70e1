"""Yields at standard moisture: identities, units, and plots that cannot be used."""

from math import inf, nan

import numpy as np
import pytest
from pytest import approx

from kitlib.trials.yields import (
    flag_unusable_plots,
    yield_kg_ha,
    yield_per_point,
    yield_unit,
)


def test_at_standard_moisture_the_mass_is_left_alone():
    assert float(yield_kg_ha(8.0, 8.0, 15.5, 15.5)) == approx(10_000, rel=1e-14)


def test_dry_matter_is_kept():
    wet = yield_kg_ha(8.0, 8.0, [10.0, 20.0, 30.0], 15.5) * (100 - 15.5)
    assert wet == approx(10_000 * np.array([90.0, 80.0, 70.0]), rel=1e-14)


@pytest.mark.parametrize(
    ("mass", "area", "moisture"),
    [
        (0.0, 8.0, 20.0),
        (-1.0, 8.0, 20.0),
        (8.0, 0.0, 20.0),
        (8.0, -8.0, 20.0),
        (8.0, 8.0, 100.0),
        (8.0, 8.0, 100.1),
        (8.0, 8.0, -0.1),
        (nan, 8.0, 20.0),
        (8.0, nan, 20.0),
        (8.0, 8.0, nan),
        (inf, 8.0, 20.0),
        (8.0, inf, 20.0),
        (8.0, 8.0, inf),
    ],
)
def test_an_unusable_plot_is_flagged_and_has_no_yield(mass, area, moisture):
    assert flag_unusable_plots(mass, area, moisture)
    assert np.isnan(yield_kg_ha(mass, area, moisture, 15.5))


@pytest.mark.parametrize("moisture", [0.0, 99.9])
def test_the_ends_of_moisture_are_usable(moisture):
    assert not flag_unusable_plots(8.0, 8.0, moisture)
    assert yield_kg_ha(8.0, 8.0, moisture, 15.5) > 0


def test_yield_is_a_line_in_moisture():
    slope = yield_per_point(8.0, 8.0, 15.5)
    low, high = yield_kg_ha(8.0, 8.0, [12.0, 27.0], 15.5)
    assert high - low == approx(15 * slope, rel=1e-12)


def test_an_unknown_standard_moisture_gives_no_yield():
    assert np.isnan(yield_kg_ha(8.0, 8.0, 20.0, nan))


@pytest.mark.parametrize("standard", [-1.0, 100.0])
def test_an_impossible_standard_moisture_is_refused(standard):
    with pytest.raises(ValueError, match=r"standard_pct is .*expected 0 to below 100"):
        yield_kg_ha(8.0, 8.0, 20.0, standard)


def test_a_bushel_of_unknown_weight_is_no_unit():
    assert yield_unit("bu/ac", nan).name == "t/ha"
    assert yield_unit("t/ha", 56).of(7322.0) == approx(7.322)
