"""A season's notebooks on the workers of a Dask cluster, which share no disk with us.

The season travels once to each worker process, which keeps it with kernels of its own;
what a notebook makes travels back.
"""

import pickle
import tempfile
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Executor, Future, as_completed
from contextlib import ExitStack, contextmanager
from copy import deepcopy
from pathlib import Path
from uuid import uuid4

from distributed import Client, Worker, WorkerPlugin, get_worker
from distributed.scheduler import KilledWorker

from kitlib.intake.settings import EARLIER_PATHS, SEASON_PATH, folders_named
from kitlib.intake.tables import input_files
from kitlib.review.comparisons import CURVES_FILE
from kitlib.runs.kernels import OUT, Kernels, Task, cleaned, read_notebook, run_notebook
from kitlib.runs.manifest import EARLIER, environment
from kitlib.runs.run import Finish, RunBroken, Say, progress
from kitlib.runs.workers import AUDIT, write_audit
from kitlib.season.season import SeasonAudit, for_others

_PATIENCE = 60  # for a scheduler to answer and a worker to be there [s]
_SEASON = "season"


class SeasonAtWorker(WorkerPlugin):
    """A season as a worker holds it, a new one in place of one that died as well."""

    def __init__(self, files: dict[str, bytes], audit: SeasonAudit):
        self.name = f"season-{uuid4().hex}"
        self.files = files  # that notebooks read, by name in the scratch folder
        self.audit, self.environment = pickle.dumps(audit), environment()

    def setup(self, worker: Worker) -> None:
        """Unpack the season; refused if other bytes would be made of it here."""
        if self.environment != environment():
            raise RunBroken(
                f"the worker at {worker.address} has another version of the kit, of "
                "Python or of a package; install the same on all machines."
            )
        self.held = ExitStack()
        folder = self.held.enter_context(tempfile.TemporaryDirectory(prefix="kit-"))
        self.scratch = Path(folder)
        self.kernels = self.held.enter_context(Kernels())
        _write_files(self.scratch, self.files)
        season, path = (self.scratch / _SEASON).resolve(), self.kernels.folder / AUDIT
        write_audit(pickle.loads(self.audit), season, path)

    def teardown(self, worker: Worker) -> None:
        """End the kernels and clear the season away."""
        self.held.close()


def _write_files(folder: Path, files: dict[str, bytes]) -> None:
    """Write files by their names in a folder."""
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)


def run_at_worker(task: Task, season: str) -> tuple[str, dict[str, bytes]]:
    """Run a notebook at a worker; return why it failed, if it did, and what it made."""
    held = get_worker().plugins[season]
    assert isinstance(held, SeasonAtWorker)
    failure = run_notebook(task, held.scratch, held.kernels)
    made = {}
    for name in [task.failed_name] if failure else task.files:
        made[name] = (held.scratch / OUT / name).read_bytes()
        (held.scratch / OUT / name).unlink()
    return failure, made


def run_on_cluster(
    address: str,
    say: Say,
    tasks: Sequence[Task],
    scratch: Path,
    audit: SeasonAudit,
    finish: Finish,
) -> None:
    """Run notebooks on a cluster, as `run.run_here` does here.

    `RunBroken` if at the address there is no scheduler, such as ``tcp://host:8786``,
    or it has no worker, or a worker is of another version.
    """
    with _season_on_cluster(address, scratch, audit) as (client, executor, season):
        say(f"on {len(client.scheduler_info()['workers'])} worker(s) at {address}")
        ends = _tried(lambda t: executor.submit(run_at_worker, t, season), tasks)
        for task, ended in progress(ends, total=len(tasks)):
            try:
                failure, made = ended.result()
            except KilledWorker:  # after as many workers as the cluster tries
                failure = "each worker it was tried on died"
                notebook = cleaned(deepcopy(read_notebook(task.notebook)))
                made = {task.failed_name: notebook}
            _write_files(scratch / OUT, made)
            finish(task, failure)


def _tried(begin: Callable[[Task], Future], tasks) -> Iterator[tuple[Task, Future]]:
    """Yield each task as it ends; those whose workers died once more, one by one."""
    under_way, suspects = {begin(task): task for task in tasks}, []
    for ended in as_completed(under_way):
        task = under_way.pop(ended)
        if isinstance(ended.exception(), KilledWorker):
            suspects.append(task)
        else:
            yield task, ended
    # Others waited at the worker that one of them ended, and died with it.
    yield from ((task, begin(task)) for task in suspects)


@contextmanager
def _season_on_cluster(
    address: str, scratch: Path, audit: SeasonAudit
) -> Iterator[tuple[Client, Executor, str]]:
    """Hold a season at all workers of a cluster, and a client to reach them."""
    try:
        client = Client(address, timeout=_PATIENCE)
        client.wait_for_workers(1, timeout=_PATIENCE)
    except (OSError, ValueError) as error:  # of which time run out is one
        said = f"--scheduler {address}: no scheduler answers, or it has no worker."
        raise RunBroken(said) from error
    with client:
        sent = for_others(audit, audit.folder)
        season = SeasonAtWorker(_files_read(audit.folder, scratch), sent)
        client.register_plugin(season)
        executor = client.get_executor(pure=False)
        try:
            yield client, executor, season.name
        finally:
            executor.shutdown(wait=False)  # so that none begins without the season
            client.unregister_worker_plugin(season.name)


def _files_read(season: Path, scratch: Path) -> dict[str, bytes]:
    """Return what notebooks read, by name in a scratch folder elsewhere."""
    there = {
        f"{_SEASON}/{path.relative_to(season).as_posix()}": path.read_bytes()
        for path in input_files(season)
    }
    lines = ""
    for number, folder in enumerate(folders_named(scratch / OUT / EARLIER_PATHS)):
        name = f"{EARLIER}/{number}/{folder.name}"  # so that two of one name stay apart
        there[f"{name}/{CURVES_FILE}"] = (folder / CURVES_FILE).read_bytes()
        lines += f"../{name}\n"
    there[f"{OUT}/{SEASON_PATH}"] = f"../{_SEASON}\n".encode()
    there[f"{OUT}/{EARLIER_PATHS}"] = lines.encode()
    return there
