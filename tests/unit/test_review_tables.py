"""Tables of a review: complete, consistent with the results they come from."""

import pandas as pd
import pytest
from pytest import approx
from reviewed import demo_review

from kitlib.intake.outputs import csv_bytes
from kitlib.review.plan import cheapest
from kitlib.review.review_tables import review_tables


@pytest.fixture(scope="module")
def tables():
    return review_tables(demo_review())


def test_the_tables_are_those_of_the_contract(tables):
    assert {"setup", "check_runs", "parallel", "sources", "plan", "history"} <= set(
        tables
    )


def test_every_table_can_be_written_twice_alike(tables):
    for table in tables.values():
        assert csv_bytes(table) == csv_bytes(table)


def test_shares_of_sources_add_up(tables):
    table = tables["sources"]
    totals = table.groupby(["crop", "curve"])["share"].sum()
    assert totals.to_numpy() == approx(1.0)
    of_curves = table[table["curve"] != ""]
    assert of_curves.groupby("curve")["share_of_bias"].sum().to_numpy() == approx(1.0)
    assert of_curves["effort"].str.endswith(".").all()


def test_each_curves_cheapest_plan_stands_in_the_table(tables):
    for curve, group in tables["plan"].groupby("curve"):
        best = cheapest(demo_review().curves[curve].plan.table)
        told = group[group["cheapest"]]
        assert told["cost"].tolist() == [best["cost"]]


def test_without_earlier_seasons_there_is_no_history(tables):
    assert tables["history"].empty
    assert "shrunken" in tables["history"]


def test_parallel_curves_and_their_bands(tables):
    (row,) = tables["parallel"].itertuples()
    assert row.rmsep_difference == approx(row.rmsep_first - row.rmsep_second)
    bands = tables["parallel_bands"]
    assert bands["n"].sum() == row.n
    assert isinstance(bands, pd.DataFrame) and (bands["first"] == row.first).all()
