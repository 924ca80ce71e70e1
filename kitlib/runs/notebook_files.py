"""The kit's notebooks as documents: where they lie, their parameters, a clean copy."""

import ast
import hashlib
import os
from collections.abc import Mapping
from functools import cache
from importlib.resources import files
from pathlib import Path

import nbformat
from nbformat import NotebookNode

_TYPES = {"str": str, "int": int, "float": float, "bool": bool}
JOIN, CURVES, TRIAL, PLAN = "1_join", "2_curves", "3_trial", "5_plan"
NOTEBOOKS = (JOIN, CURVES, TRIAL, PLAN)  # those that a run executes
KERNEL = {"display_name": "Python 3", "language": "python", "name": "python3"}
WIDGET_VIEW = "application/vnd.jupyter.widget-view+json"


def notebook_folder() -> Path:
    """Return where the notebooks lie: in the package, or beside it in a clone."""
    package = Path(str(files("kitlib")))
    inside = package / "notebooks"
    return inside if inside.is_dir() else package.parent / "notebooks"


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
        if isinstance(line, ast.AnnAssign)
    }


def check_parameters(notebook: NotebookNode, parameters: Mapping) -> None:
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
