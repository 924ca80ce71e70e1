"""Season files as cells to be changed, and what a change touched."""

from collections.abc import Callable, Iterable
from dataclasses import dataclass, field

import numpy as np

from faults.good_season import bytes_of, rows_of

HARMFUL, HARMLESS, UNSEEN = "harmful", "harmless", "cannot be seen"


class CannotBeDone(Exception):
    """The season holds nothing that this kind of change could be made to."""


@dataclass(frozen=True)
class Change:
    """One change made to a season.

    Attributes
    ----------
    said : str
        What was done, in words.
    table : str
        The table it was done to; empty for season.toml.
    places : frozenset of (table, row)
        Where a finding must point, any of them; empty if the whole table is meant.
    """

    said: str
    table: str
    places: frozenset = frozenset()


@dataclass(frozen=True)
class Kind:
    """A kind of change with what may come of it."""

    name: str
    make: Callable
    expected: str = HARMFUL


KINDS: list[Kind] = []


def kind(name: str, expected: str = HARMFUL):
    """Register a maker of changes, a function of files and a stream of chance."""

    def register(make):
        KINDS.append(Kind(name, make, expected))
        return make

    return register


@dataclass
class Files:
    """The files of a season, changed in place.

    `content` holds bytes by file name; None stands for a file that cannot be opened.
    """

    content: dict[str, bytes]
    broken: dict[str, str] = field(default_factory=dict)

    def rows(self, table: str) -> list[list[str]]:
        """Return the rows of a table, the header first."""
        return rows_of(self.content[f"{table}.csv"])

    def put(self, table: str, rows, **how) -> None:
        """Write a table's rows back."""
        self.content[f"{table}.csv"] = bytes_of(rows, **how)

    def column(self, table: str, name: str) -> int:
        """Return the number of a column, known under our name or the user's."""
        header = self.rows(table)[0]
        theirs = {"sample": "Sample ID", "trial": "Trial", "plot": "Plot no."}
        theirs |= {"meter": "Meter", "moisture_pct": "Moisture %", "reading": "Run"}
        theirs |= {"read_at": "Read at", "grain_temp_c": "Grain °C"}
        theirs |= {"test_weight_kg_hl": "Test weight kg/hl"}
        known = name if name in header else theirs.get(name)
        if known not in header:
            raise CannotBeDone(name)
        return header.index(known)

    def cells(self, table: str, name: str) -> dict[int, str]:
        """Return the cells of a column that are not empty, by spreadsheet row."""
        place = self.column(table, name)
        rows = self.rows(table)
        return {n: r[place] for n, r in enumerate(rows[1:], start=2) if r[place]}

    def set(self, table: str, name: str, values: dict[int, str], **how) -> None:
        """Set cells of a column by spreadsheet row."""
        place, rows = self.column(table, name), self.rows(table)
        for row, value in values.items():
            rows[row - 1][place] = value
        self.put(table, rows, **how)


def at(table: str, rows: Iterable[int]) -> frozenset:
    """Return places of one table."""
    return frozenset((table, int(row)) for row in rows)


def pick(rng: np.random.Generator, among):
    """Return one of several."""
    among = list(among)
    if not among:
        raise CannotBeDone("nothing to choose from")
    return among[int(rng.integers(len(among)))]


def samples_of(files: Files) -> dict[str, dict]:
    """Return each oven sample: its rows, plot, row in plots, reading, moisture."""
    oven, plots = files.rows("oven"), files.rows("plots")
    place = {tuple(row[:2]): n for n, row in enumerate(plots[1:], start=2)}
    head = {name: n for n, name in enumerate(oven[0])}
    read = plots[0].index("sensor_pct")
    found: dict[str, dict] = {}
    for n, row in enumerate(oven[1:], start=2):
        key = (row[head["trial"]], row[head["plot"]])
        one = found.setdefault(row[0], {"rows": [], "key": key, "dishes": []})
        one["rows"].append(n)
        one["plot_row"] = place[key]
        one["sensor"] = float(plots[place[key] - 1][read])
        one["crop"] = plots[place[key] - 1][plots[0].index("crop")]
        one["dishes"].append(_moisture(row, head))
    for one in found.values():
        one["moisture"] = float(np.mean(one["dishes"]))
    return found


def _moisture(row: list[str], head: dict[str, int]) -> float:
    """Return a dish's moisture, as the kit's documents define it."""
    if not row[head["wet_g"]]:
        return float(row[head["moisture_pct"]])
    tare, wet, dry = (float(row[head[c]]) for c in ("tare_g", "wet_g", "dry_g"))
    second = 100 * (wet - dry) / (wet - tare)
    if not row[head["prestage_wet_g"]]:
        return second
    before, after = (float(row[head[f"prestage_{c}_g"]]) for c in ("wet", "dry"))
    first = 100 * (before - after) / before
    return first + (100 - first) * second / 100


def places_of_key(files: Files, trial: str, plot: str) -> frozenset:
    """Return every row of every table that names a plot."""
    found = set()
    for table in ("plots", "oven", "benchtop", "readings"):
        trials, plots = files.cells(table, "trial"), files.cells(table, "plot")
        found |= {
            (table, row)
            for row in trials
            if (trials[row], plots.get(row)) == (trial, plot)
        }
    return frozenset(found)
