"""Where a system has none of what only POSIX or Linux has, a run is made all the same.

It is tried here by taking these things away from every process of the run: modules
`fcntl` and `resource`, `os.fork`, `os.symlink`, and `/proc` for the kit's own code.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest

pytestmark = pytest.mark.slow  # whole runs

COMMAND = Path(sys.executable).parent / "moisture-audit"
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
        call = [sys.executable, "-c", gone]
        assert subprocess.run(call, env=elsewhere, capture_output=True).returncode == 1


def test_help_needs_nothing_of_it(elsewhere):
    call = [COMMAND, "--help"]
    done = subprocess.run(call, env=elsewhere, capture_output=True, text=True)
    assert done.returncode == 0 and "season.toml" in done.stdout


def test_the_demo_is_run_without_it(elsewhere, demo, tmp_path):
    out = tmp_path / "out"
    call = [COMMAND, "run", demo, "--out", out, "--trial", "wheat-11", "--jobs", "1"]
    done = subprocess.run(call, env=elsewhere, capture_output=True, text=True)
    # The lock is then a file that is there or not, which its library warns of.
    assert done.returncode == 0, done.stderr
    (home,) = out.iterdir()
    assert (home / "season.pdf").is_file() and (home / "trials/wheat-11.pdf").is_file()
    assert not list(home.rglob("*.failed.ipynb"))
