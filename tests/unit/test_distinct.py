"""Work once a distinct value, and plots found by their key, as the plain ways do."""

import numpy as np
import pandas as pd
from hypothesis import given
from hypothesis import strategies as some

from kitlib.intake.schema import at_places, by_value, plot_places

NAMES = some.sampled_from(["A", "B", "1", "01", "A1"])
KEYS = some.lists(some.tuples(NAMES, NAMES), max_size=12)


def keys(rows) -> pd.DataFrame:
    return pd.DataFrame(rows, columns=["trial", "plot"], dtype="str")


@given(KEYS, KEYS)
def test_each_row_finds_its_plot(plots, rows):
    plots = list(dict.fromkeys(plots))
    wanted = [plots.index(row) if row in plots else -1 for row in rows]
    assert plot_places(keys(plots), keys(rows)).tolist() == wanted


def test_trial_and_plot_are_not_run_together():
    # "1" + "11" and "11" + "1" are different plots.
    plots = keys([("1", "11"), ("11", "1")])
    rows = keys([("11", "1"), ("1", "1"), ("11", "11")])
    assert plot_places(plots, rows).tolist() == [1, -1, -1]


def test_a_function_is_called_once_a_value_and_not_for_a_missing_one():
    asked = []
    cells = pd.Series(["b", None, "a", "b"], index=[5, 6, 7, 8])
    made = by_value(cells, lambda value: asked.append(value) or value * 2)
    assert asked == ["b", "a"]
    assert made.index.tolist() == [5, 6, 7, 8]
    assert made.fillna("-").tolist() == ["bb", "-", "aa", "bb"]


def test_no_place_is_a_missing_cell():
    for cells in (
        pd.Series([1.0, 2.0]),
        pd.Series(["x", "y"]),
        pd.Series(pd.to_datetime(["2025-10-05", "2025-10-06"])),
    ):
        found = at_places(cells, np.array([1, -1, 0]))
        assert found.isna().tolist() == [False, True, False]
        assert found.dtype == cells.dtype
        assert found.iloc[0] == cells.iloc[1]
