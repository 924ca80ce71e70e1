"""Parts of an error: by hand, recovered from simulation, and what they advise."""

from math import isnan, nan, sqrt

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.review.plan import (
    IN_WORDS,
    ErrorSources,
    error_sources,
    where_effort_pays,
)


def parted(error, trial, sd_run=nan, **more):
    """Return the sources of errors about which only what is given is known."""
    table = {"error": error, "trial": trial, "along": 0.0, "sensor": None}
    table |= {"location": None, "reference_se": nan, "n_dishes": nan} | more
    return error_sources(pd.DataFrame(table), sd_run)


def by_hand(**more):
    return parted([1, 3, 7, 9, 4, 6], list("AABBCC"), **more)


def test_by_hand():
    # Between 8 and within 2, as in the example of the components.
    found = by_hand(reference_se=0.5, n_dishes=2, sd_run=1.0)
    squares = {name: sd**2 for name, sd in found.sds.items()}
    assert squares == approx(
        {"trial": 8.0, "sample": 0.75, "repeatability": 1.0, "reference": 0.25}
    )
    assert found.sd_own**2 == approx(1.75)
    assert list(found.sds) == [name for name in IN_WORDS if name in found.sds]


def test_shares_add_up():
    found = by_hand(reference_se=0.5)
    assert sum(found.shares.values()) == approx(1)
    # The bias of 6 samples of 3 trials: 8 / 3 between, 1.75 / 6 and 0.25 / 6 within.
    total = 8 / 3 + 2 / 6
    assert found.shares_of_bias == approx(
        {
            "trial": 8 / 3 / total,
            "sample": 1.75 / 6 / total,
            "reference": 0.25 / 6 / total,
        }
    )


def test_what_is_not_known_lies_with_the_samples_and_is_said():
    found = by_hand()
    assert found.sds["sample"] ** 2 == approx(2.0)
    assert "repeatability is not known" in found.remark
    assert "reference's error is not known" in found.remark


def test_a_part_larger_than_the_whole_is_cut_and_said():
    found = by_hand(reference_se=5.0, sd_run=1.0)
    assert found.sds["reference"] ** 2 == approx(2.0)
    assert found.sds["sample"] == found.sds["repeatability"] == 0
    assert "explains all scatter within trials" in found.remark


def test_all_parts_are_recovered(rng):
    # Enough sensors, locations and trials for chance to blur them little.
    sensors, locations, trials, n = 8, 24, 72, 432
    location = rng.integers(0, locations, trials)
    trial = np.repeat(np.arange(trials), n // trials)
    sensor = rng.integers(0, sensors, n)
    error = 0.5 * rng.normal(size=sensors)[sensor]
    error += 0.4 * rng.normal(size=locations)[location[trial]]
    error += 0.3 * rng.normal(size=trials)[trial] + 0.6 * rng.normal(size=n)
    along = 0.7 * rng.normal(size=n)
    found = parted(
        error + along,
        trial,
        reference_se=0.1,
        n_dishes=2,
        sd_run=0.2,
        sensor=sensor,
        location=location[trial],
        along=along,
    )
    assert set(found.sds) == set(IN_WORDS)
    assert found.sds["moisture"] == approx(0.7, rel=4 / sqrt(2 * n))
    assert found.sds["sensor"] == approx(0.5, rel=4 / sqrt(2 * 7))
    assert found.sd_trial == approx(0.5, rel=4 / sqrt(2 * 23))
    assert found.sds["location"] == approx(0.4, rel=4 / sqrt(2 * 23))
    assert found.sds["sample"] ** 2 == approx(0.36 - 0.01 - 0.04, rel=4 / sqrt(n / 2))


def test_few_trials_are_said_to_be_few():
    assert "only 3 trials: how much they differ" in by_hand().remark


def test_one_sample_a_trial_tells_no_trial():
    found = parted([0.1, 0.4, -0.2, 0.3], list("ABCD"), reference_se=0.05)
    assert "trial" not in found.sds and isnan(found.sd_trial)
    assert where_effort_pays(found).startswith("More trials, two samples")


def test_errors_that_do_not_differ_have_no_parts():
    assert parted([0.1, 0.1, 0.1], list("AAB")) is None
    assert parted([0.1], ["A"]) is None


@pytest.mark.parametrize(
    ("largest", "begins"),
    [
        ("trial", "More trials: "),
        ("sample", "More samples and trials: "),
        ("repeatability", "More readings"),
        ("reference", "More dishes"),
        ("moisture", "Correct the slope first"),
    ],
)
def test_effort_goes_where_the_variance_is(largest, begins):
    sds = {name: 0.1 for name in IN_WORDS if name not in ("sensor", "location")}
    sds["trial"] = 0.01
    found = ErrorSources(sds=sds | {largest: 2.0}, n=20, n_trials=5, dishes=2)
    said = where_effort_pays(found)
    assert said.startswith(begins)
    if largest != "moisture":
        assert f": {found.shares_of_bias[largest]:.0%}" in said
    else:  # the sources' table says no other than the advice
        assert where_effort_pays(found, slope=False).startswith("Watch the slope: ")


def test_a_dominant_location_counts_with_the_trials():
    sds = {"location": 2.0, "trial": 0.1, "sample": 0.1}
    found = ErrorSources(sds=sds, n=20, n_trials=5, dishes=2)
    assert where_effort_pays(found).startswith("More trials: ")
