"""The notebooks' views hold for any season: a usual one, one without oven results."""

import pytest

from kitlib.pages.blocks import Table
from kitlib.pages.looks import look
from kitlib.reports import curve_views, join_views, trial_views
from kitlib.season.season import audit_season

JOIN = [join_views.rows_read, join_views.dish_agreement, join_views.dishes_apart]
JOIN += [join_views.meter_samples, join_views.bridge_rows, join_views.pair_counts]
JOIN += [join_views.pair_rows, join_views.coverage_rows, join_views.coverage_pictures]
CURVES = [curve_views.curve_rows, curve_views.reasons, curve_views.curve_evidence]
CURVES += [curve_views.band_rows, curve_views.slope_rows, curve_views.left_out_rows]
CURVES += [curve_views.pooled_rows, curve_views.effect_rows]
OF_TRIAL = [trial_views.trial_facts, trial_views.sample_rows, trial_views.served_rows]
OF_TRIAL += [trial_views.plot_changes]


@pytest.fixture(params=["usual", "no oven"])
def audit(season, request):
    if request.param == "no oven":
        (season.folder / "oven.csv").unlink()
    return audit_season(season.folder)


def by_name(view):
    return view.__name__


@pytest.mark.parametrize("view", JOIN + CURVES, ids=by_name)
def test_views_of_a_season(audit, view):
    look(view(audit))


@pytest.mark.parametrize("view", OF_TRIAL, ids=by_name)
def test_views_of_a_trial(audit, view):
    for name in audit.trials:
        look(view(audit.trial(name)))


def test_curves_of_a_trial_are_shown_or_said_to_be_silent(audit):
    look(trial_views.trial_curves(audit, audit.trial("T1")))


def test_counts_of_the_season_are_those_of_its_tables(season):
    read = join_views.rows_read(audit_season(season.folder))
    assert isinstance(read, Table)
    assert read.rows[:2] == [("plots", "10", "10", "0"), ("oven", "10", "10", "0")]


def test_findings_on_tables_are_those_with_a_table(season):
    season.replace("plots.csv", "14.2,5.0", "a lot,5.0")
    found = join_views.of_tables(audit_season(season.folder))
    assert "not-a-number" in [f.code for f in found]
    assert all(f.table for f in found)
