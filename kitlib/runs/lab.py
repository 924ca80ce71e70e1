"""The explorer in JupyterLab: on this machine alone, on a copy of its notebook."""

import json
import os
import secrets
from itertools import count
from pathlib import Path

import nbformat
from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyterlab.labapp import LabApp
from nbformat import NotebookNode

from kitlib.explorer.what_if_files import FOLDER
from kitlib.intake.outputs import file_name, write_bytes
from kitlib.intake.settings import read_season
from kitlib.runs.notebooks import (
    check_parameters,
    cleaned,
    parameters_of,
    source_hash,
)
from kitlib.runs.workers import notebook_folder
from kitlib.words.errors import refuse

EXPLORE = "4_explore"
HERE = "127.0.0.1"


class OwnKernelSpecs(KernelSpecManager):
    """Has kernels look for no module in the folder that their notebook lies in."""

    def get_kernel_spec(self, kernel_name: str) -> KernelSpec:
        """Return how a kernel is started."""
        spec = super().get_kernel_spec(kernel_name)
        if spec.language == "python":
            spec.argv = [*spec.argv, "--InteractiveShellApp.ignore_cwd=True"]
        return spec


def explore(
    season_folder: str | Path, out: str | Path = "reports", *, browser: bool = True
) -> int:
    """Show a season's explorer in JupyterLab until it is stopped.

    The server listens on this machine's own address only, asks for a token that is
    new each time, and fetches nothing from anywhere.

    Parameters
    ----------
    season_folder : str or Path
    out : str or Path
        Output folder; the notebook's copy goes to <season name>/explore in it.
    browser : bool
        Whether to open a browser; the address is printed in any case.

    Returns
    -------
    int
        0 once it is stopped.

    Raises
    ------
    SeasonRefused
        If the season's settings cannot be read.
    """
    notebook = explorer_notebook(season_folder, out)
    # A kernel of this environment, where kitlib is, before any other of the user's.
    os.environ["JUPYTER_PREFER_ENV_PATH"] = "1"
    token = secrets.token_urlsafe(32)
    server = LabApp.initialize_server(argv=server_options(notebook, token, browser))
    address = f"http://{HERE}:{server.port}/lab/tree/{notebook.name}?token={token}"
    print(f"The explorer is at {address}\nStop it with Ctrl-C.", flush=True)
    server.start()
    return 0


def server_options(notebook: Path, token: str, browser: bool) -> list[str]:
    """Return the server's options; they go before whatever a user has configured."""
    options = {
        "ServerApp.ip": HERE,
        "ServerApp.allow_remote_access": False,
        "ServerApp.sock": "",
        "ServerApp.identity_provider_class": (
            "jupyter_server.auth.identity.PasswordIdentityProvider"
        ),
        "IdentityProvider.token": token,
        "ServerApp.kernel_spec_manager_class": f"{__name__}.{OwnKernelSpecs.__name__}",
        "ServerApp.root_dir": notebook.parent,
        "ServerApp.open_browser": browser,
        # In a container there may be no other user than root.
        "ServerApp.allow_root": True,
        "Application.log_level": "WARN",
        "LabApp.news_url": None,
        "LabApp.check_for_updates_class": "jupyterlab.NeverCheckForUpdate",
        "LabApp.extension_manager": "readonly",
    }
    return [*(f"--{name}={value}" for name, value in options.items()), str(notebook)]


def explorer_notebook(season_folder: str | Path, out: str | Path) -> Path:
    """Return a copy of the explorer's notebook, its parameters set to a season.

    A copy that was changed by hand is left alone, and the new one numbered.

    Raises
    ------
    SeasonRefused
        If the season's settings cannot be read.
    """
    name = read_season(Path(season_folder)).name
    notebook = nbformat.read(notebook_folder() / f"{EXPLORE}.ipynb", as_version=4)
    places = {"season": season_folder, "out": out}
    set_parameters(notebook, {k: str(Path(v).resolve()) for k, v in places.items()})
    folder = Path(out).resolve() / file_name(name) / FOLDER
    if folder.is_symlink() or folder.parent.is_symlink():
        refuse(str(folder), ["it is a link. Give --out another folder."])
    names = (f"{EXPLORE}{f'-{number}' if number > 1 else ''}" for number in count(1))
    paths = (folder / f"{name}.ipynb" for name in names)
    path = next(p for p in paths if not p.exists() or _says_the_same(p, notebook))
    return path if path.exists() else write_bytes(path, cleaned(notebook))


def set_parameters(notebook: NotebookNode, parameters: dict[str, str]) -> None:
    """Set all parameters of a notebook to texts, and clear its outputs.

    Raises
    ------
    ValueError
        If the notebook has other parameters.
    """
    check_parameters(notebook, parameters)
    for name in (known := parameters_of(notebook)):
        if name not in parameters:
            raise ValueError(
                f"set_parameters: {name} is not given; expected {', '.join(known)}."
            )
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.outputs, cell.execution_count = [], None
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = "\n".join(
                f"{name}: str = {json.dumps(text, ensure_ascii=False)}"
                for name, text in parameters.items()
            )


def _says_the_same(path: Path, notebook: NotebookNode) -> bool:
    """Say whether a notebook on disk has the same cells, whatever its outputs."""
    try:
        found = nbformat.read(path, as_version=4)
    except (nbformat.reader.NotJSONError, nbformat.ValidationError):
        return False
    return source_hash(found) == source_hash(notebook)
