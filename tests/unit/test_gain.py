"""Gain: identities, the two SDs, and input that gives none."""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.clustered import clustered_fit
from kitlib.statistics.lines import gain
from kitlib.words.findings import NoSpread, NotFinite, TooFewSamples


@pytest.fixture
def season(rng):
    trial = np.repeat(np.arange(8), 5)
    true = rng.normal(18, 3, 40)
    reference = true + rng.normal(0, 0.1, 40)
    return 0.4 + 1.1 * true + rng.normal(0, 0.4, 40), reference, trial


def test_swapping_the_methods_gives_the_reciprocal(season):
    sensor, reference, trial = season
    there = gain(sensor, reference, 0.4, 0.1, trial)
    back = gain(reference, sensor, 0.1, 0.4, trial)
    assert there.value * back.value == approx(1, rel=1e-12)
    assert there.se == approx(back.se * there.value**2, rel=1e-9)  # to first order
    assert there.df == approx(back.df, rel=1e-9)


def test_without_reference_error_it_is_the_slope_of_least_squares(season):
    # Whose CR2 error and degrees of freedom stand against R in test_r_clubsandwich.
    sensor, reference, trial = season
    design = np.column_stack([np.ones_like(reference), reference])
    plain = clustered_fit(design, sensor, trial).contrast([0.0, 1.0])
    found = gain(sensor, reference, 0.4, 0.0, trial)
    assert (found.value, found.se, found.df) == approx(
        (plain.value, plain.se, plain.df), rel=1e-9
    )


def test_only_the_ratio_of_the_sds_moves_it(season):
    sensor, reference, trial = season
    small = gain(sensor, reference, 0.4, 0.1, trial)
    assert gain(sensor, reference, 0.8, 0.2, trial).value == approx(small.value)
    assert gain(sensor, reference, 0.1, 0.4, trial).value > small.value


def test_offsets_do_not_move_it(season):
    sensor, reference, trial = season
    there = gain(sensor, reference, 0.4, 0.1, trial)
    moved = gain(sensor - 5, reference + 3, 0.4, 0.1, trial)
    assert (moved.value, moved.se) == approx((there.value, there.se), rel=1e-9)


def test_it_finds_the_gain_where_least_squares_falls_short(rng):
    # Narrow moistures, noisy reference: reliability 1 / (1 + 0.5^2).
    true = rng.normal(18, 1, 200_000)
    reference = true + rng.normal(0, 0.5, true.size)
    sensor = true + rng.normal(0, 0.5, true.size)
    found = gain(sensor, reference, 0.5, 0.5, np.arange(true.size) % 40)
    slope = np.polyfit(reference, sensor, 1)[0]
    assert slope == approx(0.8, abs=0.01)
    assert found.value == approx(1, abs=0.02)
    assert found.interval().holds(1.0)


def test_a_perfect_line_has_a_gain_but_no_interval():
    reference = np.array([12.0, 14.0, 16.0, 18.0])
    found = gain(1.25 * reference, reference, 0.4, 0.1, range(4))
    assert found.value == approx(1.25)
    assert np.isnan(found.se) and "no scatter" in found.remark


def test_two_trials_give_a_gain_but_no_interval(season):
    sensor, reference, trial = season
    found = gain(sensor, reference, 0.4, 0.1, trial % 2)
    assert found.known and np.isnan(found.interval()).all()
    assert "needs 3" in found.remark


def test_readings_that_fall_as_moisture_rises_have_no_gain():
    found = gain([18, 16, 15, 11], [12, 14, 16, 18], 0.4, 0.1, range(4))
    assert not found.known
    assert "do not rise together" in found.remark


def test_a_reference_of_noise_alone_is_told(season):
    sensor, reference, trial = season
    found = gain(sensor, reference, 0.4, 5.0, trial)
    assert found.remark == "reference error explains all of the spread of the reference"


def test_constant_methods_are_refused():
    with pytest.raises(NoSpread, match="all readings are the same"):
        gain([15.0] * 4, [14.0, 15.0, 16.0, 17.0], 0.4, 0.1, range(4))
    with pytest.raises(NoSpread, match="all reference values are the same"):
        gain([14.0, 15.0, 16.0, 17.0], [15.0] * 4, 0.4, 0.1, range(4))


@pytest.mark.parametrize("sds", [(0, 0), (-0.1, 0.2), (np.nan, 0.1)])
def test_sds_must_make_sense(sds):
    with pytest.raises(ValueError, match="not both 0"):
        gain([14.0, 15.0], [14.0, 15.0], *sds, ["A", "B"])


def test_bad_input_is_named():
    with pytest.raises(TooFewSamples, match="at least 2"):
        gain([14.0], [14.0], 0.4, 0.1, ["A"])
    with pytest.raises(NotFinite, match=r"sensor\[0\] is inf"):
        gain([np.inf, 15.0], [14.0, 15.0], 0.4, 0.1, ["A", "B"])


def test_a_million_samples(rng):
    reference = rng.normal(18, 3, 1_000_000)
    sensor = reference + rng.normal(0, 0.5, 1_000_000)
    found = gain(sensor, reference, 0.5, 0.0, np.arange(1_000_000) // 10)
    assert found.value == approx(1, abs=0.001)
    assert 50_000 < found.df < 100_000  # trials, less what leverage takes
