"""The kit's notebooks: what they may be given, how one is run, a clean copy of it."""

import ast
import hashlib
import os
from collections.abc import Mapping
from copy import deepcopy
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path, PurePosixPath
from typing import Any

import nbformat
import papermill
from nbformat import NotebookNode
from papermill.clientwrap import PapermillNotebookClient
from papermill.engines import NBClientEngine, papermill_engines
from papermill.exceptions import PapermillExecutionError

from kitlib.intake.settings import EARLIER_PATHS, SEASON_PATH
from kitlib.runs.folder import OUT
from kitlib.runs.kernels import KERNEL, Kernel, Kernels, NoKernel
from kitlib.runs.workers import AUDIT, notebook_folder

_TYPES = {"str": str, "int": int, "float": float, "bool": bool}
WIDGET_VIEW = "application/vnd.jupyter.widget-view+json"


@dataclass(frozen=True, kw_only=True)
class Task:
    """A notebook to be run.

    Attributes
    ----------
    name : str
        Name of the executed notebook in the output folder.
    notebook : str
        The notebook, without its suffix.
    trial : str
        What its parameter `trial` is; empty for a notebook of the whole season.
    report : str
        Name of the PDF it writes in the output folder; empty for none.
    with_earlier : bool
        Whether it is told of earlier seasons.
    """

    name: str
    notebook: str
    trial: str = ""
    report: str = ""
    with_earlier: bool = False

    @property
    def files(self) -> list[str]:
        """Names of the files it makes, in the output folder."""
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
            "report": PurePosixPath(self.report).name if self.report else "",
        }
        return {name: value for name, value in given.items() if value}


# ---- documents


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


def parameters_of(notebook: NotebookNode) -> dict[str, str]:
    """Return the parameters of a notebook with the names of their types.

    Raises
    ------
    ValueError
        If there is not exactly one cell tagged `parameters`.
    """
    tagged = [c for c in notebook.cells if "parameters" in c.metadata.get("tags", [])]
    if len(tagged) != 1:
        raise ValueError(f"{len(tagged)} cells are tagged parameters; expected one.")
    lines = ast.parse(tagged[0].source).body
    return {
        line.target.id: ast.unparse(line.annotation)
        for line in lines
        if isinstance(line, ast.AnnAssign) and isinstance(line.target, ast.Name)
    }


def check_parameters(notebook: NotebookNode, parameters: Mapping[str, object]) -> None:
    """Refuse parameters that the notebook would ignore or take for something else.

    papermill only warns of a name the notebook does not know, and writes numbers
    of other libraries, dates and paths down as text.

    Raises
    ------
    ValueError
        If a parameter is not in the notebook's parameters cell.
    TypeError
        If its value is not exactly of the type written there.
    """
    known = parameters_of(notebook)
    for name, value in parameters.items():
        if name not in known:
            raise ValueError(
                f"{name} is no parameter of the notebook; it has {', '.join(known)}."
            )
        if type(value) is not _TYPES.get(known[name]):
            raise TypeError(
                f"parameter {name} is {value!r}, a {type(value).__name__}; expected "
                f"a {known[name]}."
            )


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
                output.traceback = [without_places(text) for text in output.traceback]
                output.evalue = without_places(output.evalue)
    return nbformat.writes(notebook).encode() + b"\n"


def without_places(text: str) -> str:
    """Return an error's text without the folders of this machine."""
    kit = Path(str(files("kitlib"))).parent
    libraries = Path(nbformat.__file__).parent.parent, Path(os.__file__).parent
    for folder in (*libraries, kit, Path.cwd(), Path.home()):
        for written in (str(folder), str(folder).replace(str(Path.home()), "~")):
            text = text.replace(f"{written}{os.sep}", "")
    return text


# ---- one run


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


_ENGINE = "lent-kernel"
papermill_engines.register(_ENGINE, LentKernelEngine)


class _NotebookFailed(Exception):
    """A notebook did not come to its end; the message says why, in one line."""


def run_notebook(task: Task, scratch: Path, kernels: Kernels) -> str:
    """Run one notebook in a kernel that is lent to it.

    Its file goes to `out/` in the scratch folder under the task's name, or the name
    of a failed one.

    Returns
    -------
    str
        Empty, or why it failed, in one line.
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
    kernel.execute(f"from kitlib.runs.workers import begin; {begin}")
    try:
        papermill.execute_notebook(
            deepcopy(read_notebook(task.notebook)),
            str(executed),
            parameters=task.parameters,
            engine_name=_ENGINE,
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
    return without_places(f"{kind}: {lines[0]}" if lines else kind)


def unrun(task: Task) -> bytes:
    """Return the file of a notebook that never came to run."""
    return cleaned(deepcopy(read_notebook(task.notebook)))
