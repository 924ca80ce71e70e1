"""All curves of a season at a glance."""

from collections.abc import Sequence
from dataclasses import dataclass
from math import isfinite

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from kitlib.reports.drawing import (
    ACTION_STYLES,
    BAND,
    FULL,
    MUTED,
    blank,
    framed,
    label_axes,
    tick_evenly,
    write,
)
from kitlib.reports.lettering import as_drawn, true_minus
from kitlib.words.estimates import NO_INTERVAL, Interval
from kitlib.words.terms import BIAS, NOT_KNOWN, show, show_span

ROWS_PER_PAGE = 40
_ROW = 0.19  # height of one row [in]
_LEFT, _RIGHT = 2.3, 2.52  # columns of words on both sides of the axes [in]
# Places from the figure's left edge [in], and the side the words are set to.
_COLUMNS = [(0.0, "left"), (1.82, "right"), (2.2, "right")]
_COLUMNS += [(4.21, "left"), (5.9, "left")]


@dataclass(frozen=True, kw_only=True)
class CurveRow:
    """One curve in the overview of a season.

    Attributes
    ----------
    label : str
        Crop and curve.
    n, n_trials : int
        Samples and trials.
    bias : float
        [% moisture]; nan is written as not known.
    interval : Interval
        Of the bias. [% moisture]
    allowed : float
        Allowed bias, drawn as ± a band. [% moisture]
    action : str
        One of the recommendation's words.
    """

    label: str
    n: int
    n_trials: int
    bias: float
    interval: Interval = NO_INTERVAL
    allowed: float = float("nan")
    action: str = "unresolved"


def draw_season(rows: Sequence[CurveRow], level: float = 0.95) -> list[Figure]:
    """Draw the bias of every curve with its interval against its allowed bias.

    Parameters
    ----------
    rows : sequence of CurveRow
        In the order of drawing.
    level : float
        Confidence level of the intervals.

    Returns
    -------
    list of Figure
        One for every forty curves, all on one scale.

    Examples
    --------
    >>> row = CurveRow(label="maize A", n=24, n_trials=6, bias=0.41,
    ...                interval=Interval(0.2, 0.6), allowed=0.6, action="shift")
    >>> [figure.axes[0].get_xlabel() for figure in draw_season([row])]
    ['Bias (% moisture), allowed bias shaded']
    """
    if not rows:
        return [blank(FULL, 1.0)]
    limit = _bias_limit(rows)
    pages = range(0, len(rows), ROWS_PER_PAGE)
    return [_season_page(rows[k : k + ROWS_PER_PAGE], limit, level) for k in pages]


def _season_page(rows, limit: float, level: float) -> Figure:
    """Draw the curves of one page."""
    height = len(rows) * _ROW + 0.2 + 0.46
    figure, ax = framed(FULL, height, left=_LEFT, right=_RIGHT, top=0.2)
    ax.set(xlim=(-limit, limit), ylim=(len(rows) - 0.5, -0.5))
    tick_evenly(ax)
    ax.set_yticks([])
    ax.spines["left"].set_visible(False)
    label_axes(ax, f"{BIAS.axis}, allowed bias shaded", "")
    ax.axvline(0, color=MUTED, linewidth=0.9)
    interval = f"bias ({100 * level:g} % interval)"
    heads = ["curve", "n", "trials", interval, "action"]
    for place, head in zip(_COLUMNS, heads, strict=True):
        _write_column(ax, place, -0.75, head, color=MUTED)
    for k, row in enumerate(rows):
        _draw_curve(ax, k, row, limit)
    return figure


def _write_column(ax: Axes, place, row: float, said: str, **more) -> None:
    """Write words of a row into a column beside the axes."""
    across, side = place
    share = (across - _LEFT) / (FULL - _LEFT - _RIGHT)
    where = ax.get_yaxis_transform()
    look = {"va": "center_baseline", "ha": side, "transform": where, **more}
    write(ax, share, row, said, **look)


def _draw_curve(ax: Axes, k: int, row: CurveRow, limit: float) -> None:
    """Draw one curve's row: allowed bias, bias, interval, and its words."""
    colour, marker = ACTION_STYLES[row.action]
    if isfinite(row.allowed):
        ax.barh(k, 2 * row.allowed, 0.8, -row.allowed, color=BAND)
    low, high = np.clip(row.interval, -limit, limit)
    ax.plot([low, high], [k, k], color=colour, linewidth=1.5)
    inside = np.clip(row.bias, -limit, limit)
    look = {"marker": marker, "markersize": 5.5, "markeredgecolor": "white"}
    ax.plot(inside, k, color=colour, markeredgewidth=0.5, clip_on=False, **look)
    known = f"{show(row.bias, sign=True)} ({show_span(*row.interval, sign=True)})"
    said = true_minus(known) if isfinite(row.bias) else NOT_KNOWN
    words = [as_drawn(row.label, 22), str(row.n), str(row.n_trials), said, row.action]
    for place, word in zip(_COLUMNS, words, strict=True):
        _write_column(ax, place, k, word)


def _bias_limit(rows: Sequence[CurveRow]) -> float:
    """Return how far the axis of biases reaches: wide intervals run off it."""
    reach = [abs(x) for row in rows for x in (row.bias, *row.interval) if isfinite(x)]
    allowed = [row.allowed for row in rows if isfinite(row.allowed)]
    farthest, needed = max(reach, default=1.0), max(allowed, default=0.0)
    biases = [abs(row.bias) for row in rows if isfinite(row.bias)]
    enough = 1.2 * max([2 * needed, *biases]) if needed else farthest
    return max(1.1 * min(farthest, enough), 0.1)
