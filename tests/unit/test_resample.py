"""Trials left out, and the SEP of new trials."""

import numpy as np
import pytest
from pytest import approx
from scipy.stats import chi2, norm
from scipy.stats import t as student_t

from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.estimates import Estimate
from kitlib.statistics.sums import leave_one_trial_out, sep_interval, trial_sums
from kitlib.words.findings import TooFewSamples


def season(rng, n_trials=10, size=5, gain=1.0, between=0.2, within=0.4):
    """Return sensor, reference and trial of an invented season."""
    trial = np.repeat(np.arange(n_trials), size)
    reference = rng.normal(18, 3, trial.size)
    error = rng.normal(0, between, n_trials)[trial] + rng.normal(0, within, trial.size)
    return 0.3 + gain * reference + error, reference, trial


def refitted(sensor, reference, trial, fit):
    """Return left-out errors by fitting anew, trial by trial."""
    left = []
    for name in np.unique(trial):
        out = trial == name
        correct = fit(sensor[~out], reference[~out])
        left.append(correct(sensor[out]) - reference[out])
    return np.concatenate(left)


def line_of(sensor, reference):
    slope, intercept = np.polyfit(sensor, reference, 1)
    return lambda readings: intercept + slope * readings


def offset_of(sensor, reference):
    return lambda readings: readings - np.mean(sensor - reference)


@pytest.mark.parametrize("choice", ["offset", "line"])
def test_sums_do_what_fitting_anew_does(rng, choice):
    samples = season(rng, gain=1.1)
    after = leave_one_trial_out(trial_sums(*samples))
    left = refitted(*samples, {"offset": offset_of, "line": line_of}[choice])
    found = getattr(after, f"rmsep_{choice}")
    assert found == approx(np.sqrt(np.mean(left**2)), rel=1e-10)


def test_without_a_change_it_is_the_plain_rmsep(rng):
    sums = trial_sums(*season(rng))
    after = leave_one_trial_out(sums)
    assert after.rmsep_none == approx(float(sums.total.rmsep), rel=1e-12)


def test_a_steep_sensor_is_worth_a_line(rng):
    after = leave_one_trial_out(trial_sums(*season(rng, gain=1.2)))
    assert after.rmsep_line < after.rmsep_offset


def test_two_trials_allow_an_offset_but_no_line(rng):
    after = leave_one_trial_out(trial_sums(*season(rng, n_trials=2)))
    assert after.rmsep_offset > 0
    assert np.isnan(after.rmsep_line)


def test_a_line_that_hangs_on_one_trial_is_not_known():
    sums = trial_sums([15, 15, 15, 15, 17], [15.0, 15.1, 15.2, 15.3, 17], list("AABBC"))
    after = leave_one_trial_out(sums)
    assert np.isnan(after.rmsep_line)


def test_perfect_readings_save_nothing_and_make_no_warning():
    reference = [14.0, 15.0, 16.0, 17.0]
    after = leave_one_trial_out(trial_sums(reference, reference, list("ABCD")))
    assert (after.rmsep_none, after.rmsep_offset) == (0, 0)


def test_one_trial_cannot_be_left_out():
    with pytest.raises(TooFewSamples, match="got 1 trial"):
        leave_one_trial_out(trial_sums([15, 16], [15.1, 16.2], ["A", "A"]))


# SEP of new trials


def test_total_variance_is_that_of_the_analysis_of_variance():
    # Trials of 2: means 0.1, 0.4, 0.7, within -/+ 0.1. MSB = 2 * 0.09, MSW = 0.02,
    # between (0.18 - 0.02) / 2 = 0.08, total 0.10.
    error = np.repeat([0.1, 0.4, 0.7], 2) + np.tile([-0.1, 0.1], 3)
    found = sep_interval(trial_sums(15 + error, np.full(6, 15.0), list("AABBCC")))
    assert found.total_sd == approx(np.sqrt(0.10))


def test_one_sample_a_trial_is_the_plain_sep(rng):
    error = rng.normal(0, 0.5, 12)
    sums = trial_sums(15 + error, np.full(12, 15.0), range(12))
    found = sep_interval(sums)
    assert found.total_sd == approx(float(sums.total.sep))
    # At most the n - 1 degrees of freedom of a chi-squared interval, so never lower.
    assert found.interval.high >= np.sqrt(11 * error.var(ddof=1) / chi2.ppf(0.025, 11))
    assert found.df <= 11
    # The low end is the jackknife's, each sample left out by hand.
    rest = np.log([np.delete(error, k).var(ddof=1) for k in range(12)])
    unsure = np.sqrt(11 / 12 * ((rest - rest.mean()) ** 2).sum()) / 2
    low = error.std(ddof=1) * np.exp(-norm.ppf(0.975) * unsure)
    assert found.interval.low == approx(low, rel=1e-9)


def test_it_covers_what_a_new_trial_would_show(rng):
    # 600 seasons of 6 trials of 1 to 8 samples; a third of the variance is between.
    covered, new_covered = [], []
    for _ in range(600):
        trial = np.repeat(np.arange(6), rng.integers(1, 9, 6))
        shared, own = rng.normal(0, np.sqrt([[1 / 3], [2 / 3]]), (2, trial.size + 1))
        error = shared[trial] + own[:-1]
        reference = rng.normal(18, 3, trial.size)
        found = sep_interval(trial_sums(reference + error, reference, trial))
        covered.append(found.interval.holds(1.0))
        limits = found.error_limits(clustered_mean(error, trial))
        new_covered.append(limits.holds(rng.normal()))
    assert 0.93 <= np.mean(covered) <= 0.99
    assert 0.92 <= np.mean(new_covered) <= 0.98


def test_fewer_than_three_trials_say_nothing_of_new_ones(rng):
    found = sep_interval(trial_sums(*season(rng, n_trials=2)))
    assert np.isnan(found.interval).all() and np.isnan(found.total_sd)
    assert found.method == "an SEP of new trials needs at least 3 trials"
    bias = Estimate(value=0.3, se=0.1, df=1)
    assert np.isnan(found.error_limits(bias)).all()


def test_no_scatter_no_interval():
    reference = np.array([14.0, 15.0, 16.0])
    found = sep_interval(trial_sums(reference + 0.3, reference, list("ABC")))
    assert found.total_sd == 0
    assert np.isnan(found.interval).all() and "no scatter" in found.method


def test_limits_join_the_spread_and_the_error_of_the_bias(rng):
    found = sep_interval(trial_sums(*season(rng, n_trials=4)))
    limits = found.error_limits(Estimate(value=0.3, se=0.4, df=3), level=0.9)
    half = student_t.ppf(0.95, found.df) * np.hypot(found.total_sd, 0.4)
    assert limits == approx((0.3 - half, 0.3 + half))


def test_limits_without_an_error_of_the_bias_are_not_known(rng):
    found = sep_interval(trial_sums(*season(rng)))
    assert np.isnan(found.error_limits(Estimate(value=0.3))).all()


def test_a_million_samples_and_a_hundred_thousand_trials(rng):
    samples = season(rng, n_trials=100_000, size=10)
    sums = trial_sums(*samples)
    assert sep_interval(sums).total_sd == approx(np.hypot(0.2, 0.4), abs=0.005)
    assert leave_one_trial_out(sums).rmsep_offset == approx(
        np.hypot(0.2, 0.4), abs=0.01
    )
