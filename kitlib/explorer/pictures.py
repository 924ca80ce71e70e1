"""Pictures of which a part moves: what stands still is drawn once and kept."""

from io import BytesIO
from itertools import combinations, product
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import to_rgb
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator
from PIL import Image

from kitlib.explorer.explorer import ExploredCurve, Look
from kitlib.explorer.what_if import corrected_error
from kitlib.reports.drawing import (
    BAND,
    BLUE,
    INK,
    MUTED,
    PLUM,
    RULE,
    SMALL,
    Drawing,
    draw_legend,
    key_line,
    label_axes,
    legend_height,
    tick_evenly,
    write,
)
from kitlib.words.terms import (
    counted,
    listed,
    show,
    show_span,
)

NOT_THE_AUDIT = "What if: not the audit's result"
# Three pixels for two of the page, for sharp letters at up to 150 % zoom.
DPI = 150
WIDTH = 4.4  # of a picture on the page [in]
_LEFT, _RIGHT, _BOTTOM = 0.62, 0.1, 0.62  # margins about the axes [in]
_TITLE, _GAP = 0.19, 0.26  # above axes that have a title; between axes [in]
_NEAR = 0.12  # a click this close to a sample means it [in]
_EDGE = 0.97  # of the frame: what lies beyond is drawn there
_DASHES, _DOTS = (0, (4, 2)), (0, (1, 1.5))
_DOT: dict[str, Any] = {"linestyle": "none", "markersize": 5, "markeredgewidth": 0.7}
_RECORDED: dict[str, Any] = {"marker": "o", "color": "white", "markeredgecolor": INK}
_WHAT_IF: dict[str, Any] = {"marker": "^", "color": BLUE, "markeredgecolor": "white"}
_LEFT_OUT: dict[str, Any] = {"marker": "x", "color": MUTED}
_ENTERS: dict[str, Any] = {"marker": "^", "color": BLUE, "markeredgecolor": BLUE}
_LEAVES: dict[str, Any] = {"marker": "v", "color": PLUM, "markeredgecolor": PLUM}


def _palette() -> Image.Image:
    """Return the colours of the pictures and the shades between any two of them."""
    dark, light = [INK, MUTED, BLUE, PLUM], ["white", RULE, BAND]
    pairs = [(*pair, 12) for pair in product(dark, light)]
    pairs += [(*pair, 6) for pair in combinations(dark, 2)]
    shades = [
        np.linspace(to_rgb(one), to_rgb(other), n)[1:-1] for one, other, n in pairs
    ]
    every = np.vstack([[to_rgb(colour) for colour in light + dark], *shades])
    image = Image.new("P", (1, 1))
    image.putpalette((every * 255).round().astype(np.uint8).tobytes())
    return image


class LivePicture:
    """A figure that is shown again and again with a few artists moved.

    Moving artists are animated: matplotlib leaves them out when it draws the figure
    to the screen, and draws them when it saves the figure to a file.

    Parameters
    ----------
    keys : list of Line2D
        The legend, set above the axes.
    heights : sequence of float
        Of the axes, one above the other, from the top. [in]
    width : float
        [in]

    Attributes
    ----------
    figure : Figure
    axes : list of Axes
    moving : list of Line2D
        Drawn anew at every look.
    """

    palette = _palette()

    def __init__(self, keys: list[Line2D], heights: list[float], width: float = WIDTH):
        titled = _TITLE if len(heights) > 1 else 0.0
        up = _BOTTOM + sum(heights) + _GAP * (len(heights) - 1)
        height = up + titled + legend_height(keys, width)
        size = (width, height)
        self.figure = Drawing(figsize=size, facecolor="white", dpi=DPI)
        self.axes: list[Axes] = []
        for each in heights:
            up -= each
            wide = 1 - (_LEFT + _RIGHT) / width
            place = (_LEFT / width, up / height, wide, each / height)
            self.axes.append(_styled(self.figure.add_axes(place)))
            up -= _GAP
        draw_legend(self.figure, keys)
        look: dict[str, Any] = {"fontsize": SMALL, "color": PLUM, "fontweight": "bold"}
        self.figure.text(0.01, 0.05 / height, NOT_THE_AUDIT, va="bottom", **look)
        self.moving: list[Line2D] = []
        self._canvas = FigureCanvasAgg(self.figure)
        self._still: object = None
        self._drawn_for: tuple = ()

    def still(self, look: Look) -> tuple:
        """Return what the still part depends on, compared by identity."""
        raise NotImplementedError

    def set_still(self, look: Look) -> None:
        """Set the still part to what a look shows."""
        raise NotImplementedError

    def set_moving(self, look: Look) -> None:
        """Set the moving artists to what a look shows."""
        raise NotImplementedError

    def alt(self, look: Look) -> str:
        """Return what a reader who cannot see the picture must know."""
        raise NotImplementedError

    def show(self, look: Look) -> bytes:
        """Return the picture of a look as PNG."""
        needed = self.still(look)
        same = len(needed) == len(self._drawn_for) and all(
            a is b for a, b in zip(needed, self._drawn_for, strict=True)
        )
        if not same:
            self.set_still(look)
            self._canvas.draw()
            self._still = self._canvas.copy_from_bbox(self.figure.bbox)
            self._drawn_for = needed
        self._canvas.restore_region(self._still)
        self.set_moving(look)
        for artist in self.moving:
            self.figure.draw_artist(artist)
        return self._png()

    def move(self, artist: Line2D) -> Line2D:
        """Take an artist in among those that move."""
        artist.set_animated(True)
        self.moving.append(artist)
        return artist

    def _png(self) -> bytes:
        """Return the canvas as PNG of few colours, packed quickly."""
        size = self._canvas.get_width_height()
        image = Image.frombuffer("RGBA", size, self._canvas.buffer_rgba())
        few = image.convert("RGB").quantize(
            palette=self.palette, dither=Image.Dither.NONE
        )
        out = BytesIO()
        few.save(out, "PNG", compress_level=1)
        return out.getvalue()


class ErrorPicture(LivePicture):
    """Errors over reference moisture, recorded and changed, about the tolerance.

    Parameters
    ----------
    curve : ExploredCurve
        Of the curve whose samples are drawn.
    """

    def __init__(self, curve: ExploredCurve, width: float = WIDTH):
        keys = [
            key_line("as recorded", **_RECORDED, **_DOT),
            key_line("what if", **_WHAT_IF, **_DOT),
            key_line("does not count", **_LEFT_OUT, **_DOT),
            key_line("± tolerance", color=MUTED, ls=_DASHES),
        ]
        super().__init__(keys, [1.97], width)
        [self.ax] = self.axes
        self.every = curve.samples
        self._frame(curve)
        (self.recorded,) = self.ax.plot([], [], zorder=3, **_RECORDED, **_DOT)
        (self.aside,) = self.ax.plot([], [], zorder=3, **_LEFT_OUT, **_DOT)
        (self.what_if,) = self.ax.plot([], [], zorder=4, **_WHAT_IF, **_DOT)
        self.move(self.what_if)

    def _frame(self, curve: ExploredCurve) -> None:
        """Draw axes, limits and tolerance; they hold for every choice."""
        label_axes(
            self.ax,
            "Air-oven (% moisture, wet basis)",
            "Error, sensor − air-oven (% moisture)",
        )
        across = _widened(self.every.reference)
        span = np.linspace(*across, 60)
        allowed = curve.audit.tolerance.at(span)
        most = np.quantile(np.abs(self.every.error), 0.98, method="lower")
        limit = 1.15 * max(1.4 * allowed.max(), float(most))
        self.ax.set(xlim=across, ylim=(-limit, limit))
        self.ax.fill_between(span, -allowed, allowed, color=BAND, linewidth=0)
        for edge in (-allowed, allowed):
            self.ax.plot(span, edge, color=MUTED, linewidth=0.8, ls=_DASHES)
        self.ax.axhline(0, color=MUTED, linewidth=0.9)
        tick_evenly(self.ax)

    def still(self, look: Look) -> tuple:
        """Return the samples that count."""
        return (look.part,)

    def set_still(self, look: Look) -> None:
        """Set the samples as recorded, those that do not count apart."""
        counted = look.part.counted
        for artist, chosen in ((self.recorded, counted), (self.aside, ~counted)):
            self._place(artist, self.every.reference[chosen], self.every.error[chosen])

    def set_moving(self, look: Look) -> None:
        """Set the samples as they would be."""
        samples = look.part.samples
        error = corrected_error(samples, *look.turn)
        self._place(self.what_if, samples.reference, error)

    def _place(self, artist: Line2D, reference, error) -> None:
        """Place samples; those beyond the frame stand at its edge."""
        artist.set_data(reference, self._inside(error))

    def _inside(self, error) -> np.ndarray:
        """Return how high errors stand in the frame."""
        low, high = self.ax.get_ylim()
        inset = (high - low) * (1 - _EDGE) / 2
        return np.clip(error, low + inset, high - inset)

    def sample_at(self, look: Look, across: float, down: float) -> int | None:
        """Return the position of the sample at a place, None if there is none.

        Places are shares of the picture's width from the left and height from the top.
        """
        errors = [self.every.error, corrected_error(self.every, *look.turn)]
        places = [
            self.ax.transData.transform(
                np.column_stack([self.every.reference, self._inside(error)])
            )
            for error in errors
        ]
        wide, high = self._canvas.get_width_height()
        away = np.stack(places) - (across * wide, (1 - down) * high)
        distance = np.hypot(away[..., 0], away[..., 1]).min(axis=0) / DPI
        nearest = int(np.argmin(distance))
        return nearest if distance[nearest] <= _NEAR else None

    def alt(self, look: Look) -> str:
        """Return what the picture shows, in words."""
        found, span = look.chosen, show_span(*look.curve.band, 0)
        share, bias = show(100 * found.share_within[0], 0), found.bias[0]
        return (
            f"Errors of {counted(found.n, 'sample')} over air-oven moistures of {span} "
            f"%, as recorded and under the what-if; {share} % lie within tolerance, "
            f"bias left {show(bias, sign=True)} points."
        )


class OffsetPicture(LivePicture):
    """RMSEP, share within tolerance and entries newly selected, over the offset.

    Parameters
    ----------
    curve : ExploredCurve
        Of the curve looked at.
    """

    def __init__(self, curve: ExploredCurve, width: float = WIDTH):
        keys = [
            key_line("in-sample", color=BLUE, linewidth=1.4),
            key_line("trials left out", color=PLUM, linewidth=1.4, ls=_DASHES),
            key_line("−bias, interval", color=MUTED, ls=_DOTS),
            key_line("chosen", color=INK, linewidth=1.8),
        ]
        super().__init__(keys, [0.48, 0.3, 0.48], width)
        titles = (
            "RMSEP (% moisture)",
            "Samples within tolerance (%)",
            "Entries newly selected",
        )
        self.stops = curve.stops
        for ax, name in zip(self.axes, titles, strict=True):
            ax.set_xlim(self.stops[0], self.stops[-1])
            _title(ax, name)
            ax.tick_params(labelbottom=ax is self.axes[-1])
            _mark_interval(ax, curve)
        label_axes(self.axes[-1], "Offset (% moisture)", "")
        self.rmsep, self.share, self.selections = self.axes
        (self.left_out,) = self.rmsep.plot([], [], lw=1.4, color=PLUM, ls=_DASHES)
        (self.in_sample,) = self.rmsep.plot([], [], lw=1.4, color=BLUE)
        (self.within,) = self.share.plot([], [], lw=1.4, color=BLUE)
        steps: dict[str, Any] = {"drawstyle": "steps-mid", "color": BLUE}
        (self.changed,) = self.selections.plot([], [], lw=1.2, **steps)
        self.share.set(ylim=(-8, 108), yticks=[0, 50, 100])
        middle: dict[str, Any] = {"ha": "center", "va": "center"}
        middle["transform"] = self.selections.transAxes
        self.nowhere = write(self.selections, 0.5, 0.5, "", **middle)
        self.chosen = [self.move(ax.axvline(0, color=INK, lw=1.8)) for ax in self.axes]

    def still(self, look: Look) -> tuple:
        """Return the curves."""
        return (look.grid, look.changed)

    def set_still(self, look: Look) -> None:
        """Set the curves; an axis is changed only where they would not fit it."""
        found = look.grid
        self.in_sample.set_data(self.stops, found.rmsep)
        self.left_out.set_data(self.stops, found.rmsep_left_out)
        self.within.set_data(self.stops, 100 * found.share_within)
        self.changed.set_data(self.stops, look.changed)
        served = look.trial is not None
        self.nowhere.set_text("" if served else "no plot of it can be ranked")
        known = found.rmsep[np.isfinite(found.rmsep)]
        _reach(self.rmsep, max(known.max(initial=0.0), 0.1), 0.0)
        _reach(self.selections, max(look.changed.max(initial=0), 3), -0.08)
        for ax, whole in ((self.rmsep, False), (self.selections, True)):
            ax.yaxis.set_major_locator(MaxNLocator(3, integer=whole))

    def set_moving(self, look: Look) -> None:
        """Set the line of the offset chosen."""
        for line in self.chosen:
            line.set_xdata([look.choice.offset] * 2)

    def offset_at(self, across: float) -> float:
        """Return the stop at a place, a share of the picture's width from the left."""
        place = across * self._canvas.get_width_height()[0], 0
        offset, _ = self.rmsep.transData.inverted().transform(place)
        return float(self.stops[np.argmin(np.abs(self.stops - offset))])

    def alt(self, look: Look) -> str:
        """Return what the picture shows, in words."""
        flat = look.curve.stops[look.changed == look.newly]
        said = (
            f"RMSEP over the offset: {show(look.chosen.rmsep[0])} points in-sample at "
            f"the offset chosen, {show(look.grid.rmsep.min())} at its least. "
        )
        if look.trial is None or not flat.size:
            return said
        span = show_span(flat[0], flat[-1], sign=True)
        return f"{said}{look.newly} entries newly selected; as many at some of {span}."


class RankPicture(LivePicture):
    """Ranks under the what-if over ranks as recorded, in one trial."""

    def __init__(self) -> None:
        keys = [
            key_line("stays", **_RECORDED, **_DOT),
            key_line("moves in", **_ENTERS, **_DOT),
            key_line("drops out", **_LEAVES, **_DOT),
            key_line("selection line", color=INK, linewidth=1.0, ls=_DASHES),
        ]
        super().__init__(keys, [1.75], 3.4)
        [self.ax] = self.axes
        label_axes(self.ax, "Rank as recorded, 1 is best", "Rank, what if")
        (self.line,) = self.ax.plot([], [], color=MUTED, linewidth=0.9)
        dashed: dict[str, Any] = {"color": INK, "lw": 1.0, "ls": _DASHES}
        self.across, self.up = (
            self.ax.axvline(0, **dashed),
            self.ax.axhline(0, **dashed),
        )
        self.dots = [
            self.move(self.ax.plot([], [], zorder=4, **look, **_DOT)[0])
            for look in (_RECORDED, _ENTERS, _LEAVES)
        ]

    def still(self, look: Look) -> tuple:
        """Return the trial and the number selected, which are all the axes need."""
        trial = look.trial
        return (trial.lines, trial.count) if trial else ()

    def set_still(self, look: Look) -> None:
        """Set the axes to the trial: the best stand at the upper left."""
        assert look.trial is not None
        n, at = look.trial.lines.entries.size, look.trial.count + 0.5
        self.ax.set(xlim=(0, n + 1), ylim=(n + 1, 0))
        self.line.set_data([1, n], [1, n])
        self.across.set_xdata([at, at])
        self.up.set_ydata([at, at])
        tick_evenly(self.ax, across=8, up=6, integer=True)

    def set_moving(self, look: Look) -> None:
        """Set the entries, by what becomes of them."""
        assert look.trial is not None
        ranks = look.trial.ranks
        before, after = ranks.rank_before, ranks.rank_after
        groups = (~(ranks.entered | ranks.left), ranks.entered, ranks.left)
        for dots, chosen in zip(self.dots, groups, strict=True):
            dots.set_data(before[chosen], after[chosen])

    def alt(self, look: Look) -> str:
        """Return what the picture shows, in words."""
        if look.trial is None:
            return "No trial to rank."
        ranks, names = look.trial.ranks, look.trial.lines.entries
        return (
            f"Ranks of {names.size} entries in trial {look.trial.lines.trial}: moving "
            f"in {listed(names[ranks.entered]) or 'none'}; dropping out "
            f"{listed(names[ranks.left]) or 'none'}."
        )


def _styled(ax: Axes) -> Axes:
    """Give axes the look that all figures share."""
    ax.spines[["top", "right"]].set_visible(False)
    ax.spines[["left", "bottom"]].set_color(MUTED)
    ax.tick_params(labelsize=SMALL, color=MUTED, labelcolor=INK, length=3)
    ax.grid(color=RULE, linewidth=0.5)
    ax.set_axisbelow(True)
    return ax


def _title(ax: Axes, said: str) -> None:
    """Name the upright axis above it, where words need no turning of the head."""
    ax.set_title(said, fontsize=SMALL, color=INK, loc="left", pad=3)


def _widened(values) -> tuple[float, float]:
    """Return the range of values with a margin, for an axis of moistures."""
    low, high = float(np.min(values)), float(np.max(values))
    margin = max(0.05 * (high - low), 0.25)
    return low - margin, high + margin


def _reach(ax: Axes, most: float, below: float) -> None:
    """Let an axis reach to `most`; one that is not half empty is left as it is."""
    top = ax.get_ylim()[1]
    if not 1.02 * most <= top <= 3 * most:
        ax.set_ylim(1.15 * most * below, 1.15 * most)


def _mark_interval(ax: Axes, curve: ExploredCurve) -> None:
    """Mark −bias of all samples with its interval."""
    advice = curve.advice
    if np.isfinite(advice.interval).all():
        ax.axvspan(*advice.interval, color=BAND, linewidth=0)
        for end in advice.interval:
            ax.axvline(end, color=MUTED, linewidth=0.6, ls=_DOTS)
    ax.axvline(advice.offset, color=MUTED, linewidth=1.6, ls=_DOTS)
