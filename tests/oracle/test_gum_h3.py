"""GUM (JCGM 100:2008) annex H.3: calibration of a thermometer, 11 readings.

Correction = reference - reading, a line anchored at 20 degrees: exactly a
prediction line. Readings and corrections from memory, in the order of table H.6;
results as printed in the GUM and in the documentation of GTC. The GUM takes readings
as independent, so its uncertainties are those of least squares.
"""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.lines import prediction_line

TABLE = """
21.521 -0.171
22.012 -0.169
22.512 -0.166
23.003 -0.159
23.507 -0.164
23.999 -0.165
24.513 -0.156
25.002 -0.157
25.503 -0.159
26.010 -0.161
26.511 -0.160
"""
READING, CORRECTION = np.array(TABLE.split(), float).reshape(-1, 2).T


def thermometer(anchor):
    return prediction_line(READING, READING + CORRECTION, range(11), anchor)


def least_squares_se(line, term):
    """Return the error of a coefficient if readings are independent, as the GUM has."""
    return line.fit.residual_sd * np.sqrt(line.fit.unscaled[term, term])


def test_correction_at_20_degrees():
    line = thermometer(20.0)
    assert -line.bias.value == approx(-0.1712, abs=5e-5)
    assert least_squares_se(line, 0) == approx(0.0029, abs=5e-5)


def test_slope_of_the_correction():
    line = thermometer(20.0)
    assert line.tilt.value == approx(0.00218, abs=5e-6)
    assert least_squares_se(line, 1) == approx(0.00067, abs=5e-6)


def test_spread_about_the_line_and_correlation():
    line = thermometer(20.0)
    assert line.fit.residual_sd == approx(0.0035, abs=5e-5)
    unscaled = line.fit.unscaled
    correlation = unscaled[0, 1] / np.sqrt(unscaled[0, 0] * unscaled[1, 1])
    assert correlation == approx(-0.930, abs=5e-4)


def test_correction_at_30_degrees():
    at_30 = thermometer(20.0).fit.contrast([1.0, 30.0 - 20.0])
    assert at_30.value == approx(-0.1494, abs=5e-5)
    line = thermometer(30.0)
    assert -line.bias.value == approx(-0.1494, abs=5e-5)
    assert least_squares_se(line, 0) == approx(0.0041, abs=5e-5)


@pytest.mark.parametrize("anchor", [20.0, 30.0])
def test_full_precision(anchor):
    # Own arithmetic: -0.171204(2878), 0.0021827(668), -0.149377(4139).
    expected = {20.0: (-0.171204, 0.002878), 30.0: (-0.149377, 0.004139)}[anchor]
    line = thermometer(anchor)
    assert (-line.bias.value, least_squares_se(line, 0)) == approx(expected, abs=5e-7)
    assert (line.tilt.value, least_squares_se(line, 1)) == approx(
        (0.0021827, 0.000668), abs=5e-7
    )
