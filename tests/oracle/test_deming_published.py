"""Deming with known error variances: the 10-pair example of R SimplyAgree.

x, y, variances and results as read in tests/testthat/test-dem_reg.R and the vignette
of R SimplyAgree 0.3.0. It leaves one sample out at a time and takes n - 2 degrees of
freedom; we leave out trials, here of one sample each, and take trials - 1.
"""

from dataclasses import replace
from functools import partial

import numpy as np
from pytest import approx

from kitlib.statistics.lines import deming_slope, gain
from kitlib.statistics.sums import jackknife, trial_sums

X = np.array([7, 8.3, 10.5, 9, 5.1, 8.2, 10.2, 10.3, 7.1, 5.9])
Y = np.array([7.9, 8.2, 9.6, 9, 6.5, 7.3, 10.2, 10.6, 6.3, 5.2])
SD_X, SD_Y = np.sqrt(0.032), np.sqrt(0.008)


def jackknifed(sd_sensor, sd_reference):
    slope = partial(deming_slope, sd_sensor=sd_sensor, sd_reference=sd_reference)
    return jackknife(trial_sums(Y, X, range(10)), slope)


def published():
    return jackknifed(SD_Y, SD_X)


def test_slope_and_its_jackknife_error():
    assert published().value == approx(1.0011942, abs=5e-8)
    assert published().se == approx(0.1872, abs=5e-5)


def test_intercept():
    intercept = Y.mean() - published().value * X.mean()
    assert intercept == approx(-0.0897449, abs=5e-8)


def test_interval_with_the_degrees_of_freedom_of_the_publication():
    interval = replace(published(), df=8).interval()
    assert interval == approx((0.5695632, 1.4328253), abs=5e-8)


def test_the_gain_is_this_slope():
    # Its error is by CR2, with fewer degrees of freedom, as leverage has it; that
    # stands against R through least squares, see test_gain.
    found = gain(Y, X, sd_sensor=SD_Y, sd_reference=SD_X, trial=range(10))
    assert found.value == approx(1.0011942, abs=5e-8)
    assert found.df < published().df == 9


def test_equal_sds_are_orthogonal_regression():
    # An independent algorithm: the first principal axis.
    centred = np.array([X - X.mean(), Y - Y.mean()])
    axis = np.linalg.svd(centred)[0][:, 0]
    found = gain(Y, X, sd_sensor=1.0, sd_reference=1.0, trial=range(10))
    assert found.value == approx(axis[1] / axis[0], rel=1e-12)
    assert found.value == approx(0.942288557, abs=5e-10)  # own arithmetic
    assert jackknifed(1.0, 1.0).se == approx(0.202802688, abs=5e-10)  # own arithmetic


def test_the_two_sds_the_wrong_way_round_are_seen():
    found = gain(Y, X, sd_sensor=SD_X, sd_reference=SD_Y, trial=range(10))
    assert found.value == approx(0.890599505, abs=5e-10)  # own arithmetic
