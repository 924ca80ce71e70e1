"""Columns are declared once, and shown as they are declared."""

import pandas as pd
import pytest

from kitlib.words.terms import as_shown, columns_of, declared_columns, show

CURVES = pd.DataFrame(
    {
        "curve": ["a", None],
        "n": [12, 3],
        "bias": [0.345, float("nan")],
        "bias_low": [-0.1, float("nan")],
        "bias_high": [0.7, float("nan")],
    }
)


def test_no_column_is_declared_twice():
    keys = [(column.table, column.name) for column in declared_columns()]
    assert len(set(keys)) == len(keys)


def test_every_column_has_a_label_and_a_meaning():
    assert [c for c in declared_columns() if not (c.label and c.meaning)] == []


def test_both_ends_of_an_interval_are_declared():
    for column in declared_columns():
        if column.label.endswith(", low end"):
            other = column.name.replace("low", "high")
            assert columns_of(column.table)[other].unit == column.unit


def test_a_frame_is_shown_under_its_labels():
    found = as_shown(CURVES, "curves")
    heads = ["Curve", "Samples", "Bias (points)", "Interval (points)"]
    assert list(found.columns) == heads
    assert found.iloc[0].to_list() == ["a", "12", "+0.35", "−0.10 to +0.70"]


def test_what_is_missing_is_said_or_left_empty():
    assert as_shown(CURVES, "curves").iloc[1].to_list() == [
        "",
        "3",
        "not known",
        "not known",
    ]


def test_an_interval_alone_is_shown_under_its_own_label():
    ends = pd.DataFrame({"new_sample_low": [-1.0], "new_sample_high": [0.25]})
    assert as_shown(ends, "curves").to_dict("list") == {
        "Error of one new sample (points)": ["−1.00 to +0.25"]
    }


def test_times_and_truth_values_are_words():
    rows = pd.DataFrame(
        {"used": [True], "harvested_at": [pd.Timestamp("2025-10-20 10:05")]}
    )
    assert as_shown(rows, "pairs").iloc[0].to_list() == ["yes", "2025-10-20 10:05"]


def test_a_truth_value_that_may_be_missing_is_a_word_too():
    rows = pd.DataFrame({"is_check": pd.array([True, False, None], "boolean")})
    assert as_shown(rows, "entries").iloc[:, 0].to_list() == ["yes", "no", ""]


def test_a_table_that_is_not_declared_is_refused():
    with pytest.raises(KeyError, match="no table 'weather'"):
        columns_of("weather")


# 7 CFR 810.104: grain results are rounded half up (6.36 to 6.4, 0.35 to 0.4).
@pytest.mark.parametrize(("value", "seen"), [(6.36, "6.4"), (0.35, "0.4")])
def test_halves_are_rounded_up(value, seen):
    assert show(value, 1) == seen


def test_a_number_beyond_all_measure_is_shown_too():
    assert show(1e26) == f"{1e26:.2f}"
