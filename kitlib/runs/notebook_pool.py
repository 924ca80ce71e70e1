"""Notebooks run side by side, each in a kernel of its own, in a scratch folder."""

import shutil
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, as_completed
from contextlib import contextmanager, suppress
from pathlib import Path

from kitlib.runs.bench import SEASON_LINK, open_bench
from kitlib.runs.notebook_runs import INTERRUPTED, STOP, Task, run_notebook
from kitlib.season.season import SeasonAudit
from kitlib.words.errors import KitError

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
    tasks: Sequence[Task],
    scratch: Path,
    audit: SeasonAudit,
    jobs: int,
    finish: Finish,
    track: Track,
    say: Callable[[str], object],
) -> None:
    """Run notebooks, `jobs` at once, and hand over each as it ends.

    Parameters
    ----------
    tasks : sequence of Task
    scratch : Path
        Where they run.
    audit : SeasonAudit
        The season's.
    jobs : int
    finish : callable
        Given a task and why it failed, empty if it did not.
    track : callable
        Wraps the iterable of ended notebooks, given their number.
    say : callable
        Told in which kind of kernel they run.

    Raises
    ------
    KeyboardInterrupt
        After the notebooks under way have come to their end and been handed over.
    """
    if not tasks:
        return
    # Threads, for the work itself is done in the kernels, which are processes.
    with open_bench(scratch, audit) as bench, ThreadPoolExecutor(jobs) as pool:
        say(bench.kind)
        under_way = {pool.submit(run_notebook, t, bench): t for t in tasks}
        try:
            for ended in track(as_completed(under_way), len(tasks)):
                finish(under_way.pop(ended), ended.result())
        except BaseException as stopped:
            _stop(pool, scratch)
            if isinstance(stopped, KeyboardInterrupt):
                _finish_ended(under_way, finish)
            raise
        if not bench.plain_because and not bench.is_warm:
            say("the warm process ended; later notebooks ran in plain kernels")


def _stop(pool: ThreadPoolExecutor, scratch: Path) -> None:
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
