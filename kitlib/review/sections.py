"""The review of a season as sections of its report.

Each leads with one sentence that says whether anything must be done; the tables are
those of `results`, in part.
"""

from collections.abc import Mapping, Sequence
from math import isfinite, nan
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from kitlib.curves.advice import BIAS, RESLOPE, SLOPE
from kitlib.reports.blocks import (
    ACT,
    CALM,
    OPEN,
    Answer,
    Block,
    Heading,
    Items,
    Paragraph,
    Picture,
    SideBySide,
    Table,
)
from kitlib.reports.drawing import (
    AMBER,
    BAND,
    BLUE,
    FULL,
    GROUP_STYLES,
    HALF,
    INK,
    MUTED,
    SWATCH,
    as_drawn,
    blank,
    framed,
    key_line,
    tick_evenly,
)
from kitlib.review.check_samples import DRIFT_DAYS, CheckChart
from kitlib.review.history import OffsetHistory
from kitlib.review.parallel import FEW, NO_DIFFERENCE
from kitlib.review.plan import HOURS, IN_WORDS, OWN, cheapest, efficient, slope_by_span
from kitlib.review.review import (
    CurveReview,
    SeasonReview,
    is_out,
    leaves_out_zero,
    review_tables,
)
from kitlib.review.setup import CAUSES, DOUBTFUL, UNRECORDED
from kitlib.words.digests import kept
from kitlib.words.terms import POINTS, counted, listed, show, show_span

DEVIATION = f"Deviation from own centre ({POINTS})"
HALF_WIDTH = f"Half-width of the bias's interval ({POINTS})"
SETTING = f"Offset the season calls for ({POINTS})"
_DOT: dict[str, Any] = {"linestyle": "none", "markersize": 5, "markeredgewidth": 0.5}
_DASHES: dict[str, Any] = {"linewidth": 0.9, "linestyle": (0, (4, 2))}
# Curves beyond as many as there are colours are told apart by their lines.
_STROKES = ["-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2))]


def draw_control_chart(chart: CheckChart, width: float = HALF) -> Figure:
    """Draw each check sample's deviation over the season, with EWMA and limits.

    Open dots are the base days, from which centres and limits come. Width at print
    size. [in]
    """
    if chart.remark or chart.cells.empty:
        return blank(width, 1.6, "no check runs to judge")
    names = sorted(set(chart.cells["sample"]))
    styles = list(zip(names, GROUP_STYLES, strict=False))
    keys = [
        key_line(as_drawn(name, 18), color=colour, marker=marker, **_DOT)
        for name, (colour, marker) in styles
    ]
    keys += [key_line("limits of a sample", color=MUTED, **_DASHES)]
    keys += [key_line("EWMA", color=INK, linewidth=1.4)]
    keys += [key_line("its limits", color=BAND, **SWATCH)]
    first = chart.base_cells["day"].min()
    across = f"Days after {first:%Y-%m-%d}"
    figure, ax = framed(width, 1.8, keys, across, DEVIATION, left=0.7)
    ax.axhline(0, color=MUTED, linewidth=0.9)
    _draw_limits(ax, chart, first)
    for name, (colour, marker) in styles:
        for cells, fill in ((chart.base_cells, "white"), (chart.cells, colour)):
            own = cells[cells["sample"] == name]
            look = {"marker": marker, "color": fill, "markeredgecolor": colour, **_DOT}
            ax.plot((own["day"] - first).dt.days, own["deviation"], zorder=3, **look)
    tick_evenly(ax, up=6)
    return figure


def _draw_limits(ax: Axes, chart: CheckChart, first: pd.Timestamp) -> None:
    """Draw the EWMA with its limits, and those of single samples."""
    days = (chart.occasions["day"] - first).dt.days.to_numpy()
    limit = chart.occasions["ewma_limit"].to_numpy(float)
    ewma = chart.occasions["ewma"].to_numpy(float)
    if days.size > 1:
        ax.fill_between(days, -limit, limit, color=BAND, linewidth=0)
    ax.plot(days, ewma, color=INK, linewidth=1.4, zorder=4)
    widest = float(chart.cells["limit"].max())
    for side in (-1, 1):
        ax.axhline(side * widest, color=MUTED, **_DASHES)


def draw_plan(
    plans: Mapping[str, pd.DataFrame],
    wanted: float = nan,
    width: float = FULL,
    unit: str = "hours",
) -> Figure:
    """Draw the least half-width of the bias's interval against what it costs.

    Parameters
    ----------
    plans : mapping of str to DataFrame
        Tables from `plan_table` by the name of their curve; all are drawn.
    wanted : float
        Half-width wanted, drawn as a line; nan for none. [% moisture]
    width : float
        At print size. [in]
    unit : str
        Unit of the costs.

    Examples
    --------
    >>> from kitlib.review.plan import HOURS, Scatter, plan_table
    >>> table = plan_table(Scatter(sd_trial=0.2, sd_own=0.4), HOURS, wanted=0.25)
    >>> draw_plan({"maize A": table}, 0.25).axes[0].get_xlabel()
    'Effort (hours)'
    """
    if not plans:
        return blank(width, 1.6, "no plan: components not known")
    n = len(GROUP_STYLES)
    looks = [
        (*GROUP_STYLES[k % n], _STROKES[k // n % len(_STROKES)])
        for k in range(len(plans))
    ]
    keys = [
        key_line(as_drawn(name, 22), color=colour, linewidth=1.4, linestyle=stroke)
        for name, (colour, _, stroke) in zip(plans, looks, strict=True)
    ]
    keys.append(key_line("cheapest plan that suffices", color=INK, marker="o", **_DOT))
    across = f"Effort ({unit})"
    figure, ax = framed(width, 2.4, keys, across, HALF_WIDTH, left=0.7)
    for table, (colour, marker, stroke) in zip(plans.values(), looks, strict=True):
        front, best = efficient(table), table[table["cheapest"]]
        line: dict[str, Any] = {"color": colour, "linewidth": 1.4, "linestyle": stroke}
        ax.plot(front["cost"], front["half_width_bias"], **line)
        look = {"marker": marker, "color": colour, "markeredgecolor": INK, **_DOT}
        ax.plot(best["cost"], best["half_width_bias"], zorder=4, **look)
    if isfinite(wanted):
        ax.axhline(wanted, color=MUTED, **_DASHES)
    tables = list(plans.values())
    ax.set(ylim=(0, _height(tables, wanted)), xlim=(0, _reach(tables)))
    tick_evenly(ax)
    return figure


def _height(tables: Sequence[pd.DataFrame], wanted: float) -> float:
    """Return how far up the half-widths are drawn: hopeless plans run off."""
    ends = [float(table["half_width_bias"].quantile(0.75)) for table in tables]
    return max([*ends, 1.5 * wanted if isfinite(wanted) else 0.0])


def _reach(tables: Sequence[pd.DataFrame]) -> float:
    """Return how far the effort is drawn: beyond the dearest plan needed."""
    needed = [float(t.loc[t["cheapest"], "cost"].max()) for t in tables]
    known = [cost for cost in needed if isfinite(cost)]
    return 1.6 * max(known) if known else max(t["cost"].max() for t in tables)


def draw_history(
    histories: Sequence[OffsetHistory], level: float = 0.95, width: float = FULL
) -> Figure:
    """Draw the offset each season called for, with intervals and the prediction.

    One row for each history, all on one scale; those of one season only are left out.
    """
    drawn = [h for h in histories if len(h.seasons) > 1]
    if not drawn:
        return blank(width, 1.6, "no earlier seasons")
    keys = [
        key_line("earlier seasons", color=BLUE, marker="o", **_DOT),
        key_line("this season", color=AMBER, marker="^", **_DOT),
        key_line("predicted from earlier seasons", color=BAND, **SWATCH),
    ]
    height = 0.46 + 0.5 * len(drawn)
    figure, ax = framed(width, height, keys, SETTING, left=1.6)
    for row, history in enumerate(drawn):
        _draw_seasons(ax, row, history, level)
    ax.set_yticks(range(len(drawn)), [as_drawn(h.name, 20) for h in drawn])
    ax.set_ylim(len(drawn) - 0.5, -0.5)
    return figure


def _draw_seasons(ax: Axes, row: int, history: OffsetHistory, level: float) -> None:
    """Draw one row: what was predicted, and each season from the earliest down."""
    low, high = history.expected.interval(level)
    if isfinite(low):
        ax.fill_betweenx([row - 0.4, row + 0.4], low, high, color=BAND, linewidth=0)
    places = np.linspace(-0.3, 0.3, len(history.values))
    for place, value in zip(places, history.values, strict=True):
        now = value is history.now
        colour, marker = (AMBER, "^") if now else (BLUE, "o")
        ax.plot(value.interval(level), [row + place] * 2, color=colour, linewidth=1.2)
        look = {"marker": marker, "color": colour, "markeredgecolor": "white", **_DOT}
        ax.plot(value.value, row + place, zorder=3, **look)


MOST_CHARTS = 4  # of curves out of limits; where none is, two show what there is
SPANS = (4, 8, 12, 16)  # of moisture, in points
# Entries with samples from several plots that tell an error of the entry's own.
ENTRIES_TWICE = 10
NONE = "–"
# What settles a question that an unresolved curve leaves open; the slope by the plan.
SETTLES = {
    BIAS: "the samples of its plan settle its bias",
    "record": "look up in the sensor's own log which offset was loaded when",
    "lab": "split ten samples between the labs and dry them in the same week",
    "swap": "find out which sensor harvested which plots before correcting anything",
}


def review_sections(review: SeasonReview) -> list[Block]:
    """Return the review of a season for its report, in reading order."""
    return [
        *setup_section(review),
        *check_section(review),
        *parallel_section(review),
        *source_section(review),
        *plan_section(review),
        *history_section(review),
    ]


def setup_section(review: SeasonReview) -> list[Block]:
    """Return how the curves were set up, and the offsets that followed from it."""
    heading = Heading("Were the calibration curves set up well?")
    if review.season.tables["setup_runs"].frame.empty:
        said = "There are no set-up runs on record, so neither the offsets from set-up "
        said += "nor what could be wrong with them can be judged."
        return [heading, Answer("not recorded", said, tone=OPEN)]
    tables = review_tables(review)
    step = review.season.settings.setting_step
    return [
        heading,
        setup_answer(list(review.curves.values())),
        _causes(tables["setup"], step),
        offsets_table(tables["setup_offsets"]),
        repeats_table(tables["setup_offsets"]),
    ]


def setup_answer(reviews: Sequence[CurveReview]) -> Answer:
    """Say whether anything must be done about how curves were set up."""
    moved = [
        one.curve
        for one in reviews
        if not one.setup.read_before_loading
        and leaves_out_zero(one.setup.moved, one.setup.level)
    ]
    sizes = [
        (found.size, CAUSES[code].title.lower(), one.curve)
        for one in reviews
        for code, found in one.causes.items()
        if found.verdict == DOUBTFUL and isfinite(found.size)
    ]
    detail = ""
    for size, title, curve in sorted(sizes, reverse=True)[:1]:
        detail = f"Largest doubt at set-up: {title}, up to {show(size)} points on "
        detail += f"{curve}."
    if moved:
        said = "This season's results call for another offset than set-up gave on "
        said += f"{listed(moved)}: load the one from the season."
        return Answer("look again", said, detail, ACT)
    if sizes:
        said = "The offsets from set-up held, but parts of it are in doubt: put them "
        return Answer("held", f"{said}right before the next one.", detail, CALM)
    return Answer("nothing to do", "Nothing found at set-up is in doubt.", tone=CALM)


def _causes(setup: pd.DataFrame, step: float) -> Table:
    """Return what is in doubt, or could have put offsets wrong by a step or more."""
    rows, open_ones = [], []
    for code, cause in CAUSES.items():
        found = setup[setup["code"] == code]
        doubtful = found[found["verdict"] == DOUBTFUL]
        # Of the curves in doubt if there are some: 0 elsewhere says nothing.
        size = (found if doubtful.empty else doubtful)["size"].max()
        if len(doubtful) or size >= step:
            names = listed(doubtful["curve"], most=4) or NONE
            row = {"cause": cause.title, "size": size, "curve": names}
            rows.append(row | {"why": cause.why})
        unrecorded = int((found["verdict"] == UNRECORDED).sum())
        if unrecorded:
            open_ones.append(f"{cause.title.lower()} ({counted(unrecorded, 'curve')})")
    frame = pd.DataFrame(rows, columns=["cause", "size", "curve", "why"])
    note = f"Not recorded: {listed(open_ones)}. " if open_ones else ""
    return Table(
        "What could have put the offsets wrong at set-up, by how far.",
        frame.sort_values("size", ascending=False, kind="stable"),
        "setup",
        "Points at most: the largest of all curves; the curves are those in doubt. "
        f"{note}Each curve by itself, what its sizes were computed from, and who asks "
        "for care: setup.csv.",
    )


def causes_table(setup: pd.DataFrame, curve: str) -> Table:
    """Return what is in doubt or not recorded about one curve's set-up."""
    own = setup[setup["curve"] == curve]
    told = own["verdict"].isin([DOUBTFUL, UNRECORDED])
    return Table(
        f"Curve {curve}: what could have put its offset wrong at set-up.",
        own.loc[told, ["cause", "size", "verdict", "found", "why"]],
        "setup",
        f"{counted(int((~told).sum()), 'other cause')} looked at and not in doubt; "
        "sources in setup.csv.",
    )


def offsets_table(offsets: pd.DataFrame) -> Table:
    """Return the offsets in use, from set-up and from the season, side by side."""
    names = ["offset_at_setup", "offset_by_season", "season_less_setup"]
    ends = [f"{name}{end}" for name in names for end in ("", "_low", "_high")]
    return Table(
        "Offset in use, from set-up and from the season, with intervals.",
        offsets[["curve", "offset_loaded", *ends, "at_best"]],
        "setup_offsets",
        "From set-up: mean over the samples of known − reading, the offset taken off. "
        "Best possible precision: half-width of the interval of an offset from so many "
        "samples, with errors that scatter as this season's.",
    )


def repeats_table(offsets: pd.DataFrame) -> Table:
    """Return the repeatability of the curves with a sample run more than once."""
    columns = ["curve", "sd_run", "sd_run_low", "sd_run_high", "sd_run_df"]
    return Table(
        "Repeatability of runs on the same grain.",
        offsets.loc[offsets["sd_run_df"] > 0, columns],
        "setup_offsets",
        "SD within samples, pooled, with its chi-squared interval. Two runs differ by "
        "more than 2.8 SD once in twenty times.",
    )


def check_section(review: SeasonReview) -> list[Block]:
    """Return whether the curves held, as their check samples tell."""
    heading = Heading("Did the calibration curves hold through the season?")
    charted = [one for one in review.curves.values() if one.chart is not None]
    if not charted:
        said = "There are no check runs with a known offset, so whether the curves "
        return [heading, Answer("not recorded", f"{said}held cannot be judged.")]
    table = check_table(review_tables(review)["check_runs"])
    return [heading, check_answer(charted), table, *chart_pictures(charted)]


def check_answer(charted: Sequence[CurveReview]) -> Answer:
    """Say whether anything must be done about how curves held."""
    out = [one.curve for one in charted if is_out(one)]
    unjudged = [one.curve for one in charted if one.chart and one.chart.remark]
    detail = f"Not judged: {listed(unjudged)}." if unjudged else ""
    if out:
        said = f"Check samples left their limits or drifted on {listed(out)}: find "
        said += (
            "what changed on the first day out, and compare errors before and after."
        )
        return Answer("look again", said, detail, ACT)
    if len(unjudged) == len(charted):
        said = "There were too few days of check runs to judge any curve."
        return Answer("open", said, "Run check samples weekly.", OPEN)
    said = "Every check sample that could be judged stayed inside its limits."
    return Answer("nothing to do", said, detail, CALM)


def check_table(check_runs: pd.DataFrame) -> Table:
    """Return each charted curve's check runs: limits, first day out, drift."""
    out = [f"first_out_{chart}" for chart in ("shewhart", "ewma", "cusum")]
    drift = [f"drift_{DRIFT_DAYS}_days{end}" for end in ("", "_low", "_high")]
    return Table(
        "Check samples: first day out of limits by each chart, and drift.",
        check_runs[["curve", "runs_used", "days", "limit", *out, *drift]],
        "check_runs",
        "The first days set each sample's centre and, over all curves, the scatter. "
        "Shewhart limits hold for all deviations of a curve's season together. Drift: "
        "one slope for all samples of a curve, each at its own level, clustered by "
        "day; a sample's own change by its oven re-test is taken out.",
    )


def chart_pictures(charted: Sequence[CurveReview]) -> list[Block]:
    """Return control charts two abreast: those out of limits, else the first two."""
    judged = [one for one in charted if one.chart and not one.chart.remark]
    drawn = [one for one in judged if is_out(one)][:MOST_CHARTS] or judged[:2]
    pictures = [_chart_picture(one.chart, one.curve) for one in drawn if one.chart]
    pairs = zip(pictures[::2], pictures[1::2], strict=False)
    abreast: list[Block] = [SideBySide(*pair) for pair in pairs]
    return [*abreast, *pictures[len(pictures) // 2 * 2 :]]


@kept
def _chart_picture(chart: CheckChart, curve: str) -> Picture:
    """Return the control chart of one curve."""
    out = [name for name, day in chart.first_out.items() if day is not None]
    said = f"out of limits by {listed(out)}" if out else "inside all limits"
    largest = chart.cells["deviation"].abs().max()
    return Picture(
        draw_control_chart(chart),
        f"Check samples of curve {curve}, each about its own centre.",
        f"{counted(len(chart.cells), 'deviation')} of curve {curve}, the largest "
        f"{show(largest)} points; {said}.",
    )


def parallel_section(review: SeasonReview) -> list[Block]:
    """Return which of two curves recorded on the same plots served better."""
    if not review.parallel:
        return []
    tables = review_tables(review)
    gap = ["rmsep_difference_low", "rmsep_difference_high"]
    errors = ["rmsep_first", "rmsep_second", *gap, "better", "tighter"]
    band = ["first", "second", "band_low", "band_high", "n", "rms_first", "rms_second"]
    bands = tables["parallel_bands"]
    return [
        Heading("Calibration curves recorded on the same plots"),
        _parallel_answer(review),
        Table(
            "Two curves on the same samples, each with its own offset loaded.",
            tables["parallel"][["first", "second", "n", *errors]],
            "parallel",
            "Difference: first less second, jackknife over trials. Tighter: by the "
            "Pitman–Morgan test, clustered by trial. An offset can be corrected, "
            "scatter cannot.",
        ),
        Table(
            "Root mean square errors by moisture, where there are enough samples.",
            bands.loc[bands["better"] != FEW, [*band, "better"]],
            "parallel_bands",
            "All bands: parallel_bands.csv.",
        ),
    ]


def _parallel_answer(review: SeasonReview) -> Answer:
    """Say which curve to use where two were recorded."""
    said, shown = [], False
    for one in review.parallel:
        if one.tighter != NO_DIFFERENCE:
            told = f"curve {one.tighter} scatters less: use it, its offset corrected"
        elif one.better != NO_DIFFERENCE:
            told = (
                f"curve {one.better} was nearer the oven as loaded; with both offsets "
            )
            told += "corrected no difference is shown"
        else:
            told = "no difference is shown"
        shown |= {one.tighter, one.better} != {NO_DIFFERENCE}
        said.append(f"Of {one.first} and {one.second}: {told}.")
    word, tone = ("choose", ACT) if shown else ("nothing to do", CALM)
    return Answer(word, " ".join(said), tone=tone)


def source_section(review: SeasonReview) -> list[Block]:
    """Return where the errors come from: of each curve the largest source."""
    heading = Heading("Where the errors come from")
    table = review_tables(review)["sources"]
    own = table[table["curve"] != ""]
    if own.empty:
        said = "There are too few samples to part the errors by their sources."
        return [heading, Answer("open", said, tone=OPEN)]
    largest = own.loc[own.groupby("curve", sort=False)["share"].idxmax()]
    names = "; ".join(f"{name}: {said}" for name, said in IN_WORDS.items())
    return [
        heading,
        Table(
            "The largest source of the errors of each curve, and where effort pays.",
            largest[["curve", "n_trials", "n", "source", "sd", "share", "effort"]],
            "sources",
            f"{names}. All sources: sources.csv.",
        ),
    ]


def plan_section(review: SeasonReview) -> list[Block]:
    """Return how next season's sampling reaches a wanted precision, and the cost."""
    heading = Heading("A plan for next season")
    if not review.plans:
        said = (
            "How much trials and samples differ is not known for any curve: take two "
        )
        said += "or more samples in each of several trials."
        return [heading, Answer("open", said, tone=OPEN)]
    tables = {curve: plan.table for curve, plan in review.plans.items()}
    best = {curve: cheapest(table) for curve, table in tables.items()}
    reached = [
        f"{curve} {show(row['half_width_bias'])} points at {show(row['cost'], 0)}"
        for curve, row in best.items()
        if row is not None
    ]
    unit = cost_unit(review)
    picture = Picture(
        draw_plan(tables, unit=unit),
        "Precision of the bias for a given amount of work, curve by curve; dots are "
        "the cheapest plans that suffice.",
        f"Half-width falls with effort; cheapest plans, cost in {unit}: "
        f"{listed(reached, most=20) or 'none suffices'}.",
    )
    return [heading, plan_answer(review), plan_table(review), picture, *_open(review)]


def plan_answer(review: SeasonReview) -> Answer:
    """Say what next season's sampling has to be, and what would settle the rest."""
    # What serves a plot serves the curves recorded beside it as well.
    beside = set(review.season.pairing.pairs.query("parallel")["curve"])
    own = [curve for curve in review.curves if curve not in beside]
    found = {c: cheapest(review.plans[c].table) for c in own if c in review.plans}
    enough = {curve: best for curve, best in found.items() if best is not None}
    visits = sum(int(best["trials"]) for best in enough.values())
    ovens = sum(int(best["oven_samples"]) for best in enough.values())
    cost = sum(float(best["cost"]) for best in enough.values())
    said = f"Take {counted(ovens, 'oven sample')} in {counted(visits, 'trial visit')} "
    said += f"({show(cost, 0)} {cost_unit(review)}): that brings the bias of "
    said += f"{listed(enough)} to the precision wanted."
    without = [curve for curve in own if curve not in enough]
    detail = f"No plan suffices for {listed(without)}. " if without else ""
    if not enough:
        said = "No plan of up to 40 trials of 10 samples reaches the precision wanted."
    return Answer("sample", said, detail + entries_in_words(review), ACT)


def entries_in_words(review: SeasonReview) -> str:
    """Say what would tell an error that goes with the entry from the plots' own.

    Such an error changes a ranking and no offset takes it away; it shows only where an
    entry was sampled in several plots.
    """
    pairs = review.season.pairing.pairs.query("used and not parallel")
    plots = pairs.drop_duplicates(["trial", "plot"]).groupby(["crop", "entry"]).size()
    twice = int((plots > 1).sum())
    said = f"{twice} of {counted(len(plots), 'sampled entry', 'sampled entries')} have "
    said += "samples from more than one plot"
    if twice >= ENTRIES_TWICE:
        return f"{said}: enough to tell errors that go with the entry."
    return (
        f"{said}: too few to tell errors that go with the entry. Within the same "
        f"number of samples, take {ENTRIES_TWICE} entries in two or more trials each."
    )


def plan_table(review: SeasonReview) -> Table:
    """Return each curve's cheapest plan that meets the wanted precision."""
    table = review_tables(review)["plan"]
    size = ["trials", "samples_per_trial", "dishes", "benchtop_per_trial"]
    reached = ["half_width_bias", "chance_reached", "half_width_slope", "cost"]
    costs = review.costs
    source = "hours of work, default of this kit" if costs == HOURS else "season.toml"
    return Table(
        "Cheapest plan that meets the wanted precision.",
        table.loc[table["cheapest"].astype(bool), ["curve", "wanted", *size, *reached]],
        "plan",
        f"Cost: trial visit {costs.trial:g}, sample {costs.sample:g}, dish "
        f"{costs.dish:g}, benchtop reading {costs.benchtop_reading:g} ({source}). "
        "Half-widths are in root mean square over seasons; chance: that a season's own "
        "interval is as narrow as wanted. More trials beat more samples of the same "
        "trials. Other plans: plan.csv.",
        units={"cost": (cost_unit(review), 0)},
    )


def cost_unit(review: SeasonReview) -> str:
    """Return the unit of the costs."""
    return "hours" if review.costs == HOURS else "as in season.toml"


def _open(review: SeasonReview) -> list[Block]:
    """Return what each plan was made from, and what would settle open questions."""
    said = [
        f"{curve}: made from {plan.remark}."
        for curve, plan in review.plans.items()
        if plan.remark != OWN
    ]
    for curve, advice in review.season.advice.items():
        questions = set(advice.open_question.split("; "))
        settling = [SETTLES[name] for name in SETTLES if name in questions]
        if advice.action == RESLOPE or SLOPE in questions:
            settling += _for_the_slope(review, curve)
        if settling:
            said.append(f"{curve}: {'; '.join(settling)}.")
    return [Items(said, small=True)] if said else []


def _for_the_slope(review: SeasonReview, curve: str) -> list[str]:
    """Return how well a curve's plan knows its slope by the span of moistures."""
    plan = review.plans.get(curve)
    best = cheapest(plan.table) if plan else None
    if plan is None or best is None:
        return []
    size = int(best["trials"]), int(best["samples_per_trial"]), int(best["dishes"])
    level = review.season.settings.confidence
    halves = zip(SPANS, slope_by_span(plan.scatter, SPANS, size, level), strict=True)
    known = listed([f"±{show(half, 3)} over {span}" for span, half in halves])
    return [
        f"spread the samples for its slope, which this plan knows to {known} points "
        "of moisture"
    ]


def history_section(review: SeasonReview) -> list[Block]:
    """Return this season's offsets beside those of earlier ones; none without."""
    if not (review.earlier or review.unread):
        return []
    level = review.season.settings.confidence
    heading = Heading("Offsets over the seasons")
    unread: list[Block] = [Paragraph(f"Not used: {why}.") for why in review.unread]
    seen = [h for h in review.histories if len(h.seasons) > 1]
    if not seen:
        said = "No curve of this season is in an earlier one."
        return [heading, Answer("open", said, tone=OPEN), *unread]
    beyond = [h.name for h in seen if h.within(level) is False]
    said = "No curve moved further than its earlier seasons let expect."
    answer = Answer("nothing to do", said, tone=CALM)
    if beyond:
        said = f"{listed(beyond)} moved further than earlier seasons predict: look for "
        answer = Answer("look again", f"{said}what changed.", tone=ACT)
    picture = Picture(
        draw_history(seen, level),
        "Offset each season called for, loaded − bias, the earliest on top. Shaded: "
        "predicted from the earlier seasons.",
        "; ".join(_in_words(history, level) for history in seen),
    )
    return [heading, answer, *unread, _history_table(review), picture]


def _history_table(review: SeasonReview) -> Table:
    """Return this season's values beside what earlier ones predict."""
    table = review_tables(review)["history"]
    now = table[table["season"] == review.season.settings.name]
    ends = ["value", "value_low", "value_high"]
    ends += ["expected", "expected_low", "expected_high"]
    return Table(
        "Offset called for by each curve; mean change by each sensor's curves.",
        now[["kind", "name", *ends, "within", "shrunken"]],
        "history",
        "Expected: prediction interval for one more season, random effects by REML "
        "with Hartung–Knapp, from three earlier ones on. Pooled: this season's drawn "
        "towards it by their errors; it never replaces the recommendation. A curve "
        "rebuilt begins a history of its own.",
    )


def _in_words(history: OffsetHistory, level: float) -> str:
    """Return a history's values, and what was predicted if anything was."""
    values = ", ".join(show(value.value, sign=True) for value in history.values)
    low, high = history.expected.interval(level)
    predicted = (
        f", predicted {show_span(low, high, sign=True)}" if isfinite(low) else ""
    )
    return f"{history.name}: {values}{predicted}"
