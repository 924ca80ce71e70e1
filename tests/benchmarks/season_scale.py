"""Time and memory of a whole season, from 10 to 1,000 trials.

Run: python tests/benchmarks/season_scale.py [--notebooks N] [--whole] [trials ...]

Simulates seasons of 1,000 plots a trial, times every stage of their audit, each size in
a process of its own, and writes a table to `RESULTS.md` beside this file. In the same
run, on the same files: a bare pyarrow read of the CSV files, R's read and statistics
(`season_statistics.R`, where Rscript is installed), and a plain papermill loop over the
notebook of a trial, whose time per trial is set against ours.
"""

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from resource import RUSAGE_CHILDREN, RUSAGE_SELF, getrusage
from statistics import median
from time import perf_counter, process_time

from scale_table import UNITS, growth, machine, table_of

HERE = Path(__file__).parent
RESULTS = HERE / "RESULTS.md"
SIZES = (10, 100, 1000)
PLOTS_PER_TRIAL = 1000
REPEATS = 3


def peak_mb() -> float:
    """Return the most memory this process has held. [MB]"""
    status = Path("/proc/self/status")
    if status.exists():  # on Linux, ru_maxrss begins with what the parent held
        lines = status.read_text().splitlines()
        return next(int(line.split()[1]) for line in lines if "VmHWM" in line) / 1024
    return getrusage(RUSAGE_SELF).ru_maxrss / 1024


def processor() -> float:
    """Return the seconds of processor of this process and its ended children."""
    ended = getrusage(RUSAGE_CHILDREN)
    return process_time() + ended.ru_utime + ended.ru_stime


class Clock:
    """Seconds passed and seconds of processor since it was made."""

    def __init__(self):
        self.begun = perf_counter(), processor()

    def read(self, parts: int = 1) -> dict:
        """Return both, by name, divided by a number of parts."""
        passed, worked = perf_counter() - self.begun[0], processor() - self.begun[1]
        return {"seconds": passed / parts, "cpu": worked / parts}


class Stages:
    """Seconds of processor of each stage, and the most memory held up to its end."""

    def __init__(self):
        self.seconds, self.peak = {}, {}

    def add(self, stage, act, *args, **named):
        """Do something as a part of a stage."""
        start = process_time()
        try:
            return act(*args, **named)
        finally:
            spent = self.seconds.get(stage, 0.0) + process_time() - start
            self.seconds[stage], self.peak[stage] = spent, peak_mb()

    def clock(self, module, *names, stage):
        """Have every call of a module's functions count as a stage."""
        for name in names:
            setattr(module, name, self._clocked(getattr(module, name), stage))

    def _clocked(self, act, stage):
        return lambda *args, **named: self.add(stage, act, *args, **named)


def time_stages(folder, out, n) -> dict:
    """Return the stages of an audit and of its tables, and the memory at the start.

    The consequences, a trial, are those of n trials; 0 means all.
    """
    from whole_reports import trial_report

    from kitlib.intake import checks
    from kitlib.intake.outputs import csv_bytes
    from kitlib.reports.typeset import write_report
    from kitlib.review.review import review_season
    from kitlib.season import season as season_audit
    from kitlib.season.season import curves_table

    sys.path.append(str(Path(__file__).parents[1]))

    stages, start, out = Stages(), peak_mb(), Path(out)
    stages.clock(checks, "read_raw", stage="read")
    stages.clock(season_audit, "read_tables", stage="check")
    pairing = "reference_values", "pair_samples"
    stages.clock(season_audit, *pairing, stage="reference and pairs")
    audit = stages.add("whole audit", season_audit.audit_season, folder)
    stages.add("curves.csv", lambda: csv_bytes(curves_table(audit)))
    seconds = stages.seconds
    before = seconds["check"] + seconds["reference and pairs"]
    seconds["audit"] = seconds.pop("whole audit") - before
    stages.peak["audit"] = stages.peak.pop("whole audit")
    seconds["check"] -= seconds["read"]
    stages.add("plots", lambda: audit.plots)
    stages.add("findings", lambda: audit.findings)
    some = trial_names(folder, int(n) or len(audit.trials))
    vars(audit)["outcomes"] = stages.add(
        "consequences", lambda: {name: audit.trial(name).outcome for name in some}
    )
    seconds["consequences"] /= len(some)
    review = review_season(audit, ())
    stages.add("tables written", write_tables, out, audit, review)
    pdf = out / "one.pdf"
    one = audit.trials[0]
    stages.add("one PDF", lambda: write_report(trial_report(audit, one), pdf))
    return {"seconds": seconds, "peak": stages.peak, "start": start}


def write_tables(out: Path, audit, review) -> None:
    """Write every table of a season."""
    from kitlib.reports.season_sections import season_tables
    from kitlib.runs.run import table_files

    for name, content in table_files(audit, season_tables(audit, review)).items():
        (out / name).write_bytes(content())


def time_statistics(folder) -> dict:
    """Return the time from the folder to curves.csv, and the memory it took."""
    from kitlib.intake.outputs import csv_bytes
    from kitlib.season.season import audit_season, curves_table

    start, clock = peak_mb(), Clock()
    csv_bytes(curves_table(audit_season(folder)))
    return clock.read() | {"peak": peak_mb() - start}


def time_bare_read(folder, threads) -> dict:
    """Return the time of a bare pyarrow read and the size of what was read.

    The first read of a process is the like of an audit in a process of its own;
    further ones find the memory they need already given to the process.
    """
    from pyarrow.csv import ReadOptions, read_csv

    from kitlib.intake.tables import input_files

    paths = [path for path in input_files(Path(folder)) if path.suffix == ".csv"]
    options, start = ReadOptions(use_threads=bool(int(threads))), peak_mb()
    times, peaks = [], []
    for _ in range(1 + REPEATS):
        clock = Clock()
        tables = [read_csv(path, read_options=options) for path in paths]
        times.append(clock.read())
        peaks.append(peak_mb())
    held = sum(table.nbytes for table in tables) / 1e6
    return times[0] | {
        "again": median(time["seconds"] for time in times[1:]),
        "cpu again": median(time["cpu"] for time in times[1:]),
        "peak": peaks[0] - start,
        "held": held,
        "file": sum(path.stat().st_size for path in paths) / 1e6,
        "rows": sum(table.num_rows for table in tables),
    }


def time_notebooks(folder, out, n) -> dict:
    """Return the time of n trials' notebooks with their PDFs in a run, a trial.

    By the clock the start, until kernels can be forked, is told apart; processors'
    time has its share of it.
    """
    from kitlib.runs.kernels import Kernels, season_tasks, workshop
    from kitlib.runs.run import run_here
    from kitlib.season.season import audit_season

    audit = audit_season(folder)
    tasks = season_tasks(audit).values()
    by_trial = {task.trial: task for task in tasks}
    chosen = [by_trial[trial] for trial in trial_names(folder, int(n))]
    failed, begun = [], []
    jobs = os.cpu_count() or 1
    with workshop(Path(out), Path(folder)) as scratch, Kernels(jobs) as kernels:
        clock = Clock()
        kernels.start(jobs)
        begun.append(clock.read()["seconds"])
        run_here(kernels, chosen, scratch, audit, lambda _, why: failed.append(why))
        spent = clock.read(len(chosen))
    if any(failed):
        raise RuntimeError(f"a notebook failed: {failed}")
    start = begun[0]
    return spent | {"start": start, "seconds": spent["seconds"] - start / len(chosen)}


def time_whole_run(folder, out) -> dict:
    """Return the time of a whole run, with every notebook and PDF, and what it made."""
    from kitlib.runs.run import run_season

    stages, clock = {}, Clock()

    def say(stage):
        stages[stage.split(" ")[0]] = clock.read()["seconds"]

    run = run_season(folder, out, say=say)
    if run.failed:
        raise RuntimeError(f"a notebook failed: {run.failed}")
    paths = [path for path in run.record.home.rglob("*") if path.is_file()]
    size = sum(path.stat().st_size for path in paths)
    told = {"ranked": stages["writing"] - stages["ranking"], "peak": peak_mb()}
    told |= {"tables": stages["running"] - stages["writing"]}
    return clock.read() | told | {"files": len(paths), "size": size / 1e6}


def time_plain_loop(folder, out, n) -> dict:
    """Return the time of n trials in a plain papermill loop, a trial."""
    import papermill

    from kitlib.runs.workers import notebook_folder

    source, clock = str(notebook_folder() / "3_trial.ipynb"), Clock()
    for trial in trial_names(folder, int(n)):
        made = Path(out) / trial
        papermill.execute_notebook(
            source,
            f"{made}.ipynb",
            parameters={"season": folder, "trial": trial, "report": f"{made}.pdf"},
            progress_bar=False,
        )
    return clock.read(int(n))


def trial_names(folder, n) -> list[str]:
    """Return n trials of a season, from all over it."""
    from pyarrow.csv import read_csv

    names = read_csv(Path(folder) / "plots.csv")["trial"].unique().to_pylist()
    return names[:: max(len(names) // n, 1)][:n]


PARTS = {
    part.__name__: part
    for part in (
        time_stages,
        time_statistics,
        time_bare_read,
        time_notebooks,
        time_plain_loop,
        time_whole_run,
    )
}


def apart(part, *args) -> dict:
    """Return what a part of the benchmark measures in a process of its own."""
    call = [sys.executable, __file__, "--part", part.__name__, *map(str, args)]
    alone = {"OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    done = subprocess.run(
        call, env=os.environ | alone, stdout=subprocess.PIPE, text=True, check=True
    )
    return json.loads(done.stdout.splitlines()[-1])


def in_r(folder) -> dict[str, float]:
    """Return the seconds R takes by stage; none where it is not installed."""
    call = ["Rscript", str(HERE / "season_statistics.R"), str(folder)]
    if not shutil.which("Rscript"):
        return {}
    done = subprocess.run(call, capture_output=True, text=True)
    if done.returncode:
        print(done.stderr, file=sys.stderr)
        return {}
    lines = [line.split() for line in done.stdout.splitlines()]
    known = ("read", "pair", "statistics")
    return {line[0]: float(line[1]) for line in lines if line and line[0] in known}


def measure(trials, notebooks, outcomes, whole: bool, place: Path) -> dict:
    """Return all that is measured of a season of so many trials."""
    from kitlib.simulation.season import simulate_season

    folder, out = place / f"season{trials}", place / f"out{trials}"
    simulate_season(folder, trials=trials, plots=PLOTS_PER_TRIAL * trials)
    out.mkdir()
    n = min(notebooks, trials)
    found = {
        "trials": trials,
        "bare": apart(time_bare_read, folder, 0),
        "bare, threads": apart(time_bare_read, folder, 1),
        "statistics": apart(time_statistics, folder),
        "R": in_r(folder),
        "stages": apart(time_stages, folder, out, min(outcomes, trials)),
    }
    if n:
        found["loop"] = apart(time_plain_loop, folder, out, n)
        found["notebooks"] = apart(time_notebooks, folder, out, n)
    if whole:
        found["whole"] = apart(time_whole_run, folder, out)
    shutil.rmtree(folder)
    shutil.rmtree(out)
    return found


def main() -> None:
    """Measure and write the table."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("trials", type=int, nargs="*", default=SIZES)
    asked.add_argument("--notebooks", type=int, default=6, help="trials in a loop")
    asked.add_argument(
        "--outcomes", type=int, default=24, help="trials ranked; 0 means all"
    )
    asked.add_argument("--whole", action="store_true", help="time whole runs as well")
    asked.add_argument("--to", type=Path, default=RESULTS, help="file to write")
    chosen, found = asked.parse_args(), {}
    with tempfile.TemporaryDirectory() as place:
        for trials in chosen.trials:
            print(f"{trials:,} trials", file=sys.stderr, flush=True)
            how = chosen.notebooks, chosen.outcomes, chosen.whole
            found[trials] = measure(trials, *how, Path(place))
    head = ["# A season from 10 to 1,000 trials", "", f"Made by {Path(__file__).name}."]
    text = [*head, *machine(), UNITS, "", *table_of(found), "", growth(found)]
    chosen.to.write_text("\n".join(text).rstrip() + "\n", encoding="utf-8")
    print(chosen.to.read_text(encoding="utf-8"))


if __name__ == "__main__":
    if sys.argv[1:2] == ["--part"]:
        print(json.dumps(PARTS[sys.argv[2]](*sys.argv[3:])))
    else:
        main()
