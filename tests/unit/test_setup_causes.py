"""What could have put an offset wrong, on invented runs with one thing amiss each."""

from math import isnan, nan, sqrt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.intake.settings import Season, SetupLimits
from kitlib.review.check_samples import Repeatability
from kitlib.review.setup import (
    CAUSES,
    DOUBTFUL,
    METER_RATE,
    SCALE,
    SOUND,
    THIN,
    UNRECORDED,
    CurveReview,
)
from kitlib.statistics.estimates import Estimate
from kitlib.words.findings import KINDS

REGISTER = pd.Series(
    {
        "crop": "maize",
        "offset_mixed": False,
        "offset_loaded": 0.0,
        "chamber_config": "wide",
        SCALE: True,
    }
)
PLOTS = pd.DataFrame(
    {
        "sensor_pct": [16.0, 20.0, 24.0],
        "grain_temp_c": 12.0,
        "chamber_config": "wide",
    }
)


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
            "grain_mass_kg": 2.8,
            "lab_test_weight_kg_hl": 72.0,
            "grain_temp_c": 20.0,
            "air_temp_c": 19.0,
            "water_added": pd.array([False] * 6, dtype="boolean"),
            "run_at": at,
            "chamber_config": "wide",
        }
    )


def setup_of(runs, limits=None, **more):
    """Return a set-up, without a season unless told."""
    season = Season(name="made up", setup=limits or SetupLimits())
    given = {
        "register": REGISTER,
        "runs": runs,
        "plots": PLOTS,
        "audit": None,
        "repeats": Repeatability(sd=0.1, df=4),
        "sd_error": nan,
        "sd_run": 0.1,
        "season": season,
    }
    return CurveReview(**{**given, **more})


def found(runs, **more):
    return setup_of(runs, **more).causes


def test_a_careful_set_up_leaves_nothing_in_doubt(runs):
    verdicts = {code: one.verdict for code, one in found(runs).items()}
    # One dish a sample is all that is known here, so the oven's error is not.
    assert verdicts.pop("setup-reference") == UNRECORDED
    assert set(verdicts.values()) == {SOUND}
    assert set(verdicts) | {"setup-reference"} == set(CAUSES)


@pytest.mark.parametrize(
    ("code", "change", "verdict"),
    [
        ("setup-chance", {"sample": "dry"}, DOUBTFUL),
        ("setup-range", {"known_pct": [15.0] * 3 + [17.9] * 3}, DOUBTFUL),
        ("setup-range", {"known_pct": [15.0] * 3 + [24.9] * 3}, THIN),
        ("setup-range", {"known_pct": [13.0] * 3 + [23.9] * 3}, THIN),
        ("setup-start", {"known_pct": [13.4] * 3 + [26.0] * 3}, DOUBTFUL),
        ("setup-repeats", {"sample": ["a"] * 3 + ["b"] * 2 + ["c"]}, DOUBTFUL),
        ("setup-repeats", {"sample": ["a"] * 4 + ["b"] * 2}, THIN),
        ("setup-fill", {"grain_mass_kg": [2.8] * 5 + [2.69]}, DOUBTFUL),
        ("setup-fill", {"grain_mass_kg": np.nan}, UNRECORDED),
        ("setup-temperature", {"grain_temp_c": [20.0] * 5 + [13.9]}, DOUBTFUL),
        ("setup-temperature", {"air_temp_c": np.nan}, UNRECORDED),
        ("setup-wetted", {"water_added": [False] * 5 + [True]}, DOUBTFUL),
        ("setup-wetted", {"water_added": pd.array([None] * 6, "boolean")}, UNRECORDED),
        ("setup-chamber", {"chamber_config": ["wide"] * 5 + ["slim"]}, DOUBTFUL),
        ("setup-chamber", {"chamber_config": "slim"}, DOUBTFUL),
        ("setup-chamber", {"chamber_config": None}, UNRECORDED),
        ("setup-weighing", {"lab_test_weight_kg_hl": np.nan}, UNRECORDED),
    ],
)
def test_each_cause_by_itself(runs, code, change, verdict):
    assert found(runs.assign(**change))[code].verdict == verdict


def test_the_limits_are_settings(runs):
    # In order as it stands; each limit set past what was done puts it in doubt.
    limits = {
        "setup-chance": {"samples": 3},
        "setup-repeats": {"runs": 4},
        "setup-range": {"span": 11.5},
        "setup-start": {"from_standard": 0.4},
        "setup-temperature": {"from_air_c": 0.9},
        "setup-fill": {"grain_kg": 2.81},
    }
    for code, limit in limits.items():
        one = found(runs, limits=SetupLimits(**limit))[code]
        assert one.verdict == DOUBTFUL, code


def test_chance_is_judged_by_the_bias_allowed(runs):
    audit = SimpleNamespace(
        allowed_bias=0.4,
        effects=(),
        reference_limit=0.3,
        gain=Estimate(value=1.1),
        reference_se=0.3,
        mean_reference=18.0,
    )
    told = found(runs, sd_error=0.6, audit=audit)
    assert told["setup-chance"].verdict == DOUBTFUL
    assert told["setup-chance"].size == approx(1.959964 * 0.6 / sqrt(2))
    assert found(runs, sd_error=0.2, audit=audit)["setup-chance"].verdict == SOUND
    # 1.96 × 0.3 / √2 = 0.42, over 0.3: a third of the tolerance of 0.9 at 18 %.
    assert told["setup-reference"].size == approx(1.959964 * 0.3 / sqrt(2))
    assert told["setup-reference"].verdict == DOUBTFUL
    # A gain of 1.1 over the 0.5 points from 20.5 % on average to 20.0 % harvested.
    assert told["setup-range"].size == approx(0.05)
    assert told["setup-start"].size == approx(0.05)  # 15.0 % against 15.5 %


def test_sizes_by_hand(runs):
    told = found(runs)
    # 0.1 over two samples of three fillings each.
    assert told["setup-repeats"].size == approx(1.959964 * 0.1 / sqrt(6))
    # 20 °C at set-up and 12 °C at harvest, at the published rate.
    assert told["setup-temperature"].size == approx(8 * METER_RATE)
    # Without the wetted sample the offset is that of the dry one: 0, not -0.0167.
    wetted = found(runs.assign(water_added=[False] * 3 + [True] * 3))["setup-wetted"]
    assert wetted.size == approx(0.1 / 6)
    all_wetted = found(runs.assign(water_added=True))["setup-wetted"]
    assert isnan(all_wetted.size) and all_wetted.verdict == DOUBTFUL


def test_the_offset_loaded_is_compared_with_the_one_found(runs):
    loaded = REGISTER.copy()
    loaded["offset_loaded"] = 2.0
    # The readings are told to have been taken without any offset, and err by +0.02.
    told = runs.assign(offset_in_force=0.0, sample=list("abcdef"))
    one = found(told, register=loaded)["setup-misloaded"]
    assert (one.verdict, one.size) == (DOUBTFUL, approx(2.0 + 0.1 / 6))
    assert "+2.00 was loaded" in one.found
    # Without being told they may have been taken before the offset was loaded.
    early = runs.assign(sensor_pct=runs["sensor_pct"] - 2, sample=list("abcdef"))
    unclear = found(early, register=loaded)
    assert unclear["setup-misloaded"].verdict == UNRECORDED


def test_the_largest_stands_first_and_what_has_no_size_last(runs):
    sizes = [one.size for one in found(runs).values()]
    known = [size for size in sizes if not isnan(size)]
    assert known == sorted(known, reverse=True)
    assert all(isnan(size) for size in sizes[len(known) :])
    assert isnan(sizes[-1])


def test_the_first_sample_is_the_one_run_first(runs):
    # Rows of the file may be in any order; the clock decides.
    assert found(runs.iloc[::-1])["setup-start"].verdict == SOUND
    untimed = runs.assign(run_at=pd.NaT)
    assert found(untimed)["setup-start"].verdict == SOUND
    assert found(untimed.iloc[::-1])["setup-start"].verdict == DOUBTFUL
    unknown_crop = REGISTER.copy()
    unknown_crop["crop"] = "quinoa"
    assert found(runs, register=unknown_crop)["setup-start"].verdict == UNRECORDED


def test_the_scale(runs):
    for value, verdict in ((True, SOUND), (False, DOUBTFUL), (None, UNRECORDED)):
        register = REGISTER.copy()
        register[SCALE] = value
        assert found(runs, register=register)["setup-weighing"].verdict == verdict
    without = REGISTER.drop(SCALE)
    assert found(runs, register=without)["setup-weighing"].verdict == UNRECORDED


def test_values_not_recorded_for_some_runs_are_counted(runs):
    runs.loc[5, "grain_mass_kg"] = np.nan
    fill = found(runs)["setup-fill"]
    assert fill.verdict == SOUND
    assert fill.found.endswith("not recorded for 1 run")


def test_without_runs_nothing_is_judged(runs):
    told = found(runs.iloc[:0])
    told.pop("setup-weighing")
    assert {one.verdict for one in told.values()} == {UNRECORDED}
    unread = found(runs.assign(sensor_pct=np.nan))
    unread.pop("setup-weighing")
    assert {one.verdict for one in unread.values()} == {UNRECORDED}


def test_every_cause_has_a_finding_with_a_remedy_and_a_source():
    assert set(CAUSES) <= set(KINDS)
    assert all(cause.source and cause.why for cause in CAUSES.values())


def test_defaults_are_those_of_usual_practice():
    # Common practice, no source: two samples, 3 points and better 10, two fillings
    # and better three, 6 lb in a filling.
    limits = SetupLimits()
    assert (limits.samples, limits.runs, limits.runs_wanted) == (2, 2, 3)
    assert (limits.span, limits.span_wanted) == (3, 10)
    assert limits.grain_kg == round(6 * 0.45359237, 1)
