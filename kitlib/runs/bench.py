"""The bench that notebooks run at: a scratch folder, sockets, and a warm process."""

import os
import pickle
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from importlib.metadata import entry_points
from importlib.util import find_spec
from pathlib import Path

from kitlib.runs.kernels import PROVISIONER, FileKernelManager, kernel_managers
from kitlib.season.season import SeasonAudit, for_others

SEASON_LINK = "season"
_ADDRESS = "warm"
_PROVISIONERS = "jupyter_client.kernel_provisioners"


@dataclass(frozen=True, kw_only=True)
class Bench:
    """Where notebooks run.

    Attributes
    ----------
    scratch : Path
        Folder they run in; the season lies in it.
    managers : type of FileKernelManager
        What starts their kernels.
    warm : Popen, optional
        The process kernels are forked from.
    plain_because : str
        Why there is none; empty if there is.
    """

    scratch: Path
    managers: type[FileKernelManager]
    warm: subprocess.Popen | None = None
    plain_because: str = ""

    @property
    def kind(self) -> str:
        """What kind of kernels they run in, in words."""
        if self.plain_because:
            return f"in plain kernels, for {self.plain_because}"
        return "in kernels forked from one warm process"

    @property
    def is_warm(self) -> bool:
        """Whether kernels are forked."""
        return self.warm is not None and self.warm.poll() is None


@contextmanager
def open_bench(scratch: Path, audit: SeasonAudit) -> Iterator[Bench]:
    """Hold a bench in a scratch folder; no process of it outlives the block.

    Parameters
    ----------
    scratch : Path
        The season lies in it under the name `SEASON_LINK`.
    audit : SeasonAudit
        What kernels forked at the bench need not work out again.
    """
    environment = own_environment(scratch)
    # The names of sockets must be short, so they do not lie in the scratch folder.
    with tempfile.TemporaryDirectory(prefix="kit-") as folder:
        sockets = Path(folder)
        address = str(sockets / _ADDRESS)
        unable = why_unable()
        if unable:
            managers = kernel_managers(sockets, environment)
            yield Bench(scratch=scratch, managers=managers, plain_because=unable)
            return
        with warm_process(address, scratch, environment, audit) as (warm, unsound):
            address = "" if unsound else address
            yield Bench(
                scratch=scratch,
                managers=kernel_managers(sockets, environment, address),
                warm=None if unsound else warm,
                plain_because=unsound,
            )


def why_unable() -> str:
    """Return why no warm process can be had here, empty if it can."""
    if sys.platform != "linux":
        return f"no kernel can be forked on {sys.platform}"
    if not entry_points(group=_PROVISIONERS, name=PROVISIONER):
        return f"{PROVISIONER} is not among the installed kernel provisioners"
    return ""


def own_environment(scratch: Path) -> dict[str, str]:
    """Return what makes a process of the run the same for every user and machine."""
    plotting = Path(find_spec("matplotlib").origin).parent / "mpl-data" / "matplotlibrc"
    return {
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "JE_ARROW_MALLOC_CONF": "background_thread:false",
        "IPYTHONDIR": str(scratch / "ipython"),
        "MATPLOTLIBRC": str(plotting),
        "MPLBACKEND": "module://matplotlib_inline.backend_inline",
        "PYTHONSTARTUP": "",
        # What ipykernel sets as it is imported, and what keeps its debugger quiet.
        "PYDEVD_USE_FRAME_EVAL": "NO",
        "PYDEVD_DISABLE_FILE_VALIDATION": "1",
    }


@contextmanager
def warm_process(
    address: str, scratch: Path, environment: dict[str, str], audit: SeasonAudit
) -> Iterator[tuple[subprocess.Popen, str]]:
    """Hold a process that forks kernels, with why it does not, empty if it does.

    It ends when its standard input is closed, so it outlives nobody.
    """
    command = [sys.executable, "-m", "kitlib.runs.warm_process"]
    with subprocess.Popen(
        [*command, address],
        cwd=scratch,
        env=os.environ | environment,
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,
    ) as process:
        try:
            with suppress(BrokenPipeError):
                pickle.dump(for_others(audit, Path(SEASON_LINK)), process.stdin)
                process.stdin.flush()
            line = process.stdout.readline().decode()
            yield process, line.strip() if line else "the warm process did not start"
        finally:
            process.kill()
            with suppress(BrokenPipeError):  # it ended before it had read all
                process.stdin.close()
