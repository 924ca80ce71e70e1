"""The offset that set-up runs ask for, its parts, and how near it can be."""

from math import isnan, sqrt

import numpy as np
import pytest
from pytest import approx

from kitlib.review.setup_runs import ONE_SAMPLE, reach_of, setup_offset
from kitlib.words.errors import TooFewSamples


def test_by_hand():
    # Dry asks for -0.1 and -0.3, wet for -0.6: means -0.2 and -0.6 count alike.
    found = setup_offset([14, 14, 20], [14.1, 14.3, 20.6], ["dry", "dry", "wet"])
    assert found.setting.value == approx(-0.4)
    assert found.setting.se == approx(0.2)
    assert found.setting.df == 1
    assert found.sd_means == approx(0.4 / sqrt(2))
    assert found.runs.sd == approx(sqrt(0.02))
    assert found.mean_share == approx(0.75)
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


def test_interval_covers_as_often_as_it_says(rng):
    held = 0
    for _ in range(1500):
        error = 0.2 + np.repeat(rng.normal(0, 0.4, 3), 2) + rng.normal(0, 0.1, 6)
        found = setup_offset(np.full(6, 18.0), 18 + error, np.repeat([0, 1, 2], 2))
        held += found.setting.interval().holds(-0.2)
    assert held / 1500 == approx(0.95, abs=4 * sqrt(0.95 * 0.05 / 1500))


def test_reach_is_what_such_offsets_have_in_simulation(rng):
    # Five samples of SD 0.6: the offset misses by more than at_best once in twenty,
    # and its own interval is as wide, in root mean square, as `claimed`.
    draws = rng.normal(0, 0.6, (20000, 5))
    found = reach_of(5, 0.6)
    beyond = np.abs(draws.mean(axis=1)) > found.at_best
    assert beyond.mean() == approx(0.05, abs=4 * sqrt(0.05 * 0.95 / 20000))
    se = np.sqrt((draws.var(axis=1, ddof=1) / 5).mean())
    assert found.claimed == approx(2.776 * se, rel=0.02)  # t(0.975; 4), any table
    assert isnan(reach_of(1, 0.6).claimed)


def test_nothing_to_go_by_is_refused():
    with pytest.raises(TooFewSamples, match="got no run"):
        setup_offset([], [], [])
    with pytest.raises(TooFewSamples, match="got no sample"):
        reach_of(0, 0.6)
