"""Joint tests and regions of a clustered fit."""

from math import inf

import numpy as np
import pytest
from pytest import approx
from scipy.stats import f as f_distribution

from kitlib.statistics.clustered import clustered_fit, joint_region, joint_test

MOISTURE = np.array([12.1, 13.4, 14.8, 18.3, 14.2, 15.9, 21.7, 17.3, 17.9, 20.4, 13.0])
ERROR = np.array([0.3, 0.5, 0.2, 0.7, -0.2, 0.1, 0.9, 0.1, -0.3, 0.1, 0.0])
TRIAL = list("AAABBCDDEEF")
BOTH = np.eye(2)


@pytest.fixture
def fit():
    design = np.column_stack([np.ones(11), MOISTURE - 15.5])
    return clustered_fit(design, ERROR, TRIAL)


def test_one_contrast_is_the_square_of_its_t(fit):
    slope = fit.contrast([0, 1])
    found = joint_test(fit, [[0, 1]], [0])
    assert found.f == approx(slope.t**2)
    assert found.df == approx((1, slope.df))
    low, high = slope.interval()
    assert joint_test(fit, [[0, 1]], [high]).p_value == approx(0.05)
    region = joint_region(fit, [[0, 1]])
    assert region.holds([low + 1e-9]) and not region.holds([low - 1e-9])


def test_the_test_does_not_depend_on_the_anchor(fit):
    raw = clustered_fit(np.column_stack([np.ones(11), MOISTURE]), ERROR, TRIAL)
    here, there = (
        joint_test(fit, [[1, -15.5], [0, 1]], [-0.5, 0.02]),
        joint_test(raw, BOTH, [-0.5, 0.02]),
    )
    assert (here.f, *here.df) == approx((there.f, *there.df), rel=1e-8)


def test_the_outline_is_the_border(fit):
    region = joint_region(fit, BOTH, level=0.9)
    outline = region.outline(25)
    assert outline.shape == (25, 2)
    assert outline[0] == approx(outline[-1])
    for point in outline:
        assert joint_test(fit, BOTH, point).p_value == approx(0.1)
        assert region.holds(region.centre + 0.999 * (point - region.centre))
        assert not region.holds(region.centre + 1.001 * (point - region.centre))


def test_a_region_contains_its_centre_and_grows_with_the_level(fit):
    regions = [joint_region(fit, BOTH, level=level) for level in (0.5, 0.9, 0.99)]
    assert all(region.holds(fit.coefficients) for region in regions)
    radii = [region.radius2 for region in regions]
    assert radii == sorted(radii)


def test_one_sample_a_trial_nears_the_classical_ellipse(rng):
    # With many independent samples of one SD, F has 2 and about n - 2 df.
    x = rng.normal(size=4000)
    y = 0.5 * x + rng.normal(size=4000)
    fit = clustered_fit(np.column_stack([np.ones(4000), x]), y, np.arange(4000))
    region = joint_region(fit, BOTH)
    assert region.radius2 == approx(2 * f_distribution.ppf(0.95, 2, 3998), rel=0.003)


def test_two_trials_give_no_region_and_rule_nothing_out():
    design = np.column_stack([np.ones(6), MOISTURE[:6]])
    fit = clustered_fit(design, ERROR[:6], list("AAABBB"))
    region, test = joint_region(fit, BOTH), joint_test(fit, BOTH, [0, 1])
    assert not region.known and region.radius2 == inf
    assert region.holds([1e6, -1e6])
    assert region.outline().shape == (0, 2)
    assert np.isnan(test.f) and np.isnan(test.p_value)
    assert "needs 3" in region.remark and region.remark == test.remark


def test_a_region_needs_trials_that_check_each_other():
    # All of the slope hangs on trial C.
    design = np.column_stack([np.ones(6), [0.0, 0.0, 0.0, 0.0, 4.0, 4.0]])
    fit = clustered_fit(design, ERROR[:6], list("AABBCC"))
    region = joint_region(fit, BOTH)
    assert not region.known
    assert "hangs on a trial" in region.remark


def test_a_region_of_three_needs_more_than_two_degrees_of_freedom():
    x = np.array([-2.0, -1.5, -0.2, 0.1, 1.0, 1.4])
    design = np.column_stack([np.ones(6), x, x**2])
    fit = clustered_fit(design, ERROR[:6], list("AABBCC"))
    assert fit.degrees_of_freedom(np.eye(3)) < 2
    region = joint_region(fit, np.eye(3))
    assert not region.known
    assert region.remark == "too few trials bear on it for a joint region"
