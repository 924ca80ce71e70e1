"""The review in the report: every part is there, in reading order."""

from reviewed import demo_review

from kitlib.pages.blocks import Heading
from kitlib.review.blocks import review_blocks


def test_parts_come_in_reading_order():
    headings = [b.text for b in review_blocks(demo_review()) if isinstance(b, Heading)]
    assert headings == [
        "Were the curves set up well?",
        "Did the curves hold through the season?",
        "Curves recorded on the same plots",
        "Where the errors come from",
        "A plan for next season",
    ]
