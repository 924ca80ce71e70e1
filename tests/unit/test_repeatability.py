"""Scatter of repeated runs, by hand and against its own distribution."""

from math import isnan, sqrt

import numpy as np
import pytest
from pytest import approx

from kitlib.review.setup_runs import repeatability
from kitlib.words.errors import NotFinite


def test_pooled_by_hand():
    # Squares about the means 15.2 and 20.1: 2 x 0.01 + 2 x 0.01; one run tells nothing.
    found = repeatability([15.1, 15.3, 20.0, 20.2, 25.0], list("AABBC"))
    assert found.sd == approx(sqrt(0.04 / 2))
    assert (found.df, found.n_samples) == (2, 2)
    assert found.limit == approx(2.8 * found.sd)


def test_chi_squared_interval():
    # chi2(1; 0.975) = 5.0239, chi2(1; 0.025) = 0.00098207: any table.
    low, high = repeatability([1.0, 3.0], ["A", "A"]).interval()
    assert (low, high) == approx((sqrt(2 / 5.0239), sqrt(2 / 0.00098207)), rel=1e-4)


def test_interval_covers_as_often_as_it_says(rng):
    runs = rng.normal(0, 0.15, (2000, 12))
    label = np.repeat(np.arange(4), 3)
    held = [repeatability(row, label).interval().holds(0.15) for row in runs]
    assert np.mean(held) == approx(0.95, abs=4 * sqrt(0.95 * 0.05 / 2000))


def test_sample_levels_drop_out(rng):
    runs, label = rng.normal(size=9), np.repeat([0, 1, 2], 3)
    shifted = runs + np.array([5.0, -3.0, 11.0])[label]
    assert repeatability(runs, label).sd == approx(repeatability(shifted, label).sd)


def test_no_repeated_run_is_not_a_repeatability_of_zero():
    found = repeatability([15.0, 20.0], ["A", "B"])
    assert found.df == 0 and isnan(found.sd) and isnan(found.interval().low)
    assert repeatability([], []).df == 0


def test_a_missing_reading_is_refused():
    with pytest.raises(NotFinite, match="repeatability: readings"):
        repeatability([15.0, np.nan], ["A", "A"])
