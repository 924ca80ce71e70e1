"""Entry means by design, on numbers that can be worked out by hand."""

from math import nan, sqrt

import numpy as np
import pytest
from numpy.testing import assert_array_equal
from pytest import approx

from kitlib.statistics.reml import random_intercept
from kitlib.trials.means import (
    CHECKED,
    COMPLETE,
    INCOMPLETE,
    RANDOMISED,
    UNREPLICATED,
    entry_means,
)
from kitlib.words.findings import NotFinite, TooFewSamples

T_975_1_DF = 12.706204736  # Student's t, 97.5 %, 1 degree of freedom

# Three blocks of three entries.
ENTRY = list("abcabcabc")
BLOCK = [1, 1, 1, 2, 2, 2, 3, 3, 3]
YIELDS = np.array([10.0, 14, 12, 11, 17, 11, 15, 17, 16])

# Six entries in blocks of three, four blocks, each entry twice.
PART_ENTRY = list("abcdefacebdf")
PART_BLOCK = [1, 1, 1, 2, 2, 2, 3, 3, 3, 4, 4, 4]
PART_YIELDS = np.array([10.0, 11, 14, 19, 20, 23, 15, 18, 24, 13, 16, 19])

# Six entries once each, two checks in both blocks.
CHECKED_ENTRY = ["a", "b", "c", "K", "L", "d", "e", "f", "K", "L"]
CHECKED_BLOCK = [1] * 5 + [2] * 5
CHECKED_YIELDS = np.array([10.0, 11, 12, 20, 30, 10, 11, 12, 25, 37])


def test_two_entries_in_two_blocks_by_hand():
    # Residuals ±0.5: sum of squares 1 on 1 degree of freedom; SED = √(2·1/2).
    found = entry_means([10, 20, 12, 24], list("abab"), [1, 1, 2, 2])
    assert found.design == COMPLETE
    assert found.mean == approx([11, 22])
    assert (found.residual_sd, found.df, found.sed_of_pairs[0, 1]) == approx((1, 1, 1))
    assert found.se == approx([sqrt(1 / 2)] * 2)
    assert found.lsd().value == approx(T_975_1_DF, rel=1e-9)


def test_a_lost_plot_is_estimated_as_yates_did():
    # Own arithmetic with Yates's (1933) formula, from memory: the missing value is
    # (blocks·B + entries·T − G) / ((blocks − 1)(entries − 1)), B, T and G being the
    # totals that are left of its block, of its entry and of all plots.
    keep = np.arange(9) != 4
    found = entry_means(
        YIELDS[keep], np.array(ENTRY)[keep].tolist(), np.array(BLOCK)[keep]
    )
    yates = (3 * (11 + 11) + 3 * (14 + 17) - (YIELDS.sum() - 17)) / 4
    assert found.mean == approx([12, (14 + yates + 17) / 3, 13])
    assert found.df == 3
    assert found.model == (
        "complete blocks: entries and 3 blocks fixed, least-squares means "
        "(1 plot missing)"
    )


def test_what_a_complete_block_adds_changes_no_difference():
    plain = entry_means(YIELDS, ENTRY, BLOCK)
    moved = entry_means(YIELDS + 100 * np.array(BLOCK), ENTRY, BLOCK)
    assert moved.mean - plain.mean == approx([200] * 3)
    assert moved.covariance == approx(plain.covariance)


def test_without_blocks_the_means_are_plain_and_error_is_pooled():
    # Deviations ±1 and ±2: sum of squares 2 + 8 on 2 degrees of freedom.
    found = entry_means([9, 11, 18, 22], list("aabb"))
    assert found.design == RANDOMISED
    assert found.mean == approx([10, 20])
    assert (found.residual_sd, found.df) == approx((sqrt(5), 2))
    assert found.sed_of_pairs[0, 1] == approx(sqrt(5))


def test_one_block_is_no_block():
    named = entry_means([9, 11, 18, 22], list("aabb"), ["B1"] * 4)
    assert (named.design, named.remarks) == (RANDOMISED, ())


def test_an_entry_with_one_plot_borrows_its_error_and_is_named():
    found = entry_means([9, 11, 18, 22, 30], list("aabbc"))
    assert found.se[2] == approx(found.residual_sd)
    assert found.remarks == ("c has one plot: error is judged by the other entries",)


def test_no_replication_has_no_lsd():
    found = entry_means([9, 11, 18], list("abc"))
    assert found.design == UNREPLICATED
    assert found.mean == approx([9, 11, 18])
    assert np.isnan(found.se).all()
    assert not found.lsd().known
    assert found.lsd().remark == "no entry has a second plot to judge error by"


def test_no_replication_over_two_blocks_leaves_blocks_out():
    found = entry_means([9, 11, 18, 20], list("abcd"), [1, 1, 2, 2])
    assert found.mean == approx([9, 11, 18, 20])
    assert found.remarks == (
        "blocks are left out of the model: some share no entry with the others, so "
        "entries hide them",
    )


@pytest.mark.parametrize("block", [None, [1, 2, 3]])
def test_one_entry_has_a_mean_and_no_lsd(block):
    found = entry_means([9, 11, 13], list("aaa"), block)
    assert found.mean == approx([11])
    assert found.se == approx([2 / sqrt(3)])
    assert found.lsd().remark == "the trial has one entry"


def test_checks_carry_the_block_difference_to_single_plots():
    # K gains 5 and L 7 from block 1 to 2: blocks differ by 6, ±3 about their mean.
    # Residuals ±0.5 on 4 plots: sum of squares 1 on 1 degree of freedom.
    found = entry_means(CHECKED_YIELDS, CHECKED_ENTRY, CHECKED_BLOCK)
    assert found.design == CHECKED
    assert dict(zip(found.entries.tolist(), found.mean, strict=True)) == approx(
        {"K": 22.5, "L": 33.5, "a": 13, "b": 14, "c": 15, "d": 7, "e": 8, "f": 9}
    )
    assert (found.df, found.residual_sd) == approx((1, 1))
    assert found.model.endswith("error from the 2 entries repeated")


def test_checks_of_one_block_tie_no_blocks_together():
    block = [1, 1, 1, 1, 2, 2, 2]
    found = entry_means([10, 11, 20, 22, 12, 13, 14], list("abKKcde"), block)
    assert found.design == CHECKED
    assert found.mean == approx([21, 10, 11, 12, 13, 14])
    assert (found.df, found.residual_sd) == approx((1, sqrt(2)))
    assert found.remarks[0].startswith("blocks are left out of the model")


def test_one_check_per_block_counts_blocks_as_error():
    found = entry_means([10, 20, 11, 22], ["a", "K", "b", "K"], [1, 1, 2, 2])
    assert (found.df, found.residual_sd) == approx((1, sqrt(2)))
    assert found.remarks == (
        "blocks are left out of the model: too few plots beyond one per entry to "
        "tell them from error",
    )


def test_incomplete_blocks_are_random():
    found = entry_means(PART_YIELDS, PART_ENTRY, PART_BLOCK)
    assert found.design == INCOMPLETE
    assert found.block_sd > 0
    assert "Kenward and Roger" in found.model


def test_random_block_means_are_generalised_least_squares():
    found = entry_means(PART_YIELDS, PART_ENTRY, PART_BLOCK)
    x = np.array([[name == each for name in "abcdef"] for each in PART_ENTRY], float)
    z = np.array([[name == each for name in range(1, 5)] for each in PART_BLOCK], float)
    v = found.residual_sd**2 * np.eye(12) + found.block_sd**2 * z @ z.T
    inverse = np.linalg.inv(v)
    means = np.linalg.solve(x.T @ inverse @ x, x.T @ inverse @ PART_YIELDS)
    assert found.mean == approx(means, rel=1e-10)
    quick = entry_means(PART_YIELDS, PART_ENTRY, PART_BLOCK, errors=False)
    assert_array_equal(quick.mean, found.mean)
    assert_array_equal(quick.weights, found.weights)
    assert quick.block_sd == found.block_sd and np.isnan(quick.covariance).all()


def test_blocks_that_do_not_differ_are_said_to():
    # Each block holds the same set of deviations, so nothing is left between blocks.
    yields = [10, 21, 29, 40, 51, 59, 11, 29, 50, 20, 41, 60]
    found = entry_means(yields, PART_ENTRY, PART_BLOCK)
    assert found.block_sd == 0
    assert found.remarks == (
        "blocks do not differ more than plots do: block variance 0",
    )
    assert found.mean == approx([10.5, 20.5, 29, 40.5, 50.5, 59.5])
    assert np.isfinite(found.lsd().value)


def test_entries_that_stay_in_their_block_hide_it():
    entry, block = list("aabbccdd"), [1] * 4 + [2] * 4
    found = entry_means([9, 11, 18, 22, 9, 11, 18, 22], entry, block)
    assert found.design == INCOMPLETE
    assert found.mean == approx([10, 20, 10, 20])
    assert found.remarks[0].startswith("blocks are left out of the model: some share")


def test_plots_that_do_not_vary_give_an_error_of_zero():
    yields = [{"a": 1.0, "b": 2, "c": 3, "d": 4, "e": 5, "f": 6}[e] for e in PART_ENTRY]
    found = entry_means(yields, PART_ENTRY, PART_BLOCK)
    assert found.mean == approx([1, 2, 3, 4, 5, 6])
    assert found.lsd().value == approx(0, abs=1e-9)


def test_entries_and_blocks_that_explain_everything_leave_an_error_of_zero():
    entry = np.array([{e: i for i, e in enumerate("abcdef")}[e] for e in PART_ENTRY])
    found = entry_means(10.0 * entry + np.array(PART_BLOCK), PART_ENTRY, PART_BLOCK)
    assert found.mean == approx(10.0 * np.arange(6) + 2.5)
    assert found.lsd().value == approx(0, abs=1e-9)


def test_random_blocks_agree_with_a_random_intercept_per_block():
    # Two implementations in kitlib: by entry × block counts, and by columns.
    found = entry_means(PART_YIELDS, PART_ENTRY, PART_BLOCK)
    columns = np.array([[e == each for each in "abcdef"] for e in PART_ENTRY], float)
    fit = random_intercept(columns, PART_YIELDS, PART_BLOCK)
    assert found.block_sd == approx(fit.sd_trial, rel=1e-9)
    for pair in [(0, 1), (0, 3), (2, 5)]:
        contrast = np.zeros(6)
        contrast[list(pair)] = 1, -1
        difference = fit.kenward_roger(contrast)
        assert found.sed_of_pairs[pair] == approx(difference.se, rel=1e-9)
        assert found.df[pair] == approx(difference.df, rel=1e-9)


TRIALS = [
    (YIELDS, ENTRY, BLOCK),
    (YIELDS, ENTRY, None),
    (PART_YIELDS, PART_ENTRY, PART_BLOCK),
    (CHECKED_YIELDS, CHECKED_ENTRY, CHECKED_BLOCK),
]


@pytest.mark.parametrize(("yields", "entry", "block"), TRIALS)
def test_means_are_weighted_yields(yields, entry, block):
    found = entry_means(yields, entry, block)
    assert found.weights @ yields == approx(found.mean)
    assert found.weights.sum(axis=1) == approx(np.ones(found.entries.size))


@pytest.mark.parametrize(("yields", "entry", "block"), TRIALS)
def test_order_of_plots_does_not_matter(yields, entry, block, rng):
    order = rng.permutation(len(yields))
    plain = entry_means(yields, entry, block)
    shuffled = entry_means(
        yields[order],
        np.array(entry)[order],
        None if block is None else np.array(block)[order],
    )
    assert shuffled.mean == approx(plain.mean)
    assert shuffled.lsd().value == approx(plain.lsd().value, rel=1e-6)


@pytest.mark.parametrize(("yields", "entry", "block"), TRIALS)
def test_another_unit_scales_everything(yields, entry, block):
    plain = entry_means(yields, entry, block)
    scaled = entry_means(1000 * yields, entry, block)
    assert scaled.mean == approx(1000 * plain.mean)
    assert scaled.lsd().value == approx(1000 * plain.lsd().value, rel=1e-6)


def test_pairs_that_differ_in_plots_differ_in_sed():
    found = entry_means(CHECKED_YIELDS, CHECKED_ENTRY, CHECKED_BLOCK)
    seds = found.sed_of_pairs
    # Two checks: √(2/2). Two entries of one block: √2. Of two blocks: the
    # difference of the blocks, from two checks, adds 2·(1/2).
    assert (seds[0, 1], seds[2, 3], seds[2, 5]) == approx((1, sqrt(2), sqrt(3)))
    lsds = found.lsd_to(0)
    assert lsds[1] == approx(T_975_1_DF, rel=1e-9)


def test_missing_yields_are_refused():
    with pytest.raises(NotFinite, match="1 of 3 yields are missing or infinite"):
        entry_means([9, nan, 18], list("abc"))


def test_no_plot_is_refused():
    with pytest.raises(TooFewSamples, match="got 0 plots; expected at least 1"):
        entry_means([], [])
