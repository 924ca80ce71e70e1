"""One curve's set-up put together: the offset, the ambiguity of when it was loaded."""

from math import isnan

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from reviewed import demo_season

from kitlib.intake.settings import Season
from kitlib.review.setup import curve_setup, gain_by_repeats, looks_unloaded
from kitlib.review.setup_runs import IN_FORCE, Repeatability, setup_offset

SEASON = Season(name="made up")
NOTHING = Repeatability(sd=float("nan"), df=0, n_samples=0)
REGISTER = pd.Series(
    {
        "crop": "maize",
        "offset_mixed": False,
        "offset_loaded": 0.8,
        "chamber_config": "wide",
    }
)
PLOTS = pd.DataFrame(
    {
        "chamber_config": ["wide", "slim", None],
        "sensor_pct": [15.0, 18.0, 21.0],
        "grain_temp_c": np.nan,
    }
)
KNOWN = np.array([12.0, 15.0, 18.0, 21.0, 24.0, 27.0])
SCATTER = np.array([0.1, -0.1, 0.05, -0.05, 0.1, -0.1])


def runs(sensor, **more):
    columns = ["grain_mass_kg", "lab_test_weight_kg_hl", "grain_temp_c"]
    columns += ["air_temp_c", "chamber_config"]
    empty = {name: np.nan for name in columns}
    return pd.DataFrame(
        {
            "sample": list("abcdef"),
            "known_pct": KNOWN,
            "sensor_pct": sensor,
            "run_at": pd.NaT,
            "water_added": pd.array([None] * 6, "boolean"),
            **empty,
            **more,
        }
    )


def setup_of(runs):
    return curve_setup(REGISTER, runs, PLOTS, None, NOTHING, 0.6, 0.1, SEASON)


def test_runs_read_with_the_offset_loaded():
    found = setup_of(runs(KNOWN + SCATTER))
    assert found.settings.at_setup.value == approx(0.8)
    assert found.settings.misloaded.value == approx(0)
    assert not found.looks_unloaded
    assert found.reach.n_samples == 6 and found.reach.sd == 0.6


def test_runs_read_before_the_offset_was_loaded_are_told_from_their_errors():
    bare = runs(KNOWN + SCATTER - 0.8)
    found = setup_of(bare)
    # Taken to hold the offset they would ask for twice of it; that is suspicious.
    assert found.settings.at_setup.value == approx(1.6)
    assert found.looks_unloaded
    # With the column that tells there is nothing to guess.
    told = setup_of(bare.assign(**{IN_FORCE: 0.0}))
    assert told.settings.at_setup.value == approx(0.8)
    assert not told.looks_unloaded


def test_no_offset_cannot_have_been_left_out():
    asked = setup_offset(KNOWN, KNOWN + SCATTER, list("abcdef"))
    assert not looks_unloaded(asked, runs(KNOWN), 0.0, 0.95)
    assert not looks_unloaded(None, runs(KNOWN), 0.8, 0.95)


def test_other_configurations_are_counted():
    found = setup_of(runs(KNOWN + SCATTER)).configuration
    assert (found.n_other, found.configurations) == (1, ("slim",))
    assert not found.change.known


def test_without_runs_nothing_is_known_and_nothing_stops():
    found = setup_of(runs(KNOWN).iloc[:0])
    assert found.offset is None and found.reach is None
    assert not found.settings.at_setup.known
    assert not found.settings.moved.known
    assert isnan(found.gain_by_repeats.value)


def test_gain_with_the_repeatability_lies_by_the_audits():
    # Both take the reference's error as small, so they hardly differ.
    audit = demo_season().audits["maize-S1"]
    repeats = Repeatability(sd=0.15, df=30, n_samples=10)
    found = gain_by_repeats(audit, repeats)
    assert found.value == approx(audit.gain.value, abs=0.01)
    assert "no sample was run twice" in gain_by_repeats(audit, NOTHING).remark


@pytest.mark.parametrize("curve", ["maize-S1", "wheat-S2"])
def test_the_season_asks_for_the_offset_the_advice_gives(curve):
    season = demo_season()
    audit, advice = season.audits[curve], season.advice[curve]
    register = audit.register
    plots = season.pairing.plots
    found = curve_setup(
        register, runs(KNOWN), plots, audit, NOTHING, 0.6, 0.1, season.settings
    )
    asked = found.settings.by_season
    assert asked.value == approx(register["offset_loaded"] + advice.offset)
    assert tuple(asked.interval()) == approx(
        tuple(advice.interval.shifted(register["offset_loaded"]))
    )
