"""Very many notebooks in one run: none lost, and the memory of the run stays.

Run: python tests/benchmarks/soak.py [--trials N]

Simulates a season of small trials, runs it whole, and looks twice a second at how much
memory the run's own process holds. Exits 1 if a notebook is missing or failed, or if
the process grows by more than 10 MB a thousand notebooks between the first fifth of
them and the last.
"""

import argparse
import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

PLOTS_PER_TRIAL, MOST_MB_A_THOUSAND = 8, 10
COMMAND = Path(sys.executable).parent / "moisture-audit"


def held_mb(process: int) -> float:
    """Return the memory that a process holds now. [MB]"""
    lines = Path(f"/proc/{process}/status").read_text().splitlines()
    return next(int(line.split()[1]) for line in lines if "VmRSS" in line) / 1024


def watched(call: list, home: Path) -> list[tuple[int, float]]:
    """Run a call; return how many notebooks were there and the memory held by then."""
    seen = []
    with subprocess.Popen(call, stderr=subprocess.DEVNULL) as run:
        while run.poll() is None:
            time.sleep(0.5)
            try:
                held = held_mb(run.pid)
            except (OSError, StopIteration):
                break  # it is about to end
            seen.append((len(list(home.glob("trials/*.ipynb"))), held))
    if run.returncode:
        sys.exit(f"the run ended with {run.returncode}")
    return seen


def growth(seen: list[tuple[int, float]], trials: int) -> float:
    """Return how much the memory grew from the first fifth of notebooks on. [MB]"""
    fifth = [held for made, held in seen if trials / 5 <= made < trials * 2 / 5]
    last = [held for made, held in seen if made >= trials * 4 / 5]
    if not fifth or not last:
        return 0.0
    return max(last) - max(fifth)


def main() -> None:
    """Simulate, run, count and watch."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("--trials", type=int, default=3000)
    trials = asked.parse_args().trials
    with tempfile.TemporaryDirectory() as place:
        season, out = Path(place) / "season", Path(place) / "out"
        many = ["--trials", str(trials), "--plots", str(PLOTS_PER_TRIAL * trials)]
        subprocess.run([COMMAND, "simulate", season, *many], check=True)
        start = time.perf_counter()
        seen = watched([COMMAND, "run", season, "--out", out], next_home(season, out))
        passed = time.perf_counter() - start
        (home,) = out.iterdir()
        told = json.loads((home / "manifest.json").read_text(encoding="utf-8"))
        made = [name for name in told["outputs"] if name.startswith("trials/")]
    grown = growth(seen, trials)
    said = f"{trials} trials in {passed:.0f} s: {len(made)} files of trials, "
    said += f"{len(told['failed'])} failed, the run's memory grew by {grown:.1f} MB, "
    print(f"{said}at most {max(held for _, held in seen):.0f} MB")
    lost = len(made) != 2 * trials or told["failed"]
    if lost or grown > MOST_MB_A_THOUSAND * max(trials, 1000) / 1000:
        sys.exit(1)


def next_home(season: Path, out: Path) -> Path:
    """Return where the run of a season will write."""
    lines = (season / "season.toml").read_text(encoding="utf-8").splitlines()
    name = next(line.split('"')[1] for line in lines if line.startswith("name"))
    return out / name


if __name__ == "__main__":
    main()
