"""Columns of text whose every cell is plain, converted whole; others are not judged.

A million cells are converted at once where not one of them asks a question; where one
does, nothing is returned and `cells` goes through the column cell by cell.
"""

import numpy as np
import pandas as pd
import pyarrow as arrow
import pyarrow.compute as compute

# Letters of the ISO 8601 times that every reader takes alike: a date, and a date with
# a time to the minute or to the second.
_LENGTHS_OF_TIMES = arrow.array([10, 16, 19], arrow.int32())
_YEARS = np.array(["1700", "2200"], "datetime64[us]")


def as_arrow(cells: pd.Series) -> arrow.ChunkedArray | None:
    """Return a column of text as it lies in memory; None for other kinds."""
    if not isinstance(cells.dtype, pd.StringDtype):
        return None
    column = arrow.chunked_array(cells)
    return column if column.num_chunks else None


def plain_texts(cells: pd.Series) -> pd.Series | None:
    """Return text as it is, None where a cell has spaces around it or no letter."""
    texts = as_arrow(cells)
    if texts is None:
        return None
    if compute.min(compute.binary_length(texts)).as_py() == 0:
        return None
    if _has_spaces(texts):
        trimmed = compute.utf8_trim_whitespace(texts)
        if compute.all(compute.equal(texts, trimmed)).as_py() is False:
            return None
    return cells


def _has_spaces(texts: arrow.ChunkedArray) -> bool:
    """Whether the letters of a column hold a space, or may hold one."""
    letters = [chunk.buffers()[-1] for chunk in texts.chunks]
    # Spaces are at most 32 in ASCII; any other letter is negative as a signed byte.
    return any(
        (np.frombuffer(part, np.int8) <= ord(" ")).any() for part in letters if part
    )


def plain_numbers(cells: pd.Series) -> pd.Series | None:
    """Return numbers, None where a cell is no finite number; nan where it is empty."""
    numbers = _converted(cells, arrow.float64())
    if numbers is None:
        return None
    values = numbers.to_numpy()
    finite = np.count_nonzero(np.isfinite(values))
    if finite + numbers.null_count < len(values):
        return None
    return pd.Series(values, cells.index)


def plain_times(cells: pd.Series) -> pd.Series | None:
    """Return times, None where a cell is not a plain one of 1700 to 2200."""
    texts, times = as_arrow(cells), _converted(cells, arrow.timestamp("us"))
    if times is None:
        return None
    lengths = compute.binary_length(texts).cast(arrow.int32())
    alike = compute.is_in(lengths.drop_null(), value_set=_LENGTHS_OF_TIMES)
    values = times.to_numpy()
    known = values[~np.isnat(values)]
    inside = (known > _YEARS[0]) & (known < _YEARS[1])
    if compute.all(alike).as_py() is False or not inside.all():
        return None
    return pd.Series(values, cells.index)


def _converted(cells: pd.Series, kind: arrow.DataType) -> arrow.ChunkedArray | None:
    """Return a column of text as another kind, None where a cell is not of it."""
    texts = as_arrow(cells)
    try:
        return texts.cast(kind) if texts is not None else None
    except arrow.ArrowInvalid:
        return None


def without_blank_rows(cells: pd.DataFrame) -> pd.DataFrame:
    """Return the rows that hold anything.

    Examples
    --------
    >>> without_blank_rows(pd.DataFrame({"a": ["1", None], "b": [None, None]}))["a"]
    0    1
    Name: a, dtype: str
    """
    if any(cells[column].notna().all() for column in cells):
        return cells
    return cells.dropna(how="all")
