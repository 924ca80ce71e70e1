"""How the curves were set up, in the season's report.

Whether the curves held, and parallel ones compared, in the season's report.

Offsets over the seasons, in the season's report.

Sources of the error and the plan for next season, in the season's report.

The review of a season as blocks of its report, in reading order.
"""

from collections.abc import Iterable, Sequence
from math import isfinite, isnan, nan

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
from kitlib.reports.drawing import svg_bytes
from kitlib.review.check_samples import CUSUM, DRIFT_DAYS, EWMA, SHEWHART
from kitlib.review.parallel import Comparison
from kitlib.review.plan import HOURS, OWN, cheapest, slope_by_span
from kitlib.review.review import CurveCondition, SeasonReview
from kitlib.review.review_figures import draw_control_chart, draw_history, draw_plan
from kitlib.review.setup_causes import CAUSES, DOUBTFUL, THIN, UNRECORDED
from kitlib.review.sources import IN_WORDS, SOURCES, where_effort_pays
from kitlib.words.digests import kept
from kitlib.words.terms import NOT_KNOWN, POINTS, counted, listed, show, show_span

NONE = "–"
VERDICTS = (DOUBTFUL, THIN, UNRECORDED)


def setup_blocks(review: SeasonReview) -> list[Block]:
    """Return how the curves were set up, and the offsets that followed from it."""
    heading = Heading("Were the calibration curves set up well?")
    if review.season.tables["setup_runs"].frame.empty:
        said = "There are no setup_runs: the offsets at set-up, what could be wrong "
        said += "with them and the repeatability of the sensors could not be judged."
        return [heading, Paragraph(said)]
    return [
        heading,
        _causes(review),
        offsets_table(review.curves.values(), review.season.settings.confidence),
        *_repeatability(review),
    ]


def _causes(review: SeasonReview) -> Table:
    """Return what could have put the offsets wrong, the largest size first."""
    told = {code: [] for code in CAUSES}
    for curve, one in review.curves.items():
        for cause in one.setup.causes:
            told[cause.code].append((curve, cause.found))
    rows = []
    for code, found in told.items():
        sizes = [(f.size, curve) for curve, f in found if isfinite(f.size)]
        largest, where = max(sizes, default=(nan, ""))
        by = {v: [c for c, f in found if f.verdict == v] for v in VERDICTS}
        row = (
            CAUSES[code].title,
            f"{show(largest)} ({where})" if sizes else NONE,
            *[listed(by[verdict], most=4) or NONE for verdict in VERDICTS],
            CAUSES[code].why,
        )
        rows.append((-1.0 if isnan(largest) else largest, row))
    rows.sort(key=lambda row: -row[0])
    return Table(
        caption="What could have put the offsets wrong at set-up, by how far.",
        columns=[
            Column("Cause"),
            Column("Points at most", number=True),
            Column("In doubt"),
            Column("Could be better"),
            Column("Not recorded"),
            Column("Why it matters"),
        ],
        rows=[row for _, row in rows],
        note=f"{NONE}: none, or no number of this season gives a size. What was found "
        "on each curve, what its size was computed from and who asks for care stand in "
        "setup.csv.",
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
        caption="Offset in use, from set-up and from the season, with "
        f"{level:.0%} intervals.",
        columns=[
            Column("Curve"),
            Column("Samples / runs", number=True),
            Column("Loaded", "points", number=True),
            Column("From set-up", "points", number=True),
            Column("From season", "points", number=True),
            Column("Difference", "points", number=True),
            Column("Best possible precision", "points", number=True),
        ],
        rows=rows,
        note="Set-up: mean over the samples of known − reading, the offset taken off. "
        "Best possible precision: half-width of the interval of an offset from so many "
        "samples, with errors that scatter as this season's. setup_offsets.csv parts "
        "its uncertainty by samples, runs and reference.",
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
            caption="Repeatability of runs on the same grain.",
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


NONE = "–"


def check_blocks(review: SeasonReview) -> list[Block]:
    """Return whether the curves held, as their check samples tell."""
    heading = Heading("Did the calibration curves hold through the season?")
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
    blocks: list[Block] = [Heading("Calibration curves recorded on the same plots")]
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


NONE = "–"
SPANS = (4, 8, 12, 16)


def source_blocks(review: SeasonReview) -> list[Block]:
    """Return where the errors come from, and what to spend effort on."""
    heading = Heading("Where the errors come from")
    rows = [
        (f"all {crop}", str(sources.n_trials), *_shares(sources))
        for crop, sources in review.crop_sources.items()
    ]
    told = {c: one.sources for c, one in review.curves.items() if one.sources}
    rows += [(c, str(s.n_trials), *_shares(s)) for c, s in told.items()]
    if not rows:
        said = "Too few samples to part the errors by their sources."
        return [heading, Paragraph(said)]
    sentences = [f"{curve}: {where_effort_pays(s)}" for curve, s in told.items()]
    return [
        heading,
        Table(
            caption="Share of each source in the variance of a single error.",
            columns=[
                Column("Curve"),
                Column("Trials", number=True),
                *[Column(name.capitalize(), "%", number=True) for name in SOURCES],
            ],
            rows=rows,
            note="; ".join(f"{name}: {IN_WORDS[name]}" for name in SOURCES)
            + f". {NONE}: not told apart, see sources.csv for what holds it.",
        ),
        *[Paragraph(sentence) for sentence in sentences],
    ]


def _shares(sources) -> list[str]:
    """Return the share of each source in percent."""
    shares = sources.shares
    return [f"{100 * shares[n]:.0f}" if n in shares else NONE for n in SOURCES]


def plan_blocks(review: SeasonReview) -> list[Block]:
    """Return how next season's sampling reaches a wanted precision, and the cost."""
    heading = Heading("A plan for next season")
    plans = {c: one.plan for c, one in review.curves.items()}
    made = {c: plan for c, plan in plans.items() if plan.table is not None}
    lacking = [c for c in plans if c not in made]
    blocks: list[Block] = [heading]
    if made:
        blocks += [_cheapest_table(review, made), _span_table(review, made)]
        blocks += [_plan_picture(review, made)]
        told = [(c, p.remark) for c, p in made.items() if p.remark != OWN]
        blocks += [Paragraph(f"Made from {remark} ({c}).") for c, remark in told]
    if lacking:
        said = f"No plan for {listed(lacking)}: how much trials and samples differ is "
        blocks.append(Paragraph(f"{said}not known."))
    return blocks


def _cheapest_table(review: SeasonReview, made: dict) -> Table:
    """Return each curve's cheapest plan that suffices."""
    rows = []
    for curve, plan in made.items():
        best = cheapest(plan.table)
        wanted = f"±{show(plan.wanted)}"
        if best is None:
            rows.append((curve, wanted, *[NONE] * 6))
            continue
        more = int(best["benchtop_per_trial"])
        samples = f"{int(best['samples_per_trial'])}" + (f" + {more}" if more else "")
        rows.append(
            (
                curve,
                wanted,
                f"{int(best['trials'])} × {samples}",
                str(int(best["dishes"])),
                f"±{show(best['half_width_bias'])}",
                f"{best['chance_reached']:.0%}",
                show(best["half_width_slope"], 3),
                show(best["cost"], 0),
            )
        )
    return Table(
        caption="The cheapest plan that brings the bias of each curve near enough.",
        columns=[
            Column("Curve"),
            Column("Wanted", "points", number=True),
            Column("Trials × samples", number=True),
            Column("Dishes", number=True),
            Column("Bias", "± points", number=True),
            Column("Chance", number=True),
            Column("Slope", "±", number=True),
            Column("Cost", _unit(review), number=True),
        ],
        rows=rows,
        note=f"{_costs_in_words(review)} + n: further samples in each trial for the "
        "benchtop meter only. Half-widths are in root mean square over seasons; "
        f"chance: that a season's own interval is as narrow as wanted. {NONE}: no plan "
        "up to 40 trials of 10 samples suffices. More trials beat more samples of the "
        "same trials. Every plan stands in plan.csv.",
    )


def _unit(review: SeasonReview) -> str:
    """Return the unit of the costs."""
    return "hours" if review.costs == HOURS else "as in season.toml"


def _costs_in_words(review: SeasonReview) -> str:
    """Return what a trial, a sample, a dish and a reading cost."""
    costs = review.costs
    source = "hours of work, default of this kit" if costs == HOURS else "season.toml"
    return (
        f"Cost: trial visit {costs.trial:g}, sample {costs.sample:g}, dish "
        f"{costs.dish:g}, benchtop reading {costs.benchtop_reading:g} ({source})."
    )


def _span_table(review: SeasonReview, made: dict) -> Table:
    """Return what each curve's plan says of the slope over wider spans of moisture."""
    level, rows = review.season.settings.confidence, []
    for curve, plan in made.items():
        best = cheapest(plan.table)
        if best is None:
            continue
        size = [int(best[n]) for n in ("trials", "samples_per_trial", "dishes")]
        halves = slope_by_span(plan.scatter, SPANS, *size, level)
        rows.append((curve, *[f"±{show(half, 3)}" for half in halves]))
    return Table(
        caption="Half-width of the slope's interval under that plan, by the span the "
        "samples' moistures are spread over evenly.",
        columns=[
            Column("Curve"),
            *[Column(f"{span} points", "per point", number=True) for span in SPANS],
        ],
        rows=rows,
        note="As much of the spread between trials as this season; wetter and drier "
        "samples within each trial would do better.",
    )


def _plan_picture(review: SeasonReview, made: dict) -> Picture:
    """Return the figure of half-width against effort."""
    tables = {curve: plan.table for curve, plan in made.items()}
    best = {curve: cheapest(table) for curve, table in tables.items()}
    said = [
        f"{curve} {show(row['half_width_bias'])} points at {show(row['cost'], 0)}"
        for curve, row in best.items()
        if row is not None
    ]
    return Picture(
        svg=svg_bytes(draw_plan(tables, unit=_unit(review))),
        caption="The nearest a bias can be known for an effort, curve by curve; dots "
        "are the cheapest plans that suffice.",
        alt=f"Half-width falls with effort; cheapest plans: "
        f"{listed(said, most=20) or 'none suffices'}.",
    )


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
