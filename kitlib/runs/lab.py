"""The explorer in JupyterLab: on this machine alone, on a copy of its notebook."""

import json
import os
import secrets
import webbrowser
from collections.abc import Iterator
from contextlib import contextmanager
from copy import deepcopy
from itertools import count
from pathlib import Path
from tempfile import TemporaryDirectory

import nbformat
from jupyter_client.kernelspec import KernelSpec, KernelSpecManager
from jupyter_core.utils import ensure_async
from jupyter_server.serverapp import ServerApp
from jupyterlab.labapp import LabApp
from jupyterlab_server.workspaces_handler import WorkspacesManager
from nbclient import NotebookClient
from nbclient.exceptions import CellExecutionError
from nbformat import NotebookNode

from kitlib.explorer.record import FOLDER
from kitlib.intake.outputs import write_bytes
from kitlib.intake.settings import read_season
from kitlib.runs.kernels import WIDGET_VIEW, read_notebook, source_hash
from kitlib.words.findings import refuse

EXPLORE = "4_explore"
HERE = "127.0.0.1"
# No question about news over the panel; a user's own answer, if there is one, stands.
_NEWS = "@jupyterlab/apputils-extension:notification"
_QUIET = {_NEWS: {"fetchNews": "false", "checkForUpdates": False}}


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

    The notebook's copy goes to <season name>/explore of the output folder; the address
    is printed, browser or not.
    """
    notebook = explorer_notebook(season_folder, out)
    # A kernel of this environment, where kitlib is, before any other of the user's.
    os.environ["JUPYTER_PREFER_ENV_PATH"] = "1"
    token = secrets.token_urlsafe(32)
    with server_options(notebook, token) as options:
        server = LabApp.initialize_server(argv=options)
        address = f"http://{HERE}:{server.port}/lab/tree/{notebook.name}?token={token}"

        async def open_panel() -> None:
            print("Starting the explorer's kernel ...", flush=True)
            try:
                await _run_panel(server, notebook)
            except CellExecutionError as error:
                print(f"The notebook stopped: {error.evalue}", flush=True)
            print(f"The explorer is at {address}\nStop it with Ctrl-C.", flush=True)
            if browser:
                webbrowser.open(address)

        server.io_loop.add_callback(open_panel)
        server.start()
    return 0


async def _run_panel(server: ServerApp, path: Path) -> None:
    """Run a notebook's cells up to the panel, and keep them as the page opens them."""
    named = {"path": path.name, "name": path.name, "type": "notebook"}
    sessions = server.session_manager
    session = await sessions.create_session(**named, kernel_name="python3")
    manager = server.kernel_manager.get_kernel(session["kernel"]["id"])
    notebook = nbformat.read(path, as_version=4)
    client = NotebookClient(notebook, km=manager, record_timing=False)
    client.reset_execution_trackers()
    client.kc = manager.client()
    client.kc.start_channels()
    await ensure_async(client.kc.wait_for_ready())
    told = await ensure_async(client.kc.kernel_info(reply=True))
    notebook.metadata["language_info"] = told["content"]["language_info"]
    if spec := manager.kernel_spec:  # else the page would rename it, and ask to save
        notebook.metadata["kernelspec"]["display_name"] = spec.display_name
    try:
        for index, cell in enumerate(notebook.cells):
            await client.async_execute_cell(cell, index)
            if any(WIDGET_VIEW in o.get("data", {}) for o in cell.get("outputs", [])):
                break
    finally:
        client.kc.stop_channels()
        write_bytes(path, nbformat.writes(notebook).encode() + b"\n")
        # The page shows a panel only of a notebook that was run, and so signed, here.
        server.contents_manager.notary.sign(nbformat.read(path, as_version=4))


@contextmanager
def server_options(notebook: Path, token: str) -> Iterator[list[str]]:
    """Hold the server's options; they go before whatever a user has configured.

    It listens on this machine's own address only, asks for the token, and fetches
    nothing from anywhere. Its layout and settings are its own: what a user has open in
    another JupyterLab stays as it is.
    """
    shown = f"notebook:{notebook.name}"
    bar = {"collapsed": True, "visible": True, "widgets": []}
    area = {"type": "tab-area", "currentIndex": 0, "widgets": [shown]}
    layout = {"main": {"dock": area, "current": shown}, "left": bar, "right": bar}
    layout["relativeSizes"] = [0, 1, 0]
    opened = {"data": {"path": notebook.name, "factory": "Notebook"}}
    data = {"layout-restorer:data": layout, shown: opened}
    with TemporaryDirectory(prefix="moisture-audit-") as place:
        workspaces = WorkspacesManager(f"{place}/workspaces")
        told = {"data": data, "metadata": {"id": "default"}}
        workspaces.save("default", json.dumps(told))
        (Path(place) / "overrides.json").write_text(json.dumps(_QUIET))
        options = {
            "ServerApp.ip": HERE,
            "ServerApp.allow_remote_access": False,
            "ServerApp.sock": "",
            "ServerApp.identity_provider_class": "jupyter_server.auth.identity."
            "PasswordIdentityProvider",
            "IdentityProvider.token": token,
            "ServerApp.kernel_spec_manager_class": f"{__name__}.OwnKernelSpecs",
            "ServerApp.root_dir": notebook.parent,
            "ServerApp.open_browser": False,
            # In a container there may be no other user than root.
            "ServerApp.allow_root": True,
            "Application.log_level": "WARN",
            "LabApp.news_url": None,
            "LabApp.check_for_updates_class": "jupyterlab.NeverCheckForUpdate",
            "LabApp.extension_manager": "readonly",
            "LabApp.workspaces_dir": f"{place}/workspaces",
            "LabApp.app_settings_dir": place,
        }
        yield [f"--{name}={value}" for name, value in options.items()]


def explorer_notebook(season_folder: str | Path, out: str | Path) -> Path:
    """Return a copy of the explorer's notebook, its parameters set to a season.

    Outputs are cleared and code is folded. A copy that was changed by hand is left
    alone, and the new one numbered.
    """
    home = Path(out).resolve() / read_season(Path(season_folder)).name
    folder = home / FOLDER
    if home.is_symlink() or folder.is_symlink():
        refuse(str(folder), ["it is a link. Give --out another folder."])
    notebook = deepcopy(read_notebook(EXPLORE))
    places = {"season": season_folder, "out": out}
    texts = {name: str(Path(at).resolve()) for name, at in places.items()}
    lines = [
        f"{n}: str = {json.dumps(t, ensure_ascii=False)}" for n, t in texts.items()
    ]
    for cell in notebook.cells:
        if cell.cell_type == "code":
            cell.metadata["jupyter"] = {"source_hidden": True}
        if "parameters" in cell.metadata.get("tags", []):
            cell.source = "\n".join(lines)
    names = (f"{EXPLORE}-{number}" if number > 1 else EXPLORE for number in count(1))
    paths = (folder / f"{name}.ipynb" for name in names)
    path = next(p for p in paths if not p.exists() or _says_the_same(p, notebook))
    return write_bytes(path, nbformat.writes(notebook).encode() + b"\n")


def _says_the_same(path: Path, notebook: NotebookNode) -> bool:
    """Say whether a notebook on disk has the same cells, whatever its outputs."""
    try:
        found = nbformat.read(path, as_version=4)
    except (nbformat.reader.NotJSONError, nbformat.ValidationError):
        return False
    return source_hash(found) == source_hash(notebook)
