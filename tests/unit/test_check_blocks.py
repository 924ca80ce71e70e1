"""Check samples and parallel curves in the report."""

from dataclasses import replace

from reviewed import demo_review

from kitlib.pages.blocks import Picture, SideBySide, Table
from kitlib.review.blocks import check_blocks, parallel_blocks


def tables(blocks):
    return [block for block in blocks if isinstance(block, Table)]


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
