"""NIST StRD Norris: certified straight line, https://www.itl.nist.gov/div898/strd/."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.statistics.lines import prediction_line
from kitlib.statistics.sums import trial_sums

DATA = Path(__file__).parent / "data" / "nist_norris.csv"
SLOPE, SLOPE_SD = 1.00211681802045, 0.429796848199937e-03
INTERCEPT, INTERCEPT_SD = -0.262323073774029, 0.232818234301152
RESIDUAL_SD = 0.884796396144373
COVARIANCE = -7.74327536339570e-05  # as in the GNU Scientific Library's tests


@pytest.fixture(scope="module")
def norris():
    return pd.read_csv(DATA, comment="#")


@pytest.fixture(scope="module")
def line(norris):
    return prediction_line(norris["x"], norris["y"], range(36), anchor=0.0)


def test_slope_and_intercept(line):
    assert line.slope.value == approx(SLOPE, abs=5e-13)
    assert line.intercept.value == approx(INTERCEPT, abs=5e-13)


def test_residual_sd(line):
    assert line.fit.residual_sd == approx(RESIDUAL_SD, abs=5e-13)


def test_least_squares_standard_errors(line):
    intercept_sd, slope_sd = line.fit.residual_sd * np.sqrt(np.diag(line.fit.unscaled))
    assert slope_sd == approx(SLOPE_SD, rel=1e-12)
    assert intercept_sd == approx(INTERCEPT_SD, rel=1e-12)


def test_covariance_of_the_coefficients(line):
    covariance = line.fit.unscaled[0, 1] * line.fit.residual_sd**2
    assert covariance == approx(COVARIANCE, rel=1e-12)


def test_the_anchor_moves_nothing_but_where_the_bias_is_told(norris, line):
    far = prediction_line(norris["x"], norris["y"], range(36), anchor=500.0)
    assert far.slope.value == approx(line.slope.value, abs=1e-13)
    assert far.intercept.value == approx(INTERCEPT, abs=5e-13)
    # From the certified line itself: 500 - (B0 + 500 B1).
    assert far.bias.value == approx(500 - INTERCEPT - 500 * SLOPE, abs=5e-12)


def test_six_sums_give_the_same_line(norris):
    total = trial_sums(norris["x"], norris["y"], range(36)).total
    assert total.slope == approx(SLOPE, abs=5e-13)
