"""A season's notebooks on the workers of a Dask cluster, which share no disk with us.

The season travels once to each worker process, which keeps it at a bench of its own;
what a notebook makes travels back.
"""

import pickle
import tempfile
from collections.abc import Callable, Sequence
from contextlib import ExitStack, contextmanager
from pathlib import Path
from threading import Lock
from uuid import uuid4

from distributed import Client, Future, Worker, WorkerPlugin, as_completed, get_worker
from distributed.scheduler import KilledWorker

from kitlib.intake.outputs import input_files
from kitlib.review.history import CURVES_FILE
from kitlib.runs.bench import SEASON_LINK, Bench, open_bench
from kitlib.runs.manifest import environment
from kitlib.runs.notebook_pool import EARLIER, Finish, RunBroken, Track
from kitlib.runs.notebook_runs import OUT, Task, run_notebook, unrun
from kitlib.season.season import SeasonAudit, for_others

_PATIENCE = 60  # for a scheduler to answer and a worker to be there [s]


class SeasonAtWorker(WorkerPlugin):
    """A season as a worker holds it, a new one in place of one that died as well.

    Parameters
    ----------
    files : dict of str to bytes
        What notebooks read, by name in the scratch folder.
    audit : bytes
        The season's audit, pickled.
    """

    def __init__(self, files: dict[str, bytes], audit: bytes):
        self.name = f"season-{uuid4().hex}"
        self.files, self.audit, self.environment = files, audit, environment()

    def setup(self, worker: Worker) -> None:
        """Begin with no bench; the first notebook opens it."""
        self.held, self.lock, self.opened = ExitStack(), Lock(), None

    def teardown(self, worker: Worker) -> None:
        """Clear the bench away."""
        self.held.close()

    def bench(self) -> Bench:
        """Return the bench of this process.

        Raises
        ------
        RunBroken
            If it would make other bytes than the process that sent the season.
        """
        if self.environment != environment():
            raise RunBroken(
                f"the worker at {get_worker().address} has another version of the kit, "
                "of Python or of a package; install the same on all machines."
            )
        with self.lock:
            if self.opened is None:
                folder = tempfile.TemporaryDirectory(prefix="kit-")
                scratch = Path(self.held.enter_context(folder))
                for name, content in self.files.items():
                    (scratch / name).parent.mkdir(parents=True, exist_ok=True)
                    (scratch / name).write_bytes(content)
                bench = open_bench(scratch, pickle.loads(self.audit))
                self.opened = self.held.enter_context(bench)
        return self.opened


def run_at_worker(task: Task, season: str) -> tuple[str, dict[str, bytes]]:
    """Run a notebook at the worker's bench.

    Returns
    -------
    str
        Why it failed; empty if it did not.
    dict of str to bytes
        What it made, by name in the output folder.
    """
    bench = get_worker().plugins[season].bench()
    failure = run_notebook(task, bench)
    names = [task.failed_name] if failure else task.files
    made = {name: (bench.scratch / OUT / name).read_bytes() for name in names}
    for name in names:
        (bench.scratch / OUT / name).unlink()
    return failure, made


def run_on_cluster(
    address: str,
    tasks: Sequence[Task],
    scratch: Path,
    audit: SeasonAudit,
    jobs: int,
    finish: Finish,
    track: Track,
    say: Callable[[str], object],
) -> None:
    """Run notebooks on a cluster; as `notebook_pool.run_tasks` does here.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://host:8786``.
    jobs : int
        Not used: a worker runs as many at once as it has threads.

    Raises
    ------
    RunBroken
        If there is no scheduler or no worker, or a worker is of another version.
    """
    if not tasks:
        return
    with season_on_cluster(address, files_in(scratch), audit) as (client, season):
        say(f"on {len(client.scheduler_info()['workers'])} worker(s) at {address}")

        def begun(task: Task) -> Future:
            return client.submit(run_at_worker, task, season, pure=False)

        def handed_over(task: Task, failure: str, made: dict[str, bytes]) -> None:
            for name, content in made.items():
                (scratch / OUT / name).parent.mkdir(parents=True, exist_ok=True)
                (scratch / OUT / name).write_bytes(content)
            finish(task, failure)

        under_way, alone = {begun(task): task for task in tasks}, []
        for ended in track(as_completed(under_way), len(tasks)):
            task = under_way.pop(ended)
            try:
                handed_over(task, *ended.result())
            except KilledWorker:  # by its own fault or by that of one beside it
                alone.append(task)
        for task in alone:  # one at a time, so that none dies of another's fault
            try:
                handed_over(task, *begun(task).result())
            except KilledWorker:
                why = "each worker it was tried on died"
                handed_over(task, why, {task.failed_name: unrun(task)})


@contextmanager
def season_on_cluster(address: str, files: dict[str, bytes], audit: SeasonAudit):
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
        season = SeasonAtWorker(files, pickle.dumps(for_others(audit, audit.folder)))
        client.register_plugin(season)
        try:
            yield client, season.name
        finally:
            client.unregister_worker_plugin(season.name)


def files_in(scratch: Path) -> dict[str, bytes]:
    """Return what notebooks read, by name in the scratch folder."""
    read = input_files(scratch / SEASON_LINK)
    read += sorted(scratch.glob(f"{EARLIER}/*/{CURVES_FILE}"))
    return {str(path.relative_to(scratch)): path.read_bytes() for path in read}
