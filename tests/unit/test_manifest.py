"""Records of what was made: kept, believed, and acted on with care."""

import json
import os

import pytest

from kitlib.intake.outputs import input_hashes, sha256_of
from kitlib.runs import manifest
from kitlib.runs.batch import refuse_changed
from kitlib.runs.manifest import (
    Made,
    is_whole,
    read_made,
    remove_made,
    replace_if_other,
)
from kitlib.runs.notebook_pool import RunBroken


def made_of(home, *names, fingerprint="f"):
    return Made(
        fingerprint=fingerprint,
        rests_on={"plots": "p"},
        files={n: sha256_of(home / n) for n in names},
    )


@pytest.fixture
def home(tmp_path):
    folder = tmp_path / "home"
    (folder / "trials").mkdir(parents=True)
    for name in ("season.pdf", "trials/T1.ipynb", "trials/T1.pdf"):
        (folder / name).write_text(name)
    return folder


def test_a_record_holds_until_a_file_is_touched(home):
    made = made_of(home, "trials/T1.ipynb", "trials/T1.pdf")
    expected = ["trials/T1.ipynb", "trials/T1.pdf"]
    assert is_whole(made, home, expected)
    assert not is_whole(made, home, expected[:1])
    (home / "trials/T1.pdf").write_text("edited")
    assert not is_whole(made, home, expected)
    (home / "trials/T1.pdf").unlink()
    assert not is_whole(made, home, expected)


def test_records_survive_a_broken_run_but_not_a_torn_line(home):
    first, second = made_of(home, "trials/T1.ipynb"), made_of(home, "trials/T1.pdf")
    manifest.write_manifest(home, {"season": "s"}, {"a": first})
    assert read_made(home) == {"a": first}
    manifest.start_journal(home, read_made(home))
    assert not (home / manifest.MANIFEST).exists()
    manifest.note_made(home, "b", second)
    with (home / manifest.JOURNAL).open("ab") as journal:
        journal.write(b'{"notebooks": {"c": {"finger')
    assert read_made(home) == {"a": first, "b": second}
    manifest.write_manifest(home, {"season": "s"}, read_made(home))
    assert read_made(home) == {"a": first, "b": second}
    assert not (home / manifest.JOURNAL).exists()


@pytest.mark.parametrize(
    "text",
    ["", "{", "[]", "null", '{"notebooks": 3}', '{"notebooks": {"a": {}}}', "\0"],
)
def test_an_edited_manifest_counts_as_none(home, text):
    (home / manifest.MANIFEST).write_text(text)
    assert read_made(home) == {}


def test_only_files_as_written_are_removed_and_none_outside(home):
    outside = home.parent / "precious.txt"
    outside.write_text("precious")
    names = ["trials/T1.ipynb", "trials/T1.pdf", "../precious.txt", str(outside)]
    names.append("trials/../../precious.txt")
    made = made_of(home, *names)
    (home / "trials/T1.pdf").write_text("edited by hand")
    assert remove_made(home, made) == ["trials/T1.ipynb"]
    assert outside.read_text() == "precious"
    assert (home / "trials/T1.pdf").exists()


def test_a_file_that_is_right_is_not_written_again(tmp_path):
    path = tmp_path / "a.csv"
    replace_if_other(path, b"1")
    os.utime(path, (1, 1))
    replace_if_other(path, b"1")
    assert path.stat().st_mtime == 1
    replace_if_other(path, b"2")
    assert path.read_bytes() == b"2"


def test_the_manifest_tells_no_time_and_every_version(home):
    manifest.write_manifest(home, manifest.environment(), {})
    told = json.loads((home / manifest.MANIFEST).read_text())
    assert {"pandas", "papermill", "typst", "nbformat"} <= told["packages"].keys()
    assert "pytest" not in told["packages"]
    assert len(told["kit"]["code"]) == 64
    assert told.keys() == {"kit", "packages", "python", "notebooks"}


def test_changed_inputs_end_a_run(season):
    inputs = input_hashes(season.folder)
    refuse_changed(season.folder, (), inputs)
    season.append("oven.csv", "s6,T3,002,ISO 712-1,20,30,28.67")
    with pytest.raises(RunBroken, match=r"oven\.csv changed while the run was on"):
        refuse_changed(season.folder, (), inputs)
