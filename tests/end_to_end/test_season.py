"""The command over the demo season: all results, the same bytes, once only."""

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pandas as pd
import pytest
from conftest import SeasonFolder
from faults.runs import only_trials
from interrupts import break_off

from kitlib.intake.outputs import sha256_of

pytestmark = pytest.mark.slow

COMMAND = Path(sys.executable).parent / "moisture-audit"
TRIALS = ["maize-05", "wheat-11"]
TABLES = ["bands", "bridge", "curves", "effects", "entries", "findings", "left_out"]
TABLES += ["pairs", "pooling", "reference", "repeatability", "row_counts"]


def call(*arguments):
    """Return a call of the command, as its user makes it."""
    return [COMMAND, *map(str, arguments)]


def run(*arguments, jobs=1, **more) -> subprocess.CompletedProcess:
    """Run a season, mostly with one kernel: a second costs seconds to start."""
    words = call("run", *arguments, "--jobs", jobs)
    return subprocess.run(words, capture_output=True, text=True, **more)


def trials_named():
    return [word for trial in TRIALS for word in ("--trial", trial)]


def files_of(home: Path) -> dict[str, bytes]:
    """Return the content of every result in a folder, by its name in it."""
    # Where the season lay is no result: it differs from place to place.
    paths = [p for p in home.rglob("*") if p.is_file() and p.name != "season.path"]
    return {path.relative_to(home).as_posix(): path.read_bytes() for path in paths}


def times_of(home: Path) -> dict[str, int]:
    """Return when each file was written; the lock is taken by every run."""
    paths = [p for p in home.rglob("*") if p.is_file() and p.name != ".in-use"]
    return {
        path.relative_to(home).as_posix(): path.stat().st_mtime_ns for path in paths
    }


@pytest.fixture(scope="module")
def out(tmp_path_factory):
    return tmp_path_factory.mktemp("first")


@pytest.fixture(scope="module")
def first(out, demo):
    """Return the output folder of a first run, and what was said."""
    # A place named from where one stands, as most will name it.
    done = run(demo, "--out", out.name, *trials_named(), jobs=2, cwd=out.parent)
    assert done.returncode == 0, done.stderr
    assert "Warning" not in done.stderr
    (home,) = out.iterdir()
    return home, done


def test_everything_promised_is_there(first):
    home, _ = first
    names = {f"{table}.csv" for table in TABLES}
    names |= {"plots.parquet", "season.ipynb", "season.pdf", "join.ipynb", "plan.ipynb"}
    names |= {f"trials/{t}.{kind}" for t in TRIALS for kind in ("ipynb", "pdf")}
    assert names | {"manifest.json"} <= files_of(home).keys()
    assert not [name for name in files_of(home) if "failed" in name]
    for name, content in files_of(home).items():
        if name.endswith(".pdf"):
            assert content.startswith(b"%PDF-") and len(content) > 50_000


def test_the_end_says_what_to_do_with_each_curve(first):
    home, done = first
    curves = pd.read_csv(home / "curves.csv")
    for row in curves[curves["n"] > 0].itertuples():
        assert f"  {row.curve}: {row.action}" in done.stdout
    assert f"written to {home.parent.name}/{home.name}" in done.stdout
    assert "running 5 notebooks; 0 up to date" in done.stderr
    assert "\r" not in done.stderr  # no progress bar without a terminal


def test_the_season_tells_what_was_put_into_it(first, demo):
    home, _ = first
    truth = pd.read_csv(demo / "truth.csv").set_index("curve")
    found = pd.read_csv(home / "curves.csv").set_index("curve")
    expected = truth["expected_action"].dropna()
    assert len(expected) >= 4
    assert found.loc[expected.index, "action"].to_dict() == expected.to_dict()


def test_the_manifest_accounts_for_every_file(first, demo):
    home, _ = first
    told = json.loads((home / "manifest.json").read_text())
    apart = {"manifest.json", "SHA256SUMS", ".in-use"}
    assert told["outputs"].keys() == files_of(home).keys() - apart
    assert {n: sha256_of(home / n) for n in told["outputs"]} == told["outputs"]
    assert {n: sha256_of(demo / n) for n in told["inputs"]} == told["inputs"]
    assert "truth.csv" not in told["inputs"] and "plots.csv" in told["inputs"]
    assert told["trials_asked_for"] == TRIALS


def test_nothing_tells_of_the_machine(first, out, demo):
    home, _ = first
    for name, content in files_of(home).items():
        for place in (out, demo, Path.home(), Path(sys.prefix), demo.parent):
            assert f"{place}{os.sep}".encode() not in content, name
        assert b".moisture-audit-work-" not in content, name


# ---- elsewhere: what only POSIX or Linux has is taken away from every process

TAKEN_AWAY = """
import builtins, io, os, sys

for name in ("fcntl", "resource"):
    sys.modules[name] = None
for name in ("fork", "forkpty", "symlink", "pidfd_open"):
    if hasattr(os, name):
        delattr(os, name)

_open = io.open

def _without_proc(file, *more, **named):
    frame, ours = sys._getframe(1), False
    for _ in range(4):
        if frame is None:
            break
        ours = ours or f"{os.sep}kitlib{os.sep}" in frame.f_code.co_filename
        frame = frame.f_back
    if ours and str(file).startswith("/proc"):
        raise FileNotFoundError(2, "there is no /proc", str(file))
    return _open(file, *more, **named)

io.open = builtins.open = _without_proc
"""


@pytest.fixture
def elsewhere(tmp_path):
    """Return the environment of processes that have all this taken away."""
    place = tmp_path / "taken-away"
    place.mkdir()
    (place / "sitecustomize.py").write_text(TAKEN_AWAY)
    return os.environ | {"PYTHONPATH": str(place)}


def test_the_modules_are_gone_indeed(elsewhere):
    for gone in ("import fcntl", "import resource", "import os; os.fork"):
        words = [sys.executable, "-c", gone]
        assert subprocess.run(words, env=elsewhere, capture_output=True).returncode == 1


def test_help_needs_nothing_of_it(elsewhere):
    words = call("--help")
    done = subprocess.run(words, env=elsewhere, capture_output=True, text=True)
    assert done.returncode == 0 and "season.toml" in done.stdout


def test_elsewhere_with_other_jobs_come_the_same_bytes(
    first, demo, tmp_path, elsewhere
):
    home, _ = first
    copy = tmp_path / "another place" / "season"
    shutil.copytree(demo, copy)
    done = run(copy, "--out", tmp_path / "results", *trials_named(), env=elsewhere)
    # The lock is then a file that is there or not, which its library warns of.
    assert done.returncode == 0, done.stderr
    (other,) = (tmp_path / "results").iterdir()
    assert other.name == home.name
    once, again = files_of(home), files_of(other)
    for files in (once, again):
        files.pop(".in-use", None)
    assert once.keys() == again.keys()
    assert [name for name in once if once[name] != again[name]] == []


# ---- a small season, changed, broken off and gone on with


@pytest.fixture(scope="module")
def small(tmp_path_factory, run_here):
    """Return a season of two trials, and the output folder of a run of it."""
    season = SeasonFolder(tmp_path_factory.mktemp("season"))
    only_trials(season, "T1", "T2")
    home = tmp_path_factory.mktemp("small") / "Small season"
    assert run_here(season.folder, "--out", home.parent).returncode == 0
    return season, home


def test_a_second_run_redoes_nothing_but_what_was_touched(small, run_here):
    season, home = small
    before, times = files_of(home), times_of(home)
    done = run_here(season.folder, "--out", home.parent)
    assert "running 0 notebooks; 5 up to date" in done.stderr
    assert times_of(home) == times
    (home / "trials/T1.ipynb").write_text("edited by hand")
    (home / "curves.csv").unlink()
    done = run_here(season.folder, "--out", home.parent)
    assert "running 1 notebook; 4 up to date" in done.stderr
    assert files_of(home) == before
    redone = {n for n, when in times_of(home).items() if when != times[n]}
    assert redone == {
        "trials/T1.ipynb",
        "trials/T1.pdf",
        "curves.csv",
        "manifest.json",
    }


def test_only_what_a_change_concerns_is_redone(small, tmp_path, run_here):
    """After a change the folder is, byte for byte, what a run from nothing makes."""
    season, home = small
    before, times = files_of(home), times_of(home)
    season.replace(
        "plots.csv", "T2,003,E1,wheat,W,16.0,4.9", "T2,003,E1,wheat,W,16.0,4.7"
    )
    done = run_here(season.folder, "--out", home.parent)
    assert "running 4 notebooks; 1 up to date" in done.stderr
    redone = {name for name, when in times_of(home).items() if when != times[name]}
    assert {"trials/T2.pdf", "trials/T2.ipynb", "season.pdf"} <= redone
    assert not {name for name in redone if "T1" in name}
    after = files_of(home)
    assert after["trials/T2.pdf"] != before["trials/T2.pdf"]
    assert run_here(season.folder, "--out", tmp_path / "anew").returncode == 0
    assert files_of(tmp_path / "anew" / "Small season") == after


def test_an_interrupted_run_is_gone_on_with(season, tmp_path, run_here):
    only_trials(season, "T1", "T2")
    home = tmp_path / "out" / "Small season"
    arguments = call("run", season.folder, "--out", home.parent, "--jobs", 1)
    break_off(arguments, (home / "join.ipynb").exists)
    finished = set(files_of(home))
    assert "season.pdf" in finished and "manifest.json" not in finished
    assert not [
        name for name in finished if ".moisture-audit-work-" in name or ".part-" in name
    ]
    kept = times_of(home)
    done = run_here(season.folder, "--out", home.parent)
    assert done.returncode == 0, done.stderr
    assert kept["season.pdf"] == times_of(home)["season.pdf"]
    whole = set(files_of(home))
    assert {f"trials/T{k}.pdf" for k in (1, 2)} <= whole
    assert "manifest.json" in whole and ".made.jsonl" not in whole


def test_a_season_without_a_curve_to_audit_says_so_and_makes_the_rest(
    season, tmp_path, run_here
):
    only_trials(season, "T1")
    season.write("oven.csv", season.text("oven.csv").split("\n")[0] + "\n")
    done = run_here(season.folder, "--out", tmp_path / "out")
    assert done.returncode == 1
    assert "no curve could be audited: there are no air-oven results." in done.stderr
    names = files_of(tmp_path / "out" / "Small season").keys()
    assert {"plan.ipynb", "trials/T1.pdf", "curves.csv", "manifest.json"} <= names
    assert not [name for name in names if "failed" in name]
