"""Whether the curves held, and parallel ones compared, in the season's report."""

from collections.abc import Sequence

from kitlib.pages.blocks import (
    Block,
    Column,
    Heading,
    Note,
    Paragraph,
    Picture,
    SideBySide,
    Table,
)
from kitlib.pages.drawing import svg_bytes
from kitlib.review.check_samples import CUSUM, DRIFT_DAYS, EWMA, SHEWHART
from kitlib.review.parallel_curves import Comparison
from kitlib.review.review_figures import draw_control_chart
from kitlib.review.season_curves import CurveCondition
from kitlib.review.season_review import SeasonReview
from kitlib.review.setup_blocks import with_interval
from kitlib.words.kept import kept
from kitlib.words.terms import counted, listed, show, show_span

NONE = "–"


def check_blocks(review: SeasonReview) -> list[Block]:
    """Return whether the curves held, as their check samples tell."""
    heading = Heading("Did the curves hold through the season?")
    charted = [one for one in review.curves.values() if one.chart is not None]
    if not charted:
        said = "There are no check runs with a known offset, so whether the curves "
        return [heading, Paragraph(f"{said}held could not be judged.")]
    first = charted[0].chart
    return [
        heading,
        check_table(charted, review.season.settings.confidence),
        Note(
            f"Centre of each sample and SD ({show(first.sd)} points, {first.df} df, "
            "pooled over curves) from the first days a sample was run. Shewhart "
            "limits hold all deviations of a curve's season together; a reading whose "
            "offset nobody can tell takes no part."
        ),
        *chart_pictures(charted),
    ]


def chart_pictures(charted: Sequence[CurveCondition]) -> list[Block]:
    """Return the control charts that could be judged, two abreast."""
    pictures = [_chart_picture(one) for one in charted if not one.chart.remark]
    pairs = zip(pictures[::2], pictures[1::2], strict=False)
    abreast: list[Block] = [SideBySide(*pair) for pair in pairs]
    return [*abreast, *pictures[len(pictures) // 2 * 2 :]]


def check_table(charted: Sequence[CurveCondition], level: float) -> Table:
    """Return each charted curve's check runs: limits, first day out, drift."""
    rows = []
    for one in charted:
        chart = one.chart
        out = [chart.first_out.get(name) for name in (SHEWHART, EWMA, CUSUM)]
        judged = not chart.remark
        rows.append(
            (
                one.curve,
                f"{chart.runs.n_runs} / {len(chart.runs.days)}",
                f"±{show(chart.cells['limit'].max())}" if judged else NONE,
                *[_day(day) if judged else NONE for day in out],
                with_interval(chart.drift, level),
            )
        )
    return Table(
        caption="Check samples: first day out of limits by each chart, and drift.",
        columns=[
            Column("Curve"),
            Column("Runs / days", number=True),
            Column("Limit", "points", number=True),
            Column(SHEWHART),
            Column(EWMA),
            Column(CUSUM),
            Column(f"Drift in {DRIFT_DAYS} days", "points", number=True),
        ],
        rows=rows,
        note=f"{NONE}: too few days to judge. Drift: one slope for all samples of a "
        "curve, each at its own level, clustered by day; a sample's own change by its "
        "oven re-test is taken out.",
    )


def _day(day) -> str:
    """Return a day, or that there is none."""
    return f"{day:%Y-%m-%d}" if day is not None else "inside"


@kept
def _chart_picture(one: CurveCondition) -> Picture:
    """Return the control chart of one curve."""
    chart = one.chart
    out = [name for name, day in chart.first_out.items() if day is not None]
    said = f"out of limits by {listed(out)}" if out else "inside all limits"
    largest = chart.cells["deviation"].abs().max()
    return Picture(
        svg=svg_bytes(draw_control_chart(chart)),
        caption=f"Check samples of curve {one.curve}, each about its own centre.",
        alt=f"{counted(len(chart.cells), 'deviation')} of curve {one.curve}, the "
        f"largest {show(largest)} points; {said}.",
    )


def parallel_blocks(review: SeasonReview) -> list[Block]:
    """Return which of two curves recorded on the same plots served better."""
    if not review.parallel:
        return []
    blocks: list[Block] = [Heading("Curves recorded on the same plots")]
    blocks.append(_parallel_table(review))
    return [*blocks, *[_band_table(found) for found in review.parallel]]


def _parallel_table(review: SeasonReview) -> Table:
    """Return each two curves side by side."""
    rows = [
        (
            f"{c.first} / {c.second}",
            f"{c.n} / {c.n_trials}",
            f"{show(c.rmsep[0])} / {show(c.rmsep[1])}",
            with_interval(c.rmsep_difference, c.level),
            c.better,
            f"{show(c.sep[0])} / {show(c.sep[1])}",
            show_span(*c.pitman_morgan.interval(c.level), sign=True),
            c.tighter,
        )
        for c in review.parallel
    ]
    return Table(
        caption="Two curves on the same samples, each with its own offset loaded.",
        columns=[
            Column("Curves"),
            Column("Samples / trials", number=True),
            Column("RMSEP", "points", number=True),
            Column("Difference", "points", number=True),
            Column("Better as loaded"),
            Column("SEP", "points", number=True),
            Column("Pitman–Morgan", number=True),
            Column("Tighter"),
        ],
        rows=rows,
        note="Differences: first less second, jackknife over trials. Pitman–Morgan: "
        "interval of the slope of the errors' difference on their sum, clustered by "
        "trial; above 0 the first scatters more. An offset can be corrected, scatter "
        "cannot.",
    )


def _band_table(found: Comparison) -> Table:
    """Return which of two curves served better in each band of moisture."""
    rows = [
        (
            f"{band.band_low:g} to {band.band_high:g}",
            f"{band.n} / {band.n_trials}",
            show(band.rms_first),
            show(band.rms_second),
            band.better,
        )
        for band in found.bands.itertuples()
    ]
    return Table(
        caption=f"Root mean square error of {found.first} and {found.second} by "
        "moisture.",
        columns=[
            Column("Band", "%"),
            Column("Samples / trials", number=True),
            Column(found.first, "points", number=True),
            Column(found.second, "points", number=True),
            Column("Better"),
        ],
        rows=rows,
    )
