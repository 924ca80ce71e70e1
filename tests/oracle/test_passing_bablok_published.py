"""Passing-Bablok against examples of R deming and R SimplyAgree."""

from pathlib import Path

import pandas as pd
import pytest
from pytest import approx
from scipy.stats import theilslopes

from kitlib.statistics.lines import passing_bablok

DATA = Path(__file__).parent / "data"
T = [1, 2, 3, 4, 10, 12, 18]
Y = [9, 15, 19, 20, 45, 55, 78]


def test_sen_1968():
    # R deming, tests/pbtest.R: data of Sen (1968), slope 4, intercept 6, slopes 26/7
    # to 35/8 at 93 %.
    line = passing_bablok(T, Y, level=0.93)
    assert (line.slope, line.intercept) == approx((4, 6), abs=1e-11)
    assert line.slope_interval == approx((26 / 7, 35 / 8), abs=1e-11)


def test_slopes_below_minus_one_shift_the_median():
    # R deming, tests/pbtest.R: N = 15, one slope below -1.
    line = passing_bablok([1, 2, 3, 4, 5, 6], [2, 1.2, 4.1, 3.5, 6.3, 3])
    assert (line.slope, line.intercept) == approx((1.05, 0.125), abs=1e-11)
    assert line.n_pairs == 15


@pytest.fixture(scope="module")
def thirty():
    return pd.read_csv(DATA / "passing_bablok_pairs.csv", comment="#")


def test_thirty_pairs(thirty):
    # R SimplyAgree, tests/testthat/test-pb_reg.R: intercept -0.15, slope 1.00.
    line = passing_bablok(thirty["m1"], thirty["m2"])
    assert (line.slope, line.intercept) == approx((1.00, -0.15), abs=0.005)
    # Own arithmetic, every slope listed: 434 of 435, one pair is tied in both.
    assert line.n_pairs == 434
    assert (line.slope, line.intercept) == approx((1, -0.15), abs=1e-10)
    assert line.slope_interval == approx((0.987635240, 1.012315271), abs=5e-10)


def test_peak_flow_of_bland_and_altman():
    # Own arithmetic: N = 135, 13 slopes below -1; R blandr carries the data.
    meters = pd.read_csv(DATA / "bland_altman_1986.csv", comment="#")
    line = passing_bablok(meters["large1"], meters["mini1"])
    assert line.n_pairs == 135
    assert line.slope == approx(1.064814815, abs=5e-10)
    assert line.intercept == approx(-24.305555556, abs=5e-10)
    assert line.slope_interval == approx((0.837078652, 1.396825397), abs=5e-10)


def test_turned_by_45_degrees_it_is_scipys_theil_sen(thirty):
    across = thirty["m1"] + thirty["m2"]
    along = thirty["m2"] - thirty["m1"]
    turned = theilslopes(along[:-1], across[:-1]).slope
    line = passing_bablok(thirty["m1"][:-1], thirty["m2"][:-1])
    assert line.slope == approx((1 + turned) / (1 - turned), abs=1e-11)
