"""Tables and findings of a review: complete, consistent with what they come from."""

from dataclasses import replace

import pandas as pd
import pytest
from pytest import approx
from reviewed import demo_review

from kitlib.review.comparisons import compare_curves
from kitlib.review.plan import SAMPLES_PER_TRIAL, TRIALS, cheapest
from kitlib.review.review import (
    review_findings,
    review_tables,
    tells_a_cause,
)
from kitlib.review.setup import CAUSES, CurveReview
from kitlib.words.findings import KINDS, Finding


@pytest.fixture(scope="module")
def tables():
    return review_tables(demo_review())


def test_the_tables_are_those_of_the_contract(tables):
    assert {"setup", "check_runs", "parallel", "sources", "plan", "history"} <= set(
        tables
    )


def test_shares_of_sources_add_up(tables):
    table = tables["sources"]
    totals = table.groupby(["crop", "curve"])["share"].sum()
    assert totals.to_numpy() == approx(1.0)
    of_curves = table[table["curve"] != ""]
    assert of_curves.groupby("curve")["share_of_bias"].sum().to_numpy() == approx(1.0)
    assert of_curves["effort"].str.endswith(".").all()


def test_each_curves_cheapest_plan_stands_in_the_table(tables):
    for curve, group in tables["plan"].groupby("curve"):
        best = cheapest(demo_review().plans[curve].table)
        told = group[group["cheapest"]]
        assert told["cost"].tolist() == [best["cost"]]
        # All plans of two dishes without a benchtop meter stand beside the efficient.
        plain = group.query("dishes == 2 and benchtop_per_trial == 0")
        assert len(plain) == len(TRIALS) * len(SAMPLES_PER_TRIAL)


def test_without_earlier_seasons_there_is_no_history(tables):
    assert tables["history"].empty
    assert "shrunken" in tables["history"]


def test_parallel_curves_and_their_bands(tables):
    (row,) = tables["parallel"].itertuples()
    assert row.rmsep_difference == approx(row.rmsep_first - row.rmsep_second)
    bands = tables["parallel_bands"]
    assert bands["n"].sum() == row.n
    assert isinstance(bands, pd.DataFrame) and (bands["first"] == row.first).all()


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
    assert "nothing to test" in table.loc["soybean-S2", "remark"]


def of_curve(curve: str, changed: CurveReview):
    """Return the findings on one curve, with that curve changed."""
    review = demo_review()
    review = replace(review, curves={**review.curves, curve: changed})
    return {f.code: f.message for f in review_findings(review) if f.curve == curve}


@pytest.fixture
def one():
    return demo_review().curves["maize-S1"]


def test_every_finding_has_its_kind_and_a_full_sentence():
    found = review_findings(demo_review())
    assert {finding.code for finding in found} <= set(KINDS)
    assert all(finding.message.endswith(".") for finding in found)
    assert all(finding.severity in ("warning", "note") for finding in found)


def test_what_the_demo_did_wrong_at_set_up_is_found_with_its_size():
    found = review_findings(demo_review())
    said = {
        code: {f.curve: f.message for f in found if f.code == code} for code in CAUSES
    }
    careless = {"maize-S1", "maize-S2", "soybean-S1", "soybean-S2", "wheat-S2"}
    for code in ("setup-wetted", "setup-fill", "setup-repeats"):
        assert set(said[code]) == careless
    assert set(said["setup-start"]) == careless - {"wheat-S2"}
    assert set(said["setup-temperature"]) == {"maize-S1", "soybean-S1"}
    wetted = said["setup-wetted"]["maize-S1"]
    assert "water added to 10 of 50 samples" in wetted
    assert "up to 0.01 points" in wetted


def test_a_curve_that_did_not_hold_is_found_and_a_good_one_is_not():
    held = {
        f.curve for f in review_findings(demo_review()) if f.code == "offset-not-held"
    }
    assert "wheat-S1" in held and "maize-S1" not in held


def test_a_set_up_read_before_loading_is_asked_about_and_judged_no_further(one):
    register = one.register.copy()
    register["offset_loaded"] = 2.0
    # An even number of runs that err by a tenth more and less than -2 points.
    away = 0.1 * (-1.0) ** one.runs.index.to_numpy()
    runs = one.runs.assign(sensor_pct=one.runs["known_pct"] - 2.0 + away)
    codes = of_curve("maize-S1", replace(one, register=register, runs=runs))
    assert "offset_in_force" in codes["setup-unclear"]
    assert "offset-not-held" not in codes


def test_check_samples_out_of_limits_and_changed(one):
    day = pd.Timestamp("2025-10-17")
    chart = replace(
        one.chart,
        first_out={"Shewhart": None, "EWMA": day, "CUSUM": None},
        runs=replace(one.chart.runs, own_change={"check-MZ-dry": -0.4}),
        drift=replace(one.chart.drift, value=0.5, se=0.05, df=4),
    )
    codes = of_curve("maize-S1", replace(one, chart=chart))
    assert codes["check-out-of-limits"].endswith("2025-10-17 by EWMA.")
    assert "+0.50 points in 30 days" in codes["check-drifts"]
    assert "check-MZ-dry changed by" in codes["check-sample-changed"]
    quiet = of_curve("maize-S1", one)
    assert not {"check-out-of-limits", "check-drifts"} & set(quiet)


def test_the_better_of_two_curves_is_named():
    trial = [t for t in range(8) for _ in range(3)]
    one = [0.1, -0.1, 0.2] * 8
    other = [5 * error + 0.1 * t for error, t in zip(one, trial, strict=True)]
    found = compare_curves("A", "B", one, other, [15.0] * 24, trial)
    review = replace(demo_review(), parallel=[found])
    said = {f.code: f for f in review_findings(review) if f.code.startswith("parallel")}
    assert said["parallel-tighter"].curve == "A"
    assert "A is better" in said["parallel-tighter"].message


def test_only_causes_at_set_up_are_left_to_their_table():
    causes = {code for code in KINDS if tells_a_cause(Finding(code=code, message=""))}
    # An offset loaded wrongly is in the table, and to be read among the findings too.
    assert causes == {*CAUSES, "setup-not-recorded"} - {"setup-misloaded"}
