"""Work goes by columns: ten times the plots take no more calls of any function."""

from cProfile import Profile

import pytest

from kitlib.season.season import audit_season, curves_table

pytestmark = pytest.mark.slow


def calls_of(act) -> int:
    """Return how many functions, Python's and compiled ones, are called in it."""
    with Profile() as profile:
        act()
    return sum(entry.callcount for entry in profile.getstats())


def add_plots(season, numbers):
    """Add plots without a sample to the season's trials, their readings moving."""
    lines = [
        f"T{1 + k % 3},x{k},E{k % 7},wheat,W,{14 + k * 0.37 % 5:.1f},5.{k % 9},10,1"
        for k in numbers
    ]
    season.append("plots.csv", "\n".join(lines))


def calls_by_part(folder):
    """Return how many functions each part of an audit calls, with its beginning."""
    made = []
    own = calls_of(lambda: made.append(audit_season(folder)))
    parts = {
        "statistics": lambda: curves_table(made[0]),
        "plots": lambda: made[0].plots,
        "findings": lambda: made[0].findings,
    }
    return {name: own + calls_of(act) for name, act in parts.items()}


def test_no_function_is_called_for_every_plot(season):
    calls_by_part(season.folder)  # what is set up once
    add_plots(season, range(500))
    few = calls_by_part(season.folder)
    add_plots(season, range(500, 5_000))
    many = calls_by_part(season.folder)
    for part in few:
        assert many[part] < few[part] + 1_000, part
