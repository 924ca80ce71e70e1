"""Time from a change in the explorer to its redrawn pictures.

Run: python tests/benchmarks/explorer_redraw.py [repeats]

Every time is set against a bare matplotlib redraw of the same figures (their canvases
drawn once, nothing computed and nothing packed), taken in turn with it in the same
run; the goal is a ratio of at most 2. The large season is simulated first: 1,000
trials, 100,000 plots, and about 5,000 samples of the curve looked at.
"""

import platform
import sys
import tempfile
from itertools import cycle
from pathlib import Path
from statistics import median
from time import perf_counter

import matplotlib

from kitlib.explorer.panels import ExplorerPanel
from kitlib.season.season import audit_season
from kitlib.simulation.season import simulate_season

DEMO = Path(__file__).parents[2] / "demo_data"
CURVE = "maize-S2"
REPEATS = 15
GOAL = 2


def changes_of(panel):
    """Return what a user changes, each with the values it goes through."""
    controls, stops = panel.controls, panel.controls.offset.options
    return {
        "offset": (controls.offset, [value for _, value in stops[8:18]]),
        "tilt": (controls.tilt, [0.05, 0.06, 0.07, 0.08]),
        "trial": (controls.trial, list(controls.trial.options[:4])),
        "sample left out": (controls.left_out, [(1,), (2,), (3, 4), (5,)]),
    }


def bare_redraw(panel) -> None:
    """Draw the four canvases as matplotlib would, with all that moves in them."""
    for picture in panel.pictures:
        for artist in picture.moving:
            artist.set_animated(False)
        picture.figure.canvas.draw()
        for artist in picture.moving:
            artist.set_animated(True)


def seconds(act, *arguments) -> float:
    """Return how long something takes."""
    start = perf_counter()
    act(*arguments)
    return perf_counter() - start


def without_advice(panel):
    """Let the panel pass over the audit's advice, which follows the pictures."""
    explorer = panel.explorer
    advise = explorer.advice_on
    explorer.advice_on = lambda counted: explorer.advice
    return advise


def measure(folder, out, repeats: int):
    """Yield a line for each kind of change in one season."""
    season = audit_season(folder)
    panel = ExplorerPanel(season, out)
    opening = seconds(setattr, panel.controls.curve, "value", CURVE)
    samples, plots = panel.explorer.samples.n, len(season.plots)
    yield f"{samples:,} samples, {plots:,} plots; curve opened in {opening:.2f} s"
    panel.controls.slope.value = True
    advise = without_advice(panel)
    for name, (control, values) in changes_of(panel).items():
        pairs = []
        for value, _ in zip(cycle(values), range(repeats), strict=False):
            changed = seconds(setattr, control, "value", value)
            pairs.append((changed, seconds(bare_redraw, panel)))
        change, bare = (1000 * median(times) for times in zip(*pairs, strict=True))
        ratio = change / bare
        verdict = "" if ratio <= GOAL else f"  above the goal of {GOAL}"
        yield f"  {name:16}{change:8.1f} ms{bare:8.1f} ms{ratio:8.2f}{verdict}"
    counted = panel.look.counted
    yield f"  advice without the sample {1000 * seconds(advise, counted):.0f} ms"


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


def main(repeats: int = REPEATS) -> None:
    """Print the table."""
    print(machine())
    print(f"medians of {repeats}   change to pictures    bare    ratio")
    with tempfile.TemporaryDirectory() as place:
        large = simulate_season(Path(place) / "large", trials=1000, plots=100_000)
        for folder in (DEMO, large):
            for line in measure(folder, Path(place) / "out", repeats):
                print(line, flush=True)


if __name__ == "__main__":
    main(*map(int, sys.argv[1:]))
