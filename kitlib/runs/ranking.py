"""Every trial ranked, in processes side by side where there are many plots."""

import gc
import os
import pickle
import subprocess
import sys
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from contextlib import suppress
from multiprocessing import get_context

from kitlib.runs.bench import own_environment
from kitlib.runs.processes import die_with_parent
from kitlib.season.season import SeasonAudit, TrialOutcome, for_others

# Fewer plots are ranked before other processes have begun (measured).
MANY_PLOTS = 30_000
_AT_ONCE = 4  # trials handed to a process together
_SHARED: list[SeasonAudit] = []  # what forked processes find in their memory


def rank_trials(audit: SeasonAudit, jobs: int) -> None:
    """Work out what the correction does to each trial; the audit keeps it.

    Parameters
    ----------
    audit : SeasonAudit
    jobs : int
        Trials ranked at once.
    """
    many = len(audit.pairing.plots) >= MANY_PLOTS
    if jobs > 1 and many and sys.platform == "linux":
        vars(audit).update(_ranked_apart(audit, jobs))
    _ = audit.outcomes  # if they are not there, they are worked out here


def _ranked_apart(audit: SeasonAudit, jobs: int) -> dict:
    """Return the outcomes as the audit keeps them; nothing if they could not be had.

    This process has threads, of which a fork would take along one and all locks, so
    another one is forked that has none.
    """
    _ = audit.findings  # worked out once, for all processes
    with subprocess.Popen(
        [sys.executable, "-m", "kitlib.runs.ranking", str(jobs)],
        env=os.environ | own_environment(audit.folder),
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        start_new_session=True,  # an interrupt is not for it: it ends with this one
    ) as process:
        try:
            pickle.dump(for_others(audit, audit.folder), process.stdin)
            process.stdin.close()
            return {"outcomes": pickle.load(process.stdout)}
        except (EOFError, OSError, pickle.UnpicklingError):
            return {}  # it ended early, such as for want of memory
        finally:
            process.kill()
            with suppress(OSError):  # what it did not read can go
                process.stdin.close()


def main(jobs: str) -> None:
    """Rank the trials of the audit that is read; write the outcomes."""
    die_with_parent()
    _SHARED.append(audit := pickle.load(sys.stdin.buffer))
    _ = audit.plots, audit.trials
    gc.freeze()  # or a fork's first collection would copy all that it shares
    fork = get_context("fork")
    with ProcessPoolExecutor(int(jobs), fork, initializer=die_with_parent) as pool:
        try:
            found = list(pool.map(_outcome, audit.trials, chunksize=_AT_ONCE))
        except BrokenProcessPool:
            sys.exit("a process that ranked trials was ended; they are ranked again")
    pickle.dump(dict(zip(audit.trials, found, strict=True)), sys.stdout.buffer)


def _outcome(trial: str) -> TrialOutcome:
    """Return what the correction does to one trial."""
    return _SHARED[0].trial(trial).outcome


if __name__ == "__main__":
    main(*sys.argv[1:])
