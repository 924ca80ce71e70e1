"""Corrections: what they add, and how far they may be off."""

from math import inf, nan

import numpy as np
import pytest
from pytest import approx
from scipy.stats import t as student_t

from kitlib.curves.audit import Correction

COVARIANCE = np.array([[0.04, 0.003], [0.003, 0.0009]])


def correction(**changes):
    values = {
        "curve": "A",
        "pivot": 18.0,
        "shift": -0.4,
        "tilt": 0.1,
        "covariance": COVARIANCE,
        "df": 12,
    }
    return Correction(**(values | changes))


def test_at_the_pivot_only_the_shift_is_added():
    assert correction().apply(18.0) == approx(17.6)


def test_each_point_above_the_pivot_adds_the_tilt():
    assert correction().apply([19.0, 13.0]) == approx([18.7, 12.1])


def test_a_tilt_that_was_set_is_never_off(rng):
    shift, tilt = correction(covariance=np.diag([0.01, 0]), df=7).draw_errors(2000, rng)
    assert not tilt.any()
    # Four standard errors of a share of 2,000 draws about 5 %: 0.0195.
    beyond = np.mean(np.abs(shift) > 0.1 * student_t.ppf(0.975, 7))
    assert beyond == approx(0.05, abs=0.0195)


def test_draws_have_the_covariance_of_a_multivariate_t(rng):
    drawn = correction().draw_errors(200_000, rng)
    # Covariance of a multivariate t: scale × df / (df − 2). Three per cent are about
    # six standard errors of a variance from 200,000 draws with 12 degrees of freedom.
    assert np.cov(drawn) == approx(COVARIANCE * 12 / 10, rel=0.03)


def test_infinite_degrees_of_freedom_mean_normal_draws(rng):
    drawn = correction(df=inf).draw_errors(200_000, rng)
    assert np.cov(drawn) == approx(COVARIANCE, rel=0.03)


def test_a_correction_known_exactly_is_never_off(rng):
    found = correction(covariance=np.zeros((2, 2)), df=inf)
    assert not found.draw_errors(10, rng).any()


def test_perfectly_correlated_shift_and_tilt_can_be_drawn(rng):
    together = np.array([[0.04, 0.02], [0.02, 0.01]])
    shift, tilt = correction(covariance=together).draw_errors(9, rng)
    assert shift == approx(2 * tilt)


@pytest.mark.parametrize(
    "changes", [{"df": nan}, {"df": 0}, {"covariance": np.full((2, 2), nan)}]
)
def test_unknown_uncertainty_is_known_to_be_unknown(changes):
    assert not correction(**changes).uncertainty_known
