"""The review in the report: each part leads with what must be done."""

from copy import copy
from dataclasses import replace
from math import nan

import pytest
from reviewed import costs_of, demo_review

from kitlib.reports.blocks import (
    ACT,
    CALM,
    OPEN,
    Answer,
    Heading,
    Items,
    Picture,
    Table,
    every_block,
)
from kitlib.review.comparisons import offset_history
from kitlib.review.plan import entries_wanted
from kitlib.review.sections import (
    check_section,
    history_section,
    parallel_section,
    plan_section,
    review_sections,
    setup_section,
    source_section,
)
from kitlib.review.setup import CAUSES
from kitlib.statistics.estimates import Estimate
from kitlib.trials.moisture_errors import WORTH_FINDING, entries_to_sample


def of_kind(blocks, kind):
    return [block for block in every_block(blocks) if isinstance(block, kind)]


def answer(blocks):
    """Return the answer, which stands right below the heading."""
    assert isinstance(blocks[0], Heading) and isinstance(blocks[1], Answer)
    return blocks[1]


def test_parts_come_in_reading_order():
    headings = [b.words for b in of_kind(review_sections(demo_review()), Heading)]
    assert headings == [
        "Were the calibration curves set up well?",
        "Did the calibration curves hold through the season?",
        "Calibration curves recorded on the same plots",
        "Where the errors come from",
        "A plan for next season",
    ]


def test_set_up_names_the_curves_to_look_at_and_the_largest_cause_first():
    blocks = setup_section(demo_review())
    told = answer(blocks)
    assert told.tone == ACT and "maize-S1-new, maize-S2 and wheat-S1" in told.sentence
    assert "1.76 points on maize-S2" in told.detail
    causes, offsets, repeats = of_kind(blocks, Table)
    assert "scale and test weight (7 curves)" in causes.note
    assert causes.rows[0][0] == CAUSES["setup-start"].cause
    wetted = next(row for row in causes.rows if row[0].startswith("Water"))
    assert "maize-S1" in wetted[2] and "wheat-S1" not in wetted[2]
    # A size of the curves in order says nothing of those in doubt.
    fill = next(row for row in causes.rows if row[0].startswith("Too little"))
    assert fill[1] == "not known"
    assert len(offsets.rows) == 7
    assert [row[0] for row in repeats.rows] == ["maize-S1-new", "wheat-S1"]


def test_without_set_up_runs_nothing_is_claimed():
    review = demo_review()
    tables = dict(review.season.tables)
    runs = tables["setup_runs"]
    tables["setup_runs"] = replace(runs, frame=runs.frame.iloc[:0])
    bare = replace(review, season=replace(review.season, tables=tables))
    assert answer(setup_section(bare)).tone == OPEN


def test_control_charts_stand_side_by_side_with_their_words():
    blocks = check_section(demo_review())
    told = answer(blocks)
    assert told.tone == CALM and "soybean-S1" in told.detail
    captions = [picture.caption for picture in of_kind(blocks, Picture)]
    assert "maize-S1" in captions[0] and "maize-S2" in captions[1]
    assert "inside all limits" in of_kind(blocks, Picture)[-1].alt
    (table,) = of_kind(blocks, Table)
    assert [row[3] for row in table.rows if row[0] == "soybean-S1"] == ["not known"]


def test_parallel_curves_are_told_band_by_band():
    blocks = parallel_section(demo_review())
    assert "curve maize-S1 was closer to the oven as loaded" in answer(blocks).sentence
    both, bands = of_kind(blocks, Table)
    assert "maize-S1" in both.rows[0]
    assert 0 < len(bands.rows) < len(demo_review().parallel[0].bands)
    assert parallel_section(replace(demo_review(), parallel=[])) == []


def test_sources_lead_with_the_largest_and_say_where_a_slope_comes_first():
    blocks = source_section(demo_review())
    told, (table,) = answer(blocks), of_kind(blocks, Table)
    assert told.tone == ACT and "slope first on maize-S2:" in told.sentence
    shares = table.frame.set_index("curve")["share"]
    assert f"correct on maize-S2 ({100 * shares['maize-S2']:.0f} %)" in told.sentence
    others = 100 * shares.drop("maize-S2")
    assert f"({others.min():.0f} to {others.max():.0f} %)" in told.sentence
    (maize,) = (row for row in table.rows if row[0] == "maize-S2")
    assert maize[-1].startswith("Correct the slope first")
    steep = demo_review().sources["wheat-S1"]
    straight = replace(demo_review(), sources={"wheat-S1": steep})
    assert answer(source_section(straight)).tone == CALM
    nothing = replace(demo_review(), crop_sources={}, sources={})
    assert answer(source_section(nothing)).tone == OPEN


def test_plan_leads_with_the_whole_season_and_names_its_costs():
    blocks = plan_section(demo_review())
    told = answer(blocks)
    (best,) = of_kind(blocks, Table)
    # maize-S1-new is sampled with maize-S1; wheat-S2 is to be built anew first.
    rows = best.frame[~best.frame["curve"].isin(["maize-S1-new", "wheat-S2"])]
    assert "Not counted: wheat-S2, to be built anew first." in told.detail
    samples = int((rows["trials"] * rows["samples_per_trial"]).sum())
    assert told.sentence.startswith(f"Take {samples} oven samples")
    assert f"in {int(rows['trials'].sum())} trial visits" in told.sentence
    assert "default of this kit" in best.note and len(best.rows) == 7
    priced = replace(demo_review(), costs=costs_of(50, 4, 6, 1))
    (best,) = of_kind(plan_section(priced), Table)
    assert "trial visit 50" in best.note and "season.toml" in best.note


def test_plan_asks_for_the_entries_of_the_curve_that_scatters_least():
    season = demo_review().season
    detail = answer(plan_section(demo_review())).detail
    tight, wide = (season.spreads[c].sd_sample for c in ("wheat-S1", "wheat-S2"))
    assert tight < wide
    n = season.entry_errors["wheat"].n_entries
    asked = f"{entries_to_sample(tight)} wheat entries on wheat-S1 ({n} so far"
    assert asked in detail
    # Errors of maize entries are shown to be smaller than is worth finding.
    assert season.entry_errors["maize"].high < WORTH_FINDING
    assert "known well enough for maize" in detail


def test_the_fewest_entries_stand_first_and_what_is_shown_is_not_asked_for():
    season = copy(demo_review().season)
    known = dict(season.entry_errors)
    vars(season)["entry_errors"] = known
    known |= {"wheat": replace(known["wheat"], low=0.1)}
    assert entries_wanted(season, "wheat") is None
    open_ones = {crop: replace(found, sd=nan) for crop, found in known.items()}
    vars(season)["entry_errors"] = open_ones
    numbers = [entries_wanted(season, crop).number for crop in known]
    detail = answer(plan_section(replace(demo_review(), season=season))).detail
    places = [detail.index(f"{number} ") for number in sorted(numbers)]
    assert places == sorted(places)


def test_open_questions_are_told_what_settles_them():
    review = demo_review()
    advice = dict(review.season.advice)
    asked = {"wheat-S1": "record; swap", "wheat-S2": "slope", "maize-S1": "lab"}
    for curve, question in asked.items():
        advice[curve] = replace(advice[curve], open_question=question)
    open_ones = replace(review, season=replace(review.season, advice=advice))
    (items,) = of_kind(plan_section(open_ones), Items)
    said = {item.split(":")[0]: item for item in items.items}
    assert "which offset was loaded when" in said["wheat-S1"]
    assert "which sensor harvested" in said["wheat-S1"]
    assert "over 16 points of moisture" in said["wheat-S2"]
    assert "split ten samples" in said["maize-S1"]


@pytest.mark.parametrize("lacking", [["maize-S1"], None])
def test_curves_without_a_plan_are_named(lacking):
    review = demo_review()
    without = lacking or list(review.plans)
    plans = {c: plan for c, plan in review.plans.items() if c not in without}
    told = answer(plan_section(replace(review, plans=plans)))
    if lacking:
        assert "No plan suffices for maize-S1." in told.detail
    else:
        assert told.tone == OPEN


def test_history_stands_only_with_earlier_seasons():
    review = demo_review()
    assert history_section(review) == []
    lost = replace(review, unread=["old/curves.csv cannot be opened"])
    blocks = history_section(lost)
    assert answer(blocks).tone == OPEN
    assert "Not used: old/curves.csv" in blocks[2].words
    values = [Estimate(value=v, se=0.1, df=9) for v in (0.1, 0.3, 0.2, 0.9)]
    seasons = ["a", "b", "c", review.season.settings.name]
    told = offset_history("maize-S1", seasons, values)
    seen = replace(lost, histories=[told], earlier=["any"])
    blocks = history_section(seen)
    assert answer(blocks).tone == ACT and "maize-S1" in answer(blocks).sentence
    (table,) = of_kind(blocks, Table)
    assert "beyond" in table.rows[0]
    assert of_kind(blocks, Picture)
