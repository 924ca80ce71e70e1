"""Set-up in the report: rules by curve, offsets side by side."""

from reviewed import demo_review

from kitlib.pages.blocks import Paragraph, Table
from kitlib.review.setup_blocks import setup_blocks
from kitlib.review.setup_rules import SETUP_RULES


def tables(blocks):
    return [block for block in blocks if isinstance(block, Table)]


def words(blocks):
    return " ".join(block.text for block in blocks if isinstance(block, Paragraph))


def test_practice_names_the_curves_that_did_not_meet_it():
    practice, offsets = tables(setup_blocks(demo_review()))
    assert len(practice.rows) == len(SETUP_RULES)
    rewetted = next(row for row in practice.rows if "rewetted" in row[0])
    assert rewetted[1] == "0 of 7" and "maize-S1" in rewetted[2]
    assert len(offsets.rows) == 7
    assert "repeatability" not in offsets.caption
    assert "not known" in words(setup_blocks(demo_review()))
