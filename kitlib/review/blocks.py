"""The review's sections for reports that are still made of the older blocks."""

from collections.abc import Iterable

from kitlib.pages import blocks as older
from kitlib.reports import blocks as newer
from kitlib.reports.drawing import svg_bytes
from kitlib.review.review import SeasonReview
from kitlib.review.sections import review_sections


def review_blocks(review: SeasonReview) -> list[older.Block]:
    """Return the review of a season for its report, in reading order."""
    return as_older(review_sections(review))


def as_older(blocks: Iterable[newer.Block]) -> list[older.Block]:
    """Return blocks as the older reports typeset them."""
    return [_older(block) for block in blocks]


def _older(block: newer.Block) -> older.Block:
    """Return one block as the older reports typeset it."""
    match block:
        case newer.Heading():
            return older.Heading(block.words, block.level)
        case newer.Answer():
            said = f"{block.word.capitalize()}. {block.sentence} {block.detail}"
            return older.Paragraph(said.strip())
        case newer.Paragraph():
            return (
                older.Note(block.words) if block.small else older.Paragraph(block.words)
            )
        case newer.Picture():
            svg = svg_bytes(block.figure)
            return older.Picture(svg=svg, caption=block.caption, alt=block.alt)
        case newer.SideBySide():
            left, right = _older(block.left), _older(block.right)
            assert isinstance(left, older.Picture) and isinstance(right, older.Picture)
            return older.SideBySide(left, right)
        case newer.Table():
            columns = [
                older.Column(c.label, c.unit, number=c.number) for c, _ in block.columns
            ]
            return older.Table(
                caption=block.caption,
                columns=columns,
                rows=block.rows,
                note=block.small_print,
            )
    raise TypeError(f"{type(block).__name__} has no older block.")
