"""Files written whole, names that stay in their folder, cells that are text."""

import os
from pathlib import Path

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from kitlib.intake import outputs
from kitlib.intake.outputs import (
    LONGEST_NAME,
    OutputBusy,
    csv_bytes,
    file_name,
    file_names,
    sole_use,
    write_bytes,
)

HOSTILE = [
    "../x",
    "a/b",
    "\0",
    "a\nb",
    '"',
    "=1+1",
    "CON ",
    ".",
    "..",
    "",
    "\u202e",
    "😀",
]


@pytest.mark.parametrize("name", HOSTILE)
def test_no_name_leaves_its_folder(tmp_path, name):
    path = (tmp_path / f"x{file_name(name)}.pdf").resolve()
    assert path.parent == tmp_path.resolve()
    assert "/" not in file_name(name)
    assert file_name(name) not in (".", "..")


@given(st.lists(st.text(max_size=300), unique=True, max_size=20))
def test_names_stay_apart_and_short(names):
    found = file_names(names)
    assert len({safe.casefold() for safe in found.values()}) == len(names)
    assert all(len(safe) <= LONGEST_NAME + 9 for safe in found.values())


def test_names_that_differ_by_case_only_stay_apart():
    found = file_names(["Trial", "TRIAL", "trial"])
    assert len({name.casefold() for name in found.values()}) == 3


def test_a_write_that_fails_leaves_the_earlier_file(tmp_path, monkeypatch):
    path = write_bytes(tmp_path / "a.csv", b"good")

    def full(*_):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="No space left"):
        write_bytes(path, b"half")
    assert path.read_bytes() == b"good"
    assert [p.name for p in tmp_path.iterdir()] == ["a.csv"]


def test_a_second_run_into_one_folder_is_refused(tmp_path):
    with sole_use(tmp_path):  # noqa: SIM117
        with pytest.raises(OutputBusy, match="another run"), sole_use(tmp_path):
            pass
    with sole_use(tmp_path):
        pass


def test_cells_a_spreadsheet_would_run_become_text():
    table = pd.DataFrame(
        {"name": ["=cmd|' /C calc'!A0", "+1", "-1", "@x", "a=b", None]}
    )
    lines = csv_bytes(table).decode().splitlines()
    assert lines == ["name", "'=cmd|' /C calc'!A0", "'+1", "'-1", "'@x", "a=b", '""']


def test_numbers_keep_every_digit_and_missing_ones_are_empty():
    table = pd.DataFrame(
        {"x": [0.1 + 0.2, float("nan"), -1.5], "yes": [True, False, True]}
    )
    lines = csv_bytes(table).decode().splitlines()
    assert lines == ["x,yes", "0.30000000000000004,yes", ",no", "-1.5,yes"]


def test_all_that_a_run_rests_on_is_in_the_hash_of_the_code():
    # The panel's own files, and the mark of types, change no output of a run.
    kit = Path(outputs.__file__).parents[1]
    kinds = {p.suffix for p in kit.rglob("*") if p.is_file() and "__" not in str(p)}
    assert kinds - {".js", ".css", ".typed"} == set(outputs.HASHED)
