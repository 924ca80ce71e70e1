"""Offsets over the seasons, in the season's report."""

from kitlib.pages.blocks import Block, Column, Heading, Note, Paragraph, Picture, Table
from kitlib.pages.drawing import svg_bytes
from kitlib.review.review_figures import draw_history
from kitlib.review.season_review import SeasonReview
from kitlib.words.terms import NOT_KNOWN, counted, show, show_span


def history_blocks(review: SeasonReview) -> list[Block]:
    """Return this season's offsets beside those of earlier ones; none without."""
    if not (review.earlier or review.unread):
        return []
    level = review.season.settings.confidence
    blocks: list[Block] = [Heading("Offsets over the seasons")]
    blocks += [Paragraph(f"Not used: {why}.") for why in review.unread]
    histories = [one.history for one in review.curves.values()]
    seen = [h for h in histories if len(h.seasons) > 1]
    sensors = [h for h in review.sensor_histories.values() if len(h.seasons) > 1]
    if not seen:
        return [*blocks, Paragraph("No curve of this season is in an earlier one.")]
    blocks.append(_history_table("Offset each curve asks for", seen, level))
    blocks.append(
        Picture(
            svg=svg_bytes(draw_history(seen, level)),
            caption="Absolute offset each season asked for, loaded − bias, the "
            "earliest on top. Shaded: foretold by the earlier seasons.",
            alt="; ".join(
                f"{h.name}: {', '.join(show(v.value, sign=True) for v in h.values)}"
                for h in seen
            ),
        )
    )
    if sensors:
        blocks.append(
            _history_table("Mean change each sensor's curves ask for", sensors, level)
        )
    blocks.append(
        Note(
            "Foretold: prediction interval for one more season, random effects by REML "
            "with Hartung–Knapp, from three earlier seasons on. Shrunk: this season's "
            "drawn towards it by their errors; it stands beside the recommendation and "
            "never replaces it. A curve rebuilt begins a history of its own."
        )
    )
    return blocks


def _history_table(caption: str, histories, level: float) -> Table:
    """Return this season's values beside what earlier ones foretell."""
    verdict = {True: "within", False: "beyond", None: NOT_KNOWN}
    rows = [
        (
            h.name,
            counted(len(h.seasons) - 1, "season"),
            show(h.now.value, sign=True),
            show_span(*h.now.interval(level), sign=True),
            show(h.expected.value, sign=True),
            show_span(*h.expected.interval(level), sign=True),
            verdict[h.within(level)],
            show(h.shrunken.value, sign=True),
        )
        for h in histories
    ]
    return Table(
        caption=f"{caption}, with {level:.0%} intervals.",
        columns=[
            Column("Name"),
            Column("Earlier"),
            Column("Now", "points", number=True),
            Column("Interval", "points", number=True),
            Column("Foretold", "points", number=True),
            Column("Interval", "points", number=True),
            Column("Now is"),
            Column("Shrunk", "points", number=True),
        ],
        rows=rows,
    )
