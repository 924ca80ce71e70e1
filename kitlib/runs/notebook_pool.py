"""Notebooks run side by side, in processes of their own and a scratch folder."""

import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from contextlib import contextmanager, suppress
from multiprocessing import get_context
from pathlib import Path

from kitlib.runs.notebook_runs import (
    INTERRUPTED,
    STOP,
    Task,
    prepare_worker,
    run_notebook,
)
from kitlib.words.errors import KitError

SEASON_LINK = "season"
EARLIER = "earlier"
_SCRATCH, _PART = ".work-", ".part-"

Finish = Callable[[Task, str], None]
Track = Callable[[Iterable, int], Iterable]


class RunBroken(KitError):
    """The run could not go on; what was finished is kept."""


@contextmanager
def workshop(home: Path, season: Path, earlier=()) -> Iterator[Path]:
    """Hold a scratch folder that has the seasons beside it, whatever lies where.

    Notebooks run in it, so that no path of this machine gets into their results.
    """
    scratch = Path(tempfile.mkdtemp(dir=home.resolve(), prefix=_SCRATCH))
    try:
        (scratch / SEASON_LINK).symlink_to(season.resolve(), target_is_directory=True)
        (scratch / EARLIER).mkdir()
        for k, folder in enumerate(earlier):  # numbered, so that their order stays
            link = scratch / EARLIER / f"{k:03}"
            link.symlink_to(Path(folder).resolve(), target_is_directory=True)
        yield scratch
    finally:
        shutil.rmtree(scratch, ignore_errors=True)


def remove_leftovers(home: Path) -> None:
    """Remove what a killed run left half done; no other run may be on."""
    for folder in home.glob(f"{_SCRATCH}*"):
        shutil.rmtree(folder, ignore_errors=True)
    for file in home.rglob(f"{_PART}*"):
        file.unlink()


def run_tasks(
    tasks: Sequence[Task], scratch: Path, jobs: int, finish: Finish, track: Track
) -> None:
    """Run notebooks, `jobs` at once, and hand over each as it ends.

    Parameters
    ----------
    tasks : sequence of Task
    scratch : Path
        Where they run.
    jobs : int
    finish : callable
        Given a task and why it failed, empty if it did not.
    track : callable
        Wraps the iterable of ended notebooks, given their number.

    Raises
    ------
    RunBroken
        If a process is killed from outside.
    KeyboardInterrupt
        After the notebooks under way have come to their end and been handed over.
    """
    if not tasks:
        return
    # The names of sockets must be short, so they do not lie in the scratch folder.
    with tempfile.TemporaryDirectory(prefix="kit-") as sockets:
        pool = ProcessPoolExecutor(
            max_workers=min(jobs, len(tasks)),
            mp_context=get_context("spawn"),
            initializer=prepare_worker,
            initargs=(scratch, Path(sockets)),
        )
        with pool:
            under_way = {pool.submit(run_notebook, t, scratch): t for t in tasks}
            try:
                for ended in track(as_completed(under_way), len(tasks)):
                    finish(under_way.pop(ended), ended.result())
            except BrokenProcessPool as error:
                raise RunBroken(
                    "a process that ran a notebook was killed, perhaps for want of "
                    "memory; what was finished is kept. Run again with fewer --jobs."
                ) from error
            except BaseException as stopped:
                _stop(pool, scratch)
                if isinstance(stopped, KeyboardInterrupt):
                    _finish_ended(under_way, finish)
                raise


def _stop(pool: ProcessPoolExecutor, scratch: Path) -> None:
    """Begin no further notebook and wait for those under way."""
    with suppress(OSError):  # on a full disk they are all run, to no harm
        (scratch / STOP).touch()
    pool.shutdown(cancel_futures=True)


def _finish_ended(under_way: dict[Future, Task], finish: Finish) -> None:
    """Hand over the notebooks that came to their end after the interrupt."""
    for future, task in under_way.items():
        if future.cancelled() or future.exception() is not None:
            continue
        if future.result() != INTERRUPTED:
            finish(task, future.result())
