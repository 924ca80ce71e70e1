"""A run held against its manifest: as told, changed, missing, extra, or no manifest."""

import json
import shutil
import subprocess
from pathlib import Path

import pytest

from kitlib.intake.outputs import sha256_of
from kitlib.intake.tables import input_hashes
from kitlib.runs import cli
from kitlib.runs.manifest import (
    MANIFEST,
    Made,
    ManifestRefused,
    Record,
    environment,
    verify_run,
)


@pytest.fixture
def home(season, tmp_path):
    """Return an output folder as a run leaves it."""
    home = tmp_path / "out" / "Small season"
    (home / "trials").mkdir(parents=True)
    (home / ".in-use").touch()
    for name in ("curves.csv", "season.pdf", "trials/T1.ipynb", "trials/T1.pdf"):
        (home / name).write_text(name)
    made = Made(
        fingerprint="f",
        rests_on={},
        files={n: sha256_of(home / n) for n in _of_trial()},
    )
    told = {
        "season": "Small season",
        "inputs": input_hashes(season.folder),
        "outputs": {n: sha256_of(home / n) for n in ("curves.csv", "season.pdf")},
        "outdated": [],
    }
    told["outputs"] |= made.files
    record = Record(home=home, scratch=home, notebooks={"trials/T1.ipynb": made})
    record.end(environment() | told)
    return home


def _of_trial():
    return ("trials/T1.ipynb", "trials/T1.pdf")


def edit(home, change):
    path = home / MANIFEST
    told = json.loads(path.read_text())
    change(told)
    del told["notebooks"]
    Record(home=home, scratch=home).end(told)


def test_an_untouched_run_is_as_told(home, season):
    found = verify_run(home, season.folder)
    assert (found.problems, found.remarks) == ((), ())
    assert found.checked == 4 + 4


def test_without_the_season_the_inputs_are_not_checked_and_that_is_said(home):
    found = verify_run(home)
    assert found.problems == ()
    assert found.remarks == ("4 inputs not checked: --season was not given.",)


def test_what_changed_is_missing_or_extra_is_said_file_by_file(home, season):
    (home / "curves.csv").write_text("another")
    (home / "trials" / "T1.pdf").unlink()
    (home / "trials" / "T9.pdf").write_text("whose?")
    season.append("oven.csv", "s6,T3,002,ISO 712-1,20,30,28.67")
    (season.folder / "curves.csv").unlink()
    season.write("benchtop.csv", "sample,trial,plot,meter,moisture_pct")
    assert verify_run(home, season.folder).problems == (
        "output missing: trials/T1.pdf",
        "output changed: curves.csv",
        "output extra: trials/T9.pdf",
        "input missing: curves.csv",
        "input changed: oven.csv",
        "input extra: benchtop.csv",
    )


def test_a_link_that_leads_nowhere_is_no_file_as_told(home):
    (home / "curves.csv").unlink()
    (home / "curves.csv").symlink_to("nowhere")
    assert verify_run(home).problems == ("output changed: curves.csv",)


def test_what_a_reader_explored_is_no_result(home):
    (home / "explore").mkdir()
    (home / "explore" / "what_if.csv").write_text("mine")
    assert verify_run(home).problems == ()


def test_notebooks_left_from_an_earlier_state_are_held_to_their_own_record(home):
    def leave(told):
        told["outdated"] = ["trials/T1.ipynb"]
        for name in _of_trial():
            del told["outputs"][name]

    edit(home, leave)
    found = verify_run(home)
    assert found.problems == ()
    assert "1 notebook of an earlier state" in found.remarks[-1]
    (home / "trials" / "T1.pdf").write_text("edited")
    assert verify_run(home).problems == ("output changed: trials/T1.pdf",)


def test_another_environment_is_said_and_is_no_problem(home):
    def older(told):
        told["packages"]["numpy"] = "1.0"
        told["kit"]["code"] = "0" * 64

    edit(home, older)
    found = verify_run(home)
    assert found.problems == ()
    assert "the kit's own code is another; numpy was 1.0, is 2" in found.remarks[0]


def test_inputs_of_earlier_seasons_are_checked_with_their_folders(home, tmp_path):
    past = tmp_path / "reports" / "2024"
    past.mkdir(parents=True)
    (past / "curves.csv").write_text("curve")

    def with_past(told):
        told["inputs"]["earlier/2024/curves.csv"] = sha256_of(past / "curves.csv")

    edit(home, with_past)
    assert "1 input not checked: --earlier was not given." in verify_run(home).remarks
    assert verify_run(home, earlier=[past]).problems == ()
    (past / "curves.csv").write_text("another")
    changed = ("input changed: earlier/2024/curves.csv",)
    assert verify_run(home, earlier=[past]).problems == changed


def break_off(path):
    home = path.parent
    Record(home=home, scratch=home).begin([], {})


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda path: path.unlink(), r"there is no manifest\.json in it; give the"),
        (lambda path: path.write_text('{"inputs": '), "not readable as JSON"),
        (lambda path: path.write_bytes(b"\xff\xfe"), "not readable as JSON"),
        (lambda path: path.write_text("[]"), "inputs and outputs and kit"),
        (lambda path: path.write_text('{"outputs": {"a": 1}}'), "inputs and outputs"),
        (break_off, "was broken off; run it again"),
    ],
)
def test_no_or_a_broken_manifest_is_refused_in_words(home, spoil, said):
    spoil(home / MANIFEST)
    with pytest.raises(ManifestRefused, match=said):
        verify_run(home)


def test_the_command_says_it_and_its_exit_code_tells(home, season, capsys):
    call = ["verify", str(home), "--season", str(season.folder)]
    assert cli.main(call) == cli.DONE
    assert "all 8 files checked are as the manifest tells" in capsys.readouterr().out
    (home / "season.pdf").write_text("edited")
    assert cli.main(call) == cli.PROBLEMS
    assert capsys.readouterr().out == "output changed: season.pdf\n"
    shutil.rmtree(home)
    assert cli.main(call) == cli.PROBLEMS
    assert "there is no manifest.json" in capsys.readouterr().err
    assert cli.main([*call[:2], "--season", str(Path(home) / "gone")]) == cli.PROBLEMS


def test_a_season_whose_files_are_all_gone_is_not_as_told(home, season):
    for path in season.folder.glob("*.*"):
        path.unlink()
    assert len(verify_run(home, season.folder).problems) == 4


def test_the_list_of_sums_is_checked_too(home):
    (home / "SHA256SUMS").write_text("0" * 64 + "  curves.csv\n")
    assert verify_run(home).problems == ("output changed: SHA256SUMS",)
    (home / "SHA256SUMS").unlink()
    assert verify_run(home).problems == ("output missing: SHA256SUMS",)


def test_the_sums_are_checked_without_the_kit(home):
    check = ["sha256sum", "-c", "--quiet", "SHA256SUMS"]
    assert subprocess.run(check, cwd=home, capture_output=True).returncode == 0
    (home / "season.pdf").write_text("edited")
    assert subprocess.run(check, cwd=home, capture_output=True).returncode == 1


@pytest.mark.parametrize("outdated", [3, [3], ["gone"], {"a": 1}, None])
def test_a_manifest_that_tells_oddly_of_older_notebooks_is_refused(home, outdated):
    told = json.loads((home / MANIFEST).read_text()) | {"outdated": outdated}
    (home / MANIFEST).write_text(json.dumps(told))
    with pytest.raises(ManifestRefused, match="outdated not as a run writes them"):
        verify_run(home)


def test_who_edits_a_file_and_its_manifest_is_known_by_the_manifests_own_hash(home):
    kept = verify_run(home).manifest
    (home / "curves.csv").write_text("edited")

    def to_match(told):
        told["outputs"]["curves.csv"] = sha256_of(home / "curves.csv")

    edit(home, to_match)
    found = verify_run(home)
    assert found.problems == () and found.manifest != kept
