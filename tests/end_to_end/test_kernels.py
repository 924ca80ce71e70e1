"""Kernels kept through a run: as good as new for each notebook, and nobody else's."""

import json
import os
import signal
import stat
import subprocess
import sys
import threading
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import nbformat
import papermill
import pytest
from conftest import SeasonFolder
from faults.runs import only_trials
from interrupts import wait_for
from nbclient.exceptions import DeadKernelError
from nbformat.v4 import new_code_cell, new_notebook

from kitlib.runs import cli, kernels
from kitlib.runs.kernels import (
    KERNEL,
    Kernels,
    Task,
    run_notebook,
    season_tasks,
    workshop,
)
from kitlib.runs.workers import AUDIT, write_audit
from kitlib.season.season import audit_season

COMMAND = Path(sys.executable).parent / "moisture-audit"
pytestmark = pytest.mark.slow


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


def test_a_kernel_at_work_is_closed_by_its_own_thread_alone(monkeypatch):
    """As at a cluster's worker, whose season is taken away when a run is broken off."""
    closed, taken, ended = [], threading.Event(), threading.Event()
    monkeypatch.setattr(kernels.Kernel, "begin", lambda _: None)

    def close(kernel):
        kernel.loop.close()
        closed.append(threading.current_thread())

    monkeypatch.setattr(kernels.Kernel, "close", close)
    found = Kernels()

    def work():
        with pytest.raises(RuntimeError, match="killed"), found.lent():
            taken.set()
            assert ended.wait(60)
            raise RuntimeError("killed")
        with pytest.raises(DeadKernelError, match="the run has ended"), found.lent():
            pass
        return threading.current_thread()

    with ThreadPoolExecutor(1) as there:
        at_work = there.submit(work)
        assert taken.wait(60)
        with found:
            found.threads.submit(found.own).result()  # one of another thread, idle
        assert len(closed) == 1
        ended.set()
        assert closed == [closed[0], at_work.result(60)]
    assert closed[0] is not closed[1]


@pytest.fixture(scope="module")
def lent(tmp_path_factory):
    """Return kernels with the audit of a copy of the small season, and a scratch."""
    season = SeasonFolder(tmp_path_factory.mktemp("season"))
    home = tmp_path_factory.mktemp("home")
    with workshop(home, season.folder) as scratch, Kernels() as found:
        audit = audit_season(season.folder)
        write_audit(audit, season.folder.resolve(), found.folder / AUDIT)
        yield found, scratch


@pytest.fixture
def run(lent, monkeypatch):
    """Return a function that runs cells in a lent kernel and returns their results."""
    found, scratch = lent

    def run_cells(*sources, failure="", report=""):
        notebook = notebook_of(*sources)
        monkeypatch.setattr(kernels, "read_notebook", lambda name: notebook)
        task = Task(name="n.ipynb", notebook="n", report=report)
        for left in (scratch / "out").glob("n.*"):
            left.unlink()
        assert run_notebook(task, scratch, found) == failure
        kept = task.failed_name if failure else task.name
        assert [path.name for path in (scratch / "out").glob("*.ipynb")] == [kept]
        return results_of(scratch, kept)

    return run_cells


# ---- what a notebook finds


def test_a_notebook_finds_the_season_audited(run):
    blind = (
        "import kitlib.season.season as s; kept, s.read_tables = s.read_tables, None"
    )
    ask = "found = s.audit_season(season).trials; s.read_tables = kept; found"
    assert run(blind, ask) == ["['T1', 'T2', 'T3']"]


def test_a_notebook_sees_the_season_and_leaves_no_trace_of_time(run, lent):
    write = "from pathlib import Path; Path(report).write_text('PDF') and None"
    look = "from kitlib.intake.settings import season_folder\n"
    look += "'plots.csv' in [path.name for path in season_folder(season).iterdir()]"
    assert run(write, look, report="n.pdf") == ["True"]
    out = lent[1] / "out"
    assert (out / "n.pdf").read_text() == "PDF"
    text = (out / "n.ipynb").read_text()
    assert "papermill" not in text and str(lent[1]) not in text
    cells = nbformat.reads(text, as_version=4).cells
    assert [c.id for c in cells] == ["cell-01", "cell-02", "cell-03", "cell-04"]
    assert cells[1].metadata == {"tags": ["injected-parameters"]}
    sorted_text = json.dumps(
        json.loads(text), indent=1, sort_keys=True, ensure_ascii=False
    )
    assert sorted_text == text.rstrip("\n")


def test_a_notebook_that_writes_no_report_has_failed(run):
    run("1 + 1", report="n.pdf", failure="it wrote no n.pdf")


STATE = """
import os, signal, sys, threading, warnings
import matplotlib, pandas
from kitlib.season.season import audit_season

audit = audit_season(season)
told = ["mine" in dir(), "mine" in os.environ, os.getcwd(), sys.path, sys.argv[1:2]]
told += [sorted(os.environ), os.umask(0o22), warnings.filters]
told += [matplotlib.rcParams["font.size"], matplotlib.pyplot.get_fignums()]
told += [pandas.get_option("display.precision"), os.getpid()]
[str(each) for each in told]
"""


def test_no_notebook_sees_what_another_did(run):
    before = run(STATE)
    run(
        STATE,
        "mine = 1; os.environ['mine'] = '1'; sys.path.append('/')\n"
        "os.mkdir('gone'); os.chdir('gone'); os.rmdir(os.getcwd())\n"
        "matplotlib.rcParams['font.size'] = 30; matplotlib.pyplot.figure()\n"
        "pandas.set_option('display.precision', 2); warnings.simplefilter('error')",
    )
    assert run(STATE) == before  # in the same process, by its number


def test_a_warning_is_shown_in_every_notebook(run, lent):
    warn = "import warnings; warnings.warn('look')"
    texts = []
    for _ in range(2):
        run(warn)
        texts.append((lent[1] / "out" / "n.ipynb").read_text())
    assert "look" in texts[0] and texts[0] == texts[1]


def test_over_sockets_too_no_module_is_taken_from_its_folder(run, lent):
    found, scratch = lent
    assert kernels.transport(found.folder)["transport"] == "ipc"
    (scratch / "out" / "trapped.py").touch()
    seek = "from importlib.util import find_spec; find_spec('trapped') is None"
    assert run("import os; 'trapped.py' in os.listdir()", seek) == ["True", "True"]


# ---- who else could listen


def test_sockets_are_for_this_user_only(lent):
    mode = stat.S_IMODE(lent[0].folder.stat().st_mode)
    assert mode & 0o777 == 0o700


def test_a_long_temporary_folder_leads_to_keys_over_tcp(tmp_path):
    long = tmp_path / ("a" * 100)
    assert kernels.transport(tmp_path / "a")["transport"] == "ipc"
    assert kernels.transport(long) == {"transport_encryption": "required"}


@pytest.fixture(scope="module")
def wary(tmp_path_factory):
    """Return a season, the output of a run with keys over TCP, its words, and traps.

    The traps are modules, which lay wherever the run could have looked for some.
    """
    season = SeasonFolder(tmp_path_factory.mktemp("season"))
    only_trials(season, "T1")
    long, out = tmp_path_factory.mktemp("a" * 100), tmp_path_factory.mktemp("out")
    sprung, home = out / "sprung", out / "Small season"
    home.mkdir()
    names = ("numpy", "json", "kitlib", "ipykernel", "matplotlibrc", "pickle")
    folders = (season.folder, out, home, long)
    traps = [folder / f"{name}.py" for folder in folders for name in names]
    for trap in traps:
        trap.write_text(f"from pathlib import Path; Path({str(sprung)!r}).touch()")
    done = subprocess.run(
        [COMMAND, "run", season.folder, "--out", out, "--jobs", "1"],
        cwd=season.folder,
        env=os.environ | {"TMPDIR": str(long)},
        capture_output=True,
        text=True,
    )
    assert done.returncode == 0, done.stderr
    for trap in traps:
        trap.unlink()
    return season, home, done.stderr, sprung


def test_with_keys_over_tcp_a_run_is_made_too(wary):
    _, home, said, _ = wary
    assert (home / "manifest.json").exists()
    assert "without encryption" not in said


def test_no_module_is_taken_from_where_one_stands(wary):
    assert not wary[-1].exists()


# ---- what goes wrong


def test_a_kernel_that_dies_takes_no_other_along(run):
    for end in ("os._exit(0)", "os.kill(os.getpid(), 9)"):
        # The words are nbclient's.
        run(f"import os; {end}", failure="no kernel: Kernel died")
    assert run("1 + 1") == ["2"]


def test_a_kernel_is_retired_after_a_failure_and_after_many(run, lent, monkeypatch):
    ask = "import os; os.getpid()"
    first = run(ask)
    assert run(ask) == first
    run("raise ValueError('no such\\nthing')", failure="ValueError: no such")
    text = (lent[1] / "out" / "n.failed.ipynb").read_text()
    assert "no such" in text and str(Path.home()) + os.sep not in text
    second = run(ask)
    assert second != first
    monkeypatch.setattr(kernels, "MOST_NOTEBOOKS", 1)
    run(ask)
    assert run(ask) != second


def run_command(season, out, monkeypatch, *sources):
    """Run the command in this process, its notebooks made of these cells."""
    notebook = notebook_of(*sources, "from pathlib import Path; report and Path")
    notebook.cells[-1].source += "(report).write_bytes(b'%PDF-')"
    monkeypatch.setattr(kernels, "read_notebook", lambda name: notebook)
    arguments = ["run", str(season.folder), "--out", str(out), "--jobs", "1"]
    return cli.main(arguments)


def test_a_crash_fails_its_trial_only(season, tmp_path, monkeypatch, capsys):
    crash = "import os; trial == 'T2' and os.kill(os.getpid(), 9)"
    assert run_command(season, tmp_path / "out", monkeypatch, crash) == 1
    said = capsys.readouterr().err
    assert "failed: trials/T2.failed.ipynb: no kernel: Kernel died" in said
    names = {path.name for path in (tmp_path / "out").rglob("trials/*.ipynb")}
    assert names == {"T1.ipynb", "T2.failed.ipynb", "T3.ipynb"}


def kernels_of(process):
    """Return the command lines of a process's children."""
    found = []
    for child in Path("/proc").glob("[0-9]*"):
        try:
            parent = (child / "stat").read_text().rsplit(")", 1)[1].split()[1]
            if parent == str(process):
                found.append(int(child.name))
        except OSError:
            continue  # ended meanwhile
    return found


@pytest.mark.skipif(not Path("/proc").is_dir(), reason="it looks into /proc")
def test_a_killed_run_leaves_no_process(season, tmp_path):
    arguments = [COMMAND, "run", season.folder, "--out", tmp_path / "out", "--jobs=1"]
    started = subprocess.Popen(arguments, stderr=subprocess.DEVNULL)
    with started:
        wait_for(lambda: list((tmp_path / "out").rglob("*.ipynb")))
        children = kernels_of(started.pid)
        assert children
        started.send_signal(signal.SIGKILL)
    wait_for(lambda: not any(Path(f"/proc/{child}").exists() for child in children))


# ---- the same bytes


def test_a_kept_kernel_makes_the_bytes_of_a_new_one(
    demo, audited_demo, tmp_path, monkeypatch
):
    _ = audited_demo.outcomes  # ranked before, as a run does
    tasks = season_tasks(audited_demo)
    names = "trials/maize-01", "season", "trials/soybean-15"
    one, *others = (tasks[f"{name}.ipynb"] for name in names)
    made = {}
    # The kept kernel is new to the first of its notebooks, which comes again last.
    for most, chosen in ((100, [one, *others, one]), (1, others)):
        monkeypatch.setattr(kernels, "MOST_NOTEBOOKS", most)
        home = tmp_path / str(most)
        home.mkdir()
        with workshop(home, demo) as scratch, Kernels() as found:
            write_audit(audited_demo, demo.resolve(), found.folder / AUDIT)
            for task in chosen:
                assert run_notebook(task, scratch, found) == ""
                for name in task.files:
                    content = (scratch / "out" / name).read_bytes()
                    assert made.setdefault(name, content) == content, name


def test_an_executed_notebook_runs_again_where_it_lies(wary, tmp_path):
    season, home, _, _ = wary
    for name in ("season", "join", "trials/T1"):
        notebook = home / f"{name}.ipynb"
        before = {p: p.read_bytes() for p in home.rglob("*.pdf")}
        again = tmp_path / "again.ipynb"
        where = {"cwd": notebook.parent, "progress_bar": False}
        papermill.execute_notebook(notebook, again, **where)
        assert results_in(again) == results_in(notebook)
        assert {p: p.read_bytes() for p in home.rglob("*.pdf")} == before
    assert os.path.relpath(season.folder, home) in (home / "season.path").read_text()


def results_in(path):
    """Return what all cells of an executed notebook show."""
    cells = nbformat.read(path, as_version=4).cells
    return [
        [dict(o.get("data", {"text": o.get("text")})) for o in cell.get("outputs", [])]
        for cell in cells
    ]
