"""Random trial intercepts: identities that need no other program."""

from math import sqrt

import numpy as np
import pytest
from pytest import approx
from statsmodels.regression.linear_model import OLS

from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.reml import random_intercept
from kitlib.words.findings import NoSpread, NotFinite, TooFewSamples

MOISTURE = np.array([12.1, 13.4, 14.8, 18.3, 14.2, 15.9, 21.7, 17.3, 17.9, 20.4])
ERROR = np.array([0.31, 0.52, 0.22, 0.74, -0.18, 0.05, 0.93, 0.14, -0.27, 0.08])
TRIAL = np.array(list("AAAABBCDDD"))
LINE = np.column_stack([np.ones(10), MOISTURE - 15.5])
ONES = np.ones((10, 1))
# Trial means 0.2, 0.8, 0.5; within-trial variance 0.02.
BALANCED, THREE = np.array([0.1, 0.3, 0.7, 0.9, 0.4, 0.6]), list("AABBCC")


def facts(estimate):
    return estimate.value, estimate.se, estimate.df


def test_balanced_trials_by_hand():
    # Variance of trial means 0.09 = t^2 + 0.02 / 2, so t^2 = 0.08.
    fit = random_intercept(np.ones((6, 1)), BALANCED, THREE)
    assert fit.sd_trial**2 == approx(0.08)
    assert fit.sd_residual**2 == approx(0.02)
    estimate = fit.kenward_roger([1])
    assert facts(estimate) == approx((0.5, sqrt(0.09 / 3), 2))
    assert estimate.remark == ""


def test_balanced_trials_agree_with_the_clustered_mean():
    mixed = random_intercept(np.ones((6, 1)), BALANCED, THREE).kenward_roger([1])
    assert facts(mixed) == approx(facts(clustered_mean(BALANCED, THREE)))


def test_a_singular_fit_says_so_and_keeps_trials_less_one():
    # Trial means vary less than samples do: t is 0, the mean that of six samples.
    values = [0.1, 0.5, 0.2, 0.4, 0.0, 0.6]
    fit = random_intercept(np.ones((6, 1)), values, THREE)
    assert fit.sd_trial == 0
    careful = fit.kenward_roger([1])
    assert facts(careful) == approx((0.3, np.std(values, ddof=1) / sqrt(6), 2))
    assert "no variation between trials" in careful.remark


@pytest.mark.parametrize("shift", [0.0, 1e4])
def test_a_vanishing_variance_does_not_vanish_the_bias(shift):
    # statsmodels issue 10239: fixed effects of exactly 0 near a variance of 0.
    values = np.array([0.1, 0.5, 0.2, 0.4, 0.0, 0.6]) + shift
    for nudge in np.geomspace(1e-3, 1e-1, 9):
        nudged = values + nudge * np.array([0, 0, 1, 1, 2, 2])
        fit = random_intercept(np.ones((6, 1)), nudged, THREE)
        assert fit.coefficients[0] == approx(nudged.mean())


def test_one_sample_a_trial_is_least_squares_with_a_remark():
    fit = random_intercept(LINE, ERROR, np.arange(10))
    reference = OLS(ERROR, LINE).fit()
    for term in (0, 1):
        expected = (reference.params[term], reference.bse[term], 8)
        assert facts(fit.kenward_roger(np.eye(2)[term])) == approx(expected)
    assert np.isnan(fit.sd_trial)
    assert fit.sd_residual == approx(sqrt(reference.scale))
    assert "no trial gave two samples" in fit.kenward_roger([0, 1]).remark


def test_order_of_rows_and_names_of_trials_do_not_matter(rng):
    order = rng.permutation(10)
    renamed = {"A": 40, "B": 3, "C": 17, "D": -1}
    fit = random_intercept(LINE, ERROR, TRIAL)
    other = random_intercept(
        LINE[order], ERROR[order], [renamed[trial] for trial in TRIAL[order]]
    )
    assert other.sd_trial == approx(fit.sd_trial)
    for weights in ([1, 0], [0, 1]):
        here, there = (one.kenward_roger(weights) for one in (fit, other))
        assert facts(there) == approx(facts(here), rel=1e-8)


def test_units_and_anchor_carry_through():
    fit = random_intercept(LINE, ERROR, TRIAL)
    raw = np.column_stack([np.ones(10), MOISTURE * 1000])
    scaled = random_intercept(raw, 0.01 * ERROR, TRIAL)
    assert scaled.sd_trial == approx(0.01 * fit.sd_trial)
    here, there = (
        fit.kenward_roger([1, 20 - 15.5]),
        scaled.kenward_roger([1, 20_000]),
    )
    assert there.value == approx(0.01 * here.value)
    assert there.se == approx(0.01 * here.se, rel=1e-8)
    assert there.df == approx(here.df, rel=1e-8)


def test_one_trial_has_no_interval():
    bias = random_intercept(ONES, ERROR, np.full(10, "A")).kenward_roger([1])
    assert bias.value == approx(ERROR.mean())
    assert np.isnan(bias.se)
    assert bias.remark == "only one trial; this interval needs 2"


def test_two_trials_give_a_bias_but_no_line():
    two = slice(0, 6)
    bias = random_intercept(ONES[two], ERROR[two], TRIAL[two]).kenward_roger([1])
    assert bias.se > 0
    slope = random_intercept(LINE[two], ERROR[two], TRIAL[two]).kenward_roger([0, 1])
    assert np.isfinite(slope.value) and np.isnan(slope.se)
    assert slope.remark == "only 2 trials; this interval needs 3"


def test_a_constant_response_has_no_interval():
    fit = random_intercept(ONES, np.full(10, 0.3), TRIAL)
    bias = fit.kenward_roger([1])
    assert bias.value == approx(0.3)
    assert np.isnan(bias.se)
    assert "no scatter" in bias.remark
    assert np.isnan(fit.sd_trial) and fit.sd_residual == 0


def test_samples_alike_within_every_trial_have_no_interval():
    fit = random_intercept(np.ones((6, 1)), [0.1, 0.1, 0.5, 0.5, 0.2, 0.2], THREE)
    assert fit.sd_residual == 0 and np.isnan(fit.sd_trial)
    assert "do not differ about the fit" in fit.kenward_roger([1]).remark


def test_a_column_a_trial_leaves_nothing_between_trials():
    design = (TRIAL[:, None] == np.unique(TRIAL)).astype(float)
    fit = random_intercept(design, ERROR, TRIAL)
    assert np.isnan(fit.sd_trial)
    assert "cannot tell" in fit.kenward_roger([1, 0, 0, 0]).remark


def test_too_little_or_broken_input_is_refused():
    with pytest.raises(TooFewSamples, match="random_intercept: got n = 2"):
        random_intercept(LINE[:2], ERROR[:2], TRIAL[:2])
    with pytest.raises(NoSpread, match="random_intercept: column 1"):
        random_intercept(np.ones((10, 2)), ERROR, TRIAL)
    with pytest.raises(NotFinite, match=r"random_intercept: response\[3\] is -inf"):
        random_intercept(ONES, np.r_[ERROR[:3], -np.inf, ERROR[4:]], TRIAL)
