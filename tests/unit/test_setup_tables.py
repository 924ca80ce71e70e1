"""Set-up and check runs as tables."""

import pytest
from pytest import approx
from reviewed import demo_review

from kitlib.review.review_tables import review_tables
from kitlib.review.setup_causes import CAUSES


@pytest.fixture(scope="module")
def tables():
    return review_tables(demo_review())


def test_every_cause_stands_for_every_curve(tables):
    counts = tables["setup"].groupby("curve").size()
    assert (counts == len(CAUSES)).all()
    assert set(counts.index) == set(demo_review().curves)
    assert tables["setup"]["source"].str.len().gt(0).all()


def test_setup_offsets_agree_with_each_other(tables):
    table = tables["setup_offsets"]
    moved = table["offset_by_season"] - table["offset_at_setup"]
    assert table["season_less_setup"].to_numpy() == approx(moved.to_numpy())
    known = table["offset_at_setup"].notna()
    assert (
        table.loc[known, "offset_at_setup_low"] < table.loc[known, "offset_at_setup"]
    ).all()


def test_check_runs_have_a_row_for_each_curve_with_some(tables):
    table = tables["check_runs"].set_index("curve")
    assert set(table.index) == {
        c for c, one in demo_review().curves.items() if one.chart
    }
    # The demo changed wheat-S1's offset between the plots around one check day.
    assert table.loc["wheat-S1", "runs_open"] == 2
    assert "nothing is left to judge" in table.loc["soybean-S2", "remark"]
