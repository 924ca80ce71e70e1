"""Kernels that are kept through a run, and the kit's notebooks, which are lent them.

Starting Python and importing takes longer than most notebooks; so a kernel is started
once, while the run still reads, and made as good as new before each notebook. It is
retired after a failure, for it may be the worse for it, and after many notebooks.
"""

import hashlib
import json
import os
import shutil
import sys
import tempfile
from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from importlib.util import find_spec
from pathlib import Path, PurePosixPath
from queue import Empty
from typing import Any
from uuid import uuid4

import nbformat
import papermill
import zmq
from jupyter_client import AsyncKernelManager
from jupyter_client.kernelspec import KernelSpec
from jupyter_core.utils import ensure_event_loop, run_sync
from nbformat import NotebookNode
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import NBClientEngine, papermill_engines
from papermill.exceptions import PapermillExecutionError

from kitlib.explorer.record import ON_RECORD
from kitlib.intake.outputs import write_bytes
from kitlib.intake.settings import EARLIER_PATHS, SEASON_PATH
from kitlib.runs.manifest import TRIALS
from kitlib.runs.workers import AUDIT, notebook_folder

KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}
OUT = "out"  # what stands for the output folder in the scratch folder
WIDGET_VIEW = "application/vnd.jupyter.widget-view+json"
MOST_NOTEBOOKS = 200  # of one kernel
_PATIENCE = 600  # a kernel may be this slow to start on a busy machine [s]
_BETWEEN_LOOKS = 1.0  # at whether a silent kernel still lives [s]
_LONGEST_SOCKET = 90  # of a socket's name in bytes; systems allow 104 or more
_SCRATCH = ".moisture-audit-work-"  # no other program's, so it may be cleared away


class NoKernel(Exception):
    """No kernel came up, or it died."""


class OwnKernelManager(AsyncKernelManager):
    """Starts a kernel of this Python, whatever kernels the machine has."""

    @property
    def kernel_spec(self) -> KernelSpec:
        """How it is started: no module is looked for in the folder it runs in."""
        prepare = "from kitlib.runs.workers import prepare; prepare()"
        command = [sys.executable, "-P", "-m", "ipykernel_launcher"]
        options = [
            "--InteractiveShellApp.ignore_cwd=True",
            f"--InteractiveShellApp.exec_lines={json.dumps([prepare])}",
            "--HistoryManager.enabled=False",
        ]
        return KernelSpec(
            argv=[*command, "-f", "{connection_file}", *options],
            metadata={"supported_encryption": "curve"},
            display_name=KERNEL["display_name"],
            language=KERNEL["language"],
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


class Kernel:
    """A kernel with a thread of its own, in which all is done that speaks to it.

    Its channels belong to that thread's event loop. Its sockets lie in a folder that
    nobody else may read.
    """

    def __init__(self, folder: Path):
        self.notebooks = 0  # that it was lent to
        self.manager = OwnKernelManager(
            connection_file=str(folder / f"{uuid4().hex[:12]}.json"),
            **transport(folder),
        )
        self._thread = ThreadPoolExecutor(1)
        self._started = self._thread.submit(self._start, folder)

    def _start(self, folder: Path) -> None:
        """Start it and wait until it answers, which is when it has prepared."""
        plotting = find_spec("matplotlib")
        assert plotting and plotting.origin
        # The same for every user and machine, whatever they have configured.
        own = {
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
            "PYTHONSAFEPATH": "1",
            "PYTHONSTARTUP": "",
            "IPYTHONDIR": str(folder / "ipython"),
            "MATPLOTLIBRC": str(Path(plotting.origin).parent / "mpl-data/matplotlibrc"),
            "MPLBACKEND": "module://matplotlib_inline.backend_inline",
        }
        run_sync(self.manager.start_kernel)(cwd=str(folder), env=os.environ | own)
        self.client = self.manager.client()
        self.client.start_channels()
        run_sync(self.client.wait_for_ready)(timeout=_PATIENCE)

    def do(self, act: Callable, *args: object) -> object:
        """Do something in the kernel's thread; `NoKernel` if it did not start."""
        try:
            self._started.result()
        except (RuntimeError, OSError) as error:
            raise NoKernel(str(error)) from error
        return self._thread.submit(act, *args).result()

    async def execute(self, code: str) -> None:
        """Execute code that leaves no trace; `NoKernel` if the kernel dies of it."""
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
        """Lend a kernel, a new one if none is free; one that failed is ended."""
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


# ---- notebooks


@dataclass(frozen=True, kw_only=True)
class Task:
    """A notebook to be run; names are those in the output folder."""

    name: str  # of the executed notebook
    notebook: str  # without its suffix
    trial: str = ""  # its parameter; empty for a notebook of the whole season
    report: str = ""  # name of the PDF that it writes; empty for none
    with_earlier: bool = False  # whether it is told of earlier seasons
    with_records: bool = False  # whether it lists what-ifs on record

    @property
    def files(self) -> list[str]:
        """Names of the files it makes."""
        return [self.name, self.report] if self.report else [self.name]

    @property
    def failed_name(self) -> str:
        """Name the notebook is kept under if it fails."""
        return f"{self.name.removesuffix('.ipynb')}.failed.ipynb"

    @property
    def parameters(self) -> dict[str, str]:
        """What its parameters cell is given, as seen from where the notebook lies.

        So it runs again there as it is, and holds no place of this machine.
        """
        up = "../" * (len(PurePosixPath(self.name).parts) - 1)
        given = {
            "season": f"{up}{SEASON_PATH}",
            "trial": self.trial,
            "earlier": f"{up}{EARLIER_PATHS}" if self.with_earlier else "",
            "records": f"{up}." if self.with_records else "",
            "report": PurePosixPath(self.report).name if self.report else "",
        }
        return {name: value for name, value in given.items() if value}


@cache
def read_notebook(name: str) -> NotebookNode:
    """Return one of the kit's notebooks."""
    return nbformat.read(notebook_folder() / f"{name}.ipynb", as_version=4)


def source_hash(notebook: NotebookNode) -> str:
    """Return a hash of what a notebook does, whatever output it holds."""
    digest = hashlib.sha256()
    for cell in notebook.cells:
        told = [cell.cell_type, cell.source, cell.metadata.get("tags", [])]
        digest.update(repr(told).encode())
    return digest.hexdigest()


def cleaned(notebook: NotebookNode) -> bytes:
    """Return a notebook's file without times, places and chance names in it.

    Cells keep their tags and outputs only; ids count the cells.
    """
    notebook.metadata = NotebookNode(kernelspec=KERNEL)
    for number, cell in enumerate(notebook.cells, start=1):
        tags = cell.metadata.get("tags")
        cell.metadata = NotebookNode({"tags": tags} if tags else {})
        cell.id = f"cell-{number:02d}"
        for output in cell.get("outputs", []):
            output.get("data", {}).pop(WIDGET_VIEW, None)  # its id is new each time
            if output.output_type == "error":
                output.traceback = [_without_places(text) for text in output.traceback]
                output.evalue = _without_places(output.evalue)
    return nbformat.writes(notebook).encode() + b"\n"


def unrun(task: Task) -> bytes:
    """Return the file of a notebook that never came to run."""
    return cleaned(deepcopy(read_notebook(task.notebook)))


def _without_places(text: str) -> str:
    """Return an error's text without the folders of this machine."""
    kit = Path(str(files("kitlib"))).parent
    libraries = Path(nbformat.__file__).parent.parent, Path(os.__file__).parent
    for folder in (*libraries, kit, Path.cwd(), Path.home()):
        for written in (str(folder), str(folder).replace(str(Path.home()), "~")):
            text = text.replace(f"{written}{os.sep}", "")
    return text


# ---- one run


@contextmanager
def workshop(
    home: Path, season: Path, earlier: Sequence[str | Path] = ()
) -> Iterator[Path]:
    """Hold a scratch folder that stands for the output folder while notebooks run.

    Those of killed runs are removed: no other run may be on.
    """
    for left in home.glob(f"{_SCRATCH}*"):
        if not left.is_symlink():
            shutil.rmtree(left, ignore_errors=True)
    scratch = Path(tempfile.mkdtemp(dir=home.resolve(), prefix=_SCRATCH))
    try:
        (scratch / OUT / TRIALS).mkdir(parents=True)
        # Not Path.write_bytes, whose error names no file when the disk is full.
        write_bytes(scratch / OUT / SEASON_PATH, folder_lines([season.resolve()]))
        folders = [Path(folder).resolve() for folder in earlier]
        write_bytes(scratch / OUT / EARLIER_PATHS, folder_lines(folders))
        if (records := home / ON_RECORD).is_file():
            write_bytes(scratch / OUT / ON_RECORD, records.read_bytes())
        yield scratch
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def folder_lines(folders: Iterable[Path]) -> bytes:
    """Return folders one a line."""
    return "".join(f"{folder.as_posix()}\n" for folder in folders).encode()


class LentKernelEngine(NBClientEngine):
    """papermill's own engine, lent a kernel in place of starting one."""

    @classmethod
    def execute_managed_notebook(
        cls, nb_man: Any, kernel_name: str, *, kernel: Kernel, **_options: object
    ) -> None:
        """Execute a notebook's cells in the kernel."""
        client = PapermillNotebookClient(
            nb_man, km=kernel.manager, kernel_name=kernel_name
        )
        client.kc = kernel.client  # ready already, and not to be stopped
        client.execute()


papermill_engines.register("lent-kernel", LentKernelEngine)


class _NotebookFailed(Exception):
    """A notebook did not come to its end; the message says why, in one line."""


def run_notebook(task: Task, scratch: Path, kernels: Kernels) -> str:
    """Run one notebook in a lent kernel; return why it failed in one line, or nothing.

    Its file goes to `out/` in the scratch folder under the task's name, or the name
    of a failed one.
    """
    executed = scratch / OUT / task.name
    executed.parent.mkdir(parents=True, exist_ok=True)
    failure = ""
    for first_try in (True, False):
        try:
            with kernels.lent() as kernel:
                is_new = not kernel.notebooks
                kernel.do(_execute, task, executed, kernels.folder / AUDIT, kernel)
        except NoKernel as error:
            if first_try and not is_new:
                continue  # perhaps not by its own fault; now in a kernel of its own
            nbformat.write(read_notebook(task.notebook), executed)
            failure = _in_one_line("no kernel", error)
        except _NotebookFailed as error:
            failure = str(error)
        break
    if not failure and task.report and not (scratch / OUT / task.report).is_file():
        failure = f"it wrote no {task.report}"
    content = cleaned(nbformat.read(executed, as_version=4))
    executed.unlink()
    (scratch / OUT / (task.failed_name if failure else task.name)).write_bytes(content)
    return failure


def _execute(task: Task, executed: Path, audit: Path, kernel: Kernel) -> None:
    """Execute a notebook, in the kernel's own thread."""
    begin = f"begin({str(executed.parent)!r}, {str(audit)!r})"
    run_sync(kernel.execute)(f"from kitlib.runs.workers import begin; {begin}")
    try:
        papermill.execute_notebook(
            deepcopy(read_notebook(task.notebook)),
            str(executed),
            parameters=task.parameters,
            engine_name="lent-kernel",
            kernel_name=KERNEL["name"],
            kernel=kernel,
            progress_bar=False,
            request_save_on_cell_execute=False,
            record_timing=False,
        )
    except PapermillExecutionError as error:
        raise _NotebookFailed(_in_one_line(error.ename, error.evalue)) from error
    except (RuntimeError, TimeoutError) as error:  # the kernel died
        raise NoKernel(str(error)) from error


def _in_one_line(kind: str, said: object) -> str:
    """Return an error in one line."""
    lines = str(said).splitlines()
    return _without_places(f"{kind}: {lines[0]}" if lines else kind)
