"""Runs killed at seeded moments, each gone on with, until one comes to its end.

A moment is the n-th time that a run opens a file to write, renames, removes or makes
one: these are the moments at which half a file could be left, and however busy the
machine is, they are the same.

From the folder tests: python -m faults.kills --kills 50 --seed 1
"""

import argparse
import os
import shutil
import signal
import subprocess
import tempfile
from collections.abc import Callable
from pathlib import Path

import numpy as np
from conftest import SeasonFolder

from faults.runs import (
    NAME,
    Finished,
    assert_as_undisturbed,
    assert_nothing_half,
    call,
    files_of,
    only_trials,
)

RESULTS = Path(__file__).parent / "KILLS.md"
# Loaded by Python before anything else; workers and kernels do not inherit the order.
_HOOK = """
import atexit, os, signal, sys
kill_at, count_into = os.environ.pop("KILL_AT", ""), os.environ.pop("COUNT_INTO", "")
done = 0
def hook(event, given):
    global done
    if event == "open":
        if not (given[2] or 0) & (os.O_WRONLY | os.O_RDWR | os.O_CREAT):
            return
    elif event not in ("os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.chmod"):
        return
    done += 1
    if str(done) == kill_at:
        os.kill(os.getpid(), signal.SIGKILL)
def tell():
    with open(count_into, "w") as file:
        file.write(str(done))
if kill_at or count_into:
    sys.addaudithook(hook)
if count_into:
    atexit.register(tell)
"""


class Killer:
    """Runs a season, to its end or to a moment at which it is killed."""

    def __init__(self, place: Path, season: Path, out: Path):
        self.words = call(season, "--out", out)
        self.counted = place / "counted"
        (place / "hook").mkdir()
        (place / "hook" / "sitecustomize.py").write_text(_HOOK)
        self.environment = os.environ | {
            "PYTHONPATH": os.pathsep.join(
                [str(place / "hook"), os.environ.get("PYTHONPATH", "")]
            ),
            "PYTHONDONTWRITEBYTECODE": "1",
        }

    def run(self, **order: str) -> int:
        """Run and return the exit code, that of the signal if it was killed."""
        return subprocess.run(
            self.words, env=self.environment | order, capture_output=True
        ).returncode

    def moments(self) -> int:
        """Run undisturbed and return how many moments there were."""
        assert self.run(COUNT_INTO=str(self.counted)) == 0
        return int(self.counted.read_text())


def undisturbed(place: Path) -> Finished:
    """Write a season of one trial and run it to its end, counting the moments."""
    (place / "season").mkdir()
    season = SeasonFolder(place / "season")
    only_trials(season, "T1")
    moments = Killer(place, season.folder, place / "out").moments()
    return Finished(season.folder, files_of(place / "out" / NAME), moments)


def killed_runs(
    finished: Finished, place: Path, kills: int, seed: int, say: Callable = print
) -> tuple[int, list[str]]:
    """Kill runs until so many were killed; return how many ended and what was seen.

    A run is killed with SIGKILL, and the same call begun again at once; that one is
    killed too, or comes to its end. At each stop every file under a final name must
    be whole; at each end the folder must hold the bytes of an undisturbed run.
    """
    rng = np.random.default_rng(seed)
    out = place / "out"
    home, ended, seen = out / NAME, 0, []
    killer = Killer(place, finished.season, out)
    moments = finished.moments
    while len(seen) < kills:
        moment = int(rng.integers(1, moments + 1))
        if killer.run(KILL_AT=str(moment)) == -signal.SIGKILL:
            if home.exists():
                assert_nothing_half(home, finished)
            seen.append(stage_of(home))
            say(f"{len(seen)}: killed at {moment} of {moments}, {seen[-1]}")
        else:  # a run gone on with has less to do, and came to its end before
            assert_as_undisturbed(home, finished)
            ended += 1
            shutil.rmtree(out)
    assert killer.run() == 0
    assert_as_undisturbed(home, finished)
    return ended + 1, seen


def stage_of(home: Path) -> str:
    """Return how far a killed run had come, from what lies in its folder."""
    if not home.exists():
        return "before its first file"
    names = [path.name for path in home.iterdir()]
    if "manifest.json" in names:
        return "after its manifest"
    if ".made.jsonl" in names or any(
        n.startswith(".moisture-audit-work-") for n in names
    ):
        n = len([name for name in files_of(home) if name.endswith(".ipynb")])
        return f"among its notebooks, {n} finished"
    return "among its tables"


def main() -> None:
    """Kill runs of a season of one trial and write down how it went."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        place = Path(name)
        (place / "first").mkdir()
        finished = undisturbed(place / "first")
        ended, seen = killed_runs(finished, place, asked.kills, asked.seed)
    counts = {stage: seen.count(stage) for stage in sorted(set(seen))}
    lines = [f"| {stage} | {count} |" for stage, count in counts.items()]
    numbers = {"moments": finished.moments, "ended": ended, "seed": asked.seed}
    text = _HEAD.format(killed=len(seen), **numbers)
    RESULTS.write_text(text + "\n".join(lines) + "\n", encoding="utf-8")


_HEAD = """\
# Killed at any moment

{killed} runs of a season of one trial were killed with SIGKILL, each at one of
{moments} moments drawn with seed {seed}: the n-th time that the run opened a file to
write, renamed, removed or made one. After each kill the same call was begun again at
once; it was killed too, or came to its end ({ended} did). At every kill each file under
a final name was whole and as an undisturbed run writes it; at every end the folder held
the bytes of an undisturbed run and nothing else.

Made by `python -m faults.kills --kills {killed} --seed {seed}` in `tests/`.

| where the run stood when it was killed | kills |
|---|---:|
"""


if __name__ == "__main__":
    main()
