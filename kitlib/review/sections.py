"""The review of a season as sections of its report.

Each leads with one sentence that says whether anything must be done; the tables are
those of `review_tables`, in part.
"""

from collections.abc import Mapping, Sequence
from dataclasses import replace
from math import inf, isfinite, sqrt
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.figure import Figure

from kitlib.curves.advice import BIAS, REBUILD, SLOPE
from kitlib.intake.outputs import kept
from kitlib.reports import blocks as page
from kitlib.reports import drawing as style
from kitlib.review import plan as sampling
from kitlib.review.check_samples import CHARTS, DRIFT_DAYS, CheckChart
from kitlib.review.comparisons import FEW, NO_DIFFERENCE, OffsetHistory
from kitlib.review.review import SeasonReview, review_tables
from kitlib.review.setup import CAUSES, DOUBTFUL, UNRECORDED
from kitlib.season.season import SeasonAudit
from kitlib.words.terms import POINTS, counted, listed, show, show_span

MOST_CHARTS = 4  # of curves out of limits; where none is, two show what there is
SPANS = (4, 8, 12, 16)  # of moisture, in points
FIRST_OUT = [f"first_out_{chart.lower()}" for chart in CHARTS]
_DOT: dict[str, Any] = {"linestyle": "none", "markersize": 5, "markeredgewidth": 0.5}
_DASHES: dict[str, Any] = {"linewidth": 0.9, "linestyle": (0, (4, 2))}
# Curves beyond as many as there are colours are told apart by their lines.
_STROKES = ["-", (0, (5, 2)), (0, (1, 1.5)), (0, (6, 2, 1, 2))]


def review_sections(review: SeasonReview) -> list[page.Block]:
    """Return the review of a season for its report, in reading order."""
    return [
        *setup_section(review),
        *check_section(review),
        *parallel_section(review),
        *source_section(review),
        *plan_section(review),
        *history_section(review),
    ]


def _lead(part: str, case: str = "nothing", detail: str = "", **said):
    """Return a part's heading, and its answer to what was found."""
    of = page.texts()["review"][part]
    word, tone, sentence = of[case]
    answer = page.Answer(word, sentence.format(**said), detail, tone)
    return [page.Heading(of["heading"]), answer]


def setup_section(review: SeasonReview) -> list[page.Block]:
    """Return how the curves were set up, and the offsets that followed from it."""
    if review.season.tables["setup_runs"].frame.empty:
        return _lead("setup")
    tables = review_tables(review)
    causes, offsets = tables["setup"], tables["setup_offsets"]
    moved = [curve for curve, one in review.curves.items() if one.not_held]
    doubted = causes[(causes["verdict"] == DOUBTFUL) & causes["size"].notna()]
    case = "moved" if moved else "sound" if doubted.empty else "doubtful"
    detail = ""
    if len(doubted):
        most = doubted.sort_values(["size", "cause", "curve"]).iloc[-1]
        detail = f"Largest error in doubt at set-up: {most['cause'].lower()}, up to "
        detail += f"{show(most['size'])} points on {most['curve']}."
    return [
        *_lead("setup", case, detail, curves=listed(moved)),
        _causes(causes, review.season.settings.setting_step),
        page.table_of("review_offsets", offsets),
        page.table_of("review_repeats", offsets[offsets["sd_run_df"] > 0]),
    ]


def _causes(setup: pd.DataFrame, step: float) -> page.Table:
    """Return what is in doubt, or could have put offsets wrong by a step or more."""
    rows, open_ones = [], []
    for code, cause in CAUSES.items():
        found = setup[setup["code"] == code]
        doubtful = found[found["verdict"] == DOUBTFUL]
        # Of the curves in doubt if there are some: 0 elsewhere says nothing.
        size = (found if doubtful.empty else doubtful)["size"].max()
        if len(doubtful) or size >= step:
            names = listed(doubtful["curve"], most=4) or "–"
            rows.append([cause.cause, size, names, cause.why])
        unrecorded = int((found["verdict"] == UNRECORDED).sum())
        if unrecorded:
            open_ones.append(f"{cause.cause.lower()} ({counted(unrecorded, 'curve')})")
    frame = pd.DataFrame(rows, columns=["cause", "size", "curve", "why"])
    note = f"Not recorded: {listed(open_ones)}. " if open_ones else ""
    by_size = frame.sort_values("size", ascending=False, kind="stable")
    return page.table_of("review_causes", by_size, unrecorded=note)


def check_section(review: SeasonReview) -> list[page.Block]:
    """Return whether the curves held, as their check samples tell."""
    charts = {c: one.chart for c, one in review.curves.items() if one.chart}
    if not charts:
        return _lead("checks")
    out = [curve for curve in charts if review.curves[curve].is_out]
    judged = [curve for curve, chart in charts.items() if not chart.remark]
    drawn = [curve for curve in out if curve in judged][:MOST_CHARTS] or judged[:2]
    pictures = [_chart_picture(charts[curve], curve) for curve in drawn]
    pairs = zip(pictures[::2], pictures[1::2], strict=False)
    abreast = [page.SideBySide(*pair) for pair in pairs]
    unjudged = [curve for curve in charts if curve not in judged]
    detail = f"Limits not judged: {listed(unjudged)}." if unjudged else ""
    case = "out" if out else "held" if judged else "few"
    table = review_tables(review)["check_runs"]
    columns = ["curve", "runs_used", "days", "limit"]
    # A chart whose limits no curve left has no day to show.
    columns += [name for name in FIRST_OUT if table[name].notna().any()]
    columns += [f"drift_{DRIFT_DAYS}_days{end}" for end in ("", "_low", "_high")]
    lead = _lead("checks", case, detail, curves=listed(out))
    told = page.table_of("review_checks", table[columns])
    return [*lead, told, *abreast, *pictures[2 * len(abreast) :]]


@kept
def _chart_picture(chart: CheckChart, curve: str) -> page.Picture:
    """Return the control chart of one curve."""
    out = [name for name, day in chart.first_out.items() if day is not None]
    words = {
        "curve": curve,
        "deviations": counted(len(chart.cells), "deviation"),
        "largest": show(chart.cells["deviation"].abs().max()),
        "said": f"out of limits by {listed(out)}" if out else "inside all limits",
    }
    return page.picture_of("review_chart", draw_control_chart(chart), **words)


def draw_control_chart(chart: CheckChart) -> Figure:
    """Draw each check sample's deviation over the season, with EWMA and limits."""
    # Open dots are the base days, from which centres and limits come.
    names = sorted(set(chart.cells["sample"]))
    looks = list(zip(names, style.GROUP_STYLES, strict=False))
    keys = [
        style.key_line(style.as_drawn(name, 18), color=colour, marker=marker, **_DOT)
        for name, (colour, marker) in looks
    ]
    keys += [style.key_line("limits of a sample", color=style.MUTED, **_DASHES)]
    keys += [style.key_line("EWMA", color=style.INK, linewidth=1.4)]
    keys += [style.key_line("its limits", color=style.BAND, **style.SWATCH)]
    base = chart.runs.cells[chart.runs.cells["base"]]
    first = base["day"].min()
    across, up = f"Days after {first:%Y-%m-%d}", f"Deviation ({POINTS})"
    figure, ax = style.framed(style.HALF, 1.8, keys, across, up, left=0.7)
    ax.axhline(0, color=style.MUTED, linewidth=0.9)
    days = (chart.occasions["day"] - first).dt.days.to_numpy()
    limit = chart.occasions["ewma_limit"].to_numpy(float)
    if days.size > 1:
        ax.fill_between(days, -limit, limit, color=style.BAND, linewidth=0)
    ax.plot(days, chart.occasions["ewma"], color=style.INK, linewidth=1.4, zorder=4)
    widest = float(chart.cells["limit"].max())
    for end in (-widest, widest):
        ax.axhline(end, color=style.MUTED, **_DASHES)
    for name, (colour, marker) in looks:
        for cells, fill in ((base, "white"), (chart.cells, colour)):
            own = cells[cells["sample"] == name]
            look = {"marker": marker, "color": fill, "markeredgecolor": colour, **_DOT}
            ax.plot((own["day"] - first).dt.days, own["deviation"], zorder=3, **look)
    style.tick_evenly(ax, up=6)
    return figure


def parallel_section(review: SeasonReview) -> list[page.Block]:
    """Return which of two curves recorded on the same plots served better."""
    if not review.parallel:
        return []
    tables, parts, shown = review_tables(review), [], False
    for one in review.parallel:
        told = "no difference is shown"
        if one.tighter != NO_DIFFERENCE:
            told = f"curve {one.tighter} scatters less: use it, and correct its offset"
        elif one.better != NO_DIFFERENCE:
            told = f"curve {one.better} was closer to the oven as loaded; with both "
            told += "offsets corrected no difference is shown"
        shown |= {one.tighter, one.better} != {NO_DIFFERENCE}
        parts.append(f"Of {one.first} and {one.second}: {told}.")
    bands = tables["parallel_bands"]
    bands = bands[bands["better"] != FEW]
    return [
        *_lead("parallel", "shown" if shown else "same", said=" ".join(parts)),
        page.table_of("review_parallel", tables["parallel"]),
        *([page.table_of("review_bands", bands)] if len(bands) else []),
    ]


def source_section(review: SeasonReview) -> list[page.Block]:
    """Return where the errors come from: of each curve the largest source."""
    table = review_tables(review)["sources"]
    own = table[table["curve"] != ""]
    if own.empty:
        return _lead("sources")
    largest = own.loc[own.groupby("curve", sort=False)["share"].idxmax()]
    parts = []
    for source, rows in largest.groupby("source", sort=False):
        ends = rows["share"].agg(["min", "max"])
        low, high = (show(100 * end, 0) for end in ends)
        span = f"{high} %" if low == high else f"{low} to {high} %"
        parts.append(f"{sampling.IN_WORDS[source]} on {listed(rows['curve'])} ({span})")
    # Only where the advice has a slope in it; a curve to be kept is not to be changed.
    steep = [c for c, a in review.season.advice.items() if a.asks_for_slope]
    slope = largest.loc[largest["source"] == sampling.MOISTURE, "curve"]
    slope = slope[slope.isin(steep)]
    said = {"parts": "; ".join(parts), "curves": listed(slope)}
    names = "; ".join(f"{name}: {said}" for name, said in sampling.IN_WORDS.items())
    return [
        *_lead("sources", "spread" if slope.empty else "slope", **said),
        page.table_of("review_sources", largest, names=names),
    ]


def plan_section(review: SeasonReview) -> list[page.Block]:
    """Return how next season's sampling reaches a wanted precision, and the cost."""
    if not review.plans:
        return _lead("plan")
    by_hours = review.costs == sampling.HOURS
    unit = "hours" if by_hours else "as in season.toml"
    source = "hours of work, default of this kit" if by_hours else "season.toml"
    best = review_tables(review)["plan"].query("cheapest == True")
    known = [
        f"{curve} {show(half)} points at {show(cost, 0)}"
        for curve, half, cost in best[["curve", "half_width_bias", "cost"]].to_numpy()
    ]
    reached = listed(known, most=20) or "none suffices"
    figure = draw_plan({curve: of.table for curve, of in review.plans.items()}, unit)
    words = {"costs": review.costs, "source": source}
    return [
        *_plan_lead(review, unit),
        page.table_of("review_plan", best, {"cost": (unit, 0)}, **words),
        *_open(review),
        page.picture_of("review_plan", figure, unit=unit, reached=reached),
    ]


def _plan_lead(review: SeasonReview, unit: str) -> list[page.Block]:
    """Say what next season's sampling has to be, and what would settle the rest."""
    # What serves a plot serves the curves recorded beside it as well.
    beside = set(review.season.pairing.pairs.query("parallel")["curve"])
    advice = review.season.advice
    own = [curve for curve in review.curves if curve not in beside]
    rebuilt = [c for c in own if c in advice and advice[c].action == REBUILD]
    own = [curve for curve in own if curve not in rebuilt]
    plans = {c: sampling.cheapest(plan.table) for c, plan in review.plans.items()}
    enough = [curve for curve in own if plans.get(curve) is not None]
    total = pd.DataFrame([plans[curve] for curve in enough]).sum()
    without = [curve for curve in own if curve not in enough]
    detail = f"No plan suffices for {listed(without)}. " if without else ""
    if rebuilt:
        detail += f"Not counted: {listed(rebuilt)}, to be built anew first. "
    detail += _entries_in_words(review.season)
    if not enough:
        return _lead("plan", "none", detail)
    said = {
        "samples": counted(int(total["oven_samples"]), "oven sample"),
        "visits": counted(int(total["trials"]), "trial visit"),
        "cost": show(total["cost"], 0),
    }
    return _lead("plan", "take", detail, **said, unit=unit, curves=listed(enough))


def _entries_in_words(season: SeasonAudit) -> str:
    """Say how many entries to sample in several trials to learn of their errors."""
    # Such an error changes a ranking and no offset takes it away; it shows only where
    # an entry was sampled in several places.
    errors, words = season.entry_errors, page.texts()["review"]["plan"]
    found = {crop: sampling.entries_wanted(season, crop) for crop in errors}
    enough = [crop for crop, wanted in found.items() if wanted is None]
    asked = [(of, crop) for crop, of in found.items() if of and of.curve]
    # What is done soonest stands first.
    asked.sort(key=lambda one: one[0].number or inf)
    wanted = []
    for of, crop in asked:
        told = {"number": of.number or "more than 500", "curve": of.curve}
        told |= {"crop": crop, "so_far": errors[crop].n_entries}
        wanted.append(words["entries_of"].format(**told))
    said = [words["entries"].format(entries=listed(wanted))] if wanted else []
    said += [words["entries_known"].format(crops=listed(enough))] if enough else []
    return " ".join(said)


def _open(review: SeasonReview) -> list[page.Block]:
    """Return what each plan was made from, and what would settle open questions."""
    plans, level = review.plans, review.season.settings.confidence
    of_curves: dict[str, list[str]] = {}
    for curve, plan in plans.items():
        if plan.remark != sampling.OWN:
            of_curves.setdefault(f"the plan rests on {plan.remark}", []).append(curve)
    settles = page.texts()["review"]["settles"]
    for curve, advice in review.season.advice.items():
        questions = set(advice.open_question.split("; "))
        best = sampling.cheapest(plans[curve].table) if curve in plans else None
        # Without a plan that suffices no samples of it can settle the bias.
        told = questions - ({SLOPE} if best is not None else {SLOPE, BIAS})
        settling = [settles[name] for name in settles if name in told]
        if best is not None and advice.asks_for_slope:
            trials, samples, dishes, _ = best[sampling.SIZE]
            # An even spread over one point has an SD of 1 / √12.
            one = replace(plans[curve].scatter, sd_moisture=1 / sqrt(12))
            half = float(sampling.slope_half_width(one, trials, samples, dishes, level))
            widths = [f"±{show(half / span, 3)} over {span}" for span in SPANS]
            settling.append(settles[SLOPE].format(widths=listed(widths)))
        if settling:
            of_curves.setdefault("; ".join(settling), []).append(curve)
    said = [f"{listed(curves)}: {words}." for words, curves in of_curves.items()]
    return [page.Items(said, small=True)] if said else []


def draw_plan(plans: Mapping[str, pd.DataFrame], unit: str) -> Figure:
    """Draw the least half-width of the bias's interval against what it costs."""
    n = len(style.GROUP_STYLES)
    looks = [
        (*style.GROUP_STYLES[k % n], _STROKES[k // n % len(_STROKES)])
        for k in range(len(plans))
    ]
    ink = {"color": style.INK, "marker": "o", **_DOT}
    keys = [
        style.key_line(style.as_drawn(name, 22), **_stroke(colour, stroke))
        for name, (colour, _, stroke) in zip(plans, looks, strict=True)
    ] + [style.key_line("cheapest plan that suffices", **ink)]
    across, up = f"Effort ({unit})", f"Half-width of the bias ({POINTS})"
    figure, ax = style.framed(style.FULL, 2.0, keys, across, up, left=0.7)
    for table, (colour, marker, stroke) in zip(plans.values(), looks, strict=True):
        front, best = sampling.efficient(table), table[table["cheapest"]]
        ax.plot(front["cost"], front["half_width_bias"], **_stroke(colour, stroke))
        look = {"marker": marker, "color": colour, "markeredgecolor": style.INK, **_DOT}
        ax.plot(best["cost"], best["half_width_bias"], zorder=4, **look)
    # Hopeless plans run off above, and those far dearer than needed to the right.
    every = pd.concat(plans.values())
    reach = 1.6 * every.loc[every["cheapest"], "cost"].max()
    highest = max(t["half_width_bias"].quantile(0.75) for t in plans.values())
    right = reach if isfinite(reach) else every["cost"].max()
    ax.set(ylim=(0, highest), xlim=(0, right))
    return figure


def _stroke(colour: str, stroke) -> dict[str, Any]:
    """Return how the line of a curve's plans looks."""
    return {"color": colour, "linewidth": 1.4, "linestyle": stroke}


def history_section(review: SeasonReview) -> list[page.Block]:
    """Return this season's offsets beside those of earlier ones; none without."""
    if not (review.earlier or review.unread):
        return []
    level = review.season.settings.confidence
    unread = [page.Paragraph(f"Not used: {why}.") for why in review.unread]
    seen = [h for h in review.histories if len(h.seasons) > 1]
    if not seen:
        return [*_lead("history"), *unread]
    beyond = [h.name for h in seen if h.within(level) is False]
    table = review_tables(review)["history"]
    now = table[table["season"] == review.season.settings.name]
    said = "; ".join(_in_words(history, level) for history in seen)
    return [
        *_lead("history", "beyond" if beyond else "within", curves=listed(beyond)),
        *unread,
        page.table_of("review_history", now),
        page.picture_of("review_history", draw_history(seen, level), said=said),
    ]


def _in_words(history: OffsetHistory, level: float) -> str:
    """Return a history's values, and what was predicted if anything was."""
    values = ", ".join(show(value.value, sign=True) for value in history.values)
    ends = history.expected.interval(level)
    predicted = f", predicted {show_span(*ends, sign=True)}"
    return f"{history.name}: {values}{predicted if isfinite(ends.low) else ''}"


def draw_history(histories: Sequence[OffsetHistory], level: float = 0.95) -> Figure:
    """Draw the offset each season called for, with intervals and the prediction."""
    keys = [style.key_line("earlier seasons", color=style.BLUE, marker="o", **_DOT)]
    keys += [style.key_line("this season", color=style.AMBER, marker="^", **_DOT)]
    band: dict[str, Any] = {"color": style.BAND, **style.SWATCH}
    keys += [style.key_line("predicted from earlier seasons", **band)]
    n = len(histories)
    across = f"Offset the season calls for ({POINTS})"
    tall, names = 0.46 + 0.5 * n, [style.as_drawn(h.name, 20) for h in histories]
    figure, ax = style.framed(style.FULL, tall, keys, across, left=1.6, ruled="x")
    style.tick_rows(ax, names)
    for row, history in enumerate(histories):
        low, high = history.expected.interval(level)
        if isfinite(low):
            ends = row - 0.4, row + 0.4
            ax.fill_betweenx(ends, low, high, color=style.BAND, linewidth=0)
        places = row + np.linspace(-0.3, 0.3, len(history.values))
        for place, value in zip(places, history.values, strict=True):
            is_now = value is history.values[-1]
            colour, marker = (style.AMBER, "^") if is_now else (style.BLUE, "o")
            ax.plot(value.interval(level), [place] * 2, color=colour, linewidth=1.2)
            look = {**_DOT, "marker": marker, "markeredgecolor": "white"}
            ax.plot(value.value, place, zorder=3, color=colour, **look)
    return figure
