"""Time and memory of whole seasons of 1,000 plots a trial, beside plain ways.

Run: python tests/benchmarks/season_scale.py [--notebooks N] [--to FILE] [trials ...]

Each size is simulated and each part measured in a process of its own: the statistics
to curves.csv, a bare pyarrow read of the same files, R's read and statistics
(`season_statistics.R`, where Rscript is installed), a plain papermill loop over a few
trials' notebooks, and a whole run. The table goes to `SCALE.md` beside this file.
"""

import argparse
import json
import os
import platform
import shutil
import subprocess
import sys
import tempfile
from importlib.metadata import version
from pathlib import Path
from resource import RUSAGE_CHILDREN, RUSAGE_SELF, getrusage
from time import perf_counter, process_time

from whole_run import execute_plainly

HERE = Path(__file__).parent
SIZES = (10, 60, 1000)
PLOTS_PER_TRIAL = 1000
# Goals: most memory of a run's own process, and the loop's time by the run's.
MEMORY, LOOPS = 1200, 3.5


def peak_mb() -> float:
    """Return the most memory this process has held. [MB]"""
    status = Path("/proc/self/status")
    if status.exists():  # on Linux, ru_maxrss begins with what the parent held
        lines = status.read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if "VmHWM" in line) / 1024
    return getrusage(RUSAGE_SELF).ru_maxrss / 1024


class Clock:
    """Seconds by the clock and of processor, ended children's too, since it began."""

    def __init__(self):
        self.begun = perf_counter(), self._processor()

    @staticmethod
    def _processor() -> float:
        ended = getrusage(RUSAGE_CHILDREN)
        return process_time() + ended.ru_utime + ended.ru_stime

    def read(self) -> dict:
        passed, worked = perf_counter() - self.begun[0], self._processor()
        return {"seconds": passed, "cpu": worked - self.begun[1]}


def statistics(folder) -> dict:
    """Measure the way from the folder to curves.csv, and the memory it took."""
    from kitlib.intake.outputs import csv_bytes
    from kitlib.season.season import audit_season, curves_table

    start, clock = peak_mb(), Clock()
    csv_bytes(curves_table(audit_season(folder)))
    return clock.read() | {"peak": peak_mb() - start}


def bare_read(folder) -> dict:
    """Measure a bare pyarrow read with one thread, and the size of what was read."""
    from pyarrow.csv import ReadOptions, read_csv

    paths, clock = sorted(Path(folder).glob("*.csv")), Clock()
    options = ReadOptions(use_threads=False)
    tables = [read_csv(path, read_options=options) for path in paths]
    file = sum(path.stat().st_size for path in paths) / 1e6
    return clock.read() | {"file": file, "rows": sum(t.num_rows for t in tables)}


def whole_run(folder) -> dict:
    """Measure a whole run, with every notebook and PDF, and what it made."""
    from kitlib.runs.run import run_season

    out, clock = Path(f"{folder}-out"), Clock()
    run = run_season(folder, out, say=lambda _: None)
    if run.failed:
        raise RuntimeError(f"a notebook failed: {run.failed}")
    sizes = [path.stat().st_size for path in out.rglob("*") if path.is_file()]
    children = getrusage(RUSAGE_CHILDREN).ru_maxrss / 1024
    made = {"files": len(sizes), "size": sum(sizes) / 1e6}
    return clock.read() | made | {"peak": peak_mb(), "kernel": children}


def plain_loop(folder, n) -> dict:
    """Measure a plain papermill loop over n trials' notebooks, a trial."""
    from pyarrow.csv import read_csv

    clock, out = Clock(), Path(f"{folder}-loop")
    out.mkdir()
    names = read_csv(Path(folder) / "plots.csv")["trial"].unique().to_pylist()
    given = [
        {"season": folder, "trial": trial, "report": str(out / f"{trial}.pdf")}
        for trial in names[:: max(len(names) // int(n), 1)][: int(n)]
    ]
    execute_plainly([("3_trial", each) for each in given], out)
    return {name: spent / int(n) for name, spent in clock.read().items()}


PARTS = {part.__name__: part for part in (statistics, bare_read, whole_run, plain_loop)}


def apart(part, *args) -> dict:
    """Return what a part of the benchmark measures in a process of its own."""
    call = [sys.executable, __file__, "--part", part.__name__, *map(str, args)]
    alone = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    done = subprocess.run(
        call, env=os.environ | alone, stdout=subprocess.PIPE, text=True, check=True
    )
    return json.loads(done.stdout.splitlines()[-1])


def in_r(folder) -> float | None:
    """Return R's seconds for reading, pairing and statistics; None without R."""
    if not shutil.which("Rscript"):
        return None
    call = ["Rscript", str(HERE / "season_statistics.R"), str(folder)]
    done = subprocess.run(call, capture_output=True, text=True, check=True)
    lines = [line.split() for line in done.stdout.splitlines()]
    known = ("read", "pair", "statistics")
    return sum(float(line[1]) for line in lines if line and line[0] in known)


def measure(trials: int, notebooks: int, place: Path) -> dict[str, float | None]:
    """Return the rows of one season's column, by what they show."""
    from kitlib.simulation.season import simulate_season

    folder = place / f"season{trials}"
    simulate_season(folder, trials=trials, plots=PLOTS_PER_TRIAL * trials)
    bare, ours = apart(bare_read, folder), apart(statistics, folder)
    loop = apart(plain_loop, folder, min(notebooks, trials))
    run, r = apart(whole_run, folder), in_r(folder)
    shutil.rmtree(place)
    place.mkdir()
    return {
        "rows in all tables": bare["rows"],
        "CSV files, MB": bare["file"],
        "statistics, to curves.csv, s of processor": ours["cpu"],
        "R's read, pairs and statistics, s of processor": r,
        "bare pyarrow read, s of processor": bare["cpu"],
        "statistics by the bare read": ours["cpu"] / bare["cpu"],
        "memory of the statistics above the imports, MB": ours["peak"],
        "whole run, s by the clock": run["seconds"],
        "whole run, s of processor": run["cpu"],
        "whole run, s by the clock a trial": run["seconds"] / trials,
        "whole run, s of processor a trial": run["cpu"] / trials,
        "plain papermill loop, s by the clock a trial": loop["seconds"],
        "plain papermill loop, s of processor a trial": loop["cpu"],
        f"**loop by run, by the clock** (goal {LOOPS})": loop["seconds"]
        / (run["seconds"] / trials),
        f"**most memory of the run's own process, MB** (goal {MEMORY})": run["peak"],
        "most memory of a kernel of it, MB": run["kernel"],
        "files made": run["files"],
        "their size, MB": run["size"],
    }


def machine() -> str:
    """Return the machine and what it runs."""
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    packages = ("numpy", "pandas", "pyarrow", "papermill", "ipykernel", "typst")
    versions = ", ".join(f"{name} {version(name)}" for name in packages)
    place = f"{os.cpu_count()} cores, {memory:.0f} GiB, {platform.system()}"
    return f"{place}; Python {platform.python_version()}, {versions}."


def shown(value: float | None) -> str:
    """Return a number with three digits at least."""
    if value is None:
        return "not run"
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def main() -> None:
    """Measure and write the table."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("trials", type=int, nargs="*", default=SIZES)
    asked.add_argument("--notebooks", type=int, default=4, help="trials in a loop")
    asked.add_argument("--to", type=Path, default=HERE / "SCALE.md")
    chosen, found = asked.parse_args(), {}
    with tempfile.TemporaryDirectory() as name:
        place = Path(name) / "seasons"
        place.mkdir()
        for trials in chosen.trials:
            print(f"{trials:,} trials", file=sys.stderr, flush=True)
            found[trials] = measure(trials, chosen.notebooks, place)
    lines = ["| | " + " | ".join(f"{trials:,} trials" for trials in found) + " |"]
    lines.append("| --- |" + " ---: |" * len(found))
    for what in next(iter(found.values())):
        values = [column[what] for column in found.values()]
        cells = [shown(v) for v in values]
        lines.append(f"| {what} | {' | '.join(cells)} |")
    head = ["# Seasons of 1,000 plots a trial", "", "Made by `season_scale.py`."]
    said = "\n".join([*head, machine(), "", *lines]) + "\n"
    chosen.to.write_text(said, encoding="utf-8")
    print(said)


if __name__ == "__main__":
    if sys.argv[1:2] == ["--part"]:
        print(json.dumps(PARTS[sys.argv[2]](*sys.argv[3:])))
    else:
        main()
