"""A good season to spoil: small, with every table, and with nothing to refuse."""

import csv
import io
import tempfile
from copy import deepcopy
from pathlib import Path

from kitlib.intake import checks, tables
from kitlib.simulation.season import simulate_season

TRIALS = ("maize-01", "maize-02", "maize-03", "maize-05")
TRIALS += ("wheat-09", "wheat-10", "wheat-12", "soybean-14")
TABLES = ("plots", "oven", "benchtop", "curves", "readings", "setup_runs", "check_runs")
# The invented season is spoilt here and there, as real ones are; that is taken out.
_SPOILT_ROWS = ("no-reading", "reading-stuck")


def good_season() -> dict[str, bytes]:
    """Return the files of the season by name.

    They are those of the invented season with 30 plots a trial, of eight trials,
    without the rows and samples that were spoilt on purpose.
    """
    with tempfile.TemporaryDirectory() as folder:
        simulate_season(folder, plots=480)
        files = {p.name: p.read_bytes() for p in Path(folder).iterdir()}
    spoilt = rows_of(files["faults.csv"])[1:]
    kept = {"season.toml": files["season.toml"]}
    lost = {
        rows_of(files[f"{table}.csv"])[int(row) - 1][0]
        for table, row, *_ in spoilt
        if table in ("oven", "benchtop")
    }
    bad_rows = {int(row) for table, row, kind, _ in spoilt if kind in _SPOILT_ROWS}
    plots = rows_of(files["plots.csv"])
    bad_plots = {tuple(plots[row - 1][:2]) for row in bad_rows}
    for table in TABLES:
        header, *rows = rows_of(files[f"{table}.csv"])
        wanted = [
            row
            for row in rows
            if _in_trials(header, row)
            and not (table in ("oven", "benchtop") and row[0] in lost)
            and not {tuple(row[:2]), tuple(row[1:3])} & bad_plots
        ]
        kept[f"{table}.csv"] = bytes_of([header, *wanted])
    return kept


def _in_trials(header: list[str], row: list[str]) -> bool:
    """Whether a row belongs to a trial that is kept, or to none."""
    for name in ("trial", "Trial"):
        if name in header:
            return row[header.index(name)] in TRIALS
    return True


def reading_once(good: dict[str, bytes]):
    """Return a reader of tables that reads those of the good season but once.

    A table is made of its own file and the settings; most changes concern one table.
    """
    read, kept = tables._read_table, {}

    def read_table(folder: Path, table, season):
        own = (folder / "season.toml", folder / f"{table.name}.csv")
        as_good = {path.name for path in folder.iterdir()} == good.keys() and all(
            path.is_file() and path.read_bytes() == good[path.name] for path in own
        )
        if not as_good:
            return read(folder, table, season)
        key = table.name, table.by_sample
        if key not in kept:
            kept[key] = read(folder, table, season)
        return deepcopy(kept[key])  # it is worked on

    return read_table


def odd_names_once():
    """Return a judge of names that looks at those of the good season but once.

    What a table looked like at first is taken for good: it is a function of it alone.
    """
    look, kept = checks._odd_names, {}

    def odd_names(frame, table: str):
        if table not in kept:
            kept[table] = frame.copy(), list(look(frame, table))
        first, found = kept[table]
        return found if frame.equals(first) else look(frame, table)

    return odd_names


def rows_of(content: bytes) -> list[list[str]]:
    """Return the rows of a CSV file, its header first."""
    return list(csv.reader(io.StringIO(content.decode("utf-8"), newline="")))


def bytes_of(rows: list[list[str]], **how) -> bytes:
    """Return rows as a CSV file."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n", **how).writerows(rows)
    return text.getvalue().encode("utf-8")
