"""The likelihood of the variances, against the same written with dense matrices."""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.estimates import orthonormal
from kitlib.statistics.reml import (
    deviance,
    deviance_slopes,
    lowest_from_zero,
    lowest_ratio,
    solve,
    split,
)

CODES = np.array([0, 0, 0, 1, 2, 2, 3, 3, 3, 3])


@pytest.fixture
def design(rng):
    return np.column_stack([np.ones(10), rng.normal(size=10)])


@pytest.fixture
def response(rng):
    return rng.normal(size=4)[CODES] + rng.normal(size=10)


@pytest.fixture
def strata(design, response):
    return split(CODES, 4, orthonormal("test", design)[0], response)


def dense_deviance(design, response, ratio):
    """Return -2 log restricted likelihood, less a constant, by its definition."""
    same = (CODES[:, None] == CODES).astype(float)
    covariance = np.eye(10) + ratio * same
    design = orthonormal("test", design)[0]
    normal = design.T @ np.linalg.solve(covariance, design)
    right = design.T @ np.linalg.solve(covariance, response)
    left = response - design @ np.linalg.solve(normal, right)
    squares = left @ np.linalg.solve(covariance, left)
    determinants = np.linalg.slogdet(covariance)[1] + np.linalg.slogdet(normal)[1]
    return determinants + 8 * np.log(squares)


@pytest.mark.parametrize("ratio", [0.0, 0.03, 1.0, 40.0])
def test_deviance(strata, design, response, ratio):
    expected = dense_deviance(design, response, ratio)
    assert deviance(strata, ratio) == approx(expected, rel=1e-10)


@pytest.mark.parametrize("ratio", [0.03, 1.0, 40.0])
def test_its_slope(strata, ratio):
    step = 1e-4 * ratio
    rise = deviance(strata, ratio + step) - deviance(strata, ratio - step)
    assert deviance_slopes(strata, ratio)[0] == approx(rise / (2 * step), rel=1e-5)


@pytest.mark.parametrize(("ratio", "other"), [(0.0, 0.3), (0.5, 0.01), (4.0, 9.0)])
def test_two_groupings(rng, ratio, other):
    # Seconds cut across the trials; their ratio is the second of the two.
    second = np.array([0, 1, 2, 0, 1, 2, 0, 1, 2, 0])
    design = np.column_stack([np.eye(3)[second], np.ones(10)])
    values = rng.normal(size=10)
    strata = split(CODES, 4, design, values, random=3)
    alike = [(labels[:, None] == labels).astype(float) for labels in (CODES, second)]
    covariance = np.eye(10) + ratio * alike[0] + other * alike[1]
    inverse = np.linalg.inv(covariance)
    left = values - inverse.sum(axis=0) @ values / inverse.sum()
    expected = np.linalg.slogdet(covariance)[1] + np.log(inverse.sum())
    expected += 9 * np.log(left @ inverse @ left)
    assert deviance(strata, ratio, other) == approx(expected, rel=1e-10)
    step = 1e-5
    rise = deviance(strata, ratio, other + step) - deviance(strata, ratio, other - step)
    slope = deviance_slopes(strata, ratio, other)[1]
    assert slope == approx(rise / (2 * step), rel=1e-5)


def test_the_best_ratio_is_the_best(strata):
    best = lowest_ratio(strata)
    others = np.r_[0, np.geomspace(1e-3, 1e3, 400)]
    assert deviance(strata, best) <= min(deviance(strata, other) for other in others)


def test_the_lower_of_two_valleys_is_found():
    def slope(x):  # valleys at 1 and 5, a hill at 2
        return (x - 1) * (x - 2) * (x - 5)

    def height(x):
        return x**4 / 4 - 8 * x**3 / 3 + 17 * x**2 / 2 - 10 * x

    assert height(5) < height(1)
    assert lowest_from_zero(height, slope, np.linspace(0, 9, 20)) == approx(5)


def test_the_bound_can_be_the_lowest_and_a_fall_without_end_is_infinite():
    grid = np.linspace(0, 9, 20)
    assert lowest_from_zero(lambda x: x, lambda x: 1.0, grid) == 0
    assert lowest_from_zero(lambda x: -x, lambda x: -1.0, grid) == np.inf


def test_a_very_large_ratio_weighs_trials_the_same():
    values = np.array([1.0, 2.0, 3.0, 7.0, 4.0, 5.0, 0.0, 1.0, 1.0, 2.0])
    strata = split(CODES, 4, np.full((10, 1), 10**-0.5), values)
    means = [values[code == CODES].mean() for code in range(4)]
    found = solve(strata, 1e9).coefficients / 10**0.5
    assert found == approx([np.mean(means)], rel=1e-6)
