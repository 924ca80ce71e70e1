"""Curves compared on the same samples: identities, coverage, bands."""

from math import isnan, sqrt

import numpy as np
import pytest
from pytest import approx

from kitlib.review.comparisons import FEW, NO_DIFFERENCE, compare_curves
from kitlib.statistics.agreement import agreement
from kitlib.words.findings import NotFinite, TooFewSamples


def pair(rng, n_trials=8, a_trial=6, sd=(0.4, 0.4), bias=(0.0, 0.0), shared=0.2):
    """Return errors of two curves with a trial's and a sample's error in common."""
    trial = np.repeat(np.arange(n_trials), a_trial)
    n = trial.size
    common = shared * rng.normal(size=n_trials)[trial] + 0.3 * rng.normal(size=n)
    e, f = (bias[k] + common + sd[k] * rng.normal(size=n) for k in (0, 1))
    return e, f, rng.uniform(14, 26, n), trial


def test_by_hand():
    one, other = [0.3, -0.3, 0.3, -0.3], [0.1, 0.1, -0.1, -0.1]
    found = compare_curves("A", "B", one, other, [14, 15, 16, 17], list("xxyz"))
    # Errors of mean 0: variances 0.12 and 0.04 / 3, uncorrelated.
    assert (found.rmsep_first, found.rmsep_second) == approx((0.3, 0.1))
    assert (found.sep_first, found.sep_second) == approx((sqrt(0.12), sqrt(0.04 / 3)))
    assert found.pitman_morgan.value == approx((0.12 - 0.04 / 3) / (0.12 + 0.04 / 3))
    assert found.correlation == approx(0)


def test_numbers_are_those_of_each_curve_alone(rng):
    e, f, reference, trial = pair(rng, sd=(0.3, 0.5), bias=(0.2, -0.4))
    found = compare_curves("A", "B", e, f, reference, trial)
    for which, error in (("first", e), ("second", f)):
        alone = agreement(reference + error, reference)
        assert getattr(found, f"rmsep_{which}") == approx(alone.rmsep)
        assert getattr(found, f"sep_{which}") == approx(alone.sep)


def test_swapping_the_curves_changes_the_sign(rng):
    e, f, reference, trial = pair(rng, sd=(0.3, 0.5))
    one = compare_curves("A", "B", e, f, reference, trial)
    other = compare_curves("B", "A", f, e, reference, trial)
    for name in ("rmsep_difference", "sep_difference", "pitman_morgan"):
        assert getattr(other, name).value == approx(-getattr(one, name).value)
        assert getattr(other, name).se == approx(getattr(one, name).se)
    assert one.better == other.better and one.tighter == other.tighter


def test_order_and_labels_of_rows_do_not_matter(rng):
    e, f, reference, trial = pair(rng)
    order = rng.permutation(e.size)
    one = compare_curves("A", "B", e, f, reference, trial)
    labels = np.array([f"trial {t}" for t in trial])
    other = compare_curves(
        "A", "B", e[order], f[order], reference[order], labels[order]
    )
    assert other.rmsep_difference.se == approx(one.rmsep_difference.se)
    assert other.pitman_morgan.se == approx(one.pitman_morgan.se)


def test_a_bias_is_no_scatter(rng):
    e, f, reference, trial = pair(rng, bias=(0.0, 1.0), sd=(0.2, 0.2))
    found = compare_curves("A", "B", e, f, reference, trial)
    assert found.better == "A"
    assert found.tighter == NO_DIFFERENCE


def test_a_tighter_curve_is_told_although_it_reads_high(rng):
    e, f, reference, trial = pair(rng, 16, bias=(0.0, 1.2), sd=(0.8, 0.05))
    found = compare_curves("A", "B", e, f, reference, trial)
    assert (found.better, found.tighter) == ("A", "B")


@pytest.mark.slow
def test_intervals_cover_no_difference_as_often_as_they_say(rng):
    found = [compare_curves("A", "B", *pair(rng)) for _ in range(200)]
    for name in ("rmsep_difference", "sep_difference", "pitman_morgan"):
        held = [getattr(one, name).interval().holds(0.0) for one in found]
        assert np.mean(held) == approx(0.95, abs=4 * sqrt(0.95 * 0.05 / 200))


def test_sharing_errors_makes_the_comparison_sharper(rng):
    trial = np.repeat(np.arange(8), 6)
    common = rng.normal(size=48)
    e, f = (common + 0.1 * rng.normal(size=48) for _ in range(2))
    apart = rng.permutation(f)
    reference = np.full(48, 15.0)
    close = compare_curves("A", "B", e, f, reference, trial).rmsep_difference.se
    loose = compare_curves("A", "B", e, apart, reference, trial).rmsep_difference.se
    assert close < 0.3 * loose


def test_bands_name_the_better_curve_only_where_it_is_shown(rng):
    e, f, _, trial = pair(rng, bias=(0.0, 2.0), sd=(0.1, 0.1))
    reference = np.where(trial < 4, 15.0, 19.0)
    reference[:3] = 23.0
    bands = compare_curves("A", "B", e, f, reference, trial).bands
    assert bands["band_low"].tolist() == [14, 18, 22]
    assert bands["better"].tolist() == ["A", "A", FEW]
    assert bands["n"].sum() == e.size


def test_a_band_of_one_trial_decides_nothing(rng):
    e, f, _, trial = pair(rng, bias=(0.0, 2.0), sd=(0.1, 0.1))
    reference = np.where(trial == 0, 15.0, 19.0)
    assert compare_curves("A", "B", e, f, reference, trial).bands["better"][0] == FEW


def test_two_trials_give_numbers_without_intervals(rng):
    e, f, reference, trial = pair(rng, n_trials=2)
    found = compare_curves("A", "B", e, f, reference, trial)
    assert isnan(found.rmsep_difference.se) and found.better == NO_DIFFERENCE
    assert "2 of the 3 trials" in found.rmsep_difference.remark


def test_curves_that_read_alike_do_not_differ():
    same = [0.1, 0.2, 0.3]
    found = compare_curves("A", "B", same, same, [15] * 3, [1, 2, 3])
    assert found.rmsep_difference.value == 0
    assert found.better == found.tighter == NO_DIFFERENCE


def test_refusals():
    with pytest.raises(TooFewSamples, match="A and B share 1 sample"):
        compare_curves("A", "B", [0.1], [0.2], [15], [1])
    with pytest.raises(NotFinite, match="others"):
        compare_curves("A", "B", [0.1, 0.2], [0.2, np.nan], [15, 16], [1, 2])
