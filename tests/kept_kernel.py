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
    """Kernels that outlive their run, unless it is broken off."""

    def __init__(self) -> None:
        super().__init__()
        self.home, self.ended = self.folder, False

    def __exit__(self, kind: type | None = None, *_: object) -> None:
        """Leave them to the next run; what broke off gave up their threads too."""
        if kind:
            self.end()

    def end(self) -> None:
        """End them."""
        if not self.ended:
            self.folder, self.ended = self.home, True
            super().__exit__()


@contextmanager
def runs_here() -> Iterator[Callable[..., subprocess.CompletedProcess]]:
    """Yield a function that runs a season as the command does, and what it says."""
    kept = KeptKernels()

    def run(*arguments) -> subprocess.CompletedProcess:
        nonlocal kept
        kept = KeptKernels() if kept.ended else kept
        # An audit is known by its place; each run hands over its own.
        kept.folder = Path(mkdtemp(dir=kept.home))
        words = ["run", *map(str, arguments)]
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
        kept.end()
