"""What-ifs on record: what_if.csv and a page each, in the output folder's explore."""

import csv
import hashlib
from io import StringIO
from pathlib import Path

import pandas as pd

from kitlib.intake.outputs import sha256_of
from kitlib.words.terms import columns_of

FOLDER, TABLE = "explore", "what_if.csv"


def read_records(home: str | Path) -> pd.DataFrame:
    """Return the what-ifs on record in a season's output folder, oldest first.

    Parameters
    ----------
    home : str or Path
        The season's output folder, the one that holds the folder explore.

    Returns
    -------
    DataFrame
        A row per record with, among others, what_if (its number), recorded_at, crop,
        curve, offset, tilt, n, n_trials, bias, bias_low, bias_high, rmsep,
        rmsep_left_out, share_within, newly_selected, reason, inputs_sha256,
        kit_version and page (a file in explore). No rows where nothing is on record.
    """
    columns = columns_of("what_if")
    rows = _rows(Path(home) / FOLDER / TABLE)
    frame = pd.DataFrame(rows, columns=None if rows else list(columns))
    for name, column in columns.items():
        if column.number and name in frame:
            frame[name] = pd.to_numeric(frame[name], errors="coerce")
    return frame


def changed_records(home: str | Path) -> list[str]:
    """Return one line for each record or page that is not as it was written."""
    folder, lines = Path(home) / FOLDER, []
    for row in _rows(folder / TABLE):
        name, page = f"{FOLDER}/{TABLE}", folder / row.get("page", "")
        if row.get("row_sha256") != row_hash(row):
            lines.append(f"record changed: {name}, what-if {row.get('what_if')}")
        elif not page.is_file():
            lines.append(f"record missing: {FOLDER}/{page.name}")
        elif sha256_of(page) != row["page_sha256"]:
            lines.append(f"record changed: {FOLDER}/{page.name}")
    return lines


def row_hash(row: dict[str, str]) -> str:
    """Return the SHA-256 of a record's cells as they are written, but for itself."""
    cells = [text for name, text in row.items() if name != "row_sha256"]
    return hashlib.sha256("\x1f".join(cells).encode()).hexdigest()


def _rows(path: Path) -> list[dict[str, str]]:
    """Return the rows of the table as text, none where there is no table."""
    if not path.exists():
        return []
    text = path.read_text(encoding="utf-8")
    return [
        {k: v or "" for k, v in row.items()} for row in csv.DictReader(StringIO(text))
    ]
