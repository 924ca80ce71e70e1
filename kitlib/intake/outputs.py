"""What is written: file names, bytes and hashes, and what made them.

A file is written whole or not at all; one hash stands for any value the kit works
with, the same in every process.
"""

import csv
import hashlib
import json
import os
import platform
import tempfile
from collections.abc import Iterable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import fields, is_dataclass
from datetime import date, time, timedelta
from functools import cache, wraps
from importlib.metadata import version
from io import BytesIO
from pathlib import Path, PurePath
from typing import Any
from urllib.parse import quote
from weakref import WeakKeyDictionary

import numpy as np
import pandas as pd
from filelock import FileLock, Timeout
from pandas.api.typing import NAType
from pydantic import BaseModel

from kitlib.words.findings import KitError

LOCK_FILE = ".in-use"
LONGEST_NAME = 120
ROWS_AT_ONCE = 50_000  # written to a CSV file: a whole table as texts fills memory
DISTRIBUTION = "harvest-moisture-audit"
# The packages whose version can move a number or a picture.
PACKAGES = "matplotlib numpy pandas papermill pyarrow scipy statsmodels typst"
HASHED = (".py", ".typ", ".toml", ".csv", ".txt")  # what a run's results rest on


class OutputBusy(KitError):
    """Another run is writing into the output folder."""


def file_name(name: str) -> str:
    """Return a name as a file may carry it, one file for each name.

    Letters, digits, spaces and ``-_.`` stay; all else is written as in a URL, so
    no name leaves its folder. Overlong names end in a hash.

    Examples
    --------
    >>> file_name("T 01"), file_name("../etc"), file_name("A/B")
    ('T 01', '%2E.%2Fetc', 'A%2FB')
    """
    safe = quote(name, safe=" -_.", encoding="utf-8", errors="surrogatepass")
    if safe.startswith((".", " ")):
        safe = f"%{ord(safe[0]):02X}{safe[1:]}"
    if safe.endswith((".", " ")):
        safe = f"{safe[:-1]}%{ord(safe[-1]):02X}"
    if len(safe) > LONGEST_NAME:
        safe = f"{safe[: LONGEST_NAME - 17]}~{_hash_of(name)[:16]}"
    return safe


def _hash_of(text: str) -> str:
    """Return the SHA-256 of any text as hexadecimal."""
    return hashlib.sha256(text.encode("utf-8", "surrogatepass")).hexdigest()


def file_names(names: Iterable[str]) -> dict[str, str]:
    """Return a file name for each name, apart even where letter case is ignored."""
    found: dict[str, str] = {}
    taken: set[str] = set()
    for name in names:
        safe = file_name(name)
        while safe.casefold() in taken:
            again = _hash_of(f"{name}\0{safe}")
            safe = f"{file_name(name)}~{again[:8]}"
        taken.add(safe.casefold())
        found[name] = safe
    return found


def write_bytes(path: Path, content: bytes, scratch: Path | None = None) -> Path:
    """Write a file whole: under another name first, then renamed into place.

    The other name is in `scratch`, on the same disk, or beside the file. If it cannot
    be done, OSError names the file, and an earlier file stays.
    """
    path, temporary = Path(path), None
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside = scratch or path.parent
        handle, temporary = tempfile.mkstemp(dir=beside, prefix=".part-")
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException as error:
        if temporary:
            Path(temporary).unlink(missing_ok=True)
        if isinstance(error, OSError):
            error.filename, error.filename2 = str(path), None
        raise
    return path


def csv_bytes(table: pd.DataFrame) -> bytes:
    """Return a table as CSV: UTF-8, full precision, empty for missing, texts defused.

    Times are ISO 8601; truth values are yes and no.
    """
    file, quoting = BytesIO(), csv.QUOTE_MINIMAL
    # The writer does not see that a lone carriage return ends a line elsewhere.
    for _, cells in table.select_dtypes(exclude=["number", "bool", "datetime"]).items():
        if cells.astype("str").str.contains("\r", regex=False).any():
            quoting = csv.QUOTE_NONNUMERIC
    for start in range(0, len(table) or 1, ROWS_AT_ONCE):
        part = _as_written(table.iloc[start : start + ROWS_AT_ONCE])
        how: Any = {"header": not start, "index": False, "quoting": quoting}
        part.to_csv(file, lineterminator="\n", **how)
    return file.getvalue()


def _as_written(part: pd.DataFrame) -> pd.DataFrame:
    """Return rows of a table with all but numbers as texts that can be written."""
    out: dict[str, pd.Series] = {}
    for name, cells in part.items():
        if pd.api.types.is_bool_dtype(cells):
            cells = cells.map({True: "yes", False: "no"}, na_action="ignore")
        elif pd.api.types.is_datetime64_any_dtype(cells):
            cells = cells.dt.strftime("%Y-%m-%dT%H:%M:%S")
        elif not pd.api.types.is_numeric_dtype(cells):
            # With an apostrophe, no spreadsheet runs them as a formula.
            texts = cells.astype("str")
            risky = texts.str.startswith(("=", "+", "-", "@", "\t", "\r"), na=False)
            cells = texts.where(~risky, "'" + texts)
        out[str(name)] = cells
    return part.assign(**out)


def json_bytes(content: dict) -> bytes:
    """Return JSON with its keys in order, the same bytes for the same content."""
    text = json.dumps(content, indent=2, sort_keys=True, ensure_ascii=False)
    return (text + "\n").encode("utf-8")


@contextmanager
def sole_use(folder: Path) -> Iterator[None]:
    """Hold an output folder for one run, as long as the process; refuse a second.

    `OutputBusy` is raised too if its lock is a link, a pipe or a folder.
    """
    folder.mkdir(parents=True, exist_ok=True)
    lock = folder / LOCK_FILE
    if lock.is_symlink() or (lock.exists() and not lock.is_file()):
        said = "it is no plain file, so the folder cannot be held for this run. Delete "
        raise OutputBusy(f"{lock}: {said}it, or give --out another folder.")
    try:
        with FileLock(lock, timeout=0):
            yield
    except Timeout as error:
        raise OutputBusy(
            f"{folder.name}: another run is writing here; wait for it to end, or give "
            f"--out another folder. If there is none, delete {LOCK_FILE} in it."
        ) from error


@cache
def versions() -> dict[str, str]:
    """Return the versions of the kit, of Python and of the packages it rests on."""
    own = {DISTRIBUTION: version(DISTRIBUTION), "python": platform.python_version()}
    return own | {name: version(name) for name in PACKAGES.split()}


@cache
def code_hash() -> str:
    """Return one SHA-256 over the kit's source files, its sentences and limits too."""
    digest = hashlib.sha256()
    kit = Path(__file__).parents[1]
    sources = [path for path in kit.rglob("*") if path.suffix in HASHED]
    for name, path in sorted((p.relative_to(kit).as_posix(), p) for p in sources):
        digest.update(name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal text."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def digest(value: object) -> str:
    """Return the SHA-256 of a value and all it consists of.

    Values that differ in order, in a column's type or in any digit differ in it; a
    missing value is like another of its type. What a dataclass has worked out besides
    its fields does not count. TypeError is raised for something else than data.
    """
    return _hash_of(json.dumps(value, default=_in_json))


def _in_json(value: object) -> dict[str, object]:
    """Return what stands in JSON for a value that has no form of its own there."""
    name = type(value).__name__
    parts: object
    match value:
        case pd.DataFrame():
            parts = [value.index, *(column for _, column in value.items())]
        case pd.Series():
            parts = [value.name, str(value.dtype), value.index, value.to_numpy()]
        case pd.Index():  # whatever class an index is of
            name, parts = "Index", [value.name, str(value.dtype), value.to_numpy()]
        case np.ndarray():
            parts = [value.shape, str(value.dtype), _hash_of_cells(value)]
        case np.generic() | date() | time() | timedelta() | PurePath() | NAType():
            parts = str(value)
        case bytes():
            parts = hashlib.sha256(value).hexdigest()
        case BaseModel() | Mapping():
            parts = dict(value)
        case _ if is_dataclass(value):
            parts = {f.name: getattr(value, f.name) for f in fields(value)}
        case _:
            raise TypeError(f"digest: a {name} is not data.")
    return {name: parts}


def _hash_of_cells(array: np.ndarray) -> str:
    """Return one hash for the cells of an array; there may be very many."""
    if array.dtype.hasobject:
        return _hash_of(json.dumps(array.ravel().tolist(), default=_in_json))
    if array.dtype.kind == "f":  # one nan is like another
        array = np.where(np.isnan(array), np.nan, array)
    return hashlib.sha256(array.tobytes()).hexdigest()


def kept(work):
    """Keep what is worked out of an object and names for as long as it lives."""
    found = WeakKeyDictionary()

    @wraps(work)
    def looked_up(about, *names: str):
        of_it = found.setdefault(about, {})
        if names not in of_it:
            of_it[names] = work(about, *names)
        return of_it[names]

    return looked_up
