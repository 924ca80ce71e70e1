"""Maps of a trial's field: one cell for each plot."""

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import PathPatch, Rectangle
from matplotlib.path import Path

from kitlib.reports.drawing import (
    FULL,
    INK,
    RULE,
    SMALL,
    blank,
    fill_cells,
    framed,
    label_axes,
    tick_whole,
    write,
)
from kitlib.reports.lettering import true_minus, width_of
from kitlib.words.terms import Term, show

# From below zero to above, told apart by lightness and sign as well as hue.
_CLASSES = ["#1F5C99", "#6FA3D3", "#C3DAEE", "#E4E7E5", "#F7D9A8", "#EFA94A", "#C46A00"]
_BOUNDS = np.array([-5, -3, -1, 1, 3, 5])
_DARK = (0, 6)  # classes that need white lettering
_LEFT, _RIGHT, _TOP = 0.56, 0.12, 0.45  # [in]
_TALLEST, _PAGE = 4.4, 8.0  # of the field, by choice and at most [in]
_KEY_CELL = 0.5  # width of a class in the key [in]


def draw_field_map(row, range_, value, term: Term, width: float = FULL) -> Figure:
    """Draw a value for every plot at its place in the field.

    The grid is complete: places without a plot, and plots without a value, are
    blank. Values stand in the cells where they fit, else their signs.

    Parameters
    ----------
    row, range_ : array_like of int, shape (n,)
        Place of each plot.
    value : array_like, shape (n,)
        Signed, such as a change of yield or an error; nan for none.
    term : Term
        Names the value, its unit and its decimals.
    width : float
        At print size. [in]

    Examples
    --------
    >>> from kitlib.words.terms import ERROR
    >>> drawn = draw_field_map([1, 2], [1, 1], [0.2, -0.1], ERROR)
    >>> [words.get_text() for words in drawn.axes[0].texts]
    ['+0.20', '−0.10']
    """
    row, range_ = np.asarray(row, int), np.asarray(range_, int)
    value = np.asarray(value, float)
    known = np.isfinite(value)
    if not known.any():
        return blank(width, 1.6)
    columns, lines = _places(row), _places(range_)
    cell = min((width - _LEFT - _RIGHT) / columns.size, 0.8)
    low = min(0.1, _PAGE / lines.size)
    tall = max(min(0.62 * cell, _TALLEST / lines.size), low)
    height = lines.size * tall + _TOP + 0.46
    right = width - _LEFT - columns.size * cell
    figure, ax = framed(width, height, left=_LEFT, right=right, top=_TOP)
    _frame_field(ax, columns, lines, tall)
    place, value = (row[known], range_[known]), value[known]
    step = _class_step(value, term)
    _fill_cells(ax, *place, _classes(value, step))
    words = [true_minus(show(v, term.decimals, sign=True)) for v in value]
    if max(map(width_of, words)) + 0.06 <= cell and tall >= 0.14:
        _write_values(ax, *place, words, _classes(value, step))
    else:
        _mark_signs(ax, *place, value, cell, tall)
    _draw_key(figure, term, step)
    return figure


def _places(numbers: np.ndarray) -> np.ndarray:
    """Return every place from the first to the last."""
    return np.arange(numbers.min(), numbers.max() + 1)


def _frame_field(ax: Axes, columns, lines, tall: float) -> None:
    """Set the axes to the whole field, range 1 at the bottom."""
    label_axes(ax, "Row", "Range")
    ax.set_xlim(columns[0] - 0.5, columns[-1] + 0.5)
    ax.set_ylim(lines[0] - 0.5, lines[-1] + 0.5)
    ax.grid(visible=False)
    ax.tick_params(length=0)
    ax.spines[:].set(visible=True, color=RULE)
    tick_whole(ax, up=max(2, int(lines.size * tall / 0.2)))


def _class_step(value, term: Term) -> float:
    """Return the bound nearest to zero; the others are three and five times it."""
    largest = max(float(np.abs(value).max()), 10.0**-term.decimals)
    unit = 10.0 ** np.floor(np.log10(largest / 7))
    return float(unit * next(m for m in (1, 2, 5, 10) if 7 * m * unit >= largest))


def _classes(value, step: float) -> np.ndarray:
    """Return the class of each value: 0 far below zero, 3 about it, 6 far above."""
    return np.searchsorted(step * _BOUNDS, value)


def _fill_cells(ax: Axes, row, range_, classes) -> None:
    """Fill the cells of plots with the colours of their classes."""
    sides = np.array([row - 0.5, row + 0.5, range_ - 0.5, range_ + 0.5])
    look = {"edgecolor": "white", "linewidth": 0.8}
    for k in np.unique(classes):
        fill_cells(ax, *sides[:, classes == k], facecolor=_CLASSES[k], **look)


def _write_values(ax: Axes, row, range_, words, classes) -> None:
    """Write the values into the cells."""
    look = {"ha": "center", "va": "center_baseline"}
    for x, y, said, k in zip(row, range_, words, classes, strict=True):
        write(ax, x, y, said, color="white" if k in _DARK else INK, **look)


def _mark_signs(ax: Axes, row, range_, value, cell: float, tall: float) -> None:
    """Mark the sign of each value, for readers who cannot tell the colours."""
    arm = min(2.5 / 72, 0.3 * min(cell, tall))
    centres = np.column_stack([row, range_])[:, None, :]
    level, upright = [[arm / cell, 0]], [[0, arm / tall]]
    strokes = [
        centres[chosen] + np.vstack([-np.array(stroke), stroke])
        for stroke, chosen in ((level, value != 0), (upright, value > 0))
    ]
    ends = np.concatenate(strokes).reshape(-1, 2)
    codes = np.resize([Path.MOVETO, Path.LINETO], len(ends))
    ax.add_artist(PathPatch(Path(ends, codes), fill=False, color=INK, linewidth=0.7))


def _draw_key(figure: Figure, term: Term, step: float) -> None:
    """Draw the classes above the field, with the values that part them."""
    height = figure.get_figheight()
    words = {"fontsize": SMALL, "color": INK, "va": "center_baseline"}
    words["transform"] = inches = figure.dpi_scale_trans
    figure.text(0, height - 0.1, term.axis, **words)
    left, cell = width_of(term.axis) + 0.25, _KEY_CELL
    for k, colour in enumerate(_CLASSES):
        place = (left + k * cell, height - 0.19)
        box = Rectangle(place, cell, 0.17, facecolor=colour, edgecolor="white")
        box.set_transform(inches)
        figure.add_artist(box)
    for k, bound in enumerate(step * _BOUNDS, start=1):
        said = true_minus(f"{bound:+g}")
        figure.text(left + k * cell, height - 0.27, said, ha="center", **words)
