"""Records of what was made: kept, believed, and acted on with care."""

import json
import os

import pytest

from kitlib.intake.outputs import sha256_of
from kitlib.intake.tables import input_hashes
from kitlib.runs import manifest
from kitlib.runs.manifest import Made, Record
from kitlib.runs.run import RunBroken, refuse_changed


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
    assert made.is_whole(home, expected)
    assert not made.is_whole(home, expected[:1])
    (home / "trials/T1.pdf").write_text("edited")
    assert not made.is_whole(home, expected)
    (home / "trials/T1.pdf").unlink()
    assert not made.is_whole(home, expected)


def record_of(home):
    return Record(home=home, scratch=home)


def read_made(home):
    return record_of(home).notebooks


def test_records_survive_a_broken_run_but_not_a_torn_line(home):
    first, second = made_of(home, "trials/T1.ipynb"), made_of(home, "trials/T1.pdf")
    record = record_of(home)
    record.notebooks["a"] = first
    record.end({"outputs": {}})
    assert read_made(home) == {"a": first}
    record.begin(["new.csv"], {"oven.csv": "o"})
    assert not (home / manifest.MANIFEST).exists()
    record.note("b", second)
    with (home / manifest.JOURNAL).open("ab") as torn:
        torn.write(b'{"notebooks": {"c": {"finger')
    again = record_of(home)
    assert again.notebooks == {"a": first, "b": second}
    assert {"new.csv", "trials/T1.pdf", "manifest.json"} <= again.names
    assert again.inputs == {"oven.csv": "o"}
    again.end({"outputs": {}})
    assert read_made(home) == {"a": first, "b": second}
    assert not (home / manifest.JOURNAL).exists()


@pytest.mark.parametrize(
    "text",
    [
        "",
        "{",
        "[]",
        "null",
        '{"notebooks": 3}',
        '{"notebooks": {"a": {}}}',
        '{"outputs": 3}',
        '{"inputs": [1]}',
        "[" * 100_000,
        "\0",
    ],
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
    assert made.remove(home) == ["trials/T1.ipynb"]
    assert outside.read_text() == "precious"
    assert (home / "trials/T1.pdf").exists()


def test_a_file_that_is_right_is_not_written_again(tmp_path):
    path, record = tmp_path / "a.csv", record_of(tmp_path)
    record.put("a.csv", b"1")
    os.utime(path, (1, 1))
    record.put("a.csv", b"1")
    assert path.stat().st_mtime == 1
    record.put("a.csv", b"2")
    assert path.read_bytes() == b"2"


def test_the_manifest_tells_no_time_and_every_version(home):
    record_of(home).end(manifest.environment() | {"outputs": {}})
    told = json.loads((home / manifest.MANIFEST).read_text())
    assert {"pandas", "papermill", "typst", "nbformat"} <= told["packages"].keys()
    assert "pytest" not in told["packages"]
    assert len(told["kit"]["code"]) == 64
    assert told.keys() == {"kit", "packages", "python", "notebooks", "outputs"}


def test_changed_inputs_end_a_run(season):
    inputs = input_hashes(season.folder)
    refuse_changed(season.folder, (), inputs)
    season.append("oven.csv", "s6,T3,002,ISO 712-1,20,30,28.67")
    with pytest.raises(RunBroken, match=r"oven\.csv changed while the run was on"):
        refuse_changed(season.folder, (), inputs)


def test_of_two_earlier_seasons_of_one_name_the_hash_is_of_the_one_read(tmp_path):
    tables = [tmp_path / place / "2024" / "curves.csv" for place in ("used", "other")]
    for table in tables:
        table.parent.mkdir(parents=True)
        table.write_text(str(table.parent.parent.name))
    [found] = manifest.earlier_hashes([table.parent for table in tables]).values()
    assert found == sha256_of(tables[0])
