"""Least squares clustered by trial: identities that need no other program."""

from math import sqrt

import numpy as np
import pytest
from pytest import approx
from statsmodels.regression.linear_model import OLS

from kitlib.statistics.clustered import clustered_fit, clustered_mean
from kitlib.words.findings import NoSpread, NotFinite, TooFewSamples

MOISTURE = np.array([12.1, 13.4, 14.8, 18.3, 14.2, 15.9, 21.7, 17.3, 17.9, 20.4])
ERROR = np.array([0.31, 0.52, 0.22, 0.74, -0.18, 0.05, 0.93, 0.14, -0.27, 0.08])
TRIAL = np.array(list("AAAABBCDDD"))
LINE = np.column_stack([np.ones(10), MOISTURE - 15.5])


def facts(estimate):
    return estimate.value, estimate.se, estimate.df


def test_two_trials_of_one_sample_by_hand():
    # Values 0 and 1: mean 0.5, SD sqrt(0.5), standard error 0.5, one df.
    mean = clustered_mean([0.0, 1.0], ["A", "B"])
    assert facts(mean) == approx((0.5, 0.5, 1.0))
    assert mean.method == "CR2, Satterthwaite df"


def test_one_sample_a_trial_is_the_plain_t_interval():
    mean = clustered_mean(ERROR, np.arange(10))
    assert facts(mean) == approx((ERROR.mean(), ERROR.std(ddof=1) / sqrt(10), 9))


def test_equal_trials_are_the_t_interval_of_their_means():
    means = ERROR.reshape(5, 2).mean(axis=1)
    mean = clustered_mean(ERROR, np.repeat(np.arange(5), 2))
    assert facts(mean) == approx((means.mean(), means.std(ddof=1) / sqrt(5), 4))


def test_one_sample_a_trial_is_hc2_of_statsmodels():
    fit = clustered_fit(LINE, ERROR, np.arange(10))
    reference = OLS(ERROR, LINE).fit(cov_type="HC2")
    assert fit.coefficients == approx(reference.params, rel=1e-12)
    assert fit.covariance == approx(reference.cov_params(), rel=1e-12)
    assert fit.residual_sd == approx(sqrt(reference.scale), rel=1e-12)


def test_covariance_is_unbiased_for_independent_errors():
    # It is a sum of squares linear in the errors, so its mean is the sum over a basis.
    total = sum(clustered_fit(LINE, basis, TRIAL).covariance for basis in np.eye(10))
    assert total == approx(np.linalg.inv(LINE.T @ LINE), rel=1e-10)


def test_order_of_rows_and_names_of_trials_do_not_matter(rng):
    order = rng.permutation(10)
    renamed = {"A": 40, "B": 3, "C": 17, "D": -1}
    fit = clustered_fit(LINE, ERROR, TRIAL)
    other = clustered_fit(LINE[order], ERROR[order], [renamed[t] for t in TRIAL[order]])
    for weights in ([1, 0], [0, 1], [1, 2.5]):
        assert facts(other.contrast(weights)) == approx(facts(fit.contrast(weights)))


def test_units_carry_through():
    fit = clustered_fit(LINE, ERROR, TRIAL).contrast([0, 1])
    scaled = clustered_fit(LINE * [1, 1000], ERROR * 1e-3, TRIAL).contrast([0, 1])
    assert scaled.value == approx(fit.value * 1e-6)
    assert scaled.se == approx(fit.se * 1e-6)
    assert scaled.df == approx(fit.df)


def test_a_constant_moves_the_mean_alone():
    shifted = clustered_mean(ERROR + 1000, TRIAL)
    mean = clustered_mean(ERROR, TRIAL)
    assert facts(shifted) == approx((mean.value + 1000, mean.se, mean.df), rel=1e-11)


def test_a_prediction_does_not_depend_on_the_anchor():
    at_20 = clustered_fit(LINE, ERROR, TRIAL).contrast([1, 20 - 15.5])
    raw = np.column_stack([np.ones(10), MOISTURE])
    assert facts(clustered_fit(raw, ERROR, TRIAL).contrast([1, 20])) == approx(
        facts(at_20), rel=1e-9
    )


def test_one_trial_is_the_plain_t_interval_and_says_so():
    mean = clustered_mean(ERROR, np.full(10, "A"))
    assert facts(mean) == approx((ERROR.mean(), ERROR.std(ddof=1) / sqrt(10), 9))
    assert mean.method == "t"
    assert "variation between trials is not in this interval" in mean.remark


def test_one_sample_is_its_own_mean_and_none_has_none():
    one, none = (clustered_mean(ERROR[:n], TRIAL[:n]) for n in (1, 0))
    assert one.value == ERROR[0] and np.isnan(one.se)
    assert "no spread" in one.remark
    assert not none.known and "no samples" in none.remark


@pytest.mark.parametrize("trial", [TRIAL, np.full(10, "A")])
def test_a_constant_response_has_a_mean_but_no_interval(trial):
    mean = clustered_mean(np.full(10, 0.3), trial)
    assert mean.value == approx(0.3)
    assert np.isnan(mean.se)
    assert "no scatter" in mean.remark


def test_a_line_needs_three_trials_for_an_interval():
    slope = clustered_fit(LINE[:6], ERROR[:6], TRIAL[:6]).contrast([0, 1])
    assert np.isfinite(slope.value)
    assert np.isnan(slope.se)
    assert slope.remark == "only 2 trials; this interval needs 3"


def test_what_hangs_on_a_single_trial_has_no_interval():
    # Trial C alone is at 18 %: the line goes through it, whatever its error was.
    moisture = np.array([14.0, 14.0, 14.0, 14.0, 18.0, 18.0])
    design = np.column_stack([np.ones(6), moisture - 14])
    fit = clustered_fit(design, ERROR[:6], list("AABBCC"))
    slope = fit.contrast([0, 1])
    assert slope.value == approx((ERROR[4:6].mean() - ERROR[:4].mean()) / 4)
    assert np.isnan(slope.se)
    assert "hangs on a trial" in slope.remark
    # The error at 14 % rests on A and B, which can be judged by each other.
    level = fit.contrast([1, 0])
    assert facts(level) == approx(facts(clustered_mean(ERROR[:4], list("AABB"))))


@pytest.mark.parametrize("far", [71_368.0, 94_500.0, 319_002.0, 2_276_654.0])
def test_a_sample_so_far_out_that_rounding_eats_the_rest(far):
    # As a date with a mistyped year gives: the total variance came to 0 or below.
    moisture = np.append(MOISTURE[:-1], far)
    design = np.column_stack([np.ones(10), (moisture - moisture.mean()) / 9])
    slope = clustered_fit(design, ERROR, TRIAL).contrast([0, 1])
    assert slope.df > 0 or "hangs on a trial" in slope.remark


def test_a_line_needs_three_samples_and_some_spread():
    with pytest.raises(TooFewSamples, match="clustered_fit: got n = 2"):
        clustered_fit(LINE[:2], ERROR[:2], TRIAL[:2])
    with pytest.raises(NoSpread, match="clustered_fit: column 1"):
        clustered_fit(np.ones((10, 2)), ERROR, TRIAL)


def test_infinities_and_missing_values_are_refused():
    with pytest.raises(NotFinite, match=r"clustered_mean: values\[1\] is inf"):
        clustered_mean([0.1, np.inf], ["A", "B"])
    with pytest.raises(NotFinite, match=r"clustered_fit: response\[0\] is nan"):
        clustered_fit(LINE, np.r_[np.nan, ERROR[1:]], TRIAL)
    with pytest.raises(NotFinite, match=r"clustered_fit: cluster\[9\] is missing"):
        clustered_fit(LINE, ERROR, [*TRIAL[:9], None])
