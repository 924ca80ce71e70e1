"""A column converted whole is the same as one converted cell by cell."""

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as some

from kitlib.intake import cells as cell_by_cell
from kitlib.intake.cells import Table, in_its_kind
from kitlib.intake.files import (
    plain_numbers,
    plain_texts,
    plain_times,
    without_blank_rows,
)
from kitlib.intake.schema import NUMBER, TEXT, TIME

SLOW = {
    NUMBER: cell_by_cell._numbers,
    TEXT: cell_by_cell._texts,
    TIME: cell_by_cell._times,
}
ODD = ["", " ", "NaN", "inf", "-inf", "1e400", "1,5", " 14.2", "14.2 ", "+5", "0x10"]
ODD += ["1_000", "007", "1.", ".5", "-0", "True", "\u00a0x", "ümlaut", "lab A", "٣"]
ODD += ["2025-13-01", "2025-02-30", "2025-10-05", "2025-10-05T10", "20251005"]
ODD += ["2025-10-05 10:00", "2025-10-05T10:00:00", "2025-10-05T10:00:00.5"]
ODD += ["2025-10-05T10:00Z", "2025-10-05T10:00+02:00", "2025-10-05T10:00+01"]
ODD += ["0001-01-01", "9999-12-31T00:00", "2025-10-05t10:00", "-025-10-05"]
NUMBERS = some.floats(allow_nan=False, allow_infinity=False).map(repr)
TENTHS = some.integers(-99_999, 99_999).map(lambda tenths: f"{tenths / 10}")
TIMES = some.datetimes().map(lambda time: time.isoformat())
CELLS = some.sampled_from(ODD) | NUMBERS | TENTHS | TIMES | some.text(max_size=4)
COLUMNS = some.lists(some.none() | CELLS, min_size=1, max_size=6)


def column(values) -> pd.Series:
    rows = pd.RangeIndex(2, 2 + len(values), name="row_in_file")
    return pd.Series(values, rows, dtype="str", name="cell")


def outcome(make, values, *more):
    table = Table(pd.DataFrame())
    made = make(column(values), *more, table=table)
    return made, table.findings, table.faults


@pytest.mark.parametrize("kind", SLOW)
@given(COLUMNS | some.lists(TENTHS) | some.lists(TIMES))
def test_what_is_converted_whole_is_as_cell_by_cell(kind, values):
    values = [value.replace("\x00", "") if value else value for value in values]
    values = [v and v.encode(errors="ignore").decode() for v in values]
    made, findings, faults = outcome(in_its_kind, values, kind, "plots")
    wanted = outcome(SLOW[kind], values, "plots")
    assert (findings, faults) == wanted[1:]
    pd.testing.assert_series_equal(made, wanted[0], check_exact=True, check_names=False)


def test_plain_columns_are_converted_whole():
    assert plain_numbers(column(["14.2", None, "1e1"])).tolist()[::2] == [14.2, 10.0]
    assert plain_texts(column(["007", None, "lab A"])).tolist()[::2] == ["007", "lab A"]
    times = plain_times(column(["2025-10-05", "2025-10-05T10:30", None]))
    assert times.iloc[1] == pd.Timestamp(2025, 10, 5, 10, 30)
    assert times.dtype == "datetime64[us]"


@pytest.mark.parametrize("odd", ["wet", "NaN", "inf", "1e400", " 14.2", "14,2"])
def test_a_column_with_one_odd_number_is_left_to_the_other_way(odd):
    assert plain_numbers(column(["14.2", odd])) is None


@pytest.mark.parametrize("odd", [" S1", "S1 ", "\u00a0", ""])
def test_a_column_with_spaces_or_empty_text_is_left_to_the_other_way(odd):
    assert plain_texts(column(["S1", odd])) is None


@pytest.mark.parametrize(
    "odd", ["5.10.2025", "2025-10-05T10", "2025-10-05T10:00Z", "0001-01-01", ""]
)
def test_a_column_with_one_odd_time_is_left_to_the_other_way(odd):
    assert plain_times(column(["2025-10-05", odd])) is None


def test_cells_of_a_spreadsheet_are_left_to_the_other_way():
    typed = pd.Series([14.2, "wet"], dtype=object)
    assert plain_numbers(typed) is plain_times(typed) is plain_texts(typed) is None


def test_only_rows_without_any_cell_are_blank():
    cells = pd.DataFrame({"a": ["1", None, None], "b": [None, None, "2"]})
    assert without_blank_rows(cells).index.tolist() == [0, 2]
