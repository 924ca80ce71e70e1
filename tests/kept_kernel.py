"""Runs of the command in this process, all with one kernel.

A process and a kernel cost seconds to start, more than most of the runs that tests
ask for. That a kept kernel makes the bytes of a new one is a test of its own.
"""

import subprocess
from collections.abc import Callable, Iterator
from contextlib import contextmanager, redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path
from tempfile import mkdtemp
from unittest.mock import patch

from kitlib.runs import cli, kernels


class KeptKernels(kernels.Kernels):
    """Kernels that the end of a run does not end."""

    def __exit__(self, *_: object) -> None:
        """Leave them to the next run."""


@contextmanager
def runs_here() -> Iterator[Callable[..., subprocess.CompletedProcess]]:
    """Yield a function that runs a season as the command does, and what it says."""
    kept = KeptKernels()
    home = kept.folder

    def run(*arguments) -> subprocess.CompletedProcess:
        words = ["run", *map(str, arguments)]
        # An audit is known by its place; each run hands over its own.
        kept.folder = Path(mkdtemp(dir=home))
        out, err = StringIO(), StringIO()
        with (
            patch.object(kernels, "Kernels", lambda jobs: kept),
            redirect_stdout(out),
            redirect_stderr(err),
        ):
            code = cli.main(words)
        return subprocess.CompletedProcess(words, code, out.getvalue(), err.getvalue())

    try:
        yield run
    finally:
        kept.folder = home
        kernels.Kernels.__exit__(kept)
