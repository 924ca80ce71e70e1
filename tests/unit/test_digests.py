"""A digest tells apart what differs in any way that could be shown."""

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta
from functools import cached_property

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitlib.intake.outputs import digest


@dataclass(frozen=True)
class Pair:
    left: object
    right: object

    @cached_property
    def both(self):
        return [self.left, self.right]


@dataclass(frozen=True)
class OtherPair:
    left: object
    right: object


TABLE = pd.DataFrame({"plot": ["001", None], "sensor_pct": [14.2, np.nan]})

APART = [
    None,
    True,
    1,
    1.0,
    np.float64(1.5),
    np.nan,
    -0.0,
    0.0,
    "1",
    "",
    "a\ud800",
    b"1",
    date(2025, 9, 1),
    datetime(2025, 9, 1),
    pd.Timestamp(2025, 9, 1),
    time(10, 31),
    time(10, 32),
    timedelta(hours=30),
    timedelta(hours=31),
    np.array([time(10, 31), None], object),
    [],
    [[]],
    [1, 2],
    [2, 1],
    ["12"],
    ["1", "2"],
    {"a": 1},
    {"a": 1, "b": None},
    {"b": None, "a": 1},
    Pair(1, 2),
    Pair(2, 1),
    OtherPair(1, 2),
    np.array([1, 2]),
    np.array([1.0, 2.0]),
    np.array([[1.0, 2.0]]),
    np.array(["1", "2"], object),
    np.array([1, "2"], object),
    np.array([Pair(1, 2)], object),
    TABLE,
    TABLE.rename(columns={"plot": "Plot"}),
    TABLE[["sensor_pct", "plot"]],
    TABLE.set_index([[5, 6]]),
    TABLE.astype({"plot": object}),
    TABLE["plot"],
    TABLE["sensor_pct"],
    TABLE.index,
    TABLE.replace(14.2, np.nextafter(14.2, 15)),
]


def test_all_that_differs_is_told_apart():
    assert len({digest(value) for value in APART}) == len(APART)


def test_the_same_values_have_the_same_digest():
    again = TABLE.iloc[[0, 1, 0]].iloc[:2]
    assert digest(again) == digest(TABLE.copy())
    mixed = pd.concat([TABLE[["plot"]], TABLE[["sensor_pct"]]], axis=1)
    assert digest(mixed) == digest(TABLE)
    other_nan = np.frombuffer(b"\x01\0\0\0\0\0\xf8\xff", "f8")
    assert digest(other_nan) == digest(np.array([np.nan]))


def test_what_was_worked_out_besides_does_not_count():
    asked = Pair(1, 2)
    assert asked.both and digest(asked) == digest(Pair(1, 2))


def test_what_is_no_data_is_refused():
    for value in (object(), {1, 2}, len, lambda: 0, [iter([])]):
        with pytest.raises(TypeError, match="is not data"):
            digest(value)


CELLS = st.lists(st.one_of(st.none(), st.text(max_size=3), st.integers()), min_size=1)


@given(CELLS, CELLS)
def test_columns_differ_in_digest_as_they_do_in_cells(one, other):
    digests = [digest(np.array([*cells, None], object)) for cells in (one, other)]
    assert (digests[0] == digests[1]) == (one == other)
