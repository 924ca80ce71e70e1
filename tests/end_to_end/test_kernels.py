"""Kernels forked from a warm process: as sound as plain ones, with the same bytes."""

import os
import signal
import subprocess
import sys
from ast import literal_eval
from pathlib import Path

import nbformat
import pytest
from conftest import SeasonFolder
from interrupts import wait_for
from nbformat.v4 import new_code_cell, new_notebook

from kitlib.runs import bench, cli, kernels, notebook_runs
from kitlib.runs.batch import season_tasks
from kitlib.runs.bench import open_bench
from kitlib.runs.notebook_files import KERNEL
from kitlib.runs.notebook_pool import workshop
from kitlib.runs.notebook_runs import Task, run_notebook
from kitlib.season.season import audit_season

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="they fork on Linux")
COMMAND = Path(sys.executable).parent / "moisture-audit"
FORKED = "in kernels forked from one warm process"


def notebook_of(*sources):
    """Return a notebook of these cells, with the parameters of the one on trials."""
    parameters = 'season: str = ""  # folder\ntrial: str = ""  # name\nreport: str = ""'
    cells = [new_code_cell(source) for source in (parameters, *sources)]
    cells[0].metadata["tags"] = ["parameters"]
    return new_notebook(cells=cells, metadata={"kernelspec": KERNEL})


def results_of(folder, name):
    """Return what the cells of an executed notebook returned, as text."""
    cells = nbformat.read(str(folder / "out" / name), as_version=4).cells
    outputs = [output for cell in cells for output in cell.get("outputs", [])]
    return [o.data["text/plain"] for o in outputs if o.output_type == "execute_result"]


def processes_in(folder):
    """Return the processes whose working folder lies in a folder."""
    found = []
    for process in Path("/proc").glob("[0-9]*"):
        try:
            if (process / "cwd").readlink().is_relative_to(folder.resolve()):
                found.append((process / "cmdline").read_text())
        except OSError:
            continue  # ended meanwhile
    return found


@pytest.fixture(scope="module")
def warm(tmp_path_factory):
    """Return a warm bench over a copy of the small season."""
    season = SeasonFolder(tmp_path_factory.mktemp("season"))
    home = tmp_path_factory.mktemp("home")
    with (
        workshop(home, season.folder) as scratch,
        open_bench(scratch, audit_season(season.folder)) as opened,
    ):
        assert opened.kind == FORKED
        yield opened


@pytest.fixture
def run(warm, monkeypatch):
    """Return a function that runs cells at the warm bench and returns their results."""

    def run_cells(*sources, failure=""):
        notebook = notebook_of(*sources)
        monkeypatch.setattr(notebook_runs, "read_notebook", lambda name: notebook)
        task = Task(name="n.ipynb", notebook="n", parameters={"season": "season"})
        assert run_notebook(task, warm) == failure
        name = task.failed_name if failure else task.name
        return results_of(warm.scratch, name)

    return run_cells


# ---- what a kernel inherits, and what not


def test_a_kernel_finds_the_season_audited(run):
    blind = "import kitlib.season.season as s; s.read_tables = None"
    ask = "s.audit_season(season).trials"
    assert run(blind, ask) == ["['T1', 'T2', 'T3']"]


def test_a_season_written_to_is_audited_anew(run, warm):
    blind = "import kitlib.season.season as s; s.read_tables = None"
    ask = "s.audit_season(season).trials"
    os.utime(warm.scratch / "season" / "oven.csv")
    why = "TypeError: 'NoneType' object is not callable"
    assert run(blind, ask, failure=why) == []


def test_kernels_draw_chances_of_their_own(run):
    draw = "import random, numpy; (random.random(), numpy.random.random())"
    (first,), (second,) = (map(literal_eval, run(draw)) for _ in range(2))
    assert not set(first) & set(second)


STATE = """
import hashlib, kitlib, os, signal, sys, threading
from kitlib.season.season import audit_season

audit = audit_season(season)
environment = {k: v for k, v in os.environ.items() if k != "JPY_PARENT_PID"}
told = [float(audit.plots["sensor_pct"].sum()), len(audit.tables), "mine" in dir()]
told += [hasattr(kitlib, "mine"), "mine" in os.environ, os.getcwd(), sys.path]
told += [sys.argv[0][-24:], sorted(environment), os.read(0, 1), os.umask(0o22)]
told += [hashlib.sha256(repr(sorted(environment.items())).encode()).hexdigest()]
told += [signal.getsignal(s) for s in (signal.SIGTERM, signal.SIGCHLD)]
told += [len(threading.enumerate()), os.getpgid(0) == os.getpid()]
[str(each) for each in told]
"""


def test_no_kernel_sees_what_another_did(run):
    before = run(STATE)
    run(
        STATE,
        "mine = kitlib.mine = 1; os.environ['mine'] = '1'; os.chdir('/')\n"
        "audit.plots['sensor_pct'] = 0.0; audit.tables.clear(); sys.path.append('/')",
    )
    assert run(STATE) == before


def no_fork(*_):
    """Refuse to fork."""
    raise ConnectionRefusedError


def test_a_forked_kernel_starts_as_a_plain_one(run, monkeypatch):
    forked = run(STATE)
    monkeypatch.setattr(kernels, "forked", no_fork)
    assert run(STATE) == forked


def test_no_position_in_a_file_is_shared(tmp_path):
    (tmp_path / "file").write_text("abcdef")
    forking = """if True:
        import os, sys
        from kitlib.runs.warm_process import reopen_files
        file = open("file", "rb", buffering=0)
        file.read(2)
        child = os.fork()
        if child == 0:
            reopen_files()
            assert file.read(2) == b"cd"
            os._exit(0)
        assert os.waitpid(child, 0)[1] == 0
        print(file.read(2).decode())
    """
    command = [sys.executable, "-c", forking]
    told = subprocess.run(command, cwd=tmp_path, capture_output=True, check=True)
    assert told.stdout == b"cd\n"


# ---- what goes wrong


@pytest.mark.parametrize("end", ["os._exit(0)", "os.kill(os.getpid(), 9)"])
def test_a_kernel_that_dies_takes_no_other_along(run, warm, end):
    # The words are nbclient's.
    run(f"import os; {end}", failure="no kernel: Kernel died")
    assert warm.is_warm
    assert run("1 + 1") == ["2"]


def run_command(season, out, monkeypatch, *sources):
    """Run the command in this process, its notebooks made of these cells."""
    notebook = notebook_of(*sources, "from pathlib import Path; report and Path")
    notebook.cells[-1].source += "(report).write_bytes(b'%PDF-')"
    monkeypatch.setattr(notebook_runs, "read_notebook", lambda name: notebook)
    arguments = ["run", str(season.folder), "--out", str(out), "--jobs", "2"]
    return cli.main(arguments)


def test_a_crash_fails_its_trial_only(season, tmp_path, monkeypatch, capsys):
    crash = "import os; trial == 'T2' and os.kill(os.getpid(), 9)"
    assert run_command(season, tmp_path / "out", monkeypatch, crash) == 1
    said = capsys.readouterr().err
    assert "failed: trials/T2.failed.ipynb: no kernel: Kernel died" in said
    names = {path.name for path in (tmp_path / "out").rglob("trials/*.ipynb")}
    assert names == {"T1.ipynb", "T2.failed.ipynb", "T3.ipynb"}


def test_without_its_warm_process_a_run_goes_on(season, tmp_path, monkeypatch, capsys):
    kill = "import os, signal; from pathlib import Path\n"
    kill += "parent = Path(f'/proc/{os.getppid()}/cmdline').read_text()\n"
    kill += "if trial == 'T2' and 'warm_process' in parent: "
    kill += "os.kill(os.getppid(), signal.SIGKILL); signal.pause()"
    assert run_command(season, tmp_path / "out", monkeypatch, kill) == 0
    said = capsys.readouterr().err
    assert FORKED in said
    assert "the warm process ended; later notebooks ran in plain kernels" in said
    assert processes_in(tmp_path) == []


def test_threads_lead_to_plain_kernels(season, tmp_path, monkeypatch, capsys):
    start = "import threading, time\n"
    start += "threading.Thread(target=time.sleep, args=[600], daemon=True).start()\n"
    (tmp_path / "path").mkdir()
    (tmp_path / "path" / "sitecustomize.py").write_text(start)
    monkeypatch.setenv("PYTHONPATH", str(tmp_path / "path"))
    assert run_command(season, tmp_path / "out", monkeypatch, "1 + 1") == 0
    why = "in plain kernels, for 2 threads run in the warm process"
    assert why in capsys.readouterr().err


def test_elsewhere_kernels_are_plain(monkeypatch):
    assert bench.why_unable() == ""
    monkeypatch.setattr(sys, "platform", "darwin")
    assert bench.why_unable() == "no kernel can be forked on darwin"


def test_a_killed_run_leaves_no_process(season, tmp_path):
    arguments = [COMMAND, "run", season.folder, "--out", tmp_path / "out"]
    started = subprocess.Popen(arguments, stderr=subprocess.PIPE, text=True)
    wait_for(lambda: any("warm_process" in p for p in processes_in(tmp_path / "out")))
    with started:
        while FORKED not in started.stderr.readline():
            assert started.poll() is None
        started.send_signal(signal.SIGKILL)
    wait_for(lambda: not processes_in(tmp_path / "out"))


# ---- both kinds


def test_both_kinds_of_kernel_make_the_same_bytes(
    demo, audited_demo, tmp_path, monkeypatch
):
    # The first trial's report has been rehearsed in the warm process, others not.
    tasks = season_tasks(audited_demo)
    trials = [task for name, task in tasks.items() if "trials/" in name]
    made = {}
    for why in ("", "it is a test"):
        monkeypatch.setattr(bench, "why_unable", lambda why=why: why)
        home = tmp_path / f"home {why}"
        home.mkdir()
        with workshop(home, demo) as scratch, open_bench(scratch, audited_demo) as one:
            assert one.plain_because == why
            for task in (trials[0], trials[9]):
                assert run_notebook(task, one) == ""
                for name in task.files:
                    content = (scratch / "out" / name).read_bytes()
                    assert made.setdefault(name, content) == content
