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
from kitlib.words.terms import counted, listed, show, show_span

NOT_THE_AUDIT = "What if: not the audit's result"
# Three pixels for two of the page, for sharp letters at up to 150 % zoom.
DPI = 150
WIDTH = 4.4  # of a picture on the page [in]
_LEFT, _RIGHT, _BOTTOM = 0.62, 0.1, 0.62  # margins about the axes [in]
_TITLE, _GAP = 0.19, 0.26  # above axes that have a title; between axes [in]
_NEAR = 0.12  # a click this close to a sample means it [in]
_NO_DITHER = Image.Dither.NONE
_EDGE = 0.97  # of the frame: what lies beyond is drawn there
_ERROR = "Error, sensor − air-oven (% moisture)"
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

    What the still part depends on is compared by identity. Moving artists are animated:
    matplotlib leaves them out when it draws the figure to the screen, and draws them
    when it saves the figure to a file.
    """

    palette = _palette()

    def __init__(self, keys: list[Line2D], heights: list[float], width: float):
        titled = _TITLE if len(heights) > 1 else 0.0
        up = _BOTTOM + sum(heights) + _GAP * (len(heights) - 1)
        height = up + titled + legend_height(keys, width)
        size = (width, height)
        self.figure = Drawing(figsize=size, facecolor="white", dpi=DPI)
        self.axes: list[Axes] = []
        for each in heights:
            up -= each
            wide = 1 - (_LEFT + _RIGHT) / width
            ax = self.figure.add_axes((_LEFT / width, up / height, wide, each / height))
            ax.spines[["top", "right"]].set_visible(False)
            ax.spines[["left", "bottom"]].set_color(MUTED)
            ax.tick_params(labelsize=SMALL, color=MUTED, labelcolor=INK, length=3)
            ax.grid(color=RULE, linewidth=0.5)
            ax.set_axisbelow(True)
            self.axes.append(ax)
            up -= _GAP
        draw_legend(self.figure, keys)
        look: dict[str, Any] = {"fontsize": SMALL, "color": PLUM, "fontweight": "bold"}
        self.figure.text(0.01, 0.05 / height, NOT_THE_AUDIT, va="bottom", **look)
        self.moving: list[Line2D] = []
        self._canvas = FigureCanvasAgg(self.figure)
        self._still: object = None
        self._drawn_for: tuple = ()

    def show(self, look: Look) -> bytes:
        """Return the picture of a look as PNG of few colours, packed quickly."""
        needed = self._needs(look)
        if [*map(id, needed)] != [*map(id, self._drawn_for)]:
            self._set_still(look)
            for artist in self.moving:
                artist.set_animated(True)
            self._canvas.draw()
            self._still = self._canvas.copy_from_bbox(self.figure.bbox)
            self._drawn_for = needed
        self._canvas.restore_region(self._still)
        self._set_moving(look)
        for artist in self.moving:
            self.figure.draw_artist(artist)
        size, out = self._canvas.get_width_height(), BytesIO()
        image = Image.frombuffer("RGBA", size, self._canvas.buffer_rgba())
        few = image.convert("RGB").quantize(palette=self.palette, dither=_NO_DITHER)
        few.save(out, "PNG", compress_level=1)
        return out.getvalue()

    def alt(self, look: Look) -> str:
        """Return what a reader who cannot see the picture must know."""
        raise NotImplementedError

    def _needs(self, look: Look) -> tuple:
        """Return what the still part depends on."""
        raise NotImplementedError

    def _set_still(self, look: Look) -> None:
        """Set the still part to what a look shows."""
        raise NotImplementedError

    def _set_moving(self, look: Look) -> None:
        """Set the moving artists to what a look shows."""
        raise NotImplementedError


class ErrorPicture(LivePicture):
    """Errors over reference moisture, recorded and changed, about the tolerance.

    Samples beyond the frame, which holds for every choice, stand at its edge.
    """

    def __init__(self, curve: ExploredCurve, width: float = WIDTH):
        keys = [
            key_line("as recorded", **_RECORDED, **_DOT),
            key_line("what if", **_WHAT_IF, **_DOT),
            key_line("does not count", **_LEFT_OUT, **_DOT),
            key_line("± tolerance", color=MUTED, ls=_DASHES),
        ]
        super().__init__(keys, [1.97], width)
        [ax], self.every = self.axes, curve.samples
        self.ax = ax
        label_axes(ax, "Air-oven (% moisture, wet basis)", _ERROR)
        low, high = self.every.reference.min(), self.every.reference.max()
        margin = max(0.05 * (high - low), 0.25)
        span = np.linspace(low - margin, high + margin, 60)
        allowed = curve.audit.tolerance.at(span)
        most = np.quantile(np.abs(self.every.error), 0.98, method="lower")
        self.limit = 1.15 * max(1.4 * allowed.max(), float(most))
        ax.set(xlim=(span[0], span[-1]), ylim=(-self.limit, self.limit))
        ax.fill_between(span, -allowed, allowed, color=BAND, linewidth=0)
        for edge in (-allowed, allowed):
            ax.plot(span, edge, color=MUTED, linewidth=0.8, ls=_DASHES)
        ax.axhline(0, color=MUTED, linewidth=0.9)
        tick_evenly(ax)
        (self.recorded,) = ax.plot([], [], zorder=3, **_RECORDED, **_DOT)
        (self.aside,) = ax.plot([], [], zorder=3, **_LEFT_OUT, **_DOT)
        self.moving = ax.plot([], [], zorder=4, **_WHAT_IF, **_DOT)

    def _needs(self, look: Look) -> tuple:
        return (look.part,)

    def _set_still(self, look: Look) -> None:
        counted, error = look.part.counted, self._inside(self.every.error)
        for artist, chosen in ((self.recorded, counted), (self.aside, ~counted)):
            artist.set_data(self.every.reference[chosen], error[chosen])

    def _set_moving(self, look: Look) -> None:
        samples = look.part.samples
        error = corrected_error(samples, *look.turn)
        self.moving[0].set_data(samples.reference, self._inside(error))

    def _inside(self, error) -> np.ndarray:
        """Return how high errors stand in the frame."""
        return np.clip(error, -_EDGE * self.limit, _EDGE * self.limit)

    def sample_at(self, look: Look, across: float, down: float) -> int | None:
        """Return the position of the sample at a place, None if there is none.

        Places are shares of the picture's width from the left and height from the top.
        """
        wide, high = self._canvas.get_width_height()
        distances = []
        for error in (self.every.error, corrected_error(self.every, *look.turn)):
            at = np.column_stack([self.every.reference, self._inside(error)])
            away = self.ax.transData.transform(at) - (across * wide, (1 - down) * high)
            distances.append(np.hypot(*away.T) / DPI)
        distance = np.minimum(*distances)
        nearest = int(np.argmin(distance))
        return nearest if distance[nearest] <= _NEAR else None

    def alt(self, look: Look) -> str:
        """Return what the picture shows, in words."""
        found, span = look.chosen, show_span(*look.curve.start.band, 0)
        share, bias = show(100 * found.share_within[0], 0), found.bias[0]
        return (
            f"Errors of {counted(found.n, 'sample')} over air-oven moistures of {span} "
            f"%, as recorded and under the what-if; {share} % lie within tolerance, "
            f"bias left {show(bias, sign=True)} points."
        )


class OffsetPicture(LivePicture):
    """RMSEP, share within tolerance and entries newly selected, over the offset."""

    def __init__(self, curve: ExploredCurve, width: float = WIDTH):
        keys = [
            key_line("in-sample", color=BLUE, linewidth=1.4),
            key_line("trials left out", color=PLUM, linewidth=1.4, ls=_DASHES),
            key_line("−bias, interval", color=MUTED, ls=_DOTS),
            key_line("chosen", color=INK, linewidth=1.8),
        ]
        super().__init__(keys, [0.48, 0.3, 0.48], width)
        within, newly = "Samples within tolerance (%)", "Entries newly selected"
        titles = ("RMSEP (% moisture)", within, newly)
        self.stops, interval = curve.stops, curve.advice.interval
        for ax, name in zip(self.axes, titles, strict=True):
            ax.set_xlim(self.stops[0], self.stops[-1])
            # Above the axis, where words need no turning of the head.
            ax.set_title(name, fontsize=SMALL, color=INK, loc="left", pad=3)
            ax.tick_params(labelbottom=ax is self.axes[-1])
            if np.isfinite(interval).all():
                ax.axvspan(*interval, color=BAND, linewidth=0)
                for end in interval:
                    ax.axvline(end, color=MUTED, linewidth=0.6, ls=_DOTS)
            ax.axvline(curve.advice.offset, color=MUTED, linewidth=1.6, ls=_DOTS)
        label_axes(self.axes[-1], "Offset (% moisture)", "")
        self.rmsep, share, self.selections = self.axes
        (self.left_out,) = self.rmsep.plot([], [], lw=1.4, color=PLUM, ls=_DASHES)
        (self.in_sample,) = self.rmsep.plot([], [], lw=1.4, color=BLUE)
        (self.within,) = share.plot([], [], lw=1.4, color=BLUE)
        steps: dict[str, Any] = {"drawstyle": "steps-mid", "color": BLUE}
        (self.changed,) = self.selections.plot([], [], lw=1.2, **steps)
        share.set(ylim=(-8, 108), yticks=[0, 50, 100])
        middle: dict[str, Any] = {"ha": "center", "va": "center"}
        middle["transform"] = self.selections.transAxes
        self.nowhere = write(self.selections, 0.5, 0.5, "", **middle)
        self.moving = [ax.axvline(0, color=INK, lw=1.8) for ax in self.axes]

    def _needs(self, look: Look) -> tuple:
        return (look.grid, look.changed)

    def _set_still(self, look: Look) -> None:
        found, known = look.grid, look.grid.rmsep[np.isfinite(look.grid.rmsep)]
        self.in_sample.set_data(self.stops, found.rmsep)
        self.left_out.set_data(self.stops, found.rmsep_left_out)
        self.within.set_data(self.stops, 100 * found.share_within)
        self.changed.set_data(self.stops, look.changed)
        self.nowhere.set_text("" if look.trial else "no plot of it can be ranked")
        most = max(known.max(initial=0.0), 0.1), max(look.changed.max(initial=0), 3)
        for ax, top, below in (
            (self.rmsep, most[0], 0.0),
            (self.selections, most[1], -0.08),
        ):
            # An axis that fits, and is not half empty, does not jump about.
            if not 1.02 * top <= ax.get_ylim()[1] <= 3 * top:
                ax.set_ylim(1.15 * top * below, 1.15 * top)
            whole = ax is self.selections
            ax.yaxis.set_major_locator(MaxNLocator(3, integer=whole))

    def _set_moving(self, look: Look) -> None:
        for line in self.moving:
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
        fates = {"stays": _RECORDED, "moves in": _ENTERS, "drops out": _LEAVES}
        keys = [key_line(fate, **look, **_DOT) for fate, look in fates.items()]
        keys.append(key_line("selection line", color=INK, linewidth=1.0, ls=_DASHES))
        super().__init__(keys, [1.75], 3.4)
        [ax] = self.axes
        label_axes(ax, "Rank as recorded, 1 is best", "Rank, what if")
        (self.line,) = ax.plot([], [], color=MUTED, linewidth=0.9)
        dashed: dict[str, Any] = {"color": INK, "lw": 1.0, "ls": _DASHES}
        self.across, self.up = ax.axvline(0, **dashed), ax.axhline(0, **dashed)
        for look in fates.values():
            self.moving += ax.plot([], [], zorder=4, **look, **_DOT)

    def _needs(self, look: Look) -> tuple:
        return (look.trial.lines, look.trial.count) if look.trial else ()

    def _set_still(self, look: Look) -> None:
        assert look.trial is not None
        [ax], n = self.axes, int(look.trial.lines.candidate.sum())
        at = look.trial.count + 0.5
        ax.set(xlim=(0, n + 1), ylim=(n + 1, 0))  # the best stand at the upper left
        self.line.set_data([1, n], [1, n])
        self.across.set_xdata([at, at])
        self.up.set_ydata([at, at])
        tick_evenly(ax, across=8, up=6, integer=True)

    def _set_moving(self, look: Look) -> None:
        assert look.trial is not None
        ranks = look.trial.ranks
        groups = (~(ranks.entered | ranks.left), ranks.entered, ranks.left)
        for dots, chosen in zip(self.moving, groups, strict=True):
            dots.set_data(ranks.rank_before[chosen], ranks.rank_after[chosen])

    def alt(self, look: Look) -> str:
        """Return what the picture shows, in words."""
        if look.trial is None:
            return "No trial to rank."
        ranks, lines = look.trial.ranks, look.trial.lines
        names = lines.entries
        return (
            f"Ranks of {lines.candidate.sum()} entries in trial {lines.trial}: moving "
            f"in {listed(names[ranks.entered]) or 'none'}; dropping out "
            f"{listed(names[ranks.left]) or 'none'}."
        )
