"""The newcomer's lines of the README lead from foreign files to the PDFs."""

import re
import shlex
from contextlib import chdir, redirect_stderr, redirect_stdout
from io import StringIO
from pathlib import Path

import pandas as pd
import pytest
from export_demo import export_demo

from kitlib.intake.checks import read_tables
from kitlib.intake.schema import SCHEMAS
from kitlib.intake.settings import read_season
from kitlib.runs.cli import main

pytestmark = pytest.mark.slow  # whole runs

REPOSITORY = Path(__file__).parents[2]
# Half a unit of the last decimal that the exports keep.
ROUNDED = {"plot_mass_kg": 3e-4, "plot_area_m2": 1e-4, "test_weight_kg_hl": 0.007}
ROUNDED |= {"grain_temp_c": 0.03, "grain_mass_kg": 3e-5, "air_temp_c": 0.003}
ROUNDED |= {"lab_test_weight_kg_hl": 7e-4}


@pytest.fixture(scope="module")
def newcomer(tmp_path_factory):
    """Return a folder where the lines of the README were run, their codes and words."""
    text = (REPOSITORY / "README.md").read_text(encoding="utf-8")
    section = text.split("## From the files you have")[1].split("\n## ")[0]
    lines = re.findall(r"^    (\S.*)$", section, flags=re.MULTILINE)
    assert len(lines) == 6
    place = tmp_path_factory.mktemp("newcomer")
    (place / "demo_data").symlink_to(REPOSITORY / "demo_data")
    calls = [line for line in lines if line.startswith(".venv/bin/moisture-audit")]
    codes, said = [], []
    with chdir(place):
        for call in calls:
            with redirect_stdout(StringIO()) as out, redirect_stderr(out):
                codes.append(main(shlex.split(call)[1:]))
            said.append(out.getvalue())
    return place, codes, said, shlex.split(lines[-1])[1:]


def test_the_draft_asks_nothing(newcomer):
    place, _, said, _ = newcomer
    assert "drafted my-season/season.toml" in said[0] and "question" not in said[0]
    assert "\n#?" not in (place / "my-season/season.toml").read_text("utf-8")


@pytest.fixture(scope="module")
def both_read(demo, newcomer):
    """Return the tables of the season and of the one drafted from its exports."""
    folders = demo, newcomer[0] / "my-season"
    return [read_tables(folder, read_season(folder)) for folder in folders]


@pytest.mark.parametrize("table", SCHEMAS)
def test_the_exports_hold_the_season(both_read, table):
    ours, theirs = (tables[table].frame for tables in both_read)
    keys = [c for c in ("curve", "trial", "plot", "sample") if c in ours]
    keys += [c for c in ("dish", "reading", "run", "run_at", "built_on") if c in ours]
    keys = [c for c in keys if table != "curves" or c != "crop"]
    ours, theirs = (
        frame[list(SCHEMAS[table])].sort_values(keys, ignore_index=True)
        for frame in (ours, theirs)
    )
    words = {"corn": "maize", "soybeans": "soybean"}
    if "crop" in theirs:
        theirs["crop"] = theirs["crop"].str.lower().replace(words).astype("str")
    for column in ours:
        pd.testing.assert_series_equal(
            theirs[column], ours[column], atol=ROUNDED.get(column, 1e-9), rtol=0
        )


def test_the_committed_exports_are_those_of_the_season(demo, tmp_path):
    export_demo(demo, tmp_path)
    kept = demo / "exports"
    for name in ("Trockenschrank 2025.csv", "humidimetre 2025.txt"):
        assert (kept / name).read_bytes() == (tmp_path / name).read_bytes()
    [name] = [path.name for path in tmp_path.glob("*.xlsx")]
    ours, theirs = (
        pd.read_excel(folder / name, sheet_name=None, header=None)
        for folder in (kept, tmp_path)
    )
    assert ours.keys() == theirs.keys()
    for sheet in ours:
        pd.testing.assert_frame_equal(ours[sheet], theirs[sheet])


def test_six_lines_of_the_readme_lead_to_the_pdfs(newcomer):
    place, codes, said, patterns = newcomer
    assert codes == [0, 0, 0], said
    for pattern in patterns:
        assert list(place.glob(pattern))
    found = pd.read_csv(place / "my-reports/my-season/curves.csv").set_index("curve")
    truth = pd.read_csv(REPOSITORY / "demo_data/truth.csv").set_index("curve")
    assert found["bias"].sub(truth["true_bias"]).abs().max() < 0.5
