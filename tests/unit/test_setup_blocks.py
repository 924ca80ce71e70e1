"""Set-up in the report: rules by curve, offsets side by side."""

from dataclasses import replace

from reviewed import demo_review

from kitlib.pages.blocks import Paragraph, Table
from kitlib.review.blocks import setup_blocks
from kitlib.review.setup import SETUP_RULES


def tables(blocks):
    return [block for block in blocks if isinstance(block, Table)]


def words(blocks):
    return " ".join(block.text for block in blocks if isinstance(block, Paragraph))


def test_practice_names_the_curves_that_did_not_meet_it():
    practice, offsets, repeats = tables(setup_blocks(demo_review()))
    assert len(practice.rows) == len(SETUP_RULES)
    rewetted = next(row for row in practice.rows if "rewetted" in row[0])
    assert rewetted[1] == "2 of 7" and "maize-S1" in rewetted[2]
    assert len(offsets.rows) == 7
    assert [row[0] for row in repeats.rows] == ["S1"]  # S2 ran no sample twice


def test_without_a_repeated_run_repeatability_is_not_known():
    review = replace(demo_review(), repeats_by_sensor={})
    assert "is not known" in words(setup_blocks(review))
