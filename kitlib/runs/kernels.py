"""Kernels that are kept through a run, and the kit's notebooks, which are lent them.

Starting Python and importing takes longer than most notebooks; so a kernel is started
once, while the run still reads, and made as good as new before each notebook. It is
retired after a failure, for it may be the worse for it, and after many notebooks.
"""

import gc
import hashlib
import json
import os
import shutil
import sys
import tempfile
import threading
from collections.abc import Iterable, Iterator, Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager, suppress
from copy import deepcopy
from dataclasses import dataclass, field
from functools import cache
from importlib.resources import files
from pathlib import Path, PurePosixPath
from typing import Any
from uuid import uuid4

import matplotlib
import nbformat
import papermill
import zmq
from jupyter_client import AsyncKernelManager
from jupyter_client.kernelspec import KernelSpec
from jupyter_core.utils import ensure_event_loop, run_sync
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError, DeadKernelError
from nbformat import NotebookNode
from nbformat.v4 import new_code_cell, new_notebook
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import NBClientEngine, papermill_engines
from papermill.exceptions import PapermillExecutionError

from kitlib.explorer.record import ON_RECORD
from kitlib.intake.outputs import file_names, write_bytes
from kitlib.intake.settings import EARLIER_PATHS, SEASON_PATH
from kitlib.runs.manifest import TRIALS
from kitlib.runs.workers import AUDIT, CURVES, JOIN, PLAN, TRIAL, notebook_folder
from kitlib.season.season import SeasonAudit

KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}
OUT = "out"  # what stands for the output folder in the scratch folder
WIDGET_VIEW = "application/vnd.jupyter.widget-view+json"
MOST_NOTEBOOKS = 200  # of one kernel
_PATIENCE = 600  # a kernel may be this slow to start on a busy machine [s]
_LONGEST_SOCKET = 90  # of a socket's name in bytes; systems allow 104 or more
_SCRATCH = ".moisture-audit-work-"  # no other program's, so it may be cleared away


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


class Kernel(AsyncKernelManager):
    """A kernel of this Python, whatever kernels the machine has.

    Its channels belong to the event loop of the thread that begins it.
    """

    def __init__(self, folder: Path):
        name = f"{uuid4().hex[:12]}.json"
        super().__init__(connection_file=str(folder / name), **transport(folder))
        self.session.digest_history_size = 0  # it would grow through a run
        self.folder, self.loop = folder, ensure_event_loop()
        self.notebooks = 0  # that it was lent to

    @property
    def kernel_spec(self) -> KernelSpec:
        """How it is started: no module is looked for in the folder it runs in."""
        # Imports leave nothing to collect, and to look takes a tenth of their time.
        prepare = "import gc; gc.disable(); from kitlib.runs.workers import prepare"
        command = [sys.executable, "-P", "-m", "ipykernel_launcher"]
        options = [
            "--InteractiveShellApp.ignore_cwd=True",
            f"--InteractiveShellApp.exec_lines={json.dumps([prepare, 'prepare()'])}",
            "--HistoryManager.enabled=False",
            "--InteractiveShell.cache_size=0",  # whose clearing would take long
        ]
        # The same for every user and machine, whatever they have configured.
        own = {
            "OMP_NUM_THREADS": "1",
            "OPENBLAS_NUM_THREADS": "1",
            "PYTHONSAFEPATH": "1",
            "PYTHONSTARTUP": "",
            "IPYTHONDIR": str(self.folder / "ipython"),
            "MATPLOTLIBRC": str(Path(matplotlib.get_data_path()) / "matplotlibrc"),
            "MPLBACKEND": "module://matplotlib_inline.backend_inline",
        }
        return KernelSpec(
            argv=[*command, "-f", "{connection_file}", *options],
            env=own,
            metadata={"supported_encryption": "curve"},
            display_name=KERNEL["display_name"],
            language=KERNEL["language"],
        )

    def begin(self) -> None:
        """Start it and wait until it answers, which is when it has prepared."""
        try:
            run_sync(self.start_kernel)(cwd=str(self.folder))
            self.channels = self.client()
            self.channels.start_channels()
            run_sync(self.channels.wait_for_ready)(timeout=_PATIENCE)
        except (RuntimeError, OSError) as error:
            raise DeadKernelError(str(error)) from error

    def kill(self) -> None:
        """End its process, from any thread."""
        if process := getattr(self.provisioner, "process", None):
            with suppress(OSError):
                process.kill()

    def close(self) -> None:
        """End it, in its own thread or when that has ended."""
        self.kill()  # first, so that nothing waits for its answer
        if hasattr(self, "channels"):  # which it has not if it did not start
            self.channels.stop_channels()
        if self.has_kernel:
            run_sync(self.shutdown_kernel)(now=True)
        self.loop.close()


class Kernels:
    """The kernels of a run, one for each thread that runs notebooks.

    A context manager: no kernel outlives the block. Their sockets lie in a folder that
    nobody else may read.
    """

    def __init__(self, jobs: int = 1) -> None:
        self.folder = Path(tempfile.mkdtemp(prefix="kit-"))
        # Threads, for the work itself is done in the kernels, which are processes.
        self.threads = ThreadPoolExecutor(jobs)
        self._here, self._all = threading.local(), set[Kernel]()
        self._idle, self._ended = set[Kernel](), False  # neither starting nor lent

    def __enter__(self) -> "Kernels":
        return self

    def __exit__(self, *_: object) -> None:
        self._ended = True
        for kernel in self._all.copy():
            kernel.kill()
        self.threads.shutdown(cancel_futures=True)
        with ThreadPoolExecutor(1) as apart:  # for here an event loop may be running
            # At a cluster's worker a thread may be at work still; it closes its own.
            while self._idle:
                apart.submit(self._idle.pop().close).result()
            apart.submit(lambda: ensure_event_loop().close())
        shutil.rmtree(self.folder, ignore_errors=True)

    def start(self, count: int) -> None:
        """Start kernels ahead of their use, each in a thread that waits for it."""
        for _ in range(count):
            self.threads.submit(self.own)

    def own(self) -> Kernel:
        """Return this thread's kernel, a new one if it has none."""
        if self._ended:
            raise DeadKernelError("the run has ended")
        if not hasattr(self._here, "kernel"):
            kernel = Kernel(self.folder)
            self._all.add(kernel)
            try:
                kernel.begin()
            finally:
                self._idle.add(kernel)
            self._here.kernel = kernel
        return self._here.kernel

    @contextmanager
    def lent(self) -> Iterator[Kernel]:
        """Lend this thread's kernel, which is ended if it fails or has served long."""
        kernel, spent = self.own(), True
        self._idle.remove(kernel)
        try:
            yield kernel
            kernel.notebooks += 1
            spent = kernel.notebooks >= MOST_NOTEBOOKS
        finally:
            gc.collect()  # a notebook's messages hold each other in circles
            if spent:
                del self._here.kernel
                self._all.remove(kernel)
                kernel.close()
            else:
                self._idle.add(kernel)


# ---- notebooks


@dataclass(frozen=True)
class Task:
    """A notebook to be run; names are those in the output folder."""

    name: str  # of the executed notebook
    notebook: str  # without its suffix
    trial: str = ""  # its parameter; empty for a notebook of the whole season
    report: str = ""  # name of the PDF that it writes; empty for none
    reads: Mapping[str, str] = field(default_factory=dict)  # more files, by parameter

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
        up = "../" * self.name.count("/")
        given = {"season": SEASON_PATH, **self.reads}
        given = {name: f"{up}{file}" for name, file in given.items()}
        own = {"trial": self.trial, "report": PurePosixPath(self.report).name}
        return given | {name: value for name, value in own.items() if value}


def season_tasks(
    audit: SeasonAudit, with_earlier: bool = False, with_records: bool = False
) -> dict[str, Task]:
    """Return the notebooks of a season by the name they are executed under."""
    reads = {"earlier": EARLIER_PATHS} if with_earlier else {}
    reads |= {"records": "."} if with_records else {}
    # Without a curve to show it has nothing to show; the run says why there is none.
    tasks = [Task("season.ipynb", CURVES, report="season.pdf", reads=reads)]
    tasks = tasks if audit.audits else []
    tasks += [Task("join.ipynb", JOIN), Task("plan.ipynb", PLAN)]
    for trial, stem in trial_files(audit.trials).items():
        tasks.append(Task(f"{stem}.ipynb", TRIAL, trial=trial, report=f"{stem}.pdf"))
    return {task.name: task for task in tasks}


def trial_files(trials: Sequence[str]) -> dict[str, str]:
    """Return the name of each trial's files in the output folder, without suffix.

    No two names meet, nor does one meet the failed notebook of another.
    """
    stems = {}
    for trial, stem in file_names(trials).items():
        if stem.casefold().endswith(".failed"):
            stem = f"{stem[:-7]}%2E{stem[-6:]}"
        stems[trial] = f"{TRIALS}/{stem}"
    return stems


@cache
def read_notebook(name: str) -> NotebookNode:
    """Return one of the kit's notebooks, without what it showed of another season."""
    notebook = nbformat.read(notebook_folder() / f"{name}.ipynb", as_version=4)
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
    return notebook


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
    with tempfile.TemporaryDirectory(
        dir=home.resolve(), prefix=_SCRATCH, ignore_cleanup_errors=True
    ) as scratch:
        out = Path(scratch) / OUT
        (out / TRIALS).mkdir(parents=True)
        # Not Path.write_bytes, whose error names no file when the disk is full.
        write_bytes(out / SEASON_PATH, folder_lines([season.resolve()]))
        folders = [Path(folder).resolve() for folder in earlier]
        write_bytes(out / EARLIER_PATHS, folder_lines(folders))
        if (records := home / ON_RECORD).is_file():
            write_bytes(out / ON_RECORD, records.read_bytes())
        yield Path(scratch)


def folder_lines(folders: Iterable[Path]) -> bytes:
    """Return folders one a line."""
    return "".join(f"{folder.as_posix()}\n" for folder in folders).encode()


class LentKernelEngine(NBClientEngine):
    """papermill's own engine, lent a kernel in place of starting one."""

    @classmethod
    def execute_managed_notebook(
        cls, nb_man: Any, _name: str, *, kernel: Kernel, begin: tuple, **_: object
    ) -> None:
        """Make the kernel as good as new, and execute a notebook's cells in it."""
        cell = new_code_cell(f"import kitlib.runs.workers as w; w.begin(*{begin!r})")
        before = NotebookClient(new_notebook(cells=[cell]), km=kernel)
        client = PapermillNotebookClient(nb_man, km=kernel, record_timing=False)
        before.reset_execution_trackers()
        before.kc = client.kc = kernel.channels  # ready already, and not to be stopped
        try:
            before.execute_cell(cell, 0, store_history=False)
        except CellExecutionError as error:
            raise DeadKernelError(f"{error.ename}: {error.evalue}") from error
        client.execute()


papermill_engines.register("lent-kernel", LentKernelEngine)


def run_notebook(task: Task, scratch: Path, kernels: Kernels) -> str:
    """Run one notebook in a lent kernel; return why it failed in one line, or nothing.

    Its file goes to `out/` in the scratch folder under the task's name, or the name
    of a failed one.
    """
    executed, source = scratch / OUT / task.name, read_notebook(task.notebook)
    executed.parent.mkdir(parents=True, exist_ok=True)
    begin = str(executed.parent), str(kernels.folder / AUDIT)
    for _ in range(2):
        try:
            with kernels.lent() as kernel:
                notebook = papermill.execute_notebook(
                    source,
                    str(executed),
                    parameters=task.parameters,
                    engine_name="lent-kernel",
                    kernel_name=KERNEL["name"],
                    progress_bar=False,
                    request_save_on_cell_execute=False,
                    kernel=kernel,
                    begin=begin,
                )
            failure = ""
            break
        except PapermillExecutionError as error:
            notebook = nbformat.read(executed, as_version=4)
            failure = _in_one_line(error.ename, error.evalue)
            break
        except (DeadKernelError, TimeoutError) as error:
            # Perhaps by the fault of one before it: once more, now in a new kernel.
            notebook, failure = deepcopy(source), _in_one_line("no kernel", error)
    if not failure and task.report and not (scratch / OUT / task.report).is_file():
        failure = f"it wrote no {task.report}"
    executed.unlink(missing_ok=True)
    name = task.failed_name if failure else task.name
    (scratch / OUT / name).write_bytes(cleaned(notebook))
    return failure


def _in_one_line(kind: str, said: object) -> str:
    """Return an error in one line."""
    lines = str(said).splitlines()
    return _without_places(f"{kind}: {lines[0]}" if lines else kind)
