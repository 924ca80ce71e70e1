"""Work done once for each distinct value, and rows found by trial and plot."""

from collections.abc import Callable

import numpy as np
import pandas as pd
import pyarrow as arrow
import pyarrow.compute as compute


def by_value(cells: pd.Series, make: Callable, missing=np.nan) -> pd.Series:
    """Return what a function makes of each cell, called once a distinct value.

    Parameters
    ----------
    cells : Series
    make : callable
        Given a value that is not missing.
    missing : object
        What stands for a missing value.

    Examples
    --------
    >>> by_value(pd.Series(["a", "b", "a"]), str.upper).tolist()
    ['A', 'B', 'A']
    """
    codes, values = pd.factorize(cells)
    made = pd.Series([*map(make, values), missing])
    return made.take(codes).set_axis(cells.index)


class PlotPlaces:
    """Where each plot stands in a table that holds it once.

    Examples
    --------
    >>> plots = pd.DataFrame({"trial": ["A", "A", "B"], "plot": ["1", "2", "1"]})
    >>> samples = pd.DataFrame({"trial": ["B", "B"], "plot": ["1", "2"]})
    >>> PlotPlaces(plots).of(samples).tolist()
    [2, -1]
    """

    def __init__(self, plots: pd.DataFrame):
        self._values, codes = {}, {}
        for name in ("trial", "plot"):
            codes[name], values = pd.factorize(plots[name])
            self._values[name] = arrow.array(values)
        self._keys = pd.Index(self._key(codes))

    def of(self, rows: pd.DataFrame) -> np.ndarray:
        """Return the place of each row's plot, −1 where there is no such plot."""
        codes = {
            name: compute.index_in(arrow.chunked_array(rows[name]), value_set=values)
            .fill_null(-1)
            .to_numpy()
            for name, values in self._values.items()
        }
        known = (codes["trial"] >= 0) & (codes["plot"] >= 0)
        return np.where(known, self._keys.get_indexer(self._key(codes)), -1)

    def _key(self, codes) -> np.ndarray:
        """Return trial and plot as one number."""
        width = max(len(self._values["plot"]), 1)
        return codes["trial"].astype(np.int64) * width + codes["plot"]


def at_places(cells: pd.Series, places: np.ndarray) -> pd.Series:
    """Return the cells at places, missing where a place is −1.

    Examples
    --------
    >>> at_places(pd.Series([5.0, 6.0]), np.array([1, -1])).tolist()
    [6.0, nan]
    """
    return pd.Series(cells.array.take(places, allow_fill=True), copy=False)
