"""Factors and statistics of ISO 12099 (formulas from memory)."""

from math import sqrt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from scipy.stats import t as student_t

from kitlib.statistics.agreement import (
    agreement,
    rer,
    rpd,
    unexplained_error_limit,
)
from kitlib.statistics.lines import prediction_line

DATA = Path(__file__).parent / "data"


def read(name):
    return pd.read_csv(DATA / name, comment="#")


def test_factors_against_r():
    # R 4.2.2's qt and qf (r/iso12099_factors.R), 12 digits printed.
    for row in read("iso12099_factors.csv").itertuples():
        limit = unexplained_error_limit(1.0, row.n, row.df_at_setup)
        assert limit == approx(row.tue_over_sec, rel=1e-10)


@pytest.mark.parametrize(
    ("n", "m50", "m100", "m200", "m1000"),
    [
        (5, 1.599, 1.569, 1.555, 1.543),
        (10, 1.440, 1.405, 1.388, 1.374),
        (20, 1.341, 1.301, 1.280, 1.264),
        (30, 1.302, 1.257, 1.235, 1.216),
        (100, 1.235, 1.180, 1.150, 1.123),
    ],
)
def test_table_of_factors(n, m50, m100, m200, m1000):
    # Own arithmetic with the formulas of the standard; the standard's remark that an
    # SEP up to 30 % above SEC may pass (from memory) is n = 20, 100 df: 1.301.
    found = [unexplained_error_limit(1.0, n, df) for df in (50, 100, 200, 1000)]
    assert found == approx([m50, m100, m200, m1000], abs=5e-4)


# Own arithmetic on public data: bias, SEP, RMSEP, slope, intercept, residual SD, t of
# slope = 1, RPD, RER.
SETS = {
    "norris": (
        *("nist_norris.csv", "x", "y"),
        [0.625000, 1.141522, 1.287439, 0.997881412527, 0.264389],
        [0.882925, 4.950198, 304.833, 874.973],
    ),
    "arsenic": (
        *("arsenic_in_water.csv", "actual", "measured"),
        [0.0615625, 0.186636, 0.193738, 1.005972593, -0.082834264],
        [0.189203, 0.405424, 12.473219, 37.506179],
    ),
    "peak flow": (
        *("bland_altman_1986.csv", "large1", "mini1"),
        [2.117647, 38.765130, 37.667274, 0.969944061, 11.481781],
        [39.882184, 0.340982, 3.000444, 12.330669],
    ),
}


def least_squares_t(line):
    """Return the t of slope = 1 as standards test it, samples as independent."""
    return line.tilt.value / (line.fit.residual_sd * sqrt(line.fit.unscaled[1, 1]))


@pytest.mark.parametrize("name", SETS)
def test_whole_set_of_statistics(name):
    file, reference, sensor, first, second = SETS[name]
    table = read(file)
    reference, sensor = table[reference], table[sensor]
    found = agreement(sensor, reference)
    line = prediction_line(sensor, reference, np.arange(found.n), reference.mean())
    assert [
        found.bias,
        found.sep,
        found.rmsep,
        line.slope.value,
        line.intercept.value,
    ] == approx(first, abs=5e-7)
    t_slope = abs(least_squares_t(line))
    rest = [line.fit.residual_sd, t_slope]
    assert rest == approx(second[:2], abs=5e-7)
    ratios = [rpd(reference, found.sep), rer(reference, found.sep)]
    assert ratios == approx(second[2:], abs=5e-4)


def test_the_formula_of_the_slope_test_is_the_least_squares_t():
    # |b - 1| sqrt(s_sensor^2 (n - 1) / s_res^2), written out as in the standard.
    table = read("arsenic_in_water.csv")
    sensor, reference = table["measured"], table["actual"]
    line = prediction_line(sensor, reference, range(32), 3.5)
    by_hand = abs(line.slope.value - 1) * sqrt(
        sensor.var() * 31 / line.fit.residual_sd**2
    )
    assert abs(least_squares_t(line)) == approx(by_hand, rel=1e-10)
    assert by_hand < student_t.ppf(0.975, 30)
