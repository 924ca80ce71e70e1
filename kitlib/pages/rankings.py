"""Figures of a trial's entries: yields and ranks before and after a correction."""

from dataclasses import dataclass
from math import isfinite

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from kitlib.reports.drawing import (
    AMBER,
    BLUE,
    FULL,
    HALF,
    INK,
    MUTED,
    RULE,
    SMALL,
    blank,
    draw_legend,
    framed,
    key_line,
    label_axes,
    legend_height,
    tick_evenly,
    write,
)
from kitlib.reports.lettering import as_drawn, true_minus, width_of
from kitlib.words.terms import WET_BASIS, YIELD, Term, counted, show

MOST_ENTRIES = 40
_ROW = 0.16  # height of one row [in]
_RIGHT = 1.45  # columns of words to the right of the axes [in]
_DASHES = (0, (5, 2))
_DOT = {"markersize": 5, "markeredgewidth": 0.9}
# Places from the figure's left edge and from the axes' right end [in], and the side
# the words are set to.
_COLUMNS_LEFT = [(0.25, "right"), (0.3, "left"), (0.72, "left")]
_COLUMNS_RIGHT = [(0.56, "right"), (0.68, "left")]


@dataclass(frozen=True, kw_only=True, eq=False)
class Entries:
    """A trial's entries before and after, in one order.

    Attributes
    ----------
    entry : array_like of str, shape (n,)
        Names.
    before, after : array_like, shape (n,)
        Yields at standard moisture; nan where not known. [one unit]
    rank_before, rank_after : array_like, shape (n,)
        1 is best; ties may share a rank; nan without a yield.
    selected : int
        How many are selected; 0 draws no line.
    noise : array_like of bool, shape (n,), optional
        True where a change of rank is smaller than its uncertainty: drawn grey.
    """

    entry: np.ndarray
    before: np.ndarray
    after: np.ndarray
    rank_before: np.ndarray
    rank_after: np.ndarray
    selected: int = 0
    noise: np.ndarray | None = None

    def __post_init__(self) -> None:
        noise = np.zeros(len(self.entry), bool) if self.noise is None else self.noise
        object.__setattr__(self, "entry", np.asarray(self.entry, str))
        for name in ("before", "after", "rank_before", "rank_after"):
            object.__setattr__(self, name, np.asarray(getattr(self, name), float))
        moved = self.rank_before != self.rank_after
        object.__setattr__(self, "noise", np.asarray(noise, bool) & moved)

    @property
    def was_in(self) -> np.ndarray:
        """True for entries selected before the correction."""
        return self.rank_before <= self.selected

    @property
    def is_in(self) -> np.ndarray:
        """True for entries selected after the correction."""
        return self.rank_after <= self.selected


def shown_entries(entries: Entries, most: int = MOST_ENTRIES) -> np.ndarray:
    """Return which entries a figure has room for, in order of rank after.

    All of them, or those that cross the selection line and the nearest to it.

    Examples
    --------
    >>> ranks = np.arange(1, 6)
    >>> five = Entries(entry=list("ABCDE"), before=ranks, after=ranks,
    ...                rank_before=ranks, rank_after=ranks, selected=3)
    >>> five.entry[shown_entries(five, most=2)].tolist()
    ['C', 'D']
    """
    order = np.argsort(entries.rank_after, kind="stable")
    crosses = entries.was_in != entries.is_in
    far = np.abs(entries.rank_after - entries.selected - 0.5)
    nearest = np.lexsort((far, ~crosses))[:most]
    return order[np.isin(order, nearest)]


def draw_entries(
    entries: Entries, term: Term = YIELD, most: int = MOST_ENTRIES
) -> Figure:
    """Draw each entry's yield and rank before and after the correction.

    Entries stand in the order of their rank after; the selection line runs below
    the last one selected. Beyond `most` entries those nearest to the line are
    drawn and the others counted. `term` gives the yields' unit and decimals.

    Examples
    --------
    >>> two = Entries(entry=["A", "B"], before=[9.8, 9.7], after=[9.6, 9.7],
    ...               rank_before=[1, 2], rank_after=[2, 1], selected=1)
    >>> drawn = draw_entries(two)
    >>> drawn.axes[0].get_xlabel()
    'Yield at standard moisture (t/ha)'
    """
    shown = shown_entries(entries, most)
    if shown.size == 0:
        return blank(FULL, 1.0)
    keys = _entry_keys(entries)
    names = [as_drawn(name, 20) for name in entries.entry[shown]]
    hidden = len(entries.entry) - shown.size
    left = _COLUMNS_LEFT[-1][0] + max(map(width_of, names)) + 0.15
    top, bottom = legend_height(keys, FULL) + 0.2, 0.64 if hidden else 0.46
    height = shown.size * _ROW + top + bottom
    figure, ax = framed(FULL, height, left, _RIGHT, top, bottom)
    label_axes(ax, term.axis, "")
    ax.set_ylim(shown.size - 0.5, -0.5)
    _draw_dumbbells(ax, entries, shown)
    tick_evenly(ax)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    _write_row(ax, -0.85, ["rank", "", "entry", "change", ""], MUTED)
    for row, (k, name) in enumerate(zip(shown, names, strict=True)):
        _write_entry(ax, row, entries, k, name, term.decimals)
    if entries.selected:
        _draw_selection_line(ax, np.count_nonzero(entries.is_in[shown]))
    if hidden:
        which = "farther from the line" if entries.selected else "of lower rank"
        said = f"{counted(hidden, 'entry', 'entries')} {which} not shown"
        figure.text(0, 0.05 / height, said, fontsize=SMALL, color=MUTED)
    draw_legend(figure, keys)
    return figure


def _entry_keys(entries: Entries) -> list:
    """Return the legend's entries."""
    before = {"marker": "o", "color": "white", "markeredgecolor": INK}
    after = {"marker": "o", "color": BLUE, "markeredgecolor": BLUE}
    keys = [key_line("before", linestyle="none", markersize=5, **before)]
    keys += [key_line("after", linestyle="none", markersize=5, **after)]
    if entries.selected:
        keys.append(key_line("selection line", color=AMBER, linewidth=1.2, ls=_DASHES))
    if entries.noise.any():
        keys.append(key_line("grey: move within its uncertainty", color=RULE, lw=2))
    return keys


def _draw_dumbbells(ax: Axes, entries: Entries, shown) -> None:
    """Draw yields before (open) and after (filled), joined."""
    rows = np.arange(shown.size)
    before, after = entries.before[shown], entries.after[shown]
    colours = np.where(entries.noise[shown], RULE, MUTED)
    ax.hlines(rows, before, after, colors=colours, linewidth=2, zorder=2)
    ax.plot(before, rows, "o", color="white", markeredgecolor=INK, **_DOT)
    ax.plot(after, rows, "o", color=BLUE, markeredgecolor=BLUE, **_DOT)


def _write_entry(
    ax: Axes, row: int, entries: Entries, k: int, name: str, decimals: int
) -> None:
    """Write one entry's ranks, name, change and whether it crosses the line."""
    was, now = entries.rank_before[k], entries.rank_after[k]
    moved = f"→ {now:g}" if isfinite(now) and was != now else ""
    crossed = ["", "moves in", "drops out"]
    step = int(entries.is_in[k]) - int(entries.was_in[k]) if entries.selected else 0
    change = entries.after[k] - entries.before[k]
    change = true_minus(show(change, decimals, sign=True))
    rank = f"{was:g}" if isfinite(was) else "–"
    words = [rank, moved, name, change, crossed[step]]
    _write_row(ax, row, words, MUTED if entries.noise[k] else INK)


def _write_row(ax: Axes, row: float, words: list[str], colour: str) -> None:
    """Write words into the columns on both sides of the axes."""
    box = ax.get_position()
    places = [(across / FULL, side) for across, side in _COLUMNS_LEFT]
    places += [(box.x1 + across / FULL, side) for across, side in _COLUMNS_RIGHT]
    for (across, side), said in zip(places, words, strict=True):
        share = (across - box.x0) / box.width
        look = {"va": "center_baseline", "ha": side, "color": colour}
        if said:
            write(ax, share, row, said, transform=ax.get_yaxis_transform(), **look)


def _draw_selection_line(ax: Axes, selected: int) -> None:
    """Draw the line below the last entry selected, over the figure's whole width."""
    box = ax.get_position()
    across = [-box.x0 / box.width, (1 - box.x0) / box.width]
    look = {"color": AMBER, "linewidth": 1.2, "linestyle": _DASHES, "clip_on": False}
    where = ax.get_yaxis_transform()
    ax.plot(across, [selected - 0.5] * 2, transform=where, **look)


def draw_yield_change(
    moisture,
    change,
    line: tuple[float, float] | None = None,
    width: float = HALF,
    unit: str = YIELD.unit,
) -> Figure:
    """Draw the change of entries' yields over their mean moisture, where known.

    Parameters
    ----------
    moisture : array_like, shape (n,)
        Mean moisture of each entry. [% moisture, wet basis]
    change : array_like, shape (n,)
        Yield after - before the correction. [`unit`]
    line : (intercept, slope), optional
        Trend, drawn over the entries' own moistures only. [`unit`; per point]
    width : float
        At print size. [in]
    unit : str

    Examples
    --------
    >>> draw_yield_change([18.0, 22.0], [0.05, 0.02]).axes[0].get_ylabel()
    'Change of yield (t/ha)'
    """
    moisture, change = np.asarray(moisture, float), np.asarray(change, float)
    known = np.isfinite(moisture) & np.isfinite(change)
    moisture, change = moisture[known], change[known]
    if moisture.size == 0:
        return blank(width, 1.6)
    keys = [key_line("one entry", linestyle="none", marker="o", color=BLUE, ms=5)]
    if line is not None:
        keys.append(key_line("trend", color=INK, linewidth=1.4))
    top = legend_height(keys, width)
    figure, ax = framed(width, width * 0.6 + top, left=0.68, top=top)
    label_axes(ax, f"Mean moisture ({WET_BASIS})", f"Change of yield ({unit})")
    ax.axhline(0, color=MUTED, linewidth=0.9)
    ax.plot(moisture, change, "o", color=BLUE, markeredgecolor="white", **_DOT)
    if line is not None:
        ends = np.array([moisture.min(), moisture.max()])
        ax.plot(ends, line[0] + line[1] * ends, color=INK, linewidth=1.4)
    tick_evenly(ax)
    draw_legend(figure, keys)
    return figure
