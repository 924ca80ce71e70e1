"""Offsets over the seasons in the report."""

from dataclasses import replace

from reviewed import demo_review

from kitlib.pages.blocks import Paragraph, Picture, Table
from kitlib.review.blocks import history_blocks
from kitlib.review.history import offset_history
from kitlib.words.estimates import Estimate


def tables(blocks):
    return [block for block in blocks if isinstance(block, Table)]


def words(blocks):
    return " ".join(block.text for block in blocks if isinstance(block, Paragraph))


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
