"""One notebook run by papermill."""

from contextlib import closing
from copy import deepcopy
from dataclasses import dataclass, field
from pathlib import Path

import nbformat
import papermill
from jupyter_core.utils import ensure_event_loop
from papermill.exceptions import PapermillExecutionError

from kitlib.runs.bench import Bench
from kitlib.runs.notebook_files import KERNEL, cleaned, read_notebook, without_places

OUT, STOP = "out", "stop"
INTERRUPTED, NO_KERNEL = "interrupted", "no kernel"
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


def run_notebook(task: Task, bench: Bench) -> str:
    """Run one notebook at a bench.

    Its file goes to `out/` under the task's name, or the name of a failed one.

    Returns
    -------
    str
        Empty, or why it failed, in one line.
    """
    if (bench.scratch / STOP).exists():
        return INTERRUPTED
    out = bench.scratch / OUT
    (out / task.name).parent.mkdir(parents=True, exist_ok=True)
    was_warm = bench.is_warm
    failure = _executed(task, bench)
    if failure.startswith(NO_KERNEL) and was_warm and not bench.is_warm:
        failure = _executed(task, bench)  # no fault of its own; now in a plain kernel
    if not failure and task.report and not (out / task.report).is_file():
        failure = f"it wrote no {task.report}"
    return _kept(task, out, failure)


def _executed(task: Task, bench: Bench) -> str:
    """Execute a notebook; return why it failed, empty if it did not."""
    source, executed = read_notebook(task.notebook), bench.scratch / OUT / task.name
    try:
        with closing(ensure_event_loop()):  # that of this thread, else left open
            papermill.execute_notebook(
                source,
                str(executed),
                parameters=task.all_parameters,
                kernel_name=KERNEL["name"],
                progress_bar=False,
                log_output=False,
                request_save_on_cell_execute=False,
                start_timeout=_PATIENCE,
                shutdown_kernel="immediate",
                record_timing=False,
                kernel_manager_class=bench.managers,
                # Not papermill's own way, which changes the folder of this process.
                resources={"metadata": {"path": str(bench.scratch)}},
            )
    except PapermillExecutionError as error:
        return _in_one_line(error.ename, error.evalue)
    except (RuntimeError, TimeoutError) as error:  # no kernel came up, or it died
        nbformat.write(source, executed)
        return _in_one_line(NO_KERNEL, error)
    return ""


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


def unrun(task: Task) -> bytes:
    """Return the file of a notebook that never came to run."""
    return cleaned(deepcopy(read_notebook(task.notebook)))
