"""A season's notebooks on a real cluster: two worker processes over TCP."""

import os
import sys
from functools import partial
from pathlib import Path

import dask
import pytest
from conftest import SeasonFolder
from distributed import LocalCluster
from faults.runs import only_trials
from interrupts import break_off

from kitlib.runs import cli, cluster
from kitlib.runs.cluster import run_at_worker, run_on_cluster
from kitlib.runs.run import RunBroken, run_season

COMMAND = Path(sys.executable).parent / "moisture-audit"
# Left open by the cluster's own code when its processes are made to end.
pytestmark = [
    pytest.mark.slow,
    pytest.mark.filterwarnings("ignore::ResourceWarning"),
]


@pytest.fixture(scope="module")
def workers():
    """Return a cluster of two worker processes, each with one thread."""
    # Each notebook waits at a worker from the start, so that it dies with that worker.
    waiting = {"scheduler.worker-saturation": "inf", "scheduler.allowed-failures": 1}
    waiting = {f"distributed.{name}": value for name, value in waiting.items()}
    two = {"n_workers": 2, "threads_per_worker": 1, "processes": True}
    with (
        dask.config.set(waiting),
        LocalCluster(**two, protocol="tcp://", dashboard_address=":0") as found,
    ):
        yield found


def files_of(home):
    """Return the content of every file in a folder, by its name in it."""
    # Where the season lay differs from place to place.
    paths = [p for p in home.rglob("*") if p.is_file() and p.name != "season.path"]
    return {path.relative_to(home).as_posix(): path.read_bytes() for path in paths}


@pytest.fixture(scope="module")
def small(tmp_path_factory):
    """Return the folder of a season of two trials, which no test changes."""
    season = SeasonFolder(tmp_path_factory.mktemp("season"))
    only_trials(season, "T1", "T2")
    return season.folder


@pytest.fixture(scope="module")
def here(small, tmp_path_factory):
    """Return the files that a run without a cluster makes."""
    out = tmp_path_factory.mktemp("here")
    assert cli.main(["run", str(small), "--out", str(out), "--jobs", "1"]) == 0
    return files_of(out / "Small season")


def end_at_t2(task, season):
    """End the worker, in place of the notebook on T2; make empty files of others."""
    if task.parameters.get("trial") == "T2":
        os._exit(1)
    return "", dict.fromkeys(task.files, b"")


def end_once_at_t2(task, season, marker):
    """End the worker, in place of the first try of the notebook on T2."""
    if task.parameters.get("trial") == "T2" and not marker.exists():
        marker.touch()
        os._exit(1)
    return run_at_worker(task, season)


@pytest.fixture
def run(workers, small, tmp_path, monkeypatch):
    """Return a function that runs the season on the cluster, in another way."""

    def run_there(at_worker=run_at_worker):
        monkeypatch.setattr(cluster, "run_at_worker", at_worker)
        place = partial(run_on_cluster, workers.scheduler_address, print)
        return run_season(small, tmp_path / "out", run_notebooks=place)

    return run_there


def test_a_notebook_that_ends_every_worker_fails_alone(run, workers, monkeypatch):
    # The cluster gives a notebook up after one worker, the run after one more.
    monkeypatch.setattr(workers.scheduler, "allowed_failures", 0)
    done = run(end_at_t2)
    assert done.failed == {"trials/T2.failed.ipynb": "each worker it was tried on died"}
    assert {"trials/T1.ipynb", "season.ipynb"} <= set(done.made)
    assert (done.record.home / "trials" / "T2.failed.ipynb").exists()


def test_workers_of_another_version_are_refused(run, monkeypatch):
    monkeypatch.setattr(cluster, "environment", lambda: {"kit": "another"})
    with pytest.raises(RunBroken, match=r"the worker at tcp.* has another version"):
        run()


def test_an_address_without_a_scheduler_is_said(small, tmp_path, monkeypatch, capsys):
    monkeypatch.setattr(cluster, "_PATIENCE", 1)
    for address in ("tcp://127.0.0.1:1", "nowhere://there"):
        call = ["run", str(small), "--out", str(tmp_path / "out")]
        assert cli.main([*call, "--scheduler", address]) == 1
        said = capsys.readouterr().err
        assert f"--scheduler {address}: no scheduler answers" in said


def test_broken_off_and_without_a_worker_it_goes_on_to_the_same_bytes(
    workers, small, tmp_path, here, monkeypatch, capsys
):
    """What the worker had that dies in the second run comes from the other."""
    home = tmp_path / "out" / "Small season"
    call = ["run", str(small), "--out", str(home.parent)]
    call += ["--scheduler", workers.scheduler_address]
    break_off([COMMAND, *call], lambda: list(home.glob("*.ipynb")))
    begun = files_of(home)
    assert begun.keys() & {"season.ipynb", "join.ipynb", "plan.ipynb"}
    assert "manifest.json" not in begun and not list(
        home.glob(".moisture-audit-work-*")
    )
    end_once = partial(end_once_at_t2, marker=tmp_path / "tried")
    monkeypatch.setattr(cluster, "run_at_worker", end_once)
    assert cli.main(call) == 0
    assert (tmp_path / "tried").exists()
    said = capsys.readouterr().err
    assert f"on 2 worker(s) at {workers.scheduler_address}" in said
    assert "; 0 up to date" not in said
    there = files_of(home)
    assert here.keys() == there.keys()
    assert [name for name in here if here[name] != there[name]] == []
    notebooks = {name for name in begun if name.endswith((".ipynb", ".pdf"))}
    assert all(here[name] == begun[name] for name in notebooks)
