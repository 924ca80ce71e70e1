"""Figures of a season's curves and of a trial's entries and field."""

from math import isfinite
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Rectangle

from kitlib.reports.drawing import (
    ACCENT,
    ACTION_STYLES,
    BAND,
    FULL,
    INK,
    MID,
    MUTED,
    RULE,
    SIGNAL,
    SMALL,
    SWATCH,
    blank,
    draw_legend,
    fill_cells,
    framed,
    key_line,
    label_axes,
    legend_height,
    tick_evenly,
    tick_whole,
    write_all,
)
from kitlib.reports.lettering import as_drawn, true_minus, width_of
from kitlib.words.terms import columns_of, show

_CURVES = columns_of("curves")
_ROW = 0.17  # height of a row of words beside axes [in]


def draw_season(curves: pd.DataFrame) -> Figure:
    """Draw the bias of every curve with its interval against its allowed bias.

    Parameters
    ----------
    curves : DataFrame
        Rows of `curves.csv` with a bias.

    Examples
    --------
    >>> row = {"crop": "maize", "curve": "A", "bias": 0.41, "bias_low": 0.2,
    ...        "bias_high": 0.6, "allowed_bias": 0.6, "action": "shift"}
    >>> draw_season(pd.DataFrame([row])).axes[0].get_xlabel()
    'Bias (points)'
    """
    if curves.empty:
        return blank(FULL, 1.0)
    names = [
        as_drawn(f"{c}, {crop}", 30) for c, crop in curves[["curve", "crop"]].values
    ]
    left = max(map(width_of, names)) + 0.2
    actions = [str(action) for action in ACTION_STYLES if action in set(curves.action)]
    keys = [
        key_line(action, color=colour, marker=marker, linewidth=1.5, markersize=5)
        for action, (colour, marker) in ACTION_STYLES.items()
        if action in actions
    ] + [key_line("± allowed bias", color=BAND, **SWATCH)]
    top = legend_height(keys, FULL)
    height = len(curves) * _ROW + top + 0.46
    figure, ax = framed(FULL, height, left=left, top=top)
    limit = _bias_limit(curves)
    ax.set(xlim=(-limit, limit), ylim=(len(curves) - 0.5, -0.5))
    tick_evenly(ax)
    ax.set_yticks(range(len(curves)), names)
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False, axis="y")
    ax.spines["left"].set_visible(False)
    label_axes(ax, _CURVES["bias"].head, "")
    ax.axvline(0, color=MUTED, linewidth=0.9)
    for k, row in enumerate(curves.to_dict("records")):
        colour, marker = ACTION_STYLES[row["action"]]
        allowed = row["allowed_bias"]
        ax.barh(k, 2 * allowed, 0.86, -allowed, color=BAND)
        ends = np.clip([row["bias_low"], row["bias_high"]], -limit, limit)
        ax.plot(ends, [k, k], color=colour, linewidth=1.6)
        look = {"marker": marker, "markersize": 5.5, "markeredgecolor": "white"}
        at = np.clip(row["bias"], -limit, limit)
        ax.plot(at, k, color=colour, mew=0.5, clip_on=False, **look)
    draw_legend(figure, keys)
    return figure


def _bias_limit(curves: pd.DataFrame) -> float:
    """Return how far the axis of biases reaches: wide intervals run off it."""
    sizes = curves[["bias", "bias_low", "bias_high"]].abs()
    enough = 1.2 * max(2 * curves["allowed_bias"].max(), sizes["bias"].max())
    return float(max(1.1 * min(np.nanmax(sizes), enough), 0.1))


def draw_ranks(
    entries: pd.DataFrame, count: int, unit: str, decimals: int = 2
) -> Figure:
    """Draw entries around the selection line: yields, and the chance of selection.

    Parameters
    ----------
    entries : DataFrame
        Rows of `entries.csv` in the order of drawing, yields in `unit`. An entry
        without a corrected yield is drawn as recorded.
    count : int
        How many are selected.
    unit : str
    decimals : int
        Of the yields.

    Examples
    --------
    >>> two = pd.DataFrame({"entry": ["A", "B"], "yield_before": [9.8, 9.7],
    ...     "yield_after": [9.7, 9.8], "rank_before": [1, 2], "rank_after": [2, 1],
    ...     "lsd": 0.3, "chance_selected_after": [0.4, 0.6]})
    >>> draw_ranks(two, 1, "t/ha").axes[0].get_xlabel()
    'Yield at standard moisture (t/ha)'
    """
    if entries.empty:
        return blank(FULL, 1.0)
    rank = entries["rank_after"].fillna(entries["rank_before"]).to_numpy(float)
    was, now = entries["rank_before"].to_numpy(float) <= count, rank <= count
    names = [as_drawn(name, 20) for name in entries["entry"]]
    left = max(map(width_of, names)) + 0.42
    keys = [
        key_line("as recorded", color="white", mec=INK, ls="none", marker="o", ms=4.5),
        key_line("corrected", color=ACCENT, ls="none", marker="o", ms=4.5),
        key_line(
            "corrected, in or out by it", color=SIGNAL, ls="none", marker="D", ms=4.5
        ),
        key_line("half an LSD each way", color=MID, linewidth=3.2),
    ]
    keys = keys if (was != now).any() else [keys[0], keys[1], keys[3]]
    top = legend_height(keys, FULL)
    height = len(entries) * _ROW + top + 0.46
    figure, ax = framed(FULL, height, left=left, right=1.55, top=top)
    box = ax.get_position()
    side = figure.add_axes((1 - 1.4 / FULL, box.y0, 1.2 / FULL, box.height))
    _draw_yields(ax, entries, was != now)
    _draw_chances(side, entries["chance_selected_after"].to_numpy(float))
    label_axes(ax, f"Yield at standard moisture ({unit})", "")
    label_axes(side, "Chance selected (%)", "")
    side.spines[["top", "right"]].set_visible(False)
    side.spines["bottom"].set_color(MUTED)
    side.tick_params(labelsize=SMALL, color=MUTED, labelcolor=INK, length=3)
    for axes in (ax, side):
        axes.set_ylim(len(entries) - 0.4, -0.6)
        axes.grid(visible=False, axis="y")
        axes.spines["left"].set_visible(False)
        axes.tick_params(axis="y", length=0)
    tick_evenly(ax)
    ax.set_yticks([])
    rows = np.arange(len(entries))
    inch = np.ptp(ax.get_xlim()) / (FULL * box.width)
    edge = np.full(rows.size, ax.get_xlim()[0])
    ax.set_xlim(ax.get_xlim())
    write_all(ax, edge - 0.1 * inch, rows, names, "right")
    ranks = [f"{place:g}" if isfinite(place) else "–" for place in rank]
    write_all(ax, edge - (left - 0.25) * inch, rows, ranks, "right")
    if 0 < np.count_nonzero(now) < len(entries):
        for axes in (ax, side):
            at = np.count_nonzero(now) - 0.5
            axes.axhline(at, color=SIGNAL, linewidth=1.1, linestyle=(0, (4, 2)))
    draw_legend(figure, keys)
    return figure


def _draw_yields(ax: Axes, entries: pd.DataFrame, crossed) -> None:
    """Draw yields as recorded, corrected, and half an LSD each way."""
    rows = np.arange(len(entries))
    before = entries["yield_before"].to_numpy(float)
    after = entries["yield_after"].to_numpy(float)
    half = entries["lsd"].to_numpy(float) / 2
    middle = np.where(np.isfinite(after), after, before)
    ax.hlines(rows, middle - half, middle + half, color=MID, linewidth=3.2)
    ax.plot(before, rows, "o", color="white", mec=INK, mew=0.8, ms=4.5, zorder=3)
    for chosen, colour, marker in ((~crossed, ACCENT, "o"), (crossed, SIGNAL, "D")):
        look: dict[str, Any] = {"color": colour, "marker": marker, "ms": 4.5, "mew": 0}
        ax.plot(after[chosen], rows[chosen], ls="none", zorder=4, **look)


def _draw_chances(ax: Axes, chances) -> None:
    """Draw the chance that each entry is selected; those open are marked."""
    colours = np.where((chances > 0.1) & (chances < 0.9), SIGNAL, MID)
    ax.barh(np.arange(chances.size), 100 * chances, 0.62, color=list(colours))
    ax.set_xlim(0, 100)
    ax.set_xticks([0, 50, 100])
    ax.set_yticks([])


# From below zero to above, told apart by lightness and sign as well as hue.
_CLASSES = ["#1F5C99", "#6FA3D3", "#C3DAEE", "#E4E7E5", "#F7D9A8", "#EFA94A", "#C46A00"]
_BOUNDS = np.array([-5, -3, -1, 1, 3, 5])
_DARK = (0, 6)  # classes that need white lettering
_TALLEST = 3.4  # of a field [in]


def draw_field_map(
    row, range_, value, label: str, decimals: int = 2, width: float = FULL
) -> Figure:
    """Draw a value for every plot at its place in the field.

    Places without a plot, and plots without a value, are blank. Values stand in the
    cells where they fit.

    Parameters
    ----------
    row, range_ : array_like of int, shape (n,)
        Place of each plot.
    value : array_like, shape (n,)
        Signed, such as a change of yield or an error; nan for none.
    label : str
        Names the value and its unit.
    decimals : int
    width : float
        At print size. [in]

    Examples
    --------
    >>> drawn = draw_field_map([1, 2], [1, 1], [0.2, -0.1], "Error (points)")
    >>> drawn.axes[0].get_xlabel()
    'Row'
    """
    row, range_ = np.asarray(row, int), np.asarray(range_, int)
    value = np.asarray(value, float)
    known = np.isfinite(value)
    if not known.any():
        return blank(width, 1.2, "no plot has both a place and a value")
    columns, lines = np.ptp(row) + 1, np.ptp(range_) + 1
    left, right, top = 0.5, 0.1, 0.42
    cell = min((width - left - right) / columns, 0.8)
    tall = min(0.62 * cell, _TALLEST / lines)
    right = width - left - columns * cell
    height = lines * tall + top + 0.46
    figure, ax = framed(width, height, left=left, right=right, top=top)
    label_axes(ax, "Row", "Range")
    ax.set_xlim(row.min() - 0.5, row.max() + 0.5)
    ax.set_ylim(range_.min() - 0.5, range_.max() + 0.5)
    ax.grid(visible=False)
    ax.tick_params(length=0)
    ax.spines[:].set(visible=True, color=RULE)
    tick_whole(ax, up=max(2, int(lines * tall / 0.2)))
    row, range_, value = row[known], range_[known], value[known]
    step = _class_step(value, decimals)
    classes = np.searchsorted(step * _BOUNDS, value)
    sides = np.array([row - 0.5, row + 0.5, range_ - 0.5, range_ + 0.5])
    for k in np.unique(classes):
        look = {"facecolor": _CLASSES[k], "edgecolor": "white", "linewidth": 0.8}
        fill_cells(ax, *sides[:, classes == k], **look)
    words = [show(v, decimals, sign=True) for v in value]
    if max(map(width_of, words)) + 0.06 <= cell and tall >= 0.14:
        dark = np.isin(classes, _DARK)
        for chosen, colour in ((dark, "white"), (~dark, INK)):
            said = np.array(words)[chosen]
            write_all(ax, row[chosen], range_[chosen], said, colour=colour)
    _draw_classes(figure, label, step)
    return figure


def _class_step(value, decimals: int) -> float:
    """Return the bound nearest to zero; the others are three and five times it."""
    largest = max(float(np.abs(value).max()), 10.0**-decimals)
    unit = 10.0 ** np.floor(np.log10(largest / 7))
    return float(unit * next(m for m in (1, 2, 5, 10) if 7 * m * unit >= largest))


def _draw_classes(figure: Figure, label: str, step: float) -> None:
    """Draw the classes above the field, with the values that part them."""
    height = figure.get_figheight()
    words: dict[str, Any] = {"fontsize": SMALL, "color": INK, "va": "center_baseline"}
    words["transform"] = inches = figure.dpi_scale_trans
    figure.text(0, height - 0.1, label, **words)
    left, cell = width_of(label) + 0.25, 0.5
    for k, colour in enumerate(_CLASSES):
        place = (left + k * cell, height - 0.17)
        box = Rectangle(place, cell, 0.15, facecolor=colour, edgecolor="white")
        box.set_transform(inches)
        figure.add_artist(box)
    for k, bound in enumerate(step * _BOUNDS, start=1):
        said = true_minus(f"{bound:+g}")
        figure.text(left + k * cell, height - 0.26, said, ha="center", **words)
