"""A whole run of a season beside a plain papermill loop over the same notebooks.

Run: python tests/benchmarks/whole_run.py [SEASON]   (default: demo_data)

Both make the same notebooks and PDFs, one after the other, on the same machine; the
ratio is by the clock, whole run against whole loop.
"""

import subprocess
import sys
import tempfile
import time
from pathlib import Path

ROOT = Path(__file__).parents[2]
COMMAND = Path(sys.executable).parent / "moisture-audit"


def loop_of(season: Path, out: Path) -> list[tuple[str, dict]]:
    """Return the notebooks of a season with what papermill is to give them."""
    from kitlib.runs.kernels import season_tasks
    from kitlib.season.season import audit_season

    found = []
    for task in season_tasks(audit_season(season)).values():
        given = task.parameters | {"season": str(season)}
        if task.report:
            given["report"] = str(out / Path(task.report).name)
        found.append((task.notebook, given))
    return found


def execute_plainly(notebooks: list[tuple[str, dict]], out: Path) -> None:
    """Execute notebooks one after the other, as papermill alone does it."""
    import papermill

    for number, (name, given) in enumerate(notebooks):
        papermill.execute_notebook(
            str(ROOT / "notebooks" / f"{name}.ipynb"),
            str(out / f"{number}.ipynb"),
            parameters=given,
            progress_bar=False,
        )


def main() -> None:
    """Time both and print the ratio."""
    season = Path(sys.argv[1] if len(sys.argv) > 1 else ROOT / "demo_data").resolve()
    with tempfile.TemporaryDirectory() as place:
        start = time.perf_counter()
        call = [COMMAND, "run", season, "--out", Path(place) / "run"]
        subprocess.run(call, check=True, capture_output=True)
        ours = time.perf_counter() - start
        (out := Path(place) / "loop").mkdir()
        notebooks = loop_of(season, out)
        start = time.perf_counter()
        execute_plainly(notebooks, out)
        loop = time.perf_counter() - start
    print(f"run {ours:.1f} s, plain loop {loop:.1f} s, ratio {loop / ours:.2f}")


if __name__ == "__main__":
    main()
