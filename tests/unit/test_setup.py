"""How a curve was set up: its offset and that offset's parts, its repeatability."""

from dataclasses import replace
from math import isnan, sqrt

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from reviewed import demo_review, demo_season

from kitlib.intake.settings import Season
from kitlib.review.check_samples import (
    IN_FORCE,
    Repeatability,
    offsets_in,
    repeatability,
    repeated_runs,
)
from kitlib.review.setup import ONE_SAMPLE, CurveReview, setup_offset

SEASON = Season(name="made up")
NOTHING = Repeatability(sd=float("nan"), df=0)
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
    return CurveReview(
        register=REGISTER,
        runs=runs,
        plots=PLOTS,
        audit=None,
        repeats=NOTHING,
        sd_error=0.6,
        sd_run=0.1,
        season=SEASON,
    )


def with_offset(loaded):
    """Return the register with another offset loaded."""
    changed = REGISTER.copy()
    changed["offset_loaded"] = loaded
    return changed


def test_runs_read_with_the_offset_loaded():
    found = setup_of(runs(KNOWN + SCATTER))
    assert found.offset.setting.value == approx(0.8)
    assert found.misloaded.value == approx(0)
    assert not found.read_before_loading
    assert found.offset.n_samples == 6


def test_runs_read_before_the_offset_was_loaded_are_told_from_their_errors():
    bare = runs(KNOWN + SCATTER - 0.8)
    found = setup_of(bare)
    # Taken to include the offset they would give twice of it; that is suspicious.
    assert found.offset.setting.value == approx(1.6)
    assert found.read_before_loading
    # With the column that tells there is nothing to guess.
    told = setup_of(bare.assign(**{IN_FORCE: 0.0}))
    assert told.offset.setting.value == approx(0.8)
    assert not told.read_before_loading


def test_no_offset_cannot_have_been_left_out():
    unloaded = replace(setup_of(runs(KNOWN + SCATTER)), register=with_offset(0.0))
    assert not unloaded.read_before_loading
    assert not setup_of(runs(KNOWN).iloc[:0]).read_before_loading


def test_moved_and_misloaded_by_hand():
    found = replace(setup_of(runs(KNOWN + SCATTER)), register=with_offset(1.0))
    assert found.misloaded.value == approx(0)  # readings are taken to include it
    assert not found.moved.known and "no sample" in found.moved.remark
    mixed = with_offset(1.0)
    mixed["offset_mixed"] = True
    unknown = replace(found, register=mixed)
    assert isnan(unknown.loaded) and unknown.offset.n_runs == 0
    assert "not known" in unknown.misloaded.remark


def test_without_runs_nothing_is_known_and_nothing_stops():
    found = setup_of(runs(KNOWN).iloc[:0])
    assert found.offset.n_runs == 0 and isnan(found.half_widths[0])
    assert not found.offset.setting.known and not found.moved.known
    assert isnan(found.gain_by_repeats.value)


def test_gain_with_the_repeatability_lies_by_the_audits():
    # Both take the reference's error as small, so they hardly differ.
    setup = demo_review().curves["maize-S1"]
    repeats = Repeatability(sd=0.15, df=30)
    found = replace(setup, repeats=repeats).gain_by_repeats
    assert found.value == approx(setup.audit.gain.value, abs=0.01)
    untold = replace(setup, repeats=NOTHING).gain_by_repeats
    assert "no sample was run twice" in untold.remark


@pytest.mark.parametrize("curve", ["maize-S1", "wheat-S2"])
def test_the_season_calls_for_the_offset_the_advice_gives(curve):
    setup = demo_review().curves[curve]
    advice, asked = demo_season().advice[curve], setup.by_season
    assert asked.value == approx(setup.loaded + advice.offset)
    assert tuple(asked.interval()) == approx(
        tuple(advice.interval.shifted(setup.loaded))
    )


def test_by_hand():
    # Dry asks for -0.1 and -0.3, wet for -0.6: means -0.2 and -0.6 count alike.
    found = setup_offset([14, 14, 20], [14.1, 14.3, 20.6], ["dry", "dry", "wet"])
    assert found.setting.value == approx(-0.4)
    assert found.setting.se == approx(0.2)
    assert found.setting.df == 1
    # Of the means' variance 0.08 a run's 0.02 makes 0.02 × (1/2 + 1) / 2.
    assert found.parts["runs"] == approx(0.015 / 0.08)
    assert (found.n_samples, found.n_runs) == (2, 3)


def test_recomputed_offset_is_the_one_loaded_when_simulated_so(rng):
    # Readings hold the offset; without it the curve would be 0.3 low on the whole.
    known = np.repeat(rng.uniform(14, 28, 4000), 2)
    bare = known - 0.3 + np.repeat(rng.normal(0, 0.4, 4000), 2)
    bare += rng.normal(0, 0.15, 8000)
    found = setup_offset(known, bare + 0.3, np.repeat(np.arange(4000), 2), 0.3)
    assert abs(found.setting.value - 0.3) < 4 * found.setting.se
    assert found.setting.se == approx(sqrt((0.16 + 0.0225 / 2) / 4000), rel=0.05)


def test_the_offset_in_the_readings_is_taken_off_run_by_run():
    plain = setup_offset([14, 20], [14.2, 20.4], ["a", "b"])
    held = setup_offset([14, 20], [14.2 + 0.5, 20.4 - 0.1], ["a", "b"], [0.5, -0.1])
    assert held.setting.value == approx(plain.setting.value)
    assert held.setting.se == approx(plain.setting.se)


def test_parts_of_the_variance_add_up(rng):
    sample = np.repeat(np.arange(300), 3)
    error = 0.4 * rng.normal(size=300)[sample] + 0.2 * rng.normal(size=900)
    found = setup_offset(np.full(900, 18.0), 18 + error, sample, sd_reference=0.1)
    parts = found.parts
    assert sum(parts.values()) == approx(1.0)
    # A sample's mean holds 0.16 of its own, 0.04 / 3 of its runs; the reference's
    # 0.01 is inside the 0.16.
    assert parts["runs"] == approx(0.0133 / 0.1733, abs=0.02)
    assert parts["reference"] == approx(0.01 / 0.1733, abs=0.02)


def test_an_unknown_part_lies_with_the_samples():
    found = setup_offset([14, 20], [14.1, 20.5], ["a", "b"])
    assert found.parts["samples"] == approx(1.0)
    assert isnan(found.parts["runs"]) and isnan(found.parts["reference"])


def test_one_sample_has_an_interval_over_its_runs_and_says_so():
    found = setup_offset([14, 14, 14], [14.1, 14.2, 14.3], ["a"] * 3)
    assert found.setting.remark == ONE_SAMPLE
    assert found.setting.se == approx(0.1 / sqrt(3))
    one = setup_offset([14], [14.1], ["a"])
    assert one.setting.value == approx(-0.1) and isnan(one.setting.interval().low)
    alike = setup_offset([14, 20], [14.1, 20.1], ["a", "b"])
    assert isnan(alike.setting.se)


@pytest.mark.slow
def test_interval_covers_as_often_as_it_says(rng):
    held = 0
    for _ in range(1500):
        error = 0.2 + np.repeat(rng.normal(0, 0.4, 3), 2) + rng.normal(0, 0.1, 6)
        found = setup_offset(np.full(6, 18.0), 18 + error, np.repeat([0, 1, 2], 2))
        held += found.setting.interval().holds(-0.2)
    assert held / 1500 == approx(0.95, abs=4 * sqrt(0.95 * 0.05 / 1500))


def test_precision_is_what_such_offsets_have_in_simulation(rng):
    # Five samples of SD 0.6: the offset misses by more than at_best once in twenty,
    # and its own interval is as wide, in root mean square, as claimed.
    found = setup_of(runs(KNOWN + SCATTER).iloc[:5])
    draws = rng.normal(0, 0.6, (20000, 5))
    best, claimed = found.half_widths
    beyond = np.abs(draws.mean(axis=1)) > best
    assert beyond.mean() == approx(0.05, abs=4 * sqrt(0.05 * 0.95 / 20000))
    se = np.sqrt((draws.var(axis=1, ddof=1) / 5).mean())
    assert claimed == approx(2.776 * se, rel=0.02)  # t(0.975; 4), any table
    assert isnan(setup_of(runs(KNOWN).iloc[:1]).half_widths[1])


def test_pooled_by_hand():
    # Squares about the means 15.2 and 20.1: 2 x 0.01 + 2 x 0.01; one run tells nothing.
    found = repeatability([15.1, 15.3, 20.0, 20.2, 25.0], list("AABBC"))
    assert found.sd == approx(sqrt(0.04 / 2))
    assert found.df == 2


def test_chi_squared_interval():
    # chi2(1; 0.975) = 5.0239, chi2(1; 0.025) = 0.00098207: any table.
    low, high = repeatability([1.0, 3.0], ["A", "A"]).interval()
    assert (low, high) == approx((sqrt(2 / 5.0239), sqrt(2 / 0.00098207)), rel=1e-4)


@pytest.mark.slow
def test_chi_squared_interval_covers_as_often_as_it_says(rng):
    runs = rng.normal(0, 0.15, (2000, 12))
    label = np.repeat(np.arange(4), 3)
    held = [repeatability(row, label).interval().holds(0.15) for row in runs]
    assert np.mean(held) == approx(0.95, abs=4 * sqrt(0.95 * 0.05 / 2000))


def test_sample_levels_drop_out(rng):
    runs, label = rng.normal(size=9), np.repeat([0, 1, 2], 3)
    shifted = runs + np.array([5.0, -3.0, 11.0])[label]
    assert repeatability(runs, label).sd == approx(repeatability(shifted, label).sd)


def test_no_repeated_run_is_not_a_repeatability_of_zero():
    found = repeatability([15.0, 20.0], ["A", "B"])
    assert found.df == 0 and isnan(found.sd) and isnan(found.interval().low)
    assert repeatability([], []).df == 0


DAY = pd.Timestamp("2025-09-01 08:00")
SETUP = pd.DataFrame(
    {
        "curve": "A",
        "sample": list("aabcd"),
        "known_pct": [12.0, 12.0, 16.0, 20.0, 24.0],
        "sensor_pct": [12.1, 12.3, 16.0, 20.2, 23.9],
        "run_at": DAY - pd.Timedelta(days=200),
    }
)
CHECKS = pd.DataFrame(
    {
        "curve": "A",
        "sample": "k",
        "known_pct": 15.0,
        "sensor_pct": [15.1, 15.3, 15.2, 15.4, 15.2],
        "run_at": DAY + pd.to_timedelta([0, 0.1, 7, 14, 21], unit="D"),
    }
)


def repeats_of(setup, checks):
    table = repeated_runs(setup, checks)
    return repeatability(table["error"], table["repeats"])


def test_a_recorded_offset_goes_before_the_registers():
    told = SETUP.assign(**{IN_FORCE: [0.1, np.nan, 0.0, 0.0, 0.0]})
    assert offsets_in(told, 0.3).tolist() == [0.1, 0.3, 0.0, 0.0, 0.0]
    assert offsets_in(SETUP, 0.3).tolist() == [0.3] * 5
    as_text = SETUP.assign(**{IN_FORCE: ["0.1", "", "x", "0", None]})
    assert offsets_in(as_text, 0.3).tolist() == [0.1, 0.3, 0.3, 0.0, 0.3]


def test_runs_repeat_within_a_sample_or_a_sample_and_day():
    found = repeats_of(SETUP, CHECKS)
    # Sample a twice at set-up; check sample k twice on its first day.
    assert found.df == 2
    assert found.sd**2 == approx((0.02 + 0.02) / 2)


def test_readings_under_other_offsets_are_made_alike_first():
    told = SETUP.iloc[:2].assign(**{IN_FORCE: [0.0, 0.2]})
    assert repeats_of(told, CHECKS.iloc[:0]).sd == approx(0, abs=1e-12)


def test_runs_without_a_number_or_a_time_take_no_part():
    lacking = CHECKS.assign(
        sensor_pct=[15.1, np.nan, 15.2, 15.4, 15.2],
        run_at=CHECKS["run_at"].where([True, True, True, True, False]),
    )
    assert len(repeated_runs(SETUP.iloc[:0], lacking)) == 3
