"""Files of the output folder: written whole or not at all, the same bytes each time.

Where the numbers come from: hashes of the inputs and versions of the code.
"""

import csv
import hashlib
import json
import os
import platform
import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from functools import cache
from importlib.metadata import version
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pandas as pd
from filelock import FileLock, Timeout

from kitlib.intake.settings import SETTINGS_FILE, read_season, season_folder
from kitlib.intake.tables import source_files
from kitlib.words.errors import KitError

# Letters a cell may not begin with if a spreadsheet is not to run it as a formula
# (common practice; a leading apostrophe makes it text).
_FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")
LONGEST_NAME = 120
LOCK_FILE = ".in-use"


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
        digest = hashlib.sha256(name.encode("utf-8", "surrogatepass")).hexdigest()
        safe = f"{safe[: LONGEST_NAME - 17]}~{digest[:16]}"
    return safe


def file_names(names: Iterable[str]) -> dict[str, str]:
    """Return a file name for each name, apart even where letter case is ignored."""
    taken: set[str] = set()
    found = {}
    for name in names:
        safe = file_name(name)
        while safe.casefold() in taken:
            digest = hashlib.sha256(f"{name}\0{safe}".encode("utf-8", "surrogatepass"))
            safe = f"{file_name(name)}~{digest.hexdigest()[:8]}"
        taken.add(safe.casefold())
        found[name] = safe
    return found


def write_bytes(path: Path, content: bytes, scratch: Path | None = None) -> Path:
    """Write a file whole: under another name first, then renamed into place.

    Parameters
    ----------
    path : Path
    content : bytes
    scratch : Path, optional
        Folder for the other name, on the same disk; by default that of the file.

    Raises
    ------
    OSError
        If that cannot be done, under the file's own name; an earlier file stays.
    """
    path = Path(path)
    try:
        return _replaced(path, content, scratch or path.parent)
    except OSError as error:
        error.filename, error.filename2 = str(path), None
        raise


def _replaced(path: Path, content: bytes, scratch: Path) -> Path:
    """Write a file under another name, then rename it."""
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, temporary = tempfile.mkstemp(dir=scratch, prefix=".part-")
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.chmod(temporary, 0o644)
        os.replace(temporary, path)
    except BaseException:
        Path(temporary).unlink(missing_ok=True)
        raise
    return path


def defused(cells: pd.Series) -> pd.Series:
    """Return text cells that no spreadsheet runs as a formula."""
    texts = cells.astype("str")
    risky = texts.str.startswith(_FORMULA_STARTS, na=False)
    return texts.where(~risky, "'" + texts)


def csv_bytes(table: pd.DataFrame) -> bytes:
    """Return a table as CSV: UTF-8, full precision, empty for missing, texts defused.

    Times are ISO 8601; truth values are yes and no.
    """
    out = {}
    for name in table.columns:
        cells = table[name]
        if pd.api.types.is_bool_dtype(cells):
            cells = cells.map({True: "yes", False: "no"}, na_action="ignore")
        elif pd.api.types.is_datetime64_any_dtype(cells):
            cells = cells.dt.strftime("%Y-%m-%dT%H:%M:%S")
        elif not pd.api.types.is_numeric_dtype(cells):
            cells = defused(cells)
        out[name] = cells
    frame = pd.DataFrame(out, columns=list(table.columns))
    # The writer does not see that a lone carriage return ends a line elsewhere.
    returns = any(
        cells.astype("str").str.contains("\r").any() for cells in out.values()
    )
    quoting: Any = csv.QUOTE_NONNUMERIC if returns else csv.QUOTE_MINIMAL
    text = frame.to_csv(index=False, lineterminator="\n", quoting=quoting)
    return text.encode("utf-8")


def sha256_of(path: Path) -> str:
    """Return the SHA-256 of a file as hexadecimal text."""
    with Path(path).open("rb") as file:
        return hashlib.file_digest(file, "sha256").hexdigest()


def json_bytes(content: dict) -> bytes:
    """Return JSON with its keys in order, the same bytes for the same content."""
    text = json.dumps(content, indent=2, sort_keys=True, ensure_ascii=False)
    return (text + "\n").encode("utf-8")


@contextmanager
def sole_use(folder: Path) -> Iterator[None]:
    """Hold an output folder for one run; a second run is refused.

    Raises
    ------
    OutputBusy
        If another run holds it, or its lock is a link, a pipe or a folder. The hold
        ends with the process, however it ends.
    """
    folder.mkdir(parents=True, exist_ok=True)
    lock = folder / LOCK_FILE
    if lock.is_symlink() or (lock.exists() and not lock.is_file()):
        raise OutputBusy(
            f"{lock}: it is no plain file, so the folder cannot be held for this run. "
            "Delete it, or give --out another folder."
        )
    try:
        with FileLock(lock, timeout=0):
            yield
    except Timeout as error:
        raise OutputBusy(
            f"{folder.name}: another run is writing here; wait for it to end, or give "
            f"--out another folder. If there is none, delete {LOCK_FILE} in it."
        ) from error


DISTRIBUTION = "harvest-moisture-audit"
# The packages whose version can move a number or a picture.
PACKAGES = (
    "matplotlib",
    "numpy",
    "pandas",
    "pandera",
    "papermill",
    "pyarrow",
    "scipy",
    "statsmodels",
    "typst",
)


def input_files(folder: Path) -> list[Path]:
    """Return the files of a season folder that the audit reads, by name."""
    folder = season_folder(folder)
    return sorted([folder / SETTINGS_FILE, *source_files(folder, read_season(folder))])


def input_hashes(folder: Path) -> dict[str, str]:
    """Return the SHA-256 of every file the audit reads, by its path in the folder."""
    return {
        path.relative_to(folder).as_posix(): sha256_of(path)
        for path in input_files(folder)
    }


@cache
def versions() -> dict[str, str]:
    """Return the versions of the kit, of Python and of the packages it rests on."""
    found = {name: version(name) for name in PACKAGES}
    own = {DISTRIBUTION: version(DISTRIBUTION), "python": platform.python_version()}
    return own | found


@cache
def code_hash() -> str:
    """Return one SHA-256 over the kit's own source files."""
    digest = hashlib.sha256()
    kit = Path(__file__).parents[1]
    sources = [p for p in kit.rglob("*") if p.suffix in (".py", ".typ")]
    for name, path in sorted((p.relative_to(kit).as_posix(), p) for p in sources):
        digest.update(name.encode() + b"\0" + path.read_bytes())
    return digest.hexdigest()
