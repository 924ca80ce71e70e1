"""How the curves were set up, in the season's report."""

from collections.abc import Iterable

from kitlib.pages.blocks import Block, Column, Heading, Paragraph, Table
from kitlib.review.season_curves import CurveCondition
from kitlib.review.season_review import SeasonReview
from kitlib.review.setup_rules import BROKEN, LESS, MET, NOT_RECORDED, SETUP_RULES
from kitlib.words.terms import POINTS, listed, show, show_span

NONE = "–"


def setup_blocks(review: SeasonReview) -> list[Block]:
    """Return how the curves were set up, and the offsets that followed from it."""
    if review.season.tables["setup_runs"].frame.empty:
        said = "There are no setup_runs: set-up practice, the offset at set-up and the "
        said += "repeatability of the sensor could not be judged."
        return [Heading("Were the curves set up well?"), Paragraph(said)]
    return [
        Heading("Were the curves set up well?"),
        _practice(review),
        offsets_table(review.curves.values(), review.season.settings.confidence),
        *_repeatability(review),
    ]


def _practice(review: SeasonReview) -> Table:
    """Return each rule of practice with the curves that met it or did not."""
    rows = []
    for code, rule in SETUP_RULES.items():
        by = {verdict: [] for verdict in (MET, LESS, BROKEN, NOT_RECORDED)}
        for curve, one in review.curves.items():
            verdict = next(c.verdict for c in one.setup.checks if c.code == code)
            by[verdict].append(curve)
        met = f"{len(by[MET] + by[LESS])} of {len(review.curves)}"
        names = [listed(by[v], most=4) or NONE for v in (BROKEN, NOT_RECORDED)]
        rows.append((rule.asks, met, *names, rule.why))
    return Table(
        caption="What good practice asks of a set-up, and the curves that met it.",
        columns=[
            Column("Asked for"),
            Column("Met by"),
            Column("Not met by"),
            Column("Not recorded for"),
            Column("Why it matters"),
        ],
        rows=rows,
        note="Common practice, no source. What was found stands in setup.csv.",
    )


def offsets_table(curves: Iterable[CurveCondition], level: float) -> Table:
    """Return the offsets loaded, at set-up and by the season, side by side."""
    rows = []
    for one in curves:
        settings, reach = one.setup.settings, one.setup.reach
        asked = one.setup.offset
        rows.append(
            (
                one.curve,
                f"{asked.n_samples} / {asked.n_runs}" if asked else NONE,
                show(settings.loaded, 2, sign=True),
                with_interval(settings.at_setup, level),
                with_interval(settings.by_season, level),
                with_interval(settings.moved, level),
                f"±{show(reach.at_best)}" if reach else NONE,
            )
        )
    return Table(
        caption=f"The offset loaded, and what set-up runs and season ask for, with "
        f"{level:.0%} intervals.",
        columns=[
            Column("Curve"),
            Column("Samples / runs", number=True),
            Column("Loaded", "points", number=True),
            Column("Set-up asks", "points", number=True),
            Column("Season asks", "points", number=True),
            Column("Season less set-up", "points", number=True),
            Column("At best", "points", number=True),
        ],
        rows=rows,
        note="Set-up: mean over the samples of known − reading, the offset taken off. "
        "At best: half-width of the interval that an offset from so many samples could "
        "have had, as errors of the season scatter. The parts of its uncertainty that "
        "come of samples, runs and reference stand in setup_offsets.csv.",
    )


def with_interval(estimate, level: float) -> str:
    """Return an estimate with its interval in one cell."""
    if not estimate.known:
        return show(estimate.value)
    ends = show_span(*estimate.interval(level), sign=True)
    return f"{show(estimate.value, sign=True)} ({ends})"


def _repeatability(review: SeasonReview) -> list[Block]:
    """Return the repeatability of each sensor, or that it is not known."""
    level = review.season.settings.confidence
    rows = [
        (
            sensor,
            str(found.n_samples),
            str(found.df),
            show(found.sd, 3),
            show_span(*found.interval(level), 3),
            show(found.limit),
        )
        for sensor, found in review.repeats_by_sensor.items()
        if found.df
    ]
    if not rows:
        said = "No sample was run twice at set-up or on one day, so the repeatability "
        return [Paragraph(f"{said}of the sensor is not known.")]
    return [
        Table(
            caption="How near repeated runs of the same grain lie to each other.",
            columns=[
                Column("Sensor"),
                Column("Samples run again", number=True),
                Column("df", number=True),
                Column("SD of a run", POINTS, number=True),
                Column("Interval", POINTS, number=True),
                Column("Limit for two runs", POINTS, number=True),
            ],
            rows=rows,
            note="SD within samples, pooled, with its chi-squared interval; limit: "
            "2.8 SD, exceeded once in twenty times.",
        )
    ]
