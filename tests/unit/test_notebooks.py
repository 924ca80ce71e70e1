"""Notebooks: where they lie, and what they may be given."""

import ast
import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from kitlib.runs.kernels import read_notebook, season_tasks
from kitlib.runs.workers import CURVES, JOIN, PLAN, TRIAL, notebook_folder
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
