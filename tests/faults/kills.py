"""Runs killed at seeded moments, each gone on with, until one comes to its end.

From the folder tests: python -m faults.kills --kills 50 --seed 1
"""

import argparse
import shutil
import subprocess
import tempfile
import time
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
    only_trial,
    run,
)

RESULTS = Path(__file__).parent / "KILLS.md"
SHARE = 0.9  # the latest moment, in parts of what an undisturbed run takes


def killed_runs(
    finished: Finished, out: Path, kills: int, seed: int, say: Callable = print
) -> tuple[int, int, list[str]]:
    """Kill runs until so many were killed; return the kills, ends and moments.

    A run is killed with SIGKILL, and the same call begun again at once; that one is
    killed too, or comes to its end. At each stop every file under a final name must
    be whole; at each end the folder must hold the bytes of an undisturbed run.
    """
    rng = np.random.default_rng(seed)
    home, killed, ended, seen = out / NAME, 0, 0, []
    words = call(finished.season, "--out", out, "--jobs", 2)
    while killed < kills:
        moment = finished.took * SHARE * float(rng.uniform())
        process = subprocess.Popen(
            words, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )
        try:
            process.wait(timeout=moment)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()
            killed += 1
            if home.exists():
                assert_nothing_half(home, finished)
            seen.append(stage_of(home))
            say(f"{killed}: killed after {moment:.1f} s, {seen[-1]}")
        else:
            assert process.returncode == 0
            assert_as_undisturbed(home, finished)
            ended += 1
            shutil.rmtree(out)
    done = run(finished.season, "--out", out)
    assert done.returncode == 0, done.stderr
    assert_as_undisturbed(home, finished)
    return killed, ended + 1, seen


def stage_of(home: Path) -> str:
    """Return how far a killed run had come, from what lies in its folder."""
    if not home.exists():
        return "before its first file"
    names = [path.name for path in home.iterdir()]
    if "manifest.json" in names:
        return "after its manifest"
    if ".made.jsonl" in names or any(n.startswith(".work-") for n in names):
        n = len([name for name in files_of(home) if name.endswith(".ipynb")])
        return f"among its notebooks, {n} finished"
    return "among its tables"


def main() -> None:
    """Kill runs of a season of one trial and write down how it went."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--kills", type=int, default=50)
    parser.add_argument("--seed", type=int, default=1)
    asked = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        season = SeasonFolder(Path(place))
        only_trial(season, "T1")
        out = Path(place) / "first"
        begun = time.monotonic()
        assert run(season.folder, "--out", out, "--jobs", 2).returncode == 0
        took = time.monotonic() - begun
        finished = Finished(season.folder, files_of(out / NAME), took)
        killed, ended, seen = killed_runs(
            finished, Path(place) / "out", asked.kills, asked.seed
        )
    counts = {stage: seen.count(stage) for stage in sorted(set(seen))}
    lines = [f"| {stage} | {count} |" for stage, count in counts.items()]
    text = _HEAD.format(killed=killed, ended=ended, seed=asked.seed)
    RESULTS.write_text(text + "\n".join(lines) + "\n", encoding="utf-8")


_HEAD = """\
# Killed at any moment

{killed} runs of a season of one trial were killed with SIGKILL at moments drawn with
seed {seed}, uniformly over nine tenths of what an undisturbed run takes. After each the
same call was begun again at once: it was killed too, or came to its end ({ended} did).
At every kill each file under a final name was whole and as an undisturbed run writes
it; at every end the folder held the same bytes as after an undisturbed run, and nothing
else. Made by `python -m faults.kills --kills {killed} --seed {seed}` in `tests/`.

| where the run stood when it was killed | kills |
|---|---:|
"""


if __name__ == "__main__":
    main()
