"""The table of `season_scale.py`: times, memory, ratios and the machine."""

import os
import platform
import shutil
import subprocess
from importlib.metadata import version
from pathlib import Path

# Goals, as ratios within one run.
READS, LOOPS, MEMORY = 3, 6, 3
UNITS = "Times are seconds of processor, by the clock only where it says so."
STATISTICS = ("read", "check", "reference and pairs", "audit", "curves.csv")
PEAKS = ("read", "check", "audit", "findings", "consequences", "tables written")
BEYOND = {
    "plots": "plots corrected",
    "findings": "findings",
    "consequences": "consequences of a trial",
    "tables written": "tables written, entries of the trials ranked only",
    "one PDF": "the PDF of a trial",
}


def machine() -> list[str]:
    """Return the machine and what it runs, as lines."""
    info = Path("/proc/cpuinfo")
    lines = info.read_text().splitlines() if info.exists() else []
    models = [line.split(":")[1].strip() for line in lines if "model name" in line]
    memory = os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 2**30
    packages = ("numpy", "pandas", "pyarrow", "papermill", "ipykernel", "typst")
    versions = ", ".join(f"{name} {version(name)}" for name in packages)
    return [
        f"{models[0] if models else platform.processor()}; {os.cpu_count()} cores; "
        f"{memory:.0f} GiB; {platform.system()}",
        f"Python {platform.python_version()}, {versions}{r_version()}",
    ]


def r_version() -> str:
    """Return R's version, as the end of a list."""
    if not shutil.which("Rscript"):
        return "; no R"
    asked = ["Rscript", "-e", "cat(R.version.string)"]
    return "; " + subprocess.run(asked, capture_output=True, text=True).stdout


def row(name, cells) -> str:
    """Return a row of a Markdown table."""
    return f"| {name} | {' | '.join(cells)} |"


def table_of(found: dict[int, dict]) -> list[str]:
    """Return the measured times, memory and ratios as a Markdown table."""
    sizes, every = list(found), list(found.values())

    def times(name, take, digits=2):
        values = [take(one) for one in every]
        cells = [f"{v:.{digits}f}" if v is not None else "not run" for v in values]
        return row(name, cells)

    def of(part, *keys):
        def take(one):
            for key in (part, *keys):
                one = one.get(key) if one else None
            return one

        return take

    def ratio(above, below):
        def take(one):
            over, under = above(one), below(one)
            return over / under if over is not None and under else None

        return take

    statistics, bare = of("statistics", "seconds"), of("bare", "seconds")
    work, bare_work = of("statistics", "cpu"), of("bare", "cpu")
    bare_again = of("bare", "cpu again")
    with_threads = ratio(statistics, of("bare, threads", "seconds"))
    used, held = of("statistics", "peak"), of("bare", "held")
    notebook, loop = of("notebooks", "cpu"), of("loop", "cpu")
    loop_clock, start = of("loop", "seconds"), of("notebooks", "start")

    def in_a_run(one):
        """Return the seconds of a trial, the start shared by all of its season."""
        found = one.get("notebooks")
        return found and found["seconds"] + found["start"] / one["trials"]

    return [
        row("", [f"{n:,} trials" for n in sizes]),
        row("---", ["---:"] * len(sizes)),
        times("rows in all tables", of("bare", "rows"), 0),
        times("CSV files, MB", of("bare", "file"), 1),
        times("the same in memory, MB", held, 1),
        row("**season statistics, to curves.csv**", [""] * len(sizes)),
        *[times(f"{s}, s", of("stages", "seconds", s)) for s in STATISTICS],
        times("in all, in a process of its own, s", work),
        times("bare pyarrow read in a process of its own, s", bare_work),
        times("the same once more in that process, s", bare_again),
        times(f"**ratio to the bare read** (goal {READS})", ratio(work, bare_work)),
        times("ratio to the bare read once more", ratio(work, bare_again)),
        times("ratio to the bare read, by the clock", ratio(statistics, bare)),
        times("ratio to a bare read with threads, by the clock", with_threads),
        times("memory above the imports, MB", used, 0),
        times(f"**ratio to the input in memory** (goal {MEMORY})", ratio(used, held)),
        times("memory of the bare read above the imports, MB", of("bare", "peak"), 0),
        *[times(f"R: {s}, s", of("R", s)) for s in ("read", "pair", "statistics")],
        row("**beyond them**", [""] * len(sizes)),
        *[
            times(f"{said}, s", of("stages", "seconds", s))
            for s, said in BEYOND.items()
        ],
        row("**most memory held up to the end of a stage**", [""] * len(sizes)),
        *[times(f"{s}, MB", of("stages", "peak", s), 0) for s in PEAKS],
        times("the imports alone, MB", of("stages", "start"), 0),
        row("**notebook and PDF of a trial**", [""] * len(sizes)),
        times("start of the warm process, s by the clock", start),
        times("then a trial, s by the clock", of("notebooks", "seconds")),
        times("plain papermill loop, a trial, s by the clock", loop_clock),
        times(
            f"**loop's time by ours, the start shared by all trials** (goal {LOOPS})",
            ratio(loop_clock, in_a_run),
        ),
        times("processor: a trial, the start shared by those run here", notebook),
        times("processor: plain papermill loop, a trial", loop),
        row("**a whole run, every notebook and PDF**", [""] * len(sizes)),
        times("in all, s by the clock", of("whole", "seconds"), 0),
        times("of these the ranking, s by the clock", of("whole", "ranked"), 0),
        times("of these the tables, s by the clock", of("whole", "tables"), 0),
        times("in all, s of processor", of("whole", "cpu"), 0),
        times("most memory of the run's own process, MB", of("whole", "peak"), 0),
        times("files made", of("whole", "files"), 0),
        times("their size, MB", of("whole", "size"), 0),
    ]


def growth(found: dict[int, dict]) -> str:
    """Return how the time of the statistics grows from size to size."""
    said = []
    for fewer, more in zip(list(found), list(found)[1:], strict=False):
        times = [found[n]["statistics"]["cpu"] for n in (fewer, more)]
        grown = times[1] / times[0]
        said.append(f"{grown:.1f} times from {fewer:,} to {more:,} trials")
    return f"Time of the season statistics: {'; '.join(said)}." if said else ""
