"""Bland & Altman, Lancet 327 (1986) 307-310: peak flow by two meters, 17 subjects.

First readings, large meter less mini meter [l/min]. The paper was not opened: mean
and SD are as read in a validation script that cites it; the rest is from memory.
"""

from pathlib import Path

import pandas as pd
import pytest
from pytest import approx

from kitlib.statistics.agreement import agreement, limits_of_agreement
from kitlib.statistics.clustered import clustered_mean

DATA = Path(__file__).parent / "data" / "bland_altman_1986.csv"


@pytest.fixture(scope="module")
def meters():
    return pd.read_csv(DATA, comment="#")


def test_bias_and_sd(meters):
    found = agreement(meters["large1"], meters["mini1"])
    assert (found.bias, found.sep) == approx((-2.1, 38.8), abs=0.05)


def test_interval_of_the_bias(meters):
    # One reading a subject: the clustered mean is the paper's t interval. From
    # memory; -22.0 and 17.8 were worked out from the rounded 2.1, 38.8 and 9.4.
    bias = clustered_mean(meters["large1"] - meters["mini1"], range(17))
    assert bias.se == approx(9.4, abs=0.05)
    assert bias.interval() == approx((-22.0, 17.8), abs=0.05)


def test_limits_of_1986(meters):
    # Two SDs either way, from the rounded -2.1 and 38.8 (from memory).
    found = agreement(meters["large1"], meters["mini1"])
    assert round(found.bias, 1) - 2 * round(found.sep, 1) == approx(-79.7, abs=0.05)
    assert round(found.bias, 1) + 2 * round(found.sep, 1) == approx(75.5, abs=0.05)


def test_limits_of_1999(meters):
    lower, upper = limits_of_agreement(meters["large1"], meters["mini1"])
    # As read in the validation script: -78.1 and 73.9.
    assert lower.value == approx(-78.1, abs=0.05)
    assert upper.value == approx(73.9, abs=0.05)
    # Own arithmetic: SD sqrt(1/17 + 1.96^2 / 32).
    assert lower.se == approx(16.395108, abs=5e-7)
    assert lower.interval() == approx((-112.853378, -43.341225), abs=5e-7)
