"""Rows and values against the rest of their table, one planted at a time."""

import numpy as np
import pytest
from real_trials import plots_of, read_trials

from kitlib.intake.checks import read_tables, table_findings
from kitlib.intake.schema import SCHEMAS, empty_table
from kitlib.intake.settings import read_season
from kitlib.intake.units import values_apart

POUND = 2.2046226


def told(season):
    """Return the codes and rows of what looks odd in a season."""
    settings = read_season(season.folder)
    tables = read_tables(season.folder, settings)
    return [(f.code, f.rows) for f in table_findings(tables, settings)]


def with_column(season, name, cells):
    """Add a column to the plots table, its last cell repeated."""
    head, *rows = season.text("plots.csv").splitlines()
    cells = [*cells, *[cells[-1]] * len(rows)][: len(rows)]
    lines = [f"{head},{name}", *(f"{r},{c}" for r, c in zip(rows, cells, strict=True))]
    season.write("plots.csv", "\n".join(lines) + "\n")


@pytest.mark.parametrize(
    "name", ["-", "n/a", "Border", "fill plot", "?", "TBD", "N.A."]
)
def test_a_placeholder_is_no_entry(season, name):
    season.replace("plots.csv", "T1,002,E2", f"T1,002,{name}")
    assert ("entry-placeholder", (3,)) in told(season)


@pytest.mark.parametrize("name", ["X6", "Na-12", "Borderer", "Filler 2", "7"])
def test_a_name_is_no_placeholder(season, name):
    season.replace("plots.csv", "T1,002,E2", f"T1,002,{name}")
    assert "entry-placeholder" not in dict(told(season))


@pytest.mark.parametrize("again", ["001R", "001-2", "001 rerun", "001b", "001_rep"])
def test_a_second_run_of_a_plot_is_told(season, again):
    season.append("plots.csv", f"T1,{again},E1,wheat,W,14.4,5.1,10,1")
    assert ("plot-again", (12,)) in told(season)


def test_plots_of_other_entries_are_no_second_run(season):
    season.append("plots.csv", "T1,001b,E2,wheat,W,14.4,5.1,10,1")
    assert "plot-again" not in dict(told(season))


def test_block_1_and_block_1_0_are_one_name(season):
    season.replace("plots.csv", "5.5,10,1", "5.5,10,1.0")
    assert ("keys-alike", (3,)) in told(season)


def test_blocks_of_two_trials_may_be_numbered_each_in_its_way(season):
    text = season.text("plots.csv")
    lines = [
        f"{line[:-1]}0{line[-1]}" if line.startswith("T2") else line
        for line in text.splitlines()
    ]
    season.write("plots.csv", "\n".join(lines) + "\n")
    assert "keys-alike" not in dict(told(season))


def test_one_trial_name_at_two_sites_is_told(season):
    with_column(season, "location", ["Low Field"] * 2 + ["Mill Hill"] * 2 + ["Ridge"])
    assert ("trial-two-sites", (2, 3, 4, 5)) in told(season)


def test_a_curve_built_after_harvest_is_told(season):
    with_column(season, "harvested_at", ["2025-10-01T10:00"] * 2 + ["2025-10-20T10:00"])
    season.write(
        "curves.csv", "curve,crop,offset_loaded,built_on\nW,wheat,0,2025-10-10\n"
    )
    assert ("built-late", (2, 3)) in told(season)


def test_a_curve_built_on_the_day_of_harvest_is_not(season):
    with_column(season, "harvested_at", ["2025-10-10T08:00"])
    season.write(
        "curves.csv", "curve,crop,offset_loaded,built_on\nW,wheat,0,2025-10-10T17:00\n"
    )
    assert "built-late" not in dict(told(season))


def test_an_offset_of_the_other_sign_is_told(season):
    with_column(season, "offset_in_force", ["-0.2"])
    assert ("offset-odd", (2,)) in told(season)


# ---- values, on the plots of one real year


@pytest.fixture(scope="module")
def plots():
    trials = read_trials()
    return plots_of(trials[trials["year"] == 2001]).reset_index(drop=True)


def apart(plots):
    frames = {name: empty_table(name) for name in SCHEMAS}
    frames["plots"] = empty_table("plots").reindex(plots.index).assign(**plots)
    return {row for f in values_apart(frames) for row in f.rows}


def test_few_real_plots_are_told_as_they_are(plots):
    assert len(apart(plots)) < 0.005 * len(plots)


@pytest.mark.parametrize(
    ("column", "change"),
    [
        ("plot_mass_kg", lambda v: v * 10),
        ("plot_mass_kg", lambda v: v / 10),
        ("plot_mass_kg", lambda v: v * POUND),
        ("plot_area_m2", lambda v: v * 10.764),
        ("sensor_pct", lambda v: v * 10),
        ("sensor_pct", lambda v: v + 8),
        ("test_weight_kg_hl", lambda v: v / 1.287186),
    ],
)
def test_a_slip_in_one_plot_is_told(plots, column, change):
    changed = plots.copy()
    changed.loc[40, column] = change(changed.loc[40, column])
    assert 40 in apart(changed)


def test_a_sensor_that_stuck_is_not_told_as_odd_plots(plots):
    stuck = plots["sensor_pct"].mask(np.arange(len(plots)) < 6, 30.0)
    assert not apart(plots.assign(sensor_pct=stuck)) & set(range(6))
