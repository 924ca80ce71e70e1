"""Kernels that are kept through a run and lent to its notebooks, one at a time.

Starting Python and importing takes longer than most notebooks; so a kernel is started
once, while the run still reads, and made as good as new before each notebook. It is
retired after a failure, for it may be the worse for it, and after many notebooks.
"""

import json
import os
import shutil
import sys
import tempfile
from collections import deque
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from importlib.util import find_spec
from pathlib import Path
from queue import Empty
from uuid import uuid4

import zmq
from jupyter_client import AsyncKernelManager
from jupyter_client.kernelspec import KernelSpec
from jupyter_core.utils import ensure_event_loop, run_sync

KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}
MOST_NOTEBOOKS = 200  # of one kernel
_PATIENCE = 600  # a kernel may be this slow to start on a busy machine [s]
_BETWEEN_LOOKS = 1.0  # at whether a silent kernel still lives [s]
_LONGEST_SOCKET = 90  # of a socket's name in bytes; systems allow 104 or more
_PREPARE = "from kitlib.runs.workers import prepare; prepare()"


class NoKernel(Exception):
    """No kernel came up, or it died."""


class OwnKernelManager(AsyncKernelManager):
    """Starts a kernel of this Python, whatever kernels the machine has."""

    @property
    def kernel_spec(self) -> KernelSpec:
        """How it is started: no module is looked for in the folder it runs in."""
        return KernelSpec(
            argv=[
                sys.executable,
                "-P",
                "-m",
                "ipykernel_launcher",
                "-f",
                "{connection_file}",
                "--InteractiveShellApp.ignore_cwd=True",
                f"--InteractiveShellApp.exec_lines={json.dumps([_PREPARE])}",
                "--HistoryManager.enabled=False",
            ],
            metadata={"supported_encryption": "curve"},
            **{name: KERNEL[name] for name in ("display_name", "language")},
        )


def transport(folder: Path) -> dict[str, str]:
    """Return how a kernel is reached so that nobody else on the machine can listen.

    Through sockets in a folder of our own where the system has such and their names
    are not too long; else over TCP with keys, where the libraries know of these.
    """
    name = str(folder / uuid4().hex[:12])
    if os.name == "posix" and len(os.fsencode(name)) < _LONGEST_SOCKET:
        return {"transport": "ipc", "ip": name}
    if zmq.has("curve") and "transport_encryption" in AsyncKernelManager.class_traits():
        return {"transport_encryption": "required"}
    return {}


def own_environment(folder: Path) -> dict[str, str]:
    """Return what makes a process of the run the same for every user and machine."""
    plotting = find_spec("matplotlib")
    assert plotting and plotting.origin
    return {
        "OMP_NUM_THREADS": "1",
        "OPENBLAS_NUM_THREADS": "1",
        "PYTHONSAFEPATH": "1",
        "PYTHONSTARTUP": "",
        "IPYTHONDIR": str(folder / "ipython"),
        "MATPLOTLIBRC": str(Path(plotting.origin).parent / "mpl-data/matplotlibrc"),
        "MPLBACKEND": "module://matplotlib_inline.backend_inline",
    }


class Kernel:
    """A kernel with a thread of its own, in which all is done that speaks to it.

    Its channels belong to that thread's event loop.

    Parameters
    ----------
    folder : Path
        For its sockets; nobody else may read it.

    Attributes
    ----------
    manager, client : AsyncKernelManager, AsyncKernelClient
        What papermill is lent.
    notebooks : int
        How many it was lent to.
    """

    def __init__(self, folder: Path):
        self.notebooks = 0
        self.manager = OwnKernelManager(
            connection_file=str(folder / f"{uuid4().hex[:12]}.json"),
            **transport(folder),
        )
        self._thread = ThreadPoolExecutor(1)
        self._started = self._thread.submit(self._start, folder)

    def _start(self, folder: Path) -> None:
        """Start it and wait until it answers, which is when it has prepared."""
        environment = os.environ | own_environment(folder)
        run_sync(self.manager.start_kernel)(cwd=str(folder), env=environment)
        self.client = self.manager.client()
        self.client.start_channels()
        run_sync(self.client.wait_for_ready)(timeout=_PATIENCE)

    def do(self, act: Callable, *args: object) -> object:
        """Do something in the kernel's thread.

        Raises
        ------
        NoKernel
            If it did not start.
        """
        try:
            self._started.result()
        except (RuntimeError, OSError) as error:
            raise NoKernel(str(error)) from error
        return self._thread.submit(act, *args).result()

    def execute(self, code: str) -> None:
        """Execute code that leaves no trace; to be called in the kernel's thread.

        Raises
        ------
        NoKernel
            If it dies, or the code fails.
        """
        run_sync(self._execute)(code)

    async def _execute(self, code: str) -> None:
        """Send code and wait for the answer to it."""
        sent = self.client.execute(code, silent=True, store_history=False)
        while True:
            try:
                reply = await self.client.get_shell_msg(timeout=_BETWEEN_LOOKS)
            except Empty:
                if not await self.manager.is_alive():
                    raise NoKernel("Kernel died") from None
                continue
            if reply["parent_header"].get("msg_id") == sent:
                break
        content = reply["content"]
        if content["status"] != "ok":
            raise NoKernel(f"{content['ename']}: {content['evalue']}")

    def close(self) -> None:
        """End it; the process goes first, so that nothing waits for its answer."""
        process = getattr(self.manager.provisioner, "process", None)
        if process is not None:
            with suppress(OSError):
                process.kill()
        self._thread.submit(self._end)
        self._thread.shutdown()

    def _end(self) -> None:
        """Close the channels and clear away what the manager holds."""
        if hasattr(self, "client"):  # which it has not if the kernel did not start
            self.client.stop_channels()
        if self.manager.has_kernel:
            run_sync(self.manager.shutdown_kernel)(now=True)
        ensure_event_loop().close()


class Kernels:
    """The kernels of a run, in a folder for their sockets that is ours alone.

    A context manager: no kernel outlives the block.
    """

    def __init__(self) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="kit-"))
        self._free: deque[Kernel] = deque()

    def __enter__(self) -> "Kernels":
        return self

    def __exit__(self, *_: object) -> None:
        while self._free:
            self._free.pop().close()
        shutil.rmtree(self.folder, ignore_errors=True)

    def start(self, count: int) -> None:
        """Start kernels ahead of their use, up to a number of free ones."""
        for _ in range(count - len(self._free)):
            self._free.append(Kernel(self.folder))

    @contextmanager
    def lent(self) -> Iterator[Kernel]:
        """Lend a kernel, a new one if none is free.

        One that failed is ended, by whatever exception leaves the block.
        """
        try:
            kernel = self._free.popleft()
        except IndexError:
            kernel = Kernel(self.folder)
        try:
            yield kernel
        except BaseException:
            kernel.close()
            raise
        kernel.notebooks += 1
        if kernel.notebooks < MOST_NOTEBOOKS:
            self._free.append(kernel)
        else:
            kernel.close()
