"""Sources of the error and the plan for next season, in the season's report."""

from kitlib.pages.blocks import Block, Column, Heading, Paragraph, Picture, Table
from kitlib.pages.drawing import svg_bytes
from kitlib.review.curve_plan import OWN
from kitlib.review.error_sources import IN_WORDS, SOURCES, where_effort_pays
from kitlib.review.plan_costs import HOURS, cheapest
from kitlib.review.review_figures import draw_plan
from kitlib.review.sampling_plan import slope_by_span
from kitlib.review.season_review import SeasonReview
from kitlib.words.terms import listed, show

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
    source = "hours of work, own choice" if costs == HOURS else "season.toml"
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
