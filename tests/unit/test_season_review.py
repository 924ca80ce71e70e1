"""A whole season reviewed: the demo's stories, missing tables, earlier seasons."""

from datetime import date

import pandas as pd
import pytest
from pytest import approx
from reviewed import costs_of, demo_review, demo_season

from kitlib.intake.outputs import csv_bytes
from kitlib.reports.blocks import Report
from kitlib.reports.typeset import typeset
from kitlib.review.comparisons import NO_DIFFERENCE
from kitlib.review.plan import cheapest
from kitlib.review.review import review_findings, review_season, review_tables
from kitlib.review.sections import review_sections
from kitlib.season.season import audit_season, curves_table

SETUP = """curve,sample,known_pct,sensor_pct,run,sample_mass_kg,run_at
W,a,12.0,12.1,1,3,2025-03-01T09:00
W,a,12.0,12.3,2,3,2025-03-01T09:10
W,b,16.0,15.9,1,3,2025-03-01T09:20
W,b,16.0,16.1,2,3,2025-03-01T09:30
W,c,21.0,21.3,1,3,2025-03-01T09:40
W,c,21.0,21.1,2,3,2025-03-01T09:50
"""
CHECKS = """curve,sample,known_pct,sensor_pct,run_at
W,k,14.0,14.1,2025-08-01T08:00
W,k,14.0,14.3,2025-08-08T08:00
W,k,14.0,14.2,2025-08-15T08:00
W,k,14.0,14.2,2025-08-22T08:00
W,k,14.0,19.2,2025-08-29T08:00
"""
READINGS = """trial,plot,curve,sensor_pct
T1,001,V,15.2
T1,002,V,16.1
T2,001,V,17.3
T2,002,V,18.2
T3,001,V,13.9
"""


def reviewed(season, *earlier, **more):
    return review_season(audit_season(season.folder), earlier, **more)


def test_every_curve_of_the_register_is_reviewed():
    review, season = demo_review(), demo_season()
    assert set(review.curves) == set(season.tables["curves"].frame["curve"])
    assert list(review.curves)[:2] == ["maize-S1", "maize-S1-new"]


def test_a_header_of_earlier_files_is_read(season):
    season.write("setup_runs.csv", SETUP)  # its sample_mass_kg is grain_mass_kg today
    tables = audit_season(season.folder).tables
    assert set(tables["setup_runs"].frame["grain_mass_kg"]) == {3.0}
    said = [f.message for f in tables["setup_runs"].findings]
    assert not any("sample_mass_kg" in message for message in said)


def test_the_curve_that_went_wrong_did_not_hold():
    # The demo's wheat-S1 was set up without bias and reads 0.95 points high.
    moved = demo_review().curves["wheat-S1"].moved
    assert moved.interval().high < 0
    assert moved.interval().holds(-0.95)


def test_demo_set_up_offsets_are_the_ones_loaded():
    # Every curve of the demo was without bias when it was set up, offset loaded.
    for one in demo_review().curves.values():
        assert one.misloaded.interval(0.999).holds(0.0)


def test_the_new_curve_reads_high_beside_the_old_one():
    (found,) = demo_review().parallel
    assert (found.first, found.second) == ("maize-S1", "maize-S1-new")
    # Truth of the demo: 1.05 points apart at the anchor.
    gap = found.rmsep_second - found.rmsep_first
    assert found.better == "maize-S1" and gap > 0.5


def test_plans_aim_at_half_the_allowed_bias_and_settings_change_that():
    season = demo_season()
    review, curve = demo_review(), "maize-S1"
    allowed = review.curves[curve].audit.allowed_bias
    assert review.plans[curve].wanted == approx(allowed / 2)
    asked = review_season(season, costs=costs_of(10, 1, 1, 1), wanted_half_width=0.4)
    plan = asked.plans[curve]
    assert plan.wanted == 0.4
    assert cheapest(plan.table)["half_width_bias"] <= 0.4
    assert asked.costs == costs_of(10, 1, 1, 1)


def test_a_season_without_optional_tables_says_what_is_open(season):
    review = reviewed(season)
    one = review.curves["W"]
    assert not one.offset.n_runs and one.chart is None and one.setup_line is None
    assert review.parallel == [] and review.sensor_histories == []
    codes = [finding.code for finding in review_findings(review)]
    assert codes.count("review-open") == 3
    tables = review_tables(review)
    assert (tables["setup"]["verdict"] == "not recorded").all()
    assert tables["check_runs"].empty and tables["parallel"].empty
    assert review_sections(review)


@pytest.mark.parametrize("name", ["setup_runs", "check_runs", "readings"])
def test_empty_optional_tables_are_as_good_as_none(season, name):
    heads = {"setup_runs": SETUP, "check_runs": CHECKS, "readings": READINGS}
    season.write(f"{name}.csv", heads[name].splitlines()[0] + "\n")
    review = reviewed(season)
    assert review.curves["W"].chart is None
    assert review_sections(review)


def test_set_up_and_checks_of_a_small_season(season):
    season.write("setup_runs.csv", SETUP)
    season.write("check_runs.csv", CHECKS)
    season.replace("curves.csv", "crop,offset_loaded", "crop,offset_loaded,sensor")
    season.replace("curves.csv", "wheat,0.2", "wheat,0.2,S1")
    review = reviewed(season)
    one = review.curves["W"]
    # Means of known - reading: -0.2, 0.0 and -0.2, with 0.2 in the readings.
    assert one.offset.setting.value == approx(0.2 - 0.4 / 3)
    assert one.repeats.df == 3
    assert one.chart.first_out["Shewhart"] == pd.Timestamp("2025-08-29")
    assert one.first_off_line == pd.Timestamp("2025-08-29")
    codes = {finding.code for finding in review_findings(review)}
    assert {"check-out-of-limits", "setup-not-recorded"} <= codes
    assert "setup-fill" not in codes


def test_a_second_curve_on_the_same_plots(season):
    season.append("curves.csv", "V,wheat,0.0")
    season.write("readings.csv", READINGS)
    (found,) = reviewed(season).parallel
    assert (found.first, found.second, found.n, found.n_trials) == ("V", "W", 5, 3)
    assert found.bands["n"].sum() == 5
    # V reads 1.0 higher on every sample.
    assert found.better in ("W", NO_DIFFERENCE)
    assert found.sep_first == approx(found.sep_second)


def test_a_season_nobody_sampled_is_reviewed_all_the_same(season):
    season.write("oven.csv", season.text("oven.csv").splitlines()[0] + "\n")
    season.write("setup_runs.csv", SETUP)
    review = reviewed(season)
    one = review.curves["W"]
    assert one.audit is None and review.sources == {} and review.plans == {}
    assert one.offset is not None
    assert review_sections(review)
    assert all(len(table.columns) for table in review_tables(review).values())


def test_mixed_offsets_leave_the_settings_open(season):
    season.append("curves.csv", "W,wheat,0.5")
    season.write("setup_runs.csv", SETUP)
    season.write("check_runs.csv", CHECKS)
    one = reviewed(season).curves["W"]
    assert not one.moved.known
    assert one.chart is None and not one.offset.n_runs


def earlier_folders(tmp_path, n, bias=0.0):
    """Return output folders of seasons that called for about what this one does."""
    folders = []
    for k in range(n):
        table = curves_table(demo_season())
        table["bias"] = table["bias"] + bias + 0.05 * (k - 1)
        folder = tmp_path / f"season-{2020 + k}"
        folder.mkdir()
        (folder / "curves.csv").write_bytes(csv_bytes(table))
        folders.append(folder)
    return folders


def test_earlier_seasons_predict_this_one(tmp_path):
    folders = earlier_folders(tmp_path, 3)
    review = review_season(demo_season(), [*folders, tmp_path / "nowhere"])
    assert review.earlier == [f.name for f in folders]
    assert len(review.unread) == 1 and "nowhere/curves.csv" in review.unread[0]
    history = next(h for h in review.histories if h.name == "maize-S1")
    assert history.within() is True
    assert history.expected.value == approx(history.values[-1].value, abs=1e-9)
    assert [h.name for h in review.sensor_histories] == ["S1", "S2"]
    # The advice itself is not touched by the history.
    plain, told = demo_review().season.advice, review.season.advice
    assert plain["maize-S1"].offset == told["maize-S1"].offset
    codes = [finding.code for finding in review_findings(review)]
    assert codes.count("history-not-read") == 1
    table = review_tables(review)["history"]
    now = table[(table["name"] == "maize-S1") & (table["season"] == "quillmoor-2025")]
    assert now["within"].tolist() == ["within"]


def test_a_season_far_from_the_earlier_ones_is_found(tmp_path):
    review = review_season(demo_season(), earlier_folders(tmp_path, 4, bias=3.0))
    (history,) = (h for h in review.histories if h.name == "maize-S1")
    assert history.within() is False
    codes = {(f.code, f.curve) for f in review_findings(review)}
    assert ("history-departs", "maize-S1") in codes


def test_this_very_season_is_no_earlier_one(tmp_path):
    folder = tmp_path / "quillmoor-2025"
    folder.mkdir()
    (folder / "curves.csv").write_bytes(csv_bytes(curves_table(demo_season())))
    review = review_season(demo_season(), [folder])
    assert review.earlier == []
    assert "this very season" in review.unread[0]


def test_the_review_can_be_typeset(tmp_path):
    review = review_season(demo_season(), earlier_folders(tmp_path, 3))
    report = Report(
        kind="Review",
        title="Demo",
        running="Demo",
        date=date(2025, 12, 1),
        blocks=review_sections(review),
    )
    first = typeset(report)
    assert first.startswith(b"%PDF")
    assert first == typeset(report)
