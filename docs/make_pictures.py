"""Make the picture of a trial's report in README.md anew: python docs/make_pictures.py.

It runs the notebook on one trial of the demo season and takes the first page of its
PDF, so the picture shows what the kit prints. Wants poppler's pdftoppm.
"""

import subprocess
from pathlib import Path
from tempfile import TemporaryDirectory

import papermill
from PIL import Image

HERE = Path(__file__).parent
DPI, MOST_BYTES = 100, 200_000


def keep(drawn: Image.Image, name: str, colours: int) -> None:
    """Save a picture for README with a palette, a third of the size; say how large."""
    small = drawn.convert("RGB").quantize(colours, dither=Image.Dither.NONE)
    small.save(HERE / name, optimize=True)
    size = (HERE / name).stat().st_size
    print(f"docs/{name}, {size / 1000:.0f} kB")
    assert size < MOST_BYTES


def main() -> None:
    """Write docs/trial_page.png."""
    notebooks = HERE.parent / "notebooks"
    with TemporaryDirectory() as folder:
        pdf = Path(folder) / "trial.pdf"
        papermill.execute_notebook(
            notebooks / "3_trial.ipynb",
            Path(folder) / "trial.ipynb",
            parameters={"season": str(HERE.parent / "demo_data"), "report": str(pdf)},
            progress_bar=False,
        )
        page = Path(folder) / "page"
        first = ["-f", "1", "-l", "1", "-singlefile"]
        command = ["pdftoppm", "-png", "-r", str(DPI), *first, pdf, page]
        subprocess.run(command, check=True, capture_output=True)
        with Image.open(page.with_suffix(".png")) as drawn:
            keep(drawn, "trial_page.png", colours=64)


if __name__ == "__main__":
    main()
