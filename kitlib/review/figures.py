"""Figures of a season's review: control charts, plans against effort, histories."""

from collections.abc import Mapping, Sequence
from math import isfinite, nan
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure

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
    blank,
    draw_legend,
    framed,
    key_line,
    label_axes,
    legend_height,
    tick_evenly,
)
from kitlib.reports.lettering import as_drawn
from kitlib.review.check_samples import CheckChart
from kitlib.review.history import OffsetHistory
from kitlib.review.plan import efficient
from kitlib.words.terms import POINTS

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
    top = legend_height(keys, width)
    figure, ax = framed(width, 1.8 + top, left=0.7, top=top)
    first = chart.base_cells["day"].min()
    label_axes(ax, f"Days after {first:%Y-%m-%d}", DEVIATION)
    ax.axhline(0, color=MUTED, linewidth=0.9)
    _draw_limits(ax, chart, first)
    for name, (colour, marker) in styles:
        for cells, fill in ((chart.base_cells, "white"), (chart.cells, colour)):
            own = cells[cells["sample"] == name]
            look = {"marker": marker, "color": fill, "markeredgecolor": colour, **_DOT}
            ax.plot((own["day"] - first).dt.days, own["deviation"], zorder=3, **look)
    tick_evenly(ax, up=6)
    draw_legend(figure, keys)
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
    top = legend_height(keys, width)
    figure, ax = framed(width, 2.4 + top, left=0.7, top=top)
    label_axes(ax, f"Effort ({unit})", HALF_WIDTH)
    for table, (colour, marker, stroke) in zip(plans.values(), looks, strict=True):
        front, best = efficient(table), table[table["cheapest"]]
        line = {"color": colour, "linewidth": 1.4, "linestyle": stroke}
        ax.plot(front["cost"], front["half_width_bias"], **line)
        look = {"marker": marker, "color": colour, "markeredgecolor": INK, **_DOT}
        ax.plot(best["cost"], best["half_width_bias"], zorder=4, **look)
    if isfinite(wanted):
        ax.axhline(wanted, color=MUTED, **_DASHES)
    tables = list(plans.values())
    ax.set(ylim=(0, _height(tables, wanted)), xlim=(0, _reach(tables)))
    tick_evenly(ax)
    draw_legend(figure, keys)
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
    top = legend_height(keys, width)
    height = 0.46 + top + 0.5 * len(drawn)
    figure, ax = framed(width, height, left=1.6, top=top)
    label_axes(ax, SETTING, "")
    for row, history in enumerate(drawn):
        _draw_seasons(ax, row, history, level)
    ax.set_yticks(range(len(drawn)), [as_drawn(h.name, 20) for h in drawn])
    ax.set_ylim(len(drawn) - 0.5, -0.5)
    draw_legend(figure, keys)
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
