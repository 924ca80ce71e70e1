"""Lin's concordance of the peak-flow data of Bland and Altman (1986)."""

from pathlib import Path

import pandas as pd
from pytest import approx

from kitlib.statistics.agreement import concordance

DATA = Path(__file__).parent / "data" / "bland_altman_1986.csv"


def test_coefficient():
    # 0.942742 in two test suites that check against R DescTools and epiR.
    meters = pd.read_csv(DATA, comment="#")
    assert concordance(meters["large1"], meters["mini1"]) == approx(0.942742, abs=5e-7)
