"""What holds for any file, unit, name and number, tried on many made at random."""

import io
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from conftest import SeasonFolder
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from faults.good_season import bytes_of, rows_of
from kitlib.intake.checks import keys_alike, read_tables
from kitlib.intake.files import Unreadable, read_cells
from kitlib.intake.outputs import csv_bytes, file_names
from kitlib.intake.pairs import pair_samples
from kitlib.intake.reference import reference_values, two_stage_moisture
from kitlib.intake.schema import (
    NUMBER,
    TEXT,
    TIME,
    CheckedTable,
    Units,
    in_its_kind,
    in_our_unit,
)
from kitlib.intake.settings import read_season
from kitlib.statistics.agreement import agreement
from kitlib.words.findings import SeasonRefused

# Text that a file in UTF-8 can hold; a lone surrogate cannot be written at all.
WORDS = st.text(st.characters(exclude_categories=["Cs"]), max_size=12)
# What Excel's format can hold: no control characters, and no line ends of its own.
PLAIN = st.text(st.characters(exclude_categories=["Cs", "Cc"]), max_size=12)
HEADERS = ["sample", "trial", "a note", "ü"]
FEW = settings(max_examples=25)


def tables_of(words, least=0):
    row = st.lists(words, min_size=len(HEADERS), max_size=len(HEADERS))
    return st.lists(row, min_size=least, max_size=6)


def read(content: bytes, name: str):
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / name
        path.write_bytes(content)
        return read_cells(path)


def as_cells(rows):
    return [[cell or None for cell in row] for row in rows]


def found_cells(cells: pd.DataFrame):
    return [[None if pd.isna(c) else c for c in row] for row in cells.to_numpy(object)]


# ---- readers


@FEW
@given(tables_of(WORDS))
def test_csv_comes_back_cell_by_cell(rows):
    raw = read(bytes_of([HEADERS, *rows], quoting=1), "oven.csv")
    assert list(raw.cells.columns) == HEADERS and raw.notes == []
    assert found_cells(raw.cells) == as_cells(rows)
    assert list(raw.cells.index) == list(range(2, len(rows) + 2))


@FEW
@given(tables_of(WORDS))
def test_our_own_csv_comes_back_but_for_what_defuses_formulas(rows):
    table = pd.DataFrame(rows, columns=HEADERS, dtype="str")
    back = rows_of(csv_bytes(table))[1:]
    for row, own in zip(back, rows, strict=True):
        for cell, written in zip(row, own, strict=True):
            assert cell in (written, f"'{written}")
            assert not cell.startswith(("=", "+", "-", "@", "\t", "\r"))


@FEW
@given(tables_of(PLAIN, least=1))
def test_parquet_and_excel_come_back_as_csv_does(rows):
    frame = pd.DataFrame(as_cells(rows), columns=HEADERS, dtype=object)
    assume(frame.iloc[-1].notna().any())  # Excel does not keep empty last rows
    parquet, excel = io.BytesIO(), io.BytesIO()
    frame.astype("str").to_parquet(parquet)
    frame.map(lambda c: c, na_action="ignore").to_excel(excel, index=False)
    assert found_cells(read(parquet.getvalue(), "oven.parquet").cells) == as_cells(rows)
    back = found_cells(read(excel.getvalue(), "oven.xlsx").cells)
    # Excel takes text that begins with "=" for a formula without a value.
    for row, own in zip(back, as_cells(rows), strict=True):
        for cell, written in zip(row, own, strict=True):
            assert cell == written or (written or "").startswith("=")


@pytest.mark.parametrize("suffix", ["csv", "parquet", "xlsx"])
@FEW
@given(
    content=st.binary(max_size=200)
    | st.binary(max_size=40).map(lambda b: b"sample,trial\n" + b)
    | st.binary(max_size=40).map(lambda b: b"PK\x03\x04" + b)
    | st.binary(max_size=40).map(lambda b: b"PAR1" + b + b"PAR1")
)
def test_whatever_bytes_come_a_reader_reads_or_says_why_not(suffix, content):
    try:
        raw = read(content, f"oven.{suffix}")
    except Unreadable as refusal:
        assert str(refusal).endswith(".")
    else:
        assert len(raw.cells) == len(raw.cells.index.unique())


# ---- cells and units


@given(st.lists(st.floats(-1e6, 1e6), min_size=1))
def test_numbers_as_written_are_numbers_as_read(values):
    table = CheckedTable(pd.DataFrame())
    cells = pd.Series([repr(v) for v in values], dtype="str", name="sensor_pct")
    assert in_its_kind(cells, NUMBER, table).tolist() == values
    assert table.findings == []


@given(st.lists(WORDS, min_size=1))
def test_every_cell_is_a_number_or_is_told_of(words):
    table = CheckedTable(pd.DataFrame())
    cells = pd.Series(words, dtype="str", name="sensor_pct")
    numbers = in_its_kind(cells.mask(cells == ""), NUMBER, table)
    told = {row for found in table.findings for row in found.rows}
    for row, word in enumerate(words):
        assert np.isfinite(numbers[row]) or row in told or not word.strip()


@given(st.lists(st.datetimes(), min_size=1))
def test_times_come_back(times):
    table = CheckedTable(pd.DataFrame())
    cells = pd.Series([t.isoformat() for t in times], dtype="str", name="run_at")
    assert in_its_kind(cells, TIME, table).tolist() == times


# Marks that repeat the cell above are no names.
DITTO = ('"', "”", "〃", "''", ",,", "ditto", "dito", "do.", "idem", "id.")
NAMES = WORDS.filter(lambda word: word.strip().casefold() not in DITTO)


@given(st.lists(NAMES, min_size=1))
def test_a_name_is_kept_as_written_but_for_the_spaces_around_it(words):
    table = CheckedTable(pd.DataFrame())
    cells = pd.Series(words, dtype="str", name="trial")
    once = in_its_kind(cells, TEXT, table)
    assert [c for c in once.fillna("")] == [word.strip() for word in words]
    assert in_its_kind(once, TEXT, table).equals(once)


VALUES = st.lists(st.floats(-1e4, 1e4), min_size=1).map(pd.Series)


@given(VALUES, st.floats(0.1, 10))
def test_units_scale_with_the_value_and_with_nothing_else(values, factor):
    units = Units(mass="lb", area="ft2", test_weight="lb_bu", temperature="f")
    for column in ("plot_mass_kg", "plot_area_m2", "test_weight_kg_hl"):
        ours = in_our_unit(values, column, units)
        again = in_our_unit(values * factor, column, units)
        assert np.allclose(again, ours * factor, rtol=1e-12, atol=1e-300)
    celsius = in_our_unit(values, "grain_temp_c", units)
    assert np.allclose(celsius * 1.8 + 32, values, rtol=1e-9, atol=1e-9)
    assert in_our_unit(values, "sensor_pct", units).equals(values)


@given(st.floats(0, 99), st.floats(0, 99))
def test_two_stages_lose_no_less_than_either_and_never_all(first, second):
    total = two_stage_moisture(first, second)
    assert max(first, second) - 1e-9 <= total < 100
    dry = (100 - first) / 100 * (100 - second) / 100  # what is left of a gram
    assert total == pytest.approx(100 * (1 - dry), abs=1e-9)


# ---- keys


@given(st.lists(WORDS.filter(str.strip), unique=True, min_size=1, max_size=8))
def test_names_get_files_of_their_own_whatever_the_order(names):
    files = file_names(names)
    assert len({f.casefold() for f in files.values()}) == len(names)
    assert all("/" not in file and "\0" not in file for file in files.values())


@given(st.from_regex(r"[a-zA-Z][a-zA-Z0-9 ]{0,8}", fullmatch=True))
def test_another_spelling_of_a_name_is_seen(name):
    other = name.swapcase() + "\u200b"
    names = pd.DataFrame({"entry": [name, name, other]}, index=[2, 3, 4], dtype="str")
    [found] = keys_alike({"plots": names})
    assert (found.code, found.rows) == ("keys-alike", (4,))


# ---- rows: none is lost without a word

TABLES = ("plots.csv", "oven.csv", "curves.csv")
CELL = st.one_of(
    st.sampled_from(
        ["", " ", "NaN", "-1", "1e9", "007", "W", "T1", "001", "s1", "9,5"]
    ),
    WORDS,
)


@pytest.mark.slow
@settings(max_examples=25, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.lists(
        st.tuples(st.sampled_from(TABLES), st.integers(1, 99), st.integers(0, 8), CELL),
        min_size=1,
        max_size=5,
    )
)
def test_rows_read_are_rows_used_and_rows_left_out(changes):
    with tempfile.TemporaryDirectory() as name:
        season = SeasonFolder(Path(name))
        for file, row, column, cell in changes:
            rows = rows_of(season.text(file).encode())
            cells = rows[1 + (row - 1) % (len(rows) - 1)]
            cells[column % len(cells)] = cell
            (season.folder / file).write_bytes(bytes_of(rows))
        try:
            settings_ = read_season(season.folder)
            tables = read_tables(season.folder, settings_)
        except SeasonRefused as refusal:
            assert ".csv" in str(refusal) or ": " in str(refusal)
            return
        plots = tables["plots"].frame
        reference = reference_values(tables["oven"], plots, settings_)
        pairing = pair_samples(tables, reference, settings_)
    left = pairing.left_out
    assert not left.duplicated(["table", "row"]).any()
    assert left["reason"].astype(bool).all()
    counts = pairing.counts.set_index("table")
    assert (counts["read"] == counts["used"] + counts["left_out"]).all()
    assert counts.loc["plots", "used"] == len(plots)


# ---- statistics

MOISTURES = st.lists(
    st.tuples(st.floats(5, 40), st.floats(5, 40)), min_size=3, max_size=30
)


@given(MOISTURES, st.floats(-5, 5), st.randoms())
def test_bias_and_sep_are_what_they_are_called(pairs, shift, chance):
    sensor, reference = map(np.array, zip(*pairs, strict=True))
    found = agreement(sensor, reference)
    moved = agreement(sensor + shift, reference)
    assert moved.bias == pytest.approx(found.bias + shift, abs=1e-9)
    assert moved.sep == pytest.approx(found.sep, abs=1e-7)
    swapped = agreement(reference, sensor)
    assert swapped.bias == pytest.approx(-found.bias, abs=1e-12)
    assert swapped.sep == pytest.approx(found.sep, abs=1e-9)
    order = list(range(len(pairs)))
    chance.shuffle(order)
    again = agreement(sensor[order], reference[order])
    assert again.bias == pytest.approx(found.bias, abs=1e-9)
    assert again.sep == pytest.approx(found.sep, abs=1e-9)
    squares = found.bias**2 + found.sep**2 * (found.n - 1) / found.n
    assert found.rmsep**2 == pytest.approx(squares, abs=1e-9)
    # Adding the offset leaves no bias.
    assert agreement(sensor - found.bias, reference).bias == pytest.approx(0, abs=1e-9)
