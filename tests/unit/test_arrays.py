"""Arrays as the statistics take them."""

import numpy as np
import pandas as pd
import pytest

from kitlib.statistics.estimates import (
    cluster_codes,
    finite_array,
    left_over,
    orthonormal,
)
from kitlib.words.findings import NoSpread, NotFinite, TooFewSamples


def test_the_first_bad_value_is_named_with_its_place():
    with pytest.raises(NotFinite, match=r"mean: values\[2\] is nan; expected a finite"):
        finite_array("mean: values", [1.0, 2.0, np.nan, np.inf])
    with pytest.raises(NotFinite, match=r"line: design\[1, 0\] is -inf"):
        finite_array("line: design", [[1.0, 2.0], [-np.inf, 3.0]])


@pytest.mark.parametrize("missing", [None, np.nan, pd.NA])
def test_a_missing_trial_is_an_error_not_a_trial_of_its_own(missing):
    with pytest.raises(NotFinite, match=r"cluster\[1\] is missing; expected a label"):
        cluster_codes("cluster", ["A", missing, "B"], 3)


@pytest.mark.parametrize(
    "labels",
    [
        ["007", "7", "007"],
        np.array([7.5, 7.0, 7.5]),
        pd.Series(["007", "7", "007"], index=[5, 4, 3]),
        pd.Categorical(["b", "a", "b"], categories=["a", "b", "unused"]),
        [("north", 2024), ("north", 2025), ("north", 2024)],
    ],
)
def test_labels_of_any_kind_become_codes(labels):
    codes, n_clusters = cluster_codes("cluster", labels, 3)
    assert codes.tolist() == [0, 1, 0]
    assert n_clusters == 2


def test_as_many_labels_as_samples():
    with pytest.raises(ValueError, match=r"cluster: got 2 label\(s\) for 3 sample"):
        cluster_codes("cluster", ["A", "B"], 3)


def test_a_design_needs_a_sample_to_spare():
    with pytest.raises(TooFewSamples, match=r"got n = 2 sample\(s\); 2 coefficient"):
        orthonormal("line", np.array([[1.0, 14.0], [1.0, 16.0]]))


def test_a_design_needs_columns_that_differ():
    with pytest.raises(NoSpread, match="column 1 of the design says nothing beyond"):
        orthonormal("line", np.column_stack([np.ones(5), np.full(5, 15.5)]))


def test_what_only_rounding_leaves_is_nothing():
    q, _ = orthonormal("line", np.column_stack([np.ones(9), np.arange(9.0)]))
    assert not left_over(0.1 + 0.3 * np.arange(9), q).any()
    assert left_over(np.arange(9.0) ** 2, q).any()
