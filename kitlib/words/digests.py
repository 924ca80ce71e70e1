"""One hash of any value the kit works with, the same in every process.

Work that is done once for each object it is about.
"""

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import fields, is_dataclass
from datetime import date
from enum import Enum
from functools import wraps
from math import isnan
from pathlib import PurePath
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from pydantic import BaseModel

_PLAIN = {str, int, float, bool, type(None)}

Feed = Callable[[bytes], object]


def digest(value: object) -> str:
    """Return the SHA-256 of a value and all it consists of.

    Values that differ in type, order or any digit differ in it; a missing value is
    like another of its type. What a dataclass has worked out besides its fields does
    not count. TypeError is raised for something else than data.

    Examples
    --------
    >>> digest([1, "a"]) == digest([1, "a"]), digest([1]) == digest([1.0])
    (True, False)
    """
    hashed = hashlib.sha256()
    _add(value, hashed.update)
    return hashed.hexdigest()


def _add(value: object, feed: Feed) -> None:
    """Feed a value: its type, how many parts it has, and each part."""
    match value:
        case pd.DataFrame():
            columns = [_cells(column) for _, column in value.items()]
            _add_parts(value, {"index": value.index, "columns": columns}, feed)
        case pd.Series():
            _add_parts(value, {"index": value.index, "cells": _cells(value)}, feed)
        case pd.MultiIndex():
            _add(value.to_list(), feed)
        case pd.Index():
            _add_parts([], _cells(value), feed)  # whatever class an index is of
        case np.ndarray():
            _add_array(value, feed)
        case BaseModel():
            _add_parts(value, dict(value), feed)
        case Mapping():
            _add_parts(value, value, feed)
        case tuple() | list():
            _add_head(value, len(value), feed)
            _add_items(value, feed)
        case _ if is_dataclass(value):
            of_fields = {f.name: getattr(value, f.name) for f in fields(value)}
            _add_parts(value, of_fields, feed)
        case _:
            content = _said(value).encode("utf-8", "surrogatepass")
            _add_head(value, len(content), feed)
            feed(content)


def _add_head(value: object, length: int, feed: Feed) -> None:
    feed(f"{type(value).__qualname__}:{length};".encode())


def _add_parts(value: object, parts: Mapping, feed: Feed) -> None:
    """Feed the parts of a value, in their order, by name."""
    _add_head(value, len(parts), feed)
    for name, part in parts.items():
        _add(name, feed)
        _add(part, feed)


def _add_items(items: list | tuple, feed: Feed) -> None:
    """Feed items in their order; plain ones at once, for there may be very many."""
    if set(map(type, items)) <= _PLAIN:
        feed(json.dumps(items).encode())
    else:
        for item in items:
            _add(item, feed)


def _cells(column: pd.Series | pd.Index) -> dict[str, object]:
    """Return a column's name, its type and its cells."""
    kind = str(column.dtype)
    return {"name": column.name, "type": kind, "cells": column.to_numpy()}


def _add_array(array: np.ndarray, feed: Feed) -> None:
    """Feed an array: its shape, its type and its numbers or objects."""
    _add_head(array, array.ndim, feed)
    feed(f"{array.shape}{array.dtype}".encode())
    if array.dtype.hasobject:
        _add_items(array.ravel().tolist(), feed)
    elif array.dtype.kind == "f":
        feed(np.where(np.isnan(array), np.nan, array).tobytes())
    else:
        feed(array.tobytes())


def _said(value: object) -> str:
    """Return a value without parts in words that no other of its type has."""
    match value:
        case None | bool() | int() | np.integer() | np.bool_() | str() | PurePath():
            return str(value)
        case float() | np.floating():
            return "nan" if isnan(value) else float(value).hex()
        case bytes():
            return value.hex()
        case Enum():
            return value.name
        case date() | pd.Timestamp() | pd.Timedelta():
            return value.isoformat()
        case np.datetime64() | np.timedelta64():
            return str(value)
        case _ if value is pd.NaT or value is pd.NA:
            return "missing"
    raise TypeError(f"digest: a {type(value).__name__} is not data.")


def kept(work):
    """Keep what is worked out of an object and names, as long as the object is there.

    Examples
    --------
    >>> class Season: pass
    >>> one, found = Season(), kept(lambda season: [])
    >>> found(one) is found(one), found(one) is found(Season())
    (True, False)
    """
    found = WeakKeyDictionary()

    @wraps(work)
    def looked_up(about, *names: str):
        of_it = found.setdefault(about, {})
        if names not in of_it:
            of_it[names] = work(about, *names)
        return of_it[names]

    return looked_up
