"""Pooled and shrunken offsets: published values, identities, a check by simulation."""

from math import isnan, sqrt

import numpy as np
import pytest
from pytest import approx
from scipy.stats import chi2
from scipy.stats import t as student_t

from kitlib.statistics.pooling import (
    false_discovery,
    pool_offsets,
    reml_variance,
)
from kitlib.words.findings import NoSpread, NotFinite, TooFewSamples

OFFSETS = np.array([0.42, 0.10, -0.15, 0.55, 0.31, 0.05, 0.88, 0.20])
SES = np.sqrt([0.010, 0.020, 0.015, 0.060, 0.005, 0.030, 0.090, 0.012])


def values(pooled):
    return np.array([estimate.value for estimate in pooled.shrunken])


def test_james_stein_of_efron_and_morris_1975():
    # Efron, Morris, J. American Statistical Association 70 (1975) 311-319: successes of
    # 18 players in 45 tries each, x = sqrt(45) arcsin(2 y - 1) with SD 1. From memory:
    # the counts, and that 18.96 as sum of squares keeps .209 of each distance.
    counts = [18, 17, 16, 15, 14, 14, 13, 12, 11, 11, 10, 10, 10, 10, 10, 9, 8, 7]
    x = sqrt(45) * np.arcsin(2 * np.array(counts) / 45 - 1)
    assert x.var() * 18 == approx(18.96, abs=0.005)
    kept = (values(pool_offsets(x, np.ones(18))) - x.mean()) / (x - x.mean())
    assert kept == approx(np.full(18, 0.209), abs=0.0005)


def test_equal_standard_errors_by_hand():
    # Squares about the mean 0.5 sum to 0.40: variance 0.10 = between + 0.01.
    pooled = pool_offsets([0.1, 0.3, 0.5, 0.7, 0.9], [0.1] * 5)
    assert pooled.sd_between**2 == approx(0.09)
    mean = pooled.mean
    assert (mean.value, mean.se, mean.df) == approx((0.5, sqrt(0.1 / 5), 4))
    # James and Stein: 1 - (5 - 3) 0.01 / 0.40 = 0.95 of each distance is kept.
    assert values(pooled) == approx([0.12, 0.31, 0.5, 0.69, 0.88])
    # Morris, with B = 0.05: 0.01 (1 - 4/5 B) + 2 / (5 - 3) B^2 0.4^2.
    assert pooled.shrunken[0].se == approx(sqrt(0.01 * 0.96 + 0.0004))
    assert pooled.shrunken[2].se == approx(sqrt(0.01 * 0.96))


def test_a_new_curve_is_one_more_draw_where_each_is_known_exactly():
    # Then it is the textbook interval for one more value: sd sqrt(1 + 1 / k), t(k - 1).
    offsets = np.array([0.1, 0.3, 0.5, 0.7, 0.9])
    pooled = pool_offsets(offsets, [1e-6] * 5)
    half = offsets.std(ddof=1) * sqrt(1 + 1 / 5) * student_t.ppf(0.975, 4)
    low, high = pooled.new_curve.interval()
    assert (high - low) / 2 == approx(half, rel=2e-4)  # 200 values stand for all


def test_variances_of_trials_are_drawn_towards_each_other():
    # Five curves of four trials: squared errors times trials are the variances.
    offsets, dfs = [0.1, 0.3, 0.5, 0.7, 0.9], [3] * 5
    alike = pool_offsets(offsets, [0.18, 0.22, 0.2, 0.21, 0.19], dfs)
    assert 3 < alike.shrunken[0].df <= 15
    ses = [estimate.se for estimate in alike.shrunken]
    assert max(ses) / min(ses) < 0.22 / 0.18
    unlike = pool_offsets(offsets, [0.02, 0.4, 0.02, 0.4, 0.02], dfs)
    # A curve known well keeps its offset, one known badly is drawn in.
    assert unlike.shrunken[0].value == approx(0.1, abs=0.01)
    assert abs(unlike.shrunken[3].value - 0.7) > 0.05
    assert unlike.shrunken[0].se < unlike.shrunken[3].se / 5


def test_offsets_no_further_apart_than_chance_collapse_but_keep_an_interval():
    pooled = pool_offsets([0.21, 0.18, 0.25, 0.20, 0.16], [0.1] * 5)
    assert pooled.sd_between == 0
    assert pooled.remark == "no difference between the curves was detectable"
    # Half of each distance is kept, (k - 3) / (k - 1) of all being taken off.
    assert values(pooled) == approx([0.205, 0.19, 0.225, 0.2, 0.18])
    assert all(estimate.se > 0.07 for estimate in pooled.shrunken)


def test_identical_offsets_stay_where_they_are():
    pooled = pool_offsets([0.3] * 6, SES[:6])
    assert pooled.sd_between == 0
    assert values(pooled) == approx([0.3] * 6)
    assert pooled.mean.se == approx(1 / sqrt(np.sum(1 / SES[:6] ** 2)))


def test_shrunken_offsets_lie_between_the_raw_one_and_the_mean():
    pooled = pool_offsets(OFFSETS, SES)
    raw, mean = OFFSETS - pooled.mean.value, values(pooled) - pooled.mean.value
    assert (raw * mean > 0).all()
    assert (np.abs(mean) < np.abs(raw)).all()
    # The least certain is drawn in most.
    assert np.argmin(mean / raw) == np.argmax(SES)


def test_order_sign_units_and_a_constant_carry_through(rng):
    pooled = pool_offsets(OFFSETS, SES)
    order = rng.permutation(8)
    assert values(pool_offsets(OFFSETS[order], SES[order])) == approx(
        values(pooled)[order]
    )
    assert values(pool_offsets(-1e3 * OFFSETS, 1e3 * SES)) == approx(
        -1e3 * values(pooled)
    )
    assert values(pool_offsets(OFFSETS + 5, SES)) == approx(values(pooled) + 5)


def test_the_variance_between_curves_is_the_most_likely():
    def likelihood(between):
        weights = 1 / (SES**2 + between)
        away = OFFSETS - weights @ OFFSETS / weights.sum()
        return np.log(weights).sum() - np.log(weights.sum()) - weights @ away**2

    best = likelihood(reml_variance(OFFSETS, SES**2))
    assert best >= max(likelihood(other) for other in np.linspace(0, 0.5, 500))


@pytest.mark.parametrize("k", [2, 3, 4])
def test_few_curves_are_not_shrunk(k):
    pooled = pool_offsets(OFFSETS[:k], SES[:k])
    assert not any(estimate.known for estimate in pooled.shrunken)
    assert pooled.shrunken[0].remark == "not known: fewer than five curves"
    assert pooled.mean.df == k - 1


def test_one_curve_is_left_as_measured():
    pooled = pool_offsets([0.3], [0.1], [4])
    [alone] = pooled.shrunken
    assert (alone.value, alone.se, alone.df) == approx((0.3, 0.1, 4))
    assert not pooled.mean.known and not pooled.new_curve.known
    assert isnan(pooled.sd_between)
    assert "one curve only" in pooled.remark


def test_input_that_cannot_be_pooled_is_refused():
    with pytest.raises(TooFewSamples, match="got no curve"):
        pool_offsets([], [])
    with pytest.raises(NoSpread, match=r"ses\[1\] is 0; expected above 0"):
        pool_offsets([0.1, 0.2], [0.1, 0.0])
    with pytest.raises(NotFinite, match=r"pool_offsets: ses\[0\] is nan"):
        pool_offsets([0.1, 0.2], [np.nan, 0.1])
    with pytest.raises(NotFinite, match=r"pool_offsets: dfs\[1\] is nan"):
        pool_offsets([0.1, 0.2], [0.1, 0.1], [3, np.nan])
    with pytest.raises(ValueError, match="got 1 ses for 2 offsets"):
        pool_offsets([0.1, 0.2], [0.1])


@pytest.mark.slow
@pytest.mark.parametrize("k", [5, 8])
@pytest.mark.parametrize("sd_between", [0.0, 0.2])
def test_intervals_hold_the_true_offsets_often_enough(rng, k, sd_between):
    # Own simulation: 150 seasons of k curves with 3 to 9 trials, SD of a trial 0.39.
    # Where there is nothing between curves, a 95 % interval may well cover more.
    held = []
    for _ in range(150):
        trials = rng.integers(3, 10, k)
        truth = rng.normal(0, sd_between, k) if sd_between else np.zeros(k)
        offsets = rng.normal(truth, 0.39 / np.sqrt(trials))
        chances = chi2.rvs(trials - 1, random_state=rng) / (trials - 1)
        ses = 0.39 * np.sqrt(chances / trials)
        found = pool_offsets(offsets, ses, trials - 1).shrunken
        held += [e.interval().holds(t) for e, t in zip(found, truth, strict=True)]
    # Chance alone moves the share by 0.008 at k = 5 and 0.006 at k = 8 (one SD).
    assert np.mean(held) > 0.93


def test_q_values_leave_out_what_is_not_known():
    # By hand: 0.01 x 3 / 1, 0.04 x 3 / 3 and 0.03 x 3 / 2, made to rise.
    found = false_discovery([0.04, np.nan, 0.01, 0.03])
    assert found == approx([0.04, np.nan, 0.03, 0.04], nan_ok=True)
    assert np.isnan(false_discovery([np.nan])).all()
