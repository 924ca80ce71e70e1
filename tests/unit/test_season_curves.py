"""Curves reviewed together: what one knows of the others."""

import pytest
from pytest import approx
from reviewed import demo_review, demo_season

from kitlib.review.check_samples import pooled_scatter
from kitlib.review.review import review_curves
from kitlib.season.season import audit_season
from kitlib.simulation.season import simulate_season

SETUP = """curve,sample,known_pct,sensor_pct
W,a,12.0,12.1
W,a,12.0,12.3
W,b,16.0,16.0
V,c,12.0,12.5
V,d,16.0,16.1
"""


@pytest.fixture
def two(season):
    """Return a season of two curves of one sensor; only W's samples were run twice."""
    season.write(
        "curves.csv", "curve,crop,offset_loaded,sensor\nW,wheat,0.2,S1\nV,wheat,0,S1\n"
    )
    season.write("setup_runs.csv", SETUP)
    return review_curves(audit_season(season.folder))


def test_a_curve_without_repeated_runs_has_its_sensors_repeatability(two):
    setups = {curve: one for curve, one in two.curves.items()}
    assert (setups["W"].repeats.df, setups["V"].repeats.df) == (1, 0)
    assert setups["V"].sd_run == setups["W"].sd_run == approx(0.1 * 2**0.5)


def test_samples_of_one_name_on_two_curves_do_not_repeat_each_other(season):
    season.write(
        "curves.csv", "curve,crop,offset_loaded,sensor\nW,wheat,0.2,S1\nV,wheat,0,S1\n"
    )
    season.write("setup_runs.csv", SETUP.replace("V,c", "V,b"))
    found = review_curves(audit_season(season.folder))
    assert found.curves["V"].sd_run == approx(0.1 * 2**0.5)


def test_limits_of_all_curves_rest_on_one_pooled_sd():
    charts = [one.chart for one in demo_review().curves.values() if one.chart]
    assert len({chart.sd for chart in charts}) == 1
    sd, df = pooled_scatter([chart.runs for chart in charts])
    assert (charts[0].sd, charts[0].df) == (sd, df)


def test_curves_come_in_order_of_crop_and_name(two):
    assert list(two.curves) == ["V", "W"]
    assert list(demo_review().curves) == list(demo_season().audits)


def test_a_curve_that_served_nothing_is_reviewed_too(two):
    one = two.curves["V"]
    assert one.audit is None and one.chart is None
    assert one.offset.n_samples == 2
    assert one.offset.setting.value == approx(-0.3)


def test_an_advice_that_hangs_on_a_sample_far_apart_says_so(tmp_path):
    season = audit_season(simulate_season(tmp_path, trials=11, plots=800, seed=41))
    [found] = [f for f in season.findings if f.code == "rests-on-few"]
    assert season.advice["maize-S2"].action == "rebuild"
    assert found.message == (
        "curve maize-S2: without S0020, far from the others, the advice would be "
        "reslope, not rebuild."
    )
    assert not [f for f in demo_season().findings if f.code == "rests-on-few"]
