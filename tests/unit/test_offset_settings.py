"""Offsets loaded, as set up and as the season asks, and their differences."""

from math import isnan, sqrt

import numpy as np
from pytest import approx

from kitlib.review.history import Settings, difference, season_setting, welch_df
from kitlib.words.estimates import Estimate, not_known

SETUP = Estimate(value=0.2, se=0.1, df=9)
BIAS = Estimate(value=0.5, se=0.2, df=4, method="CR2")


def test_the_season_asks_for_the_loaded_less_the_bias():
    found = season_setting(0.3, BIAS)
    assert (found.value, found.se, found.df, found.method) == (-0.2, 0.2, 4, "CR2")
    assert not season_setting(float("nan"), BIAS).known


def test_moved_and_misloaded():
    settings = Settings(loaded=0.3, at_setup=SETUP, by_season=season_setting(0.3, BIAS))
    assert settings.misloaded.value == approx(0.1)
    assert settings.misloaded.se == 0.1
    assert settings.moved.value == approx(-0.4)
    assert settings.moved.se == approx(sqrt(0.05))
    unknown = Settings(loaded=float("nan"), at_setup=SETUP, by_season=SETUP)
    assert "not known" in unknown.misloaded.remark


def test_welch_by_hand():
    # (0.01 + 0.04)^2 / (0.01^2 / 9 + 0.04^2 / 4)
    assert welch_df([0.1, 0.2], [9, 4]) == approx(0.0025 / (0.0001 / 9 + 0.0004))


def test_welch_of_r():
    # R 4.2.2, t.test(c(1,2,4,7), c(3,8,9,20,30)): df 4.5792367, t -2.0813514, standard
    # error 5.0447993; the estimates below are the two means with their own errors.
    x, y = np.array([1, 2, 4, 7]), np.array([3, 8, 9, 20, 30])
    one, two = (
        Estimate(value=v.mean(), se=v.std(ddof=1) / sqrt(v.size), df=v.size - 1)
        for v in (x, y)
    )
    found = difference(one, two)
    assert found.df == approx(4.5792367, abs=5e-8)
    assert (found.t, found.se) == approx((-2.0813514, 5.0447993), abs=5e-8)


def test_hardly_known_errors_take_the_smaller_count(rng):
    # One estimate with 1 df: Welch and Satterthwaite would hold 93 % here.
    n = 4000
    squares = rng.chisquare(1, n), rng.chisquare(29, n) / 29
    errors = rng.normal(0, sqrt(2), n)
    held = [
        difference(
            Estimate(value=e, se=sqrt(a), df=1), Estimate(value=0, se=sqrt(b), df=29)
        )
        .interval()
        .holds(0)
        for e, a, b in zip(errors, *squares, strict=True)
    ]
    assert np.mean(held) > 0.95


def test_unknown_parts_carry_through():
    assert difference(not_known("why"), SETUP).remark == "why"
    bare = difference(Estimate(value=1.0, remark="one run"), SETUP)
    assert bare.value == approx(0.8) and isnan(bare.se) and bare.remark == "one run"
