"""Changes of whole files: their bytes, their names, their formats, the settings."""

import io
import os
from pathlib import Path

import pandas as pd

from faults.mutations import (
    HARMLESS,
    UNSEEN,
    CannotBeDone,
    Change,
    at,
    kind,
    pick,
)
from faults.row_kinds import TABLES

SETTINGS = "season.toml"


def _table(files, rng):
    """Return a table and its bytes."""
    table = pick(rng, TABLES)
    return table, files.content[f"{table}.csv"]


@kind("a byte of another encoding")
def _(files, rng):
    table, content = _table(files, rng)
    place = int(rng.integers(len(content)))
    broken = content[:place] + pick(rng, [b"\xfc", b"\xe9", b"\xff"]) + content[place:]
    files.content[f"{table}.csv"] = broken
    row = content[:place].count(b"\n") + 1
    return Change(f"byte {place} in row {row}", table, at(table, [row]))


@kind("a file in another encoding")
def _(files, rng):
    table, content = _table(files, rng)
    text = content.decode()
    how = pick(rng, ["utf-16", "utf-16-le", "utf-32", "latin-1"])
    if how == "latin-1":
        text = text.replace("a", "ä")
    files.content[f"{table}.csv"] = text.encode(how, errors="replace")
    return Change(f"saved as {how}", table)


@kind("a byte-order mark", HARMLESS)
def _(files, rng):
    name = pick(rng, [f"{table}.csv" for table in TABLES] + [SETTINGS])
    files.content[name] = b"\xef\xbb\xbf" + files.content[name]
    return Change("a byte-order mark", name.removesuffix(".csv"))


@kind("Windows line ends", HARMLESS)
def _(files, rng):
    table, content = _table(files, rng)
    files.content[f"{table}.csv"] = content.replace(b"\n", b"\r\n")
    return Change("Windows line ends", table)


@kind("semicolons or tabs for commas")
def _(files, rng):
    table, content = _table(files, rng)
    files.content[f"{table}.csv"] = content.replace(
        b",", pick(rng, [b";", b"\t", b"|"])
    )
    return Change("other separators", table)


@kind("a file cut off within a row")
def _(files, rng):
    table, content = _table(files, rng)
    lines = content.decode().splitlines(keepends=True)
    row = int(rng.integers(2, len(lines) + 1))
    kept = lines[row - 1][: int(rng.integers(1, len(lines[row - 1])))]
    files.content[f"{table}.csv"] = ("".join(lines[: row - 1]) + kept).encode()
    return Change(f"cut in row {row}, after {kept[-12:]!r}", table, at(table, [row]))


@kind("a file cut off at the end of a row", UNSEEN)
def _(files, rng):
    table, content = _table(files, rng)
    lines = content.splitlines(keepends=True)
    row = int(rng.integers(2, len(lines)))
    files.content[f"{table}.csv"] = b"".join(lines[:row])
    return Change(f"cut after row {row}", table)


@kind("a file of 0 bytes")
def _(files, rng):
    table, _ = _table(files, rng)
    files.content[f"{table}.csv"] = b""
    return Change("0 bytes", table)


@kind("a header and no rows")
def _(files, rng):
    table, content = _table(files, rng)
    files.content[f"{table}.csv"] = content.splitlines(keepends=True)[0]
    return Change("header only", table)


@kind("a file that cannot be opened")
def _(files, rng):
    table = pick(rng, TABLES)
    del files.content[f"{table}.csv"]
    how = pick(rng, ["folder", "dangling link", "link to itself"])
    files.broken[f"{table}.csv"] = how
    return Change(f"a {how}", table)


@kind("a file lost")
def _(files, rng):
    table = pick(rng, TABLES)
    del files.content[f"{table}.csv"]
    return Change("lost", table)


@kind("a file under a slightly other name")
def _(files, rng):
    table, content = _table(files, rng)
    del files.content[f"{table}.csv"]
    new = pick(rng, [f"{table}.CSV", f"{table.title()}.csv", f"{table} (1).csv"])
    files.content[new] = content
    return Change(f"{table}.csv is called {new}", table)


@kind("a table in two formats")
def _(files, rng):
    table, content = _table(files, rng)
    files.content[f"{table}.parquet"] = _parquet(content)
    return Change("CSV and Parquet", table)


@kind("bytes of a Parquet or Excel file changed")
def _(files, rng):
    table, content = _table(files, rng)
    suffix = pick(rng, ["parquet", "xlsx"])
    made = bytearray(
        _parquet(content) if suffix == "parquet" else _excel(_typed(content))
    )
    del files.content[f"{table}.csv"]
    if rng.integers(2):
        made = made[: int(rng.integers(1, len(made) - 100))]
    else:
        made[:8] = bytes(8)
    files.content[f"{table}.{suffix}"] = bytes(made)
    return Change(f"a damaged {suffix} file", table)


def _typed(content):
    """Return a table as text cells, missing where empty."""
    return pd.read_csv(
        io.BytesIO(content), dtype=object, keep_default_na=False
    ).replace({"": None})


def _parquet(content):
    held = io.BytesIO()
    _typed(content).to_parquet(held)
    return held.getvalue()


def _excel(frame):
    held = io.BytesIO()
    frame.to_excel(held, index=False)
    return held.getvalue()


def _save_as(files, table, content, suffix):
    """Put a table's file in another format into its place."""
    del files.content[f"{table}.csv"]
    files.content[f"{table}.{suffix}"] = content


@kind("the same cells as Parquet or Excel", HARMLESS)
def _(files, rng):
    table, content = _table(files, rng)
    suffix = pick(rng, ["parquet", "xlsx"])
    made = _parquet(content) if suffix == "parquet" else _excel(_typed(content))
    _save_as(files, table, made, suffix)
    return Change(f"as {suffix}", table)


@kind("keys made numbers by Excel")
def _(files, rng):
    table = pick(rng, ["plots", "oven", "readings"])
    frame = _typed(files.content[f"{table}.csv"])
    if rng.integers(2):
        frame["plot"] = frame["plot"].astype(int)
        places = frozenset()
    else:
        row = int(rng.integers(len(frame)))
        frame.loc[row, "plot"] = int(frame.loc[row, "plot"])
        places = at(table, [row + 2])
    _save_as(files, table, _excel(frame), "xlsx")
    return Change("plots as numbers of Excel", table, places)


@kind("a key or a number made a date by Excel")
def _(files, rng):
    table, column = pick(
        rng, [("plots", "plot"), ("oven", "sample"), ("plots", "sensor_pct")]
    )
    frame = _typed(files.content[f"{table}.csv"])
    row = int(rng.integers(len(frame)))
    frame.loc[row, column] = pd.Timestamp("2025-03-04")
    _save_as(files, table, _excel(frame), "xlsx")
    return Change(f"{column} of row {row + 2} a date", table, at(table, [row + 2]))


@kind("season.toml with a fault")
def _(files, rng):
    text = files.content[SETTINGS].decode()
    spoilt = pick(
        rng,
        [
            text.replace("seed = 2", "seeed = 2"),
            text.replace("0.95", '"0,95"'),
            text.replace("0.95", "95"),
            text.replace("2025-12-01", "01.12.2025"),
            text.replace('name = "quillmoor-2025"', ""),
            text.replace("[columns.benchtop]", "[columns.bench]"),
            text.replace('"Moisture %"', '"Moisture"'),
            text.replace("maize = 15.5", "maize = 155"),
            text[: len(text) // 2],
            text + "\nname = 'again'\n",
            text + "\n[units]\nmass = 'pounds'\n",
            "",
        ],
    )
    files.content[SETTINGS] = spoilt.encode()
    return Change("season.toml spoilt", "")


@kind("season.toml lost or of another encoding")
def _(files, rng):
    how = int(rng.integers(3))
    content = files.content.pop(SETTINGS)
    if how == 1:
        files.content[SETTINGS] = content.decode().encode("latin-1", "replace")
    if how == 2:
        files.broken[SETTINGS] = "folder"
    return Change(f"season.toml {('lost', 'in Latin-1', 'a folder')[how]}", "")


def write(files, folder: Path) -> None:
    """Write the files of a season into an empty folder."""
    for name, content in files.content.items():
        (folder / name).write_bytes(content)
    for name, how in files.broken.items():
        path = folder / name
        if how == "folder":
            path.mkdir()
        elif how == "pipe":
            os.mkfifo(path)
        else:
            path.symlink_to(path if how == "link to itself" else folder / "nowhere")


__all__ = ["CannotBeDone", "write"]
