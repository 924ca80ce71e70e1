"""The review in the report: every part is there, and says what was not judged."""

from dataclasses import replace

from reviewed import demo_review

from kitlib.blocks import Heading, Paragraph, Picture, SideBySide, Table
from kitlib.check_blocks import check_blocks, parallel_blocks
from kitlib.estimates import Estimate
from kitlib.history_blocks import history_blocks
from kitlib.offset_history import offset_history
from kitlib.plan_blocks import plan_blocks, source_blocks
from kitlib.plan_costs import Costs
from kitlib.review_blocks import review_blocks
from kitlib.setup_blocks import setup_blocks
from kitlib.setup_rules import SETUP_RULES


def tables(blocks):
    return [block for block in blocks if isinstance(block, Table)]


def words(blocks):
    return " ".join(block.text for block in blocks if isinstance(block, Paragraph))


def test_parts_come_in_reading_order():
    headings = [b.text for b in review_blocks(demo_review()) if isinstance(b, Heading)]
    assert headings == [
        "Were the curves set up well?",
        "Did the curves hold through the season?",
        "Curves recorded on the same plots",
        "Where the errors come from",
        "A plan for next season",
    ]


def test_practice_names_the_curves_that_did_not_meet_it():
    practice, offsets = tables(setup_blocks(demo_review()))
    assert len(practice.rows) == len(SETUP_RULES)
    rewetted = next(row for row in practice.rows if "rewetted" in row[0])
    assert rewetted[1] == "0 of 7" and "maize-S1" in rewetted[2]
    assert len(offsets.rows) == 7
    assert "repeatability" not in offsets.caption
    assert "not known" in words(setup_blocks(demo_review()))


def test_control_charts_stand_side_by_side_with_their_words():
    blocks = check_blocks(demo_review())
    (both,) = (block for block in blocks if isinstance(block, SideBySide))
    (last,) = (block for block in blocks if isinstance(block, Picture))
    assert "maize-S1" in both.left.caption and "maize-S2" in both.right.caption
    assert "inside all limits" in last.alt
    (table,) = tables(blocks)
    assert [row[3] for row in table.rows if row[0] == "soybean-S1"] == ["–"]


def test_parallel_curves_are_told_band_by_band():
    both, bands = tables(parallel_blocks(demo_review()))
    assert both.rows[0][4] == "maize-S1"
    assert len(bands.rows) == len(demo_review().parallel[0].bands)
    assert parallel_blocks(replace(demo_review(), parallel=())) == []


def test_sources_end_in_a_sentence_for_each_curve():
    blocks = source_blocks(demo_review())
    (table,) = tables(blocks)
    assert table.rows[0][0] == "all maize"
    assert "maize-S2: Correct the slope first" in words(blocks)
    nothing = replace(demo_review(), crop_sources={}, curves={})
    assert "Too few samples" in words(source_blocks(nothing))


def test_plan_names_its_costs():
    best, _spans = tables(plan_blocks(demo_review()))
    assert "own choice" in best.note
    assert len(best.rows) == 7
    priced = replace(demo_review(), costs=Costs(50, 4, 6, 1))
    best, _spans = tables(plan_blocks(priced))
    assert "trial visit 50" in best.note and "season.toml" in best.note


def test_a_curve_without_a_plan_is_named():
    review = demo_review()
    one = review.curves["maize-S1"]
    bare = replace(one, plan=replace(one.plan, table=None, scatter=None))
    review = replace(review, curves={**review.curves, "maize-S1": bare})
    assert "No plan for maize-S1" in words(plan_blocks(review))


def test_history_stands_only_with_earlier_seasons():
    review = demo_review()
    assert history_blocks(review) == []
    lost = replace(review, unread=("old/curves.csv cannot be opened",))
    assert "Not used: old/curves.csv" in words(history_blocks(lost))
    values = [Estimate(value=v, se=0.1, df=9) for v in (0.1, 0.3, 0.2, 0.9)]
    one = review.curves["maize-S1"]
    told = replace(one, history=offset_history("maize-S1", list("abcd"), values))
    seen = replace(lost, curves={**review.curves, "maize-S1": told})
    (table,) = tables(history_blocks(seen))
    assert table.rows[0][:2] == ("maize-S1", "3 seasons")
    assert table.rows[0][6] == "beyond"
    assert any(isinstance(block, Picture) for block in history_blocks(seen))
