"""Lin's concordance of the peak-flow data of Bland and Altman (1986)."""

from pathlib import Path

import pandas as pd
import pytest
from pytest import approx

from kitlib.statistics.agreement import concordance

DATA = Path(__file__).parent / "data" / "bland_altman_1986.csv"


@pytest.fixture(scope="module")
def found():
    meters = pd.read_csv(DATA, comment="#")
    return concordance(meters["large1"], meters["mini1"])


def test_coefficient(found):
    # 0.942742 in two test suites that check against R DescTools and epiR.
    assert found.value == approx(0.942742, abs=5e-7)


def test_z_interval_and_parts(found):
    # Own arithmetic with the formulas of Lin (1989, corrected 2000).
    assert found.se == approx(0.028616737, abs=5e-10)
    assert found.interval() == approx((0.850492, 0.978726), abs=5e-7)
    assert found.precision == approx(0.943279447, abs=5e-10)
    assert found.accuracy == approx(0.999430693, abs=5e-10)


def test_precision_as_printed(found):
    assert found.precision == approx(0.94, abs=0.005)  # the paper's r, from memory
