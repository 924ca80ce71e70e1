"""Sources of the error and the plan in the report."""

from dataclasses import replace

from reviewed import demo_review

from kitlib.pages.blocks import Paragraph, Table
from kitlib.review.blocks import plan_blocks, source_blocks
from kitlib.review.plan import Costs


def tables(blocks):
    return [block for block in blocks if isinstance(block, Table)]


def words(blocks):
    return " ".join(block.text for block in blocks if isinstance(block, Paragraph))


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
