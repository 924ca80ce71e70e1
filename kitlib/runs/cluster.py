"""A season's notebooks on the workers of a Dask cluster, which share no disk with us.

The season travels once to each worker process, which keeps it with kernels of its own;
what a notebook makes travels back.
"""

import pickle
import tempfile
from collections.abc import Iterator, Sequence
from concurrent.futures import as_completed
from contextlib import ExitStack, contextmanager
from pathlib import Path
from threading import Lock
from uuid import uuid4

from distributed import Client, Worker, WorkerPlugin, get_worker
from distributed.scheduler import KilledWorker

from kitlib.intake.settings import EARLIER_PATHS, SEASON_PATH, folders_named
from kitlib.intake.tables import input_files
from kitlib.review.history import CURVES_FILE
from kitlib.runs.kernels import OUT, Kernels, Task, run_notebook, unrun
from kitlib.runs.manifest import EARLIER, environment
from kitlib.runs.run import Finish, RunBroken, Say, Track
from kitlib.runs.workers import AUDIT, write_audit
from kitlib.season.season import SeasonAudit, for_others

_PATIENCE = 60  # for a scheduler to answer and a worker to be there [s]
_SEASON = "season"


class SeasonAtWorker(WorkerPlugin):
    """A season as a worker holds it, a new one in place of one that died as well.

    It is sent the files that notebooks read, by name in the scratch folder, and the
    season's audit, pickled.
    """

    def __init__(self, files: dict[str, bytes], audit: bytes):
        self.name = f"season-{uuid4().hex}"
        self.files, self.audit, self.environment = files, audit, environment()

    def setup(self, worker: Worker) -> None:
        """Begin with nothing; the first notebook unpacks the season."""
        self.held, self.lock = ExitStack(), Lock()
        self.unpacked: tuple[Path, Kernels] | None = None

    def teardown(self, worker: Worker) -> None:
        """End the kernels and clear the season away."""
        self.held.close()

    def at_hand(self) -> tuple[Path, Kernels]:
        """Return this process's scratch folder and kernels.

        Refused by a worker that would make other bytes than who sent the season.
        """
        if self.environment != environment():
            raise RunBroken(
                f"the worker at {get_worker().address} has another version of the kit, "
                "of Python or of a package; install the same on all machines."
            )
        with self.lock:
            if self.unpacked is None:
                folder = tempfile.TemporaryDirectory(prefix="kit-")
                scratch = Path(self.held.enter_context(folder))
                _write_files(scratch, self.files)
                kernels = self.held.enter_context(Kernels())
                season = (scratch / _SEASON).resolve()
                write_audit(pickle.loads(self.audit), season, kernels.folder / AUDIT)
                self.unpacked = scratch, kernels
        return self.unpacked


def _write_files(folder: Path, files: dict[str, bytes]) -> None:
    """Write files by their names in a folder."""
    for name, content in files.items():
        (folder / name).parent.mkdir(parents=True, exist_ok=True)
        (folder / name).write_bytes(content)


def run_at_worker(task: Task, season: str) -> tuple[str, dict[str, bytes]]:
    """Run a notebook in a kernel of the worker; return why it failed and what it made.

    The first is empty if it did not; the second is by name in the output folder.
    """
    held = get_worker().plugins[season]
    assert isinstance(held, SeasonAtWorker)
    scratch, kernels = held.at_hand()
    failure = run_notebook(task, scratch, kernels)
    made = {}
    for name in [task.failed_name] if failure else task.files:
        made[name] = (scratch / OUT / name).read_bytes()
        (scratch / OUT / name).unlink()
    return failure, made


def run_on_cluster(
    address: str,
    say: Say,
    tasks: Sequence[Task],
    scratch: Path,
    audit: SeasonAudit,
    _jobs: int,  # a worker runs as many at once as it has threads
    finish: Finish,
    track: Track,
) -> None:
    """Run notebooks on a cluster, as `run.run_here` does here.

    `RunBroken` if at the address there is no scheduler, such as ``tcp://host:8786``,
    or it has no worker, or a worker is of another version.
    """
    with _season_on_cluster(address, scratch, audit) as (client, season):
        say(f"on {len(client.scheduler_info()['workers'])} worker(s) at {address}")
        executor = client.get_executor(pure=False)

        def handed_over(task: Task, failure: str, made: dict[str, bytes]) -> None:
            _write_files(scratch / OUT, made)
            finish(task, failure)

        under_way = {executor.submit(run_at_worker, t, season): t for t in tasks}
        alone = []
        for ended in track(as_completed(under_way), len(tasks)):
            task = under_way.pop(ended)
            try:
                handed_over(task, *ended.result())
            except KilledWorker:  # by its own fault or by that of one beside it
                alone.append(task)
        for task in alone:  # one at a time, so that none dies of another's fault
            try:
                found = executor.submit(run_at_worker, task, season).result()
            except KilledWorker:
                why = "each worker it was tried on died"
                found = why, {task.failed_name: unrun(task)}
            handed_over(task, *found)


@contextmanager
def _season_on_cluster(
    address: str, scratch: Path, audit: SeasonAudit
) -> Iterator[tuple[Client, str]]:
    """Hold a season at all workers of a cluster, and a client to reach them."""
    try:
        client = Client(address, timeout=_PATIENCE)
    except (OSError, ValueError) as error:
        raise RunBroken(f"--scheduler {address}: no scheduler answers.") from error
    with client:
        try:
            client.wait_for_workers(1, timeout=_PATIENCE)
        except TimeoutError as error:
            raise RunBroken(f"--scheduler {address}: it has no worker.") from error
        sent = pickle.dumps(for_others(audit, audit.folder))
        season = SeasonAtWorker(_files_of(audit.folder, scratch), sent)
        client.register_plugin(season)
        try:
            yield client, season.name
        finally:
            client.unregister_worker_plugin(season.name)


def _files_of(season: Path, scratch: Path) -> dict[str, bytes]:
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
