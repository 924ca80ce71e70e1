"""Each table of a season, stated once: its columns, their kinds and their ranges."""

from functools import cache

import pandera.pandas as pa

TEXT, NUMBER, TIME, FLAG = "text", "number", "time", "flag"
_DTYPES = {TEXT: "str", NUMBER: float, TIME: "datetime64[us]", FLAG: "boolean"}


def _column(kind, *, needed=True, empty_ok=False, low=None, high=None, unit=""):
    """Return a column; `needed` asks for the header, `empty_ok` for no value."""
    checks = []
    if low is not None:
        rule = f"{low:g} to {high:g} {unit}".strip()
        checks = [pa.Check.in_range(low, high, error=rule)]
    return pa.Column(
        _DTYPES[kind],
        checks,
        nullable=empty_ok or not needed,
        required=needed,
        metadata={"kind": kind},
    )


def _key():
    return _column(TEXT)


def _text():
    return _column(TEXT, needed=False)


def _time(needed=False):
    return _column(TIME, needed=needed, empty_ok=True)


def _number(low, high, unit, needed=False):
    """Return a number that may be left empty; beyond its range it is a fault."""
    return _column(NUMBER, needed=needed, empty_ok=True, low=low, high=high, unit=unit)


_MOISTURE = (0.0, 100.0, "% moisture, wet basis")
_GRAMS = (0.0, 5000.0, "g")
_TEST_WEIGHT = (10.0, 110.0, "kg/hL")
_GRAIN_TEMP = (-40.0, 80.0, "°C")
_ANY_OFFSET = (-20.0, 20.0, "% moisture")

_PLOT_KEY = {"trial": _key(), "plot": _key()}

SCHEMAS: dict[str, pa.DataFrameSchema] = {
    "plots": pa.DataFrameSchema(
        {
            **_PLOT_KEY,
            "entry": _key(),
            "crop": _key(),
            "curve": _key(),
            "sensor_pct": _number(*_MOISTURE, needed=True),
            # What is zero or negative is kept here and named where yields are made.
            "plot_mass_kg": _number(-1e5, 1e5, "kg", needed=True),
            "plot_area_m2": _number(-1e6, 1e6, "m²", needed=True),
            "block": _text(),
            "row": _text(),
            "range": _text(),
            "location": _text(),
            "sensor": _text(),
            "chamber_config": _text(),
            "harvested_at": _time(),
            "offset_in_force": _number(*_ANY_OFFSET),
            "test_weight_kg_hl": _number(*_TEST_WEIGHT),
            "grain_temp_c": _number(*_GRAIN_TEMP),
            "remark": _text(),
        }
    ),
    "oven": pa.DataFrameSchema(
        {
            "sample": _key(),
            **_PLOT_KEY,
            "method": _key(),
            "moisture_pct": _number(*_MOISTURE),
            "tare_g": _number(*_GRAMS),
            "wet_g": _number(*_GRAMS),
            "dry_g": _number(*_GRAMS),
            "dish": _text(),
            "prestage_wet_g": _number(*_GRAMS),
            "prestage_dry_g": _number(*_GRAMS),
            "sealed_mass_g": _number(*_GRAMS),
            "opened_mass_g": _number(*_GRAMS),
            "sampled_at": _time(),
            "weighed_at": _time(),
            "selection_reason": _text(),
            "lab": _text(),
            "remark": _text(),
        }
    ),
    "benchtop": pa.DataFrameSchema(
        {
            "sample": _key(),
            **_PLOT_KEY,
            "meter": _key(),
            "moisture_pct": _number(*_MOISTURE, needed=True),
            "reading": _text(),
            "read_at": _time(),
            "grain_temp_c": _number(*_GRAIN_TEMP),
            "test_weight_kg_hl": _number(*_TEST_WEIGHT),
            "remark": _text(),
        }
    ),
    "curves": pa.DataFrameSchema(
        {
            "curve": _key(),
            "crop": _key(),
            "offset_loaded": _number(*_ANY_OFFSET, needed=True),
            "sensor": _text(),
            "chamber_config": _text(),
            "built_on": _time(),
            "low_pct": _number(*_MOISTURE),
            "high_pct": _number(*_MOISTURE),
            "sep_at_setup": _number(0.0, 20.0, "% moisture"),
            "n_at_setup": _number(1.0, 1e6, "samples"),
            "parallel_of": _text(),
            "scale_checked": _column(FLAG, needed=False),
        }
    ),
    "readings": pa.DataFrameSchema(
        {
            **_PLOT_KEY,
            "curve": _key(),
            "sensor_pct": _number(*_MOISTURE, needed=True),
        }
    ),
    "setup_runs": pa.DataFrameSchema(
        {
            "curve": _key(),
            "sample": _key(),
            "known_pct": _number(*_MOISTURE, needed=True),
            "sensor_pct": _number(*_MOISTURE, needed=True),
            "run": _text(),
            "grain_mass_kg": _number(0.0, 100.0, "kg"),
            "lab_test_weight_kg_hl": _number(*_TEST_WEIGHT),
            "grain_temp_c": _number(*_GRAIN_TEMP),
            "air_temp_c": _number(*_GRAIN_TEMP),
            "water_added": _column(FLAG, needed=False),
            "run_at": _time(),
            "chamber_config": _text(),
            "offset_in_force": _number(*_ANY_OFFSET),
        }
    ),
    "check_runs": pa.DataFrameSchema(
        {
            "curve": _key(),
            "sample": _key(),
            "known_pct": _number(*_MOISTURE, needed=True),
            "sensor_pct": _number(*_MOISTURE, needed=True),
            "run_at": _time(needed=True),
            "run": _text(),
            "offset_in_force": _number(*_ANY_OFFSET),
            "remark": _text(),
        }
    ),
}

# Headers that earlier files of users have, ours by theirs.
FORMER_HEADERS = {
    "load_cells_verified": "scale_checked",
    "sample_mass_kg": "grain_mass_kg",
    "known_test_weight_kg_hl": "lab_test_weight_kg_hl",
    "ambient_temp_c": "air_temp_c",
    "rewetted": "water_added",
}
# Columns that hold a moisture: season.toml sets how high one may be.
MOISTURES = ("sensor_pct", "moisture_pct", "known_pct", "low_pct", "high_pct")
# Columns whose cells are names: spelt in several ways, they mean one thing.
NAMES = (
    "trial",
    "plot",
    "entry",
    "crop",
    "curve",
    "sample",
    "method",
    "lab",
    "meter",
    "location",
    "sensor",
    "chamber_config",
)
REQUIRED_TABLES = ("plots", "oven", "curves")
# Keys no two rows of a table may share.
UNIQUE_KEYS = {"plots": ["trial", "plot"], "readings": ["trial", "plot", "curve"]}


@cache
def column_kinds(table: str) -> dict[str, str]:
    """Return the kind of every column the audit knows in a table."""
    return {
        name: column.metadata["kind"] for name, column in SCHEMAS[table].columns.items()
    }


@cache
def column_ranges(table: str) -> dict[str, tuple[float, float]]:
    """Return the lowest and highest value of every column that has a range."""
    ranges = {}
    for name, column in SCHEMAS[table].columns.items():
        for check in column.checks:
            ends = check.statistics
            ranges[name] = (ends["min_value"], ends["max_value"])
    return ranges


@cache
def needed_columns(table: str) -> tuple[str, ...]:
    """Return the columns a table must have."""
    columns = SCHEMAS[table].columns
    return tuple(name for name, column in columns.items() if column.required)
