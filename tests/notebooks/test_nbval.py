"""The committed outputs are what the notebooks show today, cell by cell."""

import os
import re
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest
from nbformat.v4 import new_code_cell, new_notebook, new_output

from kitlib.runs.workers import notebook_folder

pytestmark = pytest.mark.slow  # whole runs

HERE = Path(__file__).parent
# Cells that must at least be compared, over all notebooks; a notebook without
# outputs would pass nbval without a comparison.
AT_LEAST = 30


def nbval(target: Path, scratch: Path) -> tuple[int, str]:
    """Return the exit code and the last line of nbval's run."""
    command = [sys.executable, "-m", "pytest", "-q", "-n0", "-p", "no:cacheprovider"]
    command += ["--nbval", "--nbval-current-env", str(target)]
    command += ["--nbval-sanitize-with", str(HERE / "nbval.cfg")]
    environment = {**os.environ, "IPYTHONDIR": str(scratch), "COLUMNS": "80"}
    done = subprocess.run(command, capture_output=True, text=True, env=environment)
    return done.returncode, done.stdout.strip()


def compared_cells() -> int:
    """Return how many committed code cells hold an output."""
    notebooks = [
        nbformat.read(path, as_version=4) for path in notebook_folder().glob("*.ipynb")
    ]
    return sum(bool(c.get("outputs")) for book in notebooks for c in book.cells)


def test_committed_outputs_are_what_the_notebooks_show(tmp_path):
    code, said = nbval(notebook_folder(), tmp_path)
    passed = re.search(r"(\d+) passed", said.splitlines()[-1])
    assert code == 0, said[-6000:]
    assert compared_cells() >= AT_LEAST
    assert int(passed[1]) > compared_cells()


def test_another_output_is_found(tmp_path):
    for committed in "23":
        output = new_output(
            "execute_result", data={"text/plain": committed}, execution_count=1
        )
        cell = new_code_cell("1 + 1", outputs=[output], execution_count=1)
        nbformat.write(new_notebook(cells=[cell]), tmp_path / f"sum-{committed}.ipynb")
    code, said = nbval(tmp_path, tmp_path)
    assert code == 1 and "sum-3.ipynb" in said and "1 failed, 1 passed" in said
    assert "sum-2.ipynb" not in said
