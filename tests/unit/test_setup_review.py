"""Rules of set-up practice on invented runs, one rule broken at a time."""

import numpy as np
import pandas as pd
import pytest

from kitlib.review.setup import (
    BROKEN,
    LESS,
    MET,
    NOT_RECORDED,
    SETUP_RULES,
    VERIFIED,
    review_setup,
)

REGISTER = pd.Series({"chamber_config": "wide", VERIFIED: True})


@pytest.fixture
def runs():
    """Return three runs each of a drier and a wetter sample: nothing to complain of."""
    at = pd.date_range("2025-03-01 09:00", periods=6, freq="10min")
    return pd.DataFrame(
        {
            "curve": "A",
            "sample": ["dry"] * 3 + ["wet"] * 3,
            "known_pct": [15.0] * 3 + [26.0] * 3,
            "sensor_pct": [15.1, 15.0, 14.9, 26.2, 26.0, 25.9],
            "sample_mass_kg": 2.8,
            "known_test_weight_kg_hl": 72.0,
            "grain_temp_c": 20.0,
            "ambient_temp_c": 19.0,
            "rewetted": pd.array([False] * 6, dtype="boolean"),
            "run_at": at,
            "chamber_config": "wide",
        }
    )


def verdicts(runs, register=REGISTER, standard=15.5):
    return {c.code: c.verdict for c in review_setup(runs, register, standard)}


def test_good_practice_meets_every_rule(runs):
    checks = review_setup(runs, REGISTER, 15.5)
    assert [check.code for check in checks] == list(SETUP_RULES)
    assert {check.verdict for check in checks} == {MET}
    assert checks[1].found == "11.0 points, 15.0 to 26.0 %"


@pytest.mark.parametrize(
    ("code", "change", "verdict"),
    [
        ("setup-samples", {"sample": "dry"}, BROKEN),
        ("setup-span", {"known_pct": [15.0] * 3 + [17.9] * 3}, BROKEN),
        ("setup-span", {"known_pct": [15.0] * 3 + [24.9] * 3}, LESS),
        ("setup-first-sample", {"known_pct": [13.4] * 3 + [26.0] * 3}, BROKEN),
        ("setup-first-sample", {"known_test_weight_kg_hl": np.nan}, NOT_RECORDED),
        ("setup-runs", {"sample": ["dry"] * 3 + ["wet"] * 2 + ["mid"]}, BROKEN),
        ("setup-runs", {"sample": ["dry"] * 4 + ["wet"] * 2}, LESS),
        ("setup-mass", {"sample_mass_kg": [2.8] * 5 + [2.69]}, BROKEN),
        ("setup-mass", {"sample_mass_kg": np.nan}, NOT_RECORDED),
        ("setup-temperature", {"grain_temp_c": [20.0] * 5 + [13.9]}, BROKEN),
        ("setup-temperature", {"ambient_temp_c": np.nan}, NOT_RECORDED),
        ("setup-rewetted", {"rewetted": [False] * 5 + [True]}, BROKEN),
        ("setup-rewetted", {"rewetted": pd.array([None] * 6, "boolean")}, NOT_RECORDED),
        ("setup-configuration", {"chamber_config": ["wide"] * 5 + ["slim"]}, BROKEN),
        ("setup-configuration", {"chamber_config": "slim"}, BROKEN),
        ("setup-configuration", {"chamber_config": None}, NOT_RECORDED),
    ],
)
def test_each_rule_by_itself(runs, code, change, verdict):
    found = verdicts(runs.assign(**change))
    assert found[code] == verdict


def test_the_first_sample_is_the_one_run_first(runs):
    # Rows of the file may be in any order; the clock decides.
    assert verdicts(runs.iloc[::-1])["setup-first-sample"] == MET
    untimed = runs.assign(run_at=pd.NaT)
    assert verdicts(untimed)["setup-first-sample"] == MET
    assert verdicts(untimed.iloc[::-1])["setup-first-sample"] == BROKEN


def test_an_unknown_standard_moisture_is_not_a_broken_rule(runs):
    assert verdicts(runs, standard=np.nan)["setup-first-sample"] == NOT_RECORDED


def test_load_cells(runs):
    for value, verdict in ((True, MET), (False, BROKEN), (None, NOT_RECORDED)):
        register = pd.Series({"chamber_config": "wide", VERIFIED: value})
        assert verdicts(runs, register)["setup-load-cells"] == verdict
    without = pd.Series({"chamber_config": "wide"})
    assert verdicts(runs, without)["setup-load-cells"] == NOT_RECORDED


def test_values_not_recorded_for_some_runs_are_counted(runs):
    runs.loc[5, "sample_mass_kg"] = np.nan
    mass = {c.code: c for c in review_setup(runs, REGISTER, 15.5)}["setup-mass"]
    assert mass.verdict == MET
    assert mass.found.endswith("not recorded for 1 run")


def test_without_runs_nothing_is_judged_but_the_load_cells(runs):
    found = verdicts(runs.iloc[:0])
    assert found.pop("setup-load-cells") == MET
    assert set(found.values()) == {NOT_RECORDED}
    assert verdicts(runs.assign(sensor_pct=np.nan)) == verdicts(runs.iloc[:0])
