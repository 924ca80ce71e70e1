"""Time from a change in the explorer to its redrawn pictures.

Run: python tests/benchmarks/explorer_redraw.py [steps]

Every time is set against a bare matplotlib redraw of the same pictures (their canvases
drawn once with matplotlib's own axes, nothing computed and nothing packed), taken in
turn with it in the same run; the goal is a ratio of at most 2, or 100 ms. The large
seasons are simulated first: one whose trials have 1,200 plots, and one of 300 trials of
1,000 plots, of which it is told how long the panel takes to its first picture and to
its last.
"""

import platform
import sys
import tempfile
from pathlib import Path
from statistics import median
from time import perf_counter

import matplotlib

from kitlib.explorer.panel import ExplorerPanel
from kitlib.season.season import audit_season
from kitlib.simulation.season import simulate_season

DEMO = Path(__file__).parents[2] / "demo_data"
CURVE = "maize-S2"
STEPS = 30


def bare_redraw(panel: ExplorerPanel) -> float:
    """Draw the canvases as matplotlib would, with its own axes in place of ours. [s]"""
    curve = panel.look.curve.audit.curve
    figures = [each.figure for each in (*panel._drawn[curve], panel._ranks)]
    every = [ax for figure in figures for ax in figure.axes]
    for ax in every:
        ax.set_axis_on()
        ax.artists[0].set_visible(False)
    taken = sum(seconds(figure.canvas.draw) for figure in figures)
    for ax in every:
        ax.set_axis_off()
        ax.artists[0].set_visible(True)
    return taken


def seconds(act, *arguments) -> float:
    """Return how long something takes."""
    start = perf_counter()
    act(*arguments)
    return perf_counter() - start


def measure(folder, out, steps: int):
    """Yield a line for the panel's opening and one for each kind of change."""
    audited = perf_counter()
    season = audit_season(folder)
    panel = ExplorerPanel(out)
    audited = perf_counter() - audited
    first = audited + seconds(panel.take, season)
    done = first + seconds(panel.run, panel._serve())
    plots = len(season.plots)
    yield f"{plots:,} plots: first picture {first:.1f} s, all {done:.1f} s"
    panel.act("curve", CURVE)
    middle = panel.view["offset"]["at"] - steps // 2
    changes = {
        "offset": ("offset_at", range(middle, middle + steps)),
        "tilt": ("tilt_at", range(20, 20 + steps)),
        "sample left out": ("leave_out", [[k] for k in range(steps)]),
    }
    for name, (action, values) in changes.items():
        pairs = [
            (seconds(panel.act, action, value), bare_redraw(panel)) for value in values
        ]
        change, bare = (1000 * median(times) for times in zip(*pairs, strict=True))
        yield f"  {name:16}{change:8.1f} ms{bare:8.1f} ms{change / bare:8.2f}"


def machine() -> str:
    """Return the machine and what it runs, as one line."""
    info = Path("/proc/cpuinfo")
    lines = info.read_text().splitlines() if info.exists() else []
    models = [line.split(":")[1].strip() for line in lines if "model name" in line]
    name = f"{len(models)} × {models[0]}" if models else platform.processor()
    versions = (
        f"Python {platform.python_version()}, matplotlib {matplotlib.__version__}"
    )
    return f"{name}; {platform.system()}; {versions}"


def main(steps: int = STEPS) -> None:
    """Print the table."""
    print(machine())
    print(f"medians of {steps}   change to pictures    bare    ratio")
    with tempfile.TemporaryDirectory() as place:
        seasons = [DEMO]
        for trials, plots in ((24, 24 * 1200), (300, 300_000)):
            folder = Path(place) / f"{trials}"
            seasons.append(simulate_season(folder, trials=trials, plots=plots))
        for folder in seasons:
            for line in measure(folder, Path(place) / "out", steps):
                print(line, flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
