"""Set-up in the report: rules by curve, offsets side by side."""

from dataclasses import replace

from reviewed import demo_review

from kitlib.pages.blocks import Paragraph, Table
from kitlib.review.blocks import setup_blocks
from kitlib.review.setup_causes import CAUSES


def tables(blocks):
    return [block for block in blocks if isinstance(block, Table)]


def words(blocks):
    return " ".join(block.text for block in blocks if isinstance(block, Paragraph))


def test_causes_name_their_curves_the_largest_first():
    causes, offsets, repeats = tables(setup_blocks(demo_review()))
    assert len(causes.rows) == len(CAUSES)
    assert causes.rows[0][1] == "1.76 (maize-S2)"
    assert causes.rows[-1][1] == "–"
    wetted = next(row for row in causes.rows if row[0].startswith("Water"))
    assert "maize-S1" in wetted[2] and "wheat-S1" not in wetted[2]
    assert len(offsets.rows) == 7
    assert [row[0] for row in repeats.rows] == ["S1"]  # S2 ran no sample twice


def test_without_a_repeated_run_repeatability_is_not_known():
    review = replace(demo_review(), repeats_by_sensor={})
    assert "is not known" in words(setup_blocks(review))
