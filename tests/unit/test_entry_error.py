"""Errors that go with the entry: closed forms, coverage, and what cannot be told."""

import numpy as np
import pytest
from pytest import approx
from scipy.stats import f as fisher_f

from kitlib.trials.moisture_errors import entries_to_sample, entry_error


def planted(rng, sd, entries=25, places=8, each=8):
    """Return errors, places, entries and SDs of samples, entries apart by `sd`."""
    place = np.repeat(np.arange(places), each)
    entry = np.concatenate([rng.permutation(entries)[:each] for _ in range(places)])
    spread = np.where(place % 2, 0.4, 1.0)
    error = rng.normal(0, 0.4, places)[place] + rng.normal(0, sd, entries)[entry]
    return error + rng.normal(0, spread), place, entry, spread


def test_complete_places_are_the_two_way_layout_by_hand(rng):
    # In a complete layout REML is the ANOVA estimate, (MS entries − MS rest) / places,
    # and the interval of the ratio is (F / quantile − 1) / places.
    places, entries = 4, 12
    error = rng.normal(0, 0.5, (places, entries)) + rng.normal(0, 0.8, entries)
    place, entry = np.indices(error.shape).reshape(2, -1)
    found = entry_error(error.ravel(), place, entry, np.full(error.size, 0.5))
    means = error.mean(axis=0)
    between = places * means.var(ddof=1)
    rest = error - means - error.mean(axis=1, keepdims=True) + error.mean()
    df = entries - 1, (entries - 1) * (places - 1)
    within = (rest**2).sum() / df[1]
    assert found.sd == approx(np.sqrt((between - within) / places), rel=1e-6)
    assert found.sd_sample == approx(np.sqrt(within), rel=1e-6)
    ends = (between / within / fisher_f.ppf([0.975, 0.025], *df) - 1) / places
    assert (found.low, found.high) == approx(np.sqrt(within * ends), rel=1e-6)


@pytest.mark.slow
@pytest.mark.parametrize("sd", [0.0, 0.6])
def test_the_interval_holds_the_truth_as_often_as_it_says(rng, sd):
    found = [entry_error(*planted(rng, sd)) for _ in range(200)]
    held = np.mean([each.low <= sd <= each.high for each in found])
    # 95 % less three standard errors of a share of 200; the interval ends at 0.
    assert held >= 0.90
    estimates = np.sqrt(np.mean([each.sd**2 for each in found]))
    assert estimates == approx(sd, abs=0.15)


def test_entries_sampled_once_tell_nothing():
    found = entry_error([0.1, 0.2, 0.3], list("TTU"), list("abc"), [0.5] * 3)
    assert not found.known and found.draw_sd == 0
    assert "0 entries sampled more than once" in found.remark


@pytest.mark.slow
def test_what_sampling_would_tell_is_what_it_tells(rng):
    entries = entries_to_sample(0.5, 0.6)
    told = 0
    for _ in range(200):
        error = rng.normal(0, 0.5, (2, entries)) + rng.normal(0, 0.6, entries)
        place, entry = np.indices(error.shape).reshape(2, -1)
        found = entry_error(error.ravel(), place, entry, np.full(error.size, 0.5), 0.90)
        told += found.low > 0
    # The power asked for is 80 %; three standard errors of 200 draws are 8.5 %.
    assert told / 200 == approx(0.8, abs=0.085)


def test_more_entries_than_anyone_samples_are_not_a_number():
    assert entries_to_sample(5.0, 0.5) is None
