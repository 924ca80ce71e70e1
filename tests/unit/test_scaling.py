"""Work goes by columns: ten times the plots take no more calls of any function."""

import sys

import pytest

from kitlib.season.season import audit_season, curves_table

pytestmark = pytest.mark.slow


def calls_of(act) -> int:
    """Return how many functions, Python's and compiled ones, are called in it."""
    n = 0

    def count(frame, event, _):
        nonlocal n
        n += event in ("call", "c_call")

    sys.setprofile(count)
    try:
        act()
    finally:
        sys.setprofile(None)
    return n


def add_plots(season, numbers):
    """Add plots without a sample to the season's trials, their readings moving."""
    lines = [
        f"T{1 + k % 3},x{k},E{k % 7},wheat,W,{14 + k * 0.37 % 5:.1f},5.{k % 9},10,1"
        for k in numbers
    ]
    season.append("plots.csv", "\n".join(lines))


@pytest.mark.parametrize(
    "act",
    [
        lambda folder: curves_table(audit_season(folder)),
        lambda folder: audit_season(folder).plots,
        lambda folder: audit_season(folder).findings,
    ],
    ids=["statistics", "plots", "findings"],
)
def test_no_function_is_called_for_every_plot(season, act):
    act(season.folder)  # what is set up once
    add_plots(season, range(500))
    few = calls_of(lambda: act(season.folder))
    add_plots(season, range(500, 5_000))
    many = calls_of(lambda: act(season.folder))
    assert many < few + 1_000
