"""Pictures of which a part moves: what stands still is drawn once and kept."""

from io import BytesIO

import numpy as np
from matplotlib.artist import Artist
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from PIL import Image

from kitlib.reports.drawing import (
    HALF,
    INK,
    MUTED,
    PLUM,
    RULE,
    SMALL,
    Drawing,
    draw_legend,
    legend_height,
)

NOT_THE_AUDIT = "What if: not the audit's result"
# Enough for 400 pixels of a page at 160 % zoom.
DPI = 200
_RIGHT, _BOTTOM = 0.12, 0.68  # margins about the axes [in]
_TITLE = 0.18  # room above axes that have a title [in]


class LivePicture:
    """A figure that is shown again and again with a few artists moved.

    Moving artists are animated: matplotlib leaves them out when it draws the figure
    to the screen, and draws them when it saves the figure to a file.

    Attributes
    ----------
    figure : Figure
    moving : list of Artist
        Drawn anew at every look.
    """

    def __init__(self, figure: Figure):
        self.figure = figure
        self.moving: list[Artist] = []
        figure.set_dpi(DPI)
        self._canvas = FigureCanvasAgg(figure)
        self._background = None
        self._drawn_for: tuple = ()

    def still(self, look) -> tuple:
        """Return what the still part depends on."""
        raise NotImplementedError

    def set_still(self, look) -> None:
        """Set the still part to what a look shows."""
        raise NotImplementedError

    def set_moving(self, look) -> None:
        """Set the moving artists to what a look shows."""
        raise NotImplementedError

    def show(self, look) -> bytes:
        """Return the picture of a look as PNG."""
        needed = self.still(look)
        if not _same(needed, self._drawn_for):
            self.set_still(look)
            self._canvas.draw()
            self._background = self._canvas.copy_from_bbox(self.figure.bbox)
            self._drawn_for = needed
        self._canvas.restore_region(self._background)
        self.set_moving(look)
        for artist in self.moving:
            artist.axes.draw_artist(artist)
        return self._png()

    def move(self, artist: Artist) -> Artist:
        """Take an artist in among those that move."""
        artist.set_animated(True)
        self.moving.append(artist)
        return artist

    def _png(self) -> bytes:
        """Return the canvas as PNG, packed quickly rather than tightly."""
        size = self._canvas.get_width_height()
        image = Image.frombuffer("RGBA", size, self._canvas.buffer_rgba())
        out = BytesIO()
        image.convert("RGB").save(out, "PNG", compress_level=1)
        return out.getvalue()


def _same(some: tuple, others: tuple) -> bool:
    """Say whether two keys hold the same objects or equal numbers."""
    if len(some) != len(others):
        return False
    pairs = zip(some, others, strict=True)
    return all(a is b or (isinstance(a, float | int) and a == b) for a, b in pairs)


def widened(values) -> tuple[float, float]:
    """Return the range of values with a margin, for an axis of moistures."""
    low, high = float(np.min(values)), float(np.max(values))
    margin = max(0.05 * (high - low), 0.25)
    return low - margin, high + margin


def labelled_frames(
    keys, heights, left: float = 0.62, gap: float = 0.16
) -> tuple[Figure, list[Axes]]:
    """Return a figure of half a page's width with axes one above the other.

    Several axes have titles. Below them it says that this is not the audit's result.

    Parameters
    ----------
    keys : list of Line2D
        The legend, set above the axes.
    heights : sequence of float
        Of the axes, from the top. [in]
    left : float
        Margin that holds the numbers and names of the upright axes. [in]
    gap : float
        Between axes. [in]
    """
    up = _BOTTOM + sum(heights) + gap * (len(heights) - 1)
    titled = _TITLE if len(heights) > 1 else 0.0
    height = up + titled + legend_height(keys, HALF)
    figure = Drawing(figsize=(HALF, height), facecolor="white")
    axes = []
    for each in heights:
        up -= each
        sides = (left / HALF, up / height, 1 - (left + _RIGHT) / HALF, each / height)
        axes.append(_styled(figure.add_axes(sides)))
        up -= gap
    draw_legend(figure, keys)
    look = {"fontsize": SMALL, "color": PLUM, "fontweight": "bold"}
    figure.text(0.01, 0.05 / height, NOT_THE_AUDIT, va="bottom", **look)
    return figure, axes


def title(ax: Axes, said: str) -> None:
    """Name the upright axis above it, where words need no turning of the head."""
    ax.set_title(said, fontsize=SMALL, color=INK, loc="left", pad=5, x=-0.12)


def _styled(ax: Axes) -> Axes:
    """Give axes the look that all figures share."""
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_color(MUTED)
    ax.tick_params(labelsize=SMALL, color=MUTED, labelcolor=INK, length=3)
    ax.grid(color=RULE, linewidth=0.5)
    ax.set_axisbelow(True)
    return ax
