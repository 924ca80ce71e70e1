"""A review of the demo season, made once for all tests that look at it."""

from functools import cache
from pathlib import Path

from kitlib.intake.settings import CostSetting
from kitlib.review.review import SeasonReview, review_season
from kitlib.season.season import audit_season

DEMO = Path(__file__).parent.parent / "demo_data"


@cache
def demo_season():
    """Return the demo season, audited."""
    return audit_season(DEMO)


@cache
def demo_review() -> SeasonReview:
    """Return the demo season's review, without earlier seasons."""
    return review_season(demo_season())


def costs_of(trial, sample, dish, benchtop_reading):
    """Return what sampling costs, in any one unit."""
    return CostSetting(
        trial=trial, sample=sample, dish=dish, benchtop_reading=benchtop_reading
    )
