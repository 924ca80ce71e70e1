"""Trials drawn again."""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics import left_out as bootstrap
from kitlib.statistics.left_out import cluster_bootstrap
from kitlib.statistics.sums import trial_sums
from kitlib.words.errors import TooFewSamples


@pytest.fixture
def sums(rng):
    trial = np.repeat(np.arange(20), 5)
    error = rng.normal(0.3, 0.3, 20)[trial] + rng.normal(0, 0.5, 100)
    reference = rng.normal(18, 3, 100)
    return trial_sums(reference + error, reference, trial)


def test_spread_of_the_mean_is_that_of_the_trials(sums, rng):
    # Equal trials: the bootstrap variance of the mean is that of the trial means, 1/G.
    found = cluster_bootstrap(sums, lambda s: s.bias, rng, 40_000)
    assert found.values.std() == approx(sums.each.bias.std() / np.sqrt(20), rel=0.02)
    assert found.values.mean() == approx(sums.total.bias, abs=0.002)


def test_the_interval_holds_the_middle_of_the_draws(sums, rng):
    found = cluster_bootstrap(sums, lambda s: s.sep, rng)
    low, high = found.interval(0.9)
    assert np.mean((found.values >= low) & (found.values <= high)) == approx(0.9, 1e-3)


def test_the_same_stream_gives_the_same_draws(sums):
    one, two = (
        cluster_bootstrap(sums, lambda s: s.slope, np.random.default_rng(7), 99)
        for _ in range(2)
    )
    assert (one.values == two.values).all()


def test_blocks_change_nothing_but_memory(sums, monkeypatch):
    whole = cluster_bootstrap(sums, lambda s: s.bias, np.random.default_rng(7), 99)
    monkeypatch.setattr(bootstrap, "AT_ONCE", 200)
    parts = cluster_bootstrap(sums, lambda s: s.bias, np.random.default_rng(7), 99)
    assert parts.values == approx(whole.values)


def test_draws_that_define_nothing_are_counted_and_no_interval_is_told(rng):
    # A draw of trial A three times has no slope.
    sensor = [15.0, 15.0, 16.0, 17.0]
    sums = trial_sums(sensor, [14.8, 15.1, 16.2, 16.9], list("AABC"))
    found = cluster_bootstrap(sums, lambda s: s.slope, rng, 2_000)
    assert found.undefined == approx(2_000 * 3 / 27, rel=0.25)
    assert found.values.size + found.undefined == 2_000
    assert np.isfinite(found.values).all()
    assert np.isnan(found.interval()).all()


def test_one_trial_cannot_be_drawn(rng):
    sums = trial_sums([15.0, 16.0], [15.1, 16.0], ["A", "A"])
    with pytest.raises(TooFewSamples, match="got 1 trial"):
        cluster_bootstrap(sums, lambda s: s.bias, rng)
