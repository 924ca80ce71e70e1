"""Ranks, the selection line, and comparisons with a check."""

from math import isnan

import numpy as np
import pytest
from pytest import approx

from kitlib.trials.means import entry_means
from kitlib.trials.ranks import (
    GAINED,
    LOST,
    SAME,
    SIGN,
    check_changes,
    rank_changes,
    ranks,
    selection_count,
)


def test_the_best_entry_ranks_first_and_ties_share_the_better_rank():
    assert ranks([7.0, 9.0, 8.0, 9.0]).tolist() == [4, 1, 3, 1]


def test_rounding_does_not_break_a_tie():
    assert ranks([0.1 + 0.2, 0.3]).tolist() == [1, 1]


def test_each_row_of_draws_is_ranked_by_itself():
    assert ranks([[1.0, 2.0], [4.0, 3.0]]).tolist() == [[2, 1], [1, 2]]


@pytest.mark.parametrize(
    ("select", "entries", "count"),
    [(0.15, 30, 5), (0.35, 10, 4), (0.2, 2, 1), (0.99, 3, 3), (1, 30, 1), (50, 30, 30)],
)
def test_shares_round_half_up_within_the_entries(select, entries, count):
    assert selection_count(select, entries) == count


@pytest.mark.parametrize("select", [0, -1, 1.5])
def test_what_is_neither_share_nor_number_is_refused(select):
    with pytest.raises(ValueError, match="expected a share between 0 and 1"):
        selection_count(select, 30)


def test_crossing_the_line():
    # Pairs: of six, ab, ac and bc turn round, so tau = (3 − 3) / 6 = 0.
    found = rank_changes([4.0, 3, 2, 1], [2.0, 3, 4, 1], count=2)
    assert found.entered.tolist() == [False, False, True, False]
    assert found.left.tolist() == [True, False, False, False]
    assert found.kendall_tau == approx(0)
    assert found.largest_move == 2


def test_nothing_moves_without_a_change():
    found = rank_changes([4.0, 3, 2, 1], [4.0, 3, 2, 1], count=2)
    assert found.kendall_tau == approx(1)
    assert found.largest_move == 0
    assert not (found.entered | found.left).any()


@pytest.mark.parametrize("means", [[4.0], [4.0, 4.0]])
def test_no_order_no_tau(means):
    assert isnan(rank_changes(means, means, count=1).kendall_tau)


def test_two_that_tie_at_the_line_are_both_selected():
    found = rank_changes([4.0, 3, 3, 1], [4.0, 3, 2, 1], count=2)
    assert found.selected_before.tolist() == [True, True, True, False]
    assert found.left.tolist() == [False, False, True, False]


def means(k, a, b):
    """Return means of check K and entries a and b with an LSD of 2·t/√2."""
    rows = [[value - 1, value + 1] for value in (k, a, b)]
    return entry_means(np.ravel(rows), list("KKaabb"))


def test_differences_to_a_check_by_hand():
    # Six plots at ±1: sum of squares 6 on 3 df, so SED = √(2·2/2) = √2 and the LSD
    # is 3.182446 × 1.414214 = 4.500659 (97.5 % quantile of t on 3 df: 3.182446).
    found = check_changes(means(10, 14, 12), means(10, 15, 9), "K")
    assert means(10, 14, 12).lsd_to(0)[1:] == approx([4.500659] * 2, abs=5e-7)
    assert found.tolist() == [SAME, GAINED, SIGN]


def test_significance_can_be_lost():
    found = check_changes(means(10, 5, 20), means(10, 6, 20), "K")
    assert found.tolist() == [SAME, LOST, SAME]


def test_without_error_only_signs_are_compared():
    before = entry_means([10, 12, 30], list("Kab"))
    after = entry_means([10, 9, 11], list("Kab"))
    found = check_changes(before, after, "K")
    assert found.tolist() == [SAME, SIGN, SAME]


def test_a_tie_that_ends_changes_sign():
    found = check_changes(means(10, 10, 9), means(10, 11, 9), "K")
    assert found.tolist() == [SAME, SIGN, SAME]
