"""NIST/SEMATECH e-Handbook 2.3.6.7: control of an instrument calibrated by a line.

Data: NIST Dataplot's CALIBRATIONLINE.DAT and LINEWID.DAT, read. Line widths stand in
for moistures: ten artifacts measured four times, then three check standards a day.
"""

from math import floor

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from scipy.stats import t as student_t

from kitlib.review.check_samples import (
    check_runs,
    held_to_line,
    joint_quantile,
    setup_line,
)

REFERENCE = [6.19, 9.17, 1.99, 7.77, 4, 10.77, 4.78, 2.99, 6.98, 9.98] * 4
MEASURED = [6.31, 9.27, 2.21, 8.00, 4.27, 10.93, 4.95, 3.24, 7.14, 10.23]
MEASURED += [6.27, 9.21, 2.19, 7.81, 4.15, 10.73, 4.87, 3.17, 7.07, 10.02]
MEASURED += [6.31, 9.34, 2.22, 7.95, 4.15, 10.92, 5.00, 3.21, 7.18, 10.07]
MEASURED += [6.28, 9.23, 2.20, 7.84, 4.15, 10.89, 5.00, 3.21, 7.20, 10.17]
STANDARDS = [0.76, 3.29, 8.89]
DAYS = [
    [1.12, 3.49, 9.11],
    [0.99, 3.53, 8.89],
    [1.05, 3.46, 9.02],
    [0.76, 3.75, 9.30],
    [0.96, 3.53, 9.05],
    [1.03, 3.52, 9.02],
]


@pytest.fixture
def line():
    return setup_line(REFERENCE, MEASURED, a_day=3)


def test_the_line(line):
    # e-Handbook, from memory: 0.2357, 0.9870, residual SD 0.06203 with 38 df. As
    # remembered the first is cut, not rounded; further digits are own arithmetic.
    assert line.start == approx(0.235762290, abs=5e-10)
    assert floor(line.start * 1e4) == 2357
    assert line.slope == approx(0.9870, abs=5e-5)
    # One standard by itself is held to Student's t times that SD, over the slope.
    alone = setup_line(REFERENCE, MEASURED)
    sd = alone.limit * line.slope / student_t.ppf(0.975, 38)
    assert sd == approx(0.06203, abs=5e-6)


def test_the_quantile_and_the_limit(line):
    # t* of 2.497 for three standards at 5 %, from memory and there cut, not rounded;
    # 2.4976 by own arithmetic.
    assert floor(joint_quantile(38, 3, 0.95) * 1e3) == 2497
    assert joint_quantile(38, 3, 0.95) == approx(2.4976, abs=5e-5)
    assert line.limit == approx(0.15696, abs=5e-6)
    assert joint_quantile(38) == approx(student_t.ppf(0.975, 38))


def test_day_4_is_out_of_control(line):
    # From memory of the handbook: day 4 is out at all three positions, no other is.
    # The departures are own arithmetic.
    departures = line.departure(np.array(STANDARDS), np.array(DAYS))
    assert departures[3] == approx([-0.2289, 0.2704, 0.2933], abs=5e-5)
    out = np.abs(departures) > line.limit
    assert out.all(axis=1).tolist() == [False] * 3 + [True] + [False] * 2
    assert not np.delete(out, 3, axis=0).any()


def test_the_chart_of_check_samples_says_so_too(line):
    at = pd.date_range("2025-10-01", periods=6).repeat(3)
    runs = pd.DataFrame(
        {
            "sample": ["L", "M", "U"] * 6,
            "known_pct": STANDARDS * 6,
            "sensor_pct": np.ravel(DAYS),
            "run_at": at,
            "at_setup": False,
        }
    )
    checks = check_runs(runs, np.zeros(18), 0.0)
    found, first_out = held_to_line(checks, REFERENCE, MEASURED)
    assert found == line
    assert first_out == pd.Timestamp("2025-10-04")
