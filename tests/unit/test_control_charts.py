"""Chart arithmetic: identities and refusals; published tables stand among oracles."""

from math import sqrt

import numpy as np
import pytest
from pytest import approx
from scipy.stats import norm

from kitlib.review.control_charts import (
    calibration_line,
    cusum,
    ewma,
    ewma_sd,
    ewma_weights,
    first_of,
    joint_quantile,
    sigmas,
)
from kitlib.words.errors import NoSpread, NotFinite, TooFewSamples


def test_joint_quantile_holds_all_values_together(rng):
    draws = rng.normal(size=(40000, 5))
    within = (np.abs(draws) <= joint_quantile(1e9, 5)).all(axis=1).mean()
    assert within == approx(0.95, abs=4 * sqrt(0.95 * 0.05 / 40000))


def test_joint_quantile_is_on_the_safe_side_with_one_sd_for_all(rng):
    # Šidák's inequality for values over one estimated SD.
    draws = rng.normal(size=(40000, 6))
    sd = np.sqrt(rng.chisquare(5, 40000) / 5)
    within = (np.abs(draws).max(axis=1) <= joint_quantile(5, 6) * sd).mean()
    assert within > 0.95


def test_sigmas_are_as_rare_as_three_of_a_normal_distribution(rng):
    t = rng.standard_t(8, 2_000_000)
    assert (np.abs(t) > sigmas(8)).mean() == approx(2 * norm.sf(3), rel=0.05)


def test_departure_undoes_the_line():
    line = calibration_line([10, 15, 22, 30], [10.3, 15.6, 22.2, 31.1])
    known = np.array([12.0, 27.0])
    assert line.departure(known, line.start + line.slope * known) == approx(
        0, abs=1e-12
    )
    assert line.departure(known, line.start + line.slope * (known + 0.7)) == approx(0.7)


def test_lines_that_are_none():
    with pytest.raises(TooFewSamples, match="got n = 2"):
        calibration_line([10, 20], [10, 20])
    with pytest.raises(NoSpread, match="all samples hold 15 %"):
        calibration_line([15, 15, 15], [15.1, 15.2, 15.3])
    with pytest.raises(NoSpread, match="expected them to rise"):
        calibration_line([10, 15, 20], [20, 15, 10])
    with pytest.raises(NotFinite, match="readings"):
        calibration_line([10, 15, 20], [20, np.nan, 10])


def test_ewma_variance_settles():
    weights = ewma_weights(200, 0.2)
    assert sqrt((weights[-1] ** 2).sum()) == approx(ewma_sd(1.0, 0.2))
    # Exact at every step: lambda / (2 - lambda) (1 - (1 - lambda)^2t).
    step = np.arange(1, 201)
    exact = 0.2 / 1.8 * (1 - 0.8 ** (2 * step))
    assert (weights**2).sum(axis=1) == approx(exact)


def test_cusum_mirrors():
    values = np.array([0.4, 1.3, -0.2, 2.0, -3.0, -0.1])
    up, down = cusum(values, slack=0.5), cusum(-values, slack=0.5)
    assert up.high == approx(down.low) and up.low == approx(down.high)
    moved = cusum(values + 7, target=7, slack=0.5)
    assert moved.high == approx(up.high)


def test_nothing_to_chart():
    assert cusum([]).high.size == 0
    assert ewma([]).size == 0
    assert first_of(["a", "b"], np.array([False, False])) is None
    assert first_of(["a", "b"], np.array([False, True])) == "b"
