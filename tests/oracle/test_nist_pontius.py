"""NIST StRD Pontius: a load cell that bends, certified parabola."""

from pathlib import Path

import numpy as np
import pandas as pd
from pytest import approx

from kitlib.statistics.agreement import curvature, span_of

DATA = Path(__file__).parent / "data" / "nist_pontius.csv"
B2 = -0.316081871345029e-14  # certified, per pound squared
UNIT = 1_500_000.0  # pounds: with this unit the slope is near 1, as our errors need


def test_curvature_is_the_certified_quadratic_term_over_the_span():
    cell = pd.read_csv(DATA, comment="#")
    load = cell["load"].to_numpy() / UNIT
    half = np.diff([span_of(load).low, span_of(load).high])[0] / 2
    found = curvature(cell["deflection"], load, range(40))
    # A parabola rises B2 h^2 less at its middle than at its ends, h the half width.
    assert found.value == approx(-B2 * UNIT**2 * half**2, rel=1e-10)
    assert found.interval().low > 0  # the cell's bend is no chance: NIST fits B2


def test_deflections_of_a_straight_cell_do_not_bend():
    cell = pd.read_csv(DATA, comment="#")
    load = cell["load"].to_numpy() / UNIT
    straight = cell["deflection"] - B2 * UNIT**2 * load**2
    found = curvature(straight, load, range(40))
    assert found.value == approx(0, abs=1e-10)
