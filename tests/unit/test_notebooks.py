"""Notebooks: where they lie, what they may be given, how one of them is run."""

import ast
import json
import os
import shutil
import subprocess
import sys
from pathlib import Path
from tempfile import TemporaryDirectory

import nbformat
import pytest
from conftest import SeasonFolder
from nbformat.v4 import new_code_cell, new_notebook

from kitlib.runs import kernels as kernels_module
from kitlib.runs.kernels import (
    KERNEL,
    Kernels,
    Task,
    read_notebook,
    run_notebook,
    season_tasks,
    workshop,
)
from kitlib.runs.workers import (
    AUDIT,
    CURVES,
    JOIN,
    PLAN,
    TRIAL,
    notebook_folder,
    write_audit,
)
from kitlib.season.season import audit_season

pytestmark = pytest.mark.slow

# ---- parameters


@pytest.mark.parametrize("name", [JOIN, CURVES, TRIAL, PLAN])
def test_notebooks_are_given_texts_for_parameters_that_they_have(name, season):
    # papermill 2.7.0 only warns of a name that a notebook does not know.
    source = next(
        cell.source
        for cell in read_notebook(name).cells
        if "parameters" in cell.metadata.get("tags", [])
    )
    known = {line.target.id: line.annotation.id for line in ast.parse(source).body}
    audit = audit_season(season.folder)
    for task in season_tasks(audit, with_earlier=True, with_records=True).values():
        if task.notebook == name:
            assert {known[parameter] for parameter in task.parameters} == {"str"}
            assert {type(value) for value in task.parameters.values()} == {str}


# ---- where notebooks lie

ROOT = Path(__file__).parents[2]


def test_notebooks_are_found_in_a_clone():
    assert notebook_folder() == ROOT / "notebooks"


def test_notebooks_are_found_in_an_installed_package(tmp_path):
    pytest.importorskip("setuptools", reason="it builds what pip installs")
    source, library = tmp_path / "source", tmp_path / "library"
    for folder in ("kitlib", "notebooks"):
        shutil.copytree(ROOT / folder, source / folder)
    for file in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / file, source)
    build = "from setuptools import setup; setup()"
    command = [sys.executable, "-c", build, "-q", "build_py", "--build-lib", library]
    subprocess.run(command, cwd=source, check=True, capture_output=True)
    ask = "from kitlib.runs.workers import notebook_folder as f; print(f())"
    told = subprocess.run(
        [sys.executable, "-c", ask],
        cwd=tmp_path,
        env={**os.environ, "PYTHONPATH": str(library)},
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    assert told == str(library / "kitlib" / "notebooks")
    assert {f"{name}.ipynb" for name in (JOIN, CURVES, TRIAL)} <= {
        path.name for path in Path(told).iterdir()
    }


# ---- one notebook


@pytest.fixture(scope="module")
def kernels():
    """Return kernels for all tests, with the audit of the small season."""
    with TemporaryDirectory() as folder, Kernels() as found:
        season = SeasonFolder(Path(folder))
        audit = audit_season(season.folder)
        write_audit(audit, season.folder.resolve(), found.folder / AUDIT)
        yield found


@pytest.fixture
def bench(season, kernels, tmp_path, monkeypatch):
    """Return a function that runs code as a notebook, and its scratch folder."""

    def run(*sources, report=""):
        cells = [new_code_cell('season: str = ""  # folder\nreport: str = ""  # PDF')]
        cells[0].metadata["tags"] = ["parameters"]
        cells += [new_code_cell(source) for source in sources]
        notebook = new_notebook(cells=cells, metadata={"kernelspec": KERNEL})
        monkeypatch.setattr(kernels_module, "read_notebook", lambda name: notebook)
        task = Task(name="n.ipynb", notebook="n", report=report)
        return run_notebook(task, scratch, kernels)

    with workshop(tmp_path, season.folder) as scratch:
        yield run, scratch


def test_a_notebook_sees_the_season_and_leaves_no_trace_of_time(bench):
    run, scratch = bench
    write = "from pathlib import Path\nPath(report).write_text('PDF')"
    look = "from kitlib.intake.settings import season_folder\n"
    look += "sorted(path.name for path in season_folder(season).iterdir())"
    assert run(write, look, report="n.pdf") == ""
    assert (scratch / "out" / "n.pdf").read_text() == "PDF"
    text = (scratch / "out" / "n.ipynb").read_text()
    assert "plots.csv" in text
    assert "papermill" not in text and str(scratch) not in text
    executed = nbformat.reads(text, as_version=4)
    assert [cell.id for cell in executed.cells] == [
        "cell-01",
        "cell-02",
        "cell-03",
        "cell-04",
    ]
    assert executed.cells[1].metadata == {"tags": ["injected-parameters"]}
    assert json.dumps(
        json.loads(text), indent=1, sort_keys=True, ensure_ascii=False
    ) == (text.rstrip("\n"))


def test_a_notebook_that_writes_no_report_has_failed(bench):
    run, scratch = bench
    assert run("1 + 1", report="n.pdf") == "it wrote no n.pdf"
    assert (scratch / "out" / "n.failed.ipynb").exists()


# Each of these ends its kernel.


def test_a_notebook_that_fails_is_kept_and_named_in_one_line(bench):
    run, scratch = bench
    assert run("1 + 1", "raise ValueError('no such\\nthing')") == "ValueError: no such"
    names = [path.name for path in (scratch / "out").glob("*.ipynb")]
    assert names == ["n.failed.ipynb"]
    text = (scratch / "out" / "n.failed.ipynb").read_text()
    assert "no such" in text and str(Path.home()) + os.sep not in text


def test_a_notebook_whose_kernel_dies_is_kept_too(bench):
    run, scratch = bench
    assert run("import os\nos._exit(1)").startswith("no kernel: ")
    assert (scratch / "out" / "n.failed.ipynb").exists()
