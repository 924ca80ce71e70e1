"""One notebook run by papermill, in a worker process."""

import multiprocessing
import os
import threading
from dataclasses import dataclass, field
from importlib.util import find_spec
from pathlib import Path

import nbformat
import papermill
from jupyter_client import AsyncKernelManager
from papermill.exceptions import PapermillExecutionError
from traitlets import default

from kitlib.runs.notebook_files import KERNEL, cleaned, read_notebook, without_places

JOIN, CURVES, TRIAL, PLAN = "1_join", "2_curves", "3_trial", "5_plan"
OUT, STOP = "out", "stop"
INTERRUPTED = "interrupted"
_PATIENCE = 600  # a kernel may be this slow to start on a busy machine [s]


@dataclass(frozen=True, kw_only=True)
class Task:
    """A notebook to be run.

    Attributes
    ----------
    name : str
        Name of the executed notebook in the output folder.
    notebook : str
        The notebook, without its suffix.
    parameters : dict
        What its parameters cell is given, besides the report.
    report : str
        Name of the PDF it writes in the output folder; empty for none.
    """

    name: str
    notebook: str
    parameters: dict = field(default_factory=dict)
    report: str = ""

    @property
    def files(self) -> list[str]:
        """Names of the files it makes, in the output folder."""
        return [self.name, self.report] if self.report else [self.name]

    @property
    def failed_name(self) -> str:
        """Name the notebook is kept under if it fails."""
        return f"{self.name.removesuffix('.ipynb')}.failed.ipynb"

    @property
    def all_parameters(self) -> dict:
        """The parameters with the report, as the notebook sees its folder."""
        report = {"report": f"{OUT}/{self.report}"} if self.report else {}
        return self.parameters | report


class FileKernelManager(AsyncKernelManager):
    """A kernel reached through files: no port for two runs to race for."""

    @default("transport")
    def _over_files(self) -> str:
        return "ipc"

    @default("ip")
    def _in_runtime_folder(self) -> str:
        return f"{os.environ['JUPYTER_RUNTIME_DIR']}/{os.getpid()}"


def prepare_worker(scratch: Path, sockets: Path) -> None:
    """Set up a worker process: one thread each, and none of the user's own set-up."""
    os.setpgid(0, 0)  # an interrupt is for the parent, which lets a notebook finish
    threading.Thread(target=_end_with_parent, daemon=True).start()
    plotting = Path(find_spec("matplotlib").origin).parent / "mpl-data" / "matplotlibrc"
    os.environ.update(
        OMP_NUM_THREADS="1",
        OPENBLAS_NUM_THREADS="1",
        JUPYTER_PREFER_ENV_PATH="1",
        JUPYTER_RUNTIME_DIR=str(sockets),
        IPYTHONDIR=str(scratch / "ipython"),
        MATPLOTLIBRC=str(plotting),
    )
    os.environ.pop("PYTHONSTARTUP", None)


def _end_with_parent() -> None:
    """Wait for the parent process to end, then end this one."""
    multiprocessing.parent_process().join()
    os._exit(1)


def run_notebook(task: Task, scratch: Path) -> str:
    """Run one notebook in the scratch folder, in a worker process.

    Its file goes to `out/` under the task's name, or the name of a failed one.

    Returns
    -------
    str
        Empty, or why it failed, in one line.
    """
    if (scratch / STOP).exists():
        return INTERRUPTED
    source = read_notebook(task.notebook)
    executed = scratch / OUT / task.name
    executed.parent.mkdir(parents=True, exist_ok=True)
    failure = ""
    try:
        papermill.execute_notebook(
            source,
            str(executed),
            parameters=task.all_parameters,
            kernel_name=KERNEL["name"],
            cwd=str(scratch),
            progress_bar=False,
            log_output=False,
            request_save_on_cell_execute=False,
            start_timeout=_PATIENCE,
            shutdown_kernel="immediate",
            record_timing=False,
            kernel_manager_class=FileKernelManager,
        )
    except PapermillExecutionError as error:
        failure = _in_one_line(error.ename, error.evalue)
    except RuntimeError as error:  # its kernel did not start, or died
        nbformat.write(source, executed)
        failure = _in_one_line("no kernel", error)
    if not failure and task.report and not (scratch / OUT / task.report).is_file():
        failure = f"it wrote no {task.report}"
    return _kept(task, scratch / OUT, failure)


def _in_one_line(kind: str, said: object) -> str:
    """Return an error in one line."""
    lines = str(said).splitlines()
    return without_places(f"{kind}: {lines[0]}" if lines else kind)


def _kept(task: Task, out: Path, failure: str) -> str:
    """Write the executed notebook cleaned, under the name that its end deserves."""
    executed = out / task.name
    content = cleaned(nbformat.read(executed, as_version=4))
    executed.unlink()
    (out / (task.failed_name if failure else task.name)).write_bytes(content)
    return failure
