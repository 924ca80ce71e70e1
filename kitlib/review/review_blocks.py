"""The review of a season as blocks of its report, in reading order."""

from kitlib.pages.blocks import Block
from kitlib.review.check_blocks import check_blocks, parallel_blocks
from kitlib.review.history_blocks import history_blocks
from kitlib.review.plan_blocks import plan_blocks, source_blocks
from kitlib.review.season_review import SeasonReview
from kitlib.review.setup_blocks import setup_blocks


def review_blocks(review: SeasonReview) -> list[Block]:
    """Return the review of a season for its report, in reading order."""
    return [
        *setup_blocks(review),
        *check_blocks(review),
        *parallel_blocks(review),
        *source_blocks(review),
        *plan_blocks(review),
        *history_blocks(review),
    ]
