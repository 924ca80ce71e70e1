"""Pictures of which a part moves: what stands still is drawn once and kept."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.lines import Line2D
from matplotlib.ticker import MaxNLocator

from kitlib.explorer.explorer import ExploredCurve, Look, say
from kitlib.explorer.what_if import corrected_error
from kitlib.reports import drawing as ink
from kitlib.words.terms import counted, listed

NOT_THE_AUDIT = "What if: not the audit's result"
# Three pixels for two of the page, for sharp letters at up to 150 % zoom.
DPI = 150
WIDTH = 4.25  # of a picture on the page [in]
_LEFT, _RIGHT, _BOTTOM = 0.62, 0.1, 0.62  # margins about the axes [in]
_TITLE, _GAP = 0.19, 0.26  # above axes that have a title; between axes [in]
_NEAR = 0.12  # a click this close to a sample means it [in]
_EDGE = 0.97  # of the frame: what lies beyond is drawn there


def _dot(marker: str, colour: str, edge: str) -> dict[str, Any]:
    """Return the look of a sample or an entry."""
    look = {"linestyle": "none", "markersize": 5, "markeredgewidth": 0.7}
    return look | {"marker": marker, "color": colour, "markeredgecolor": edge}


def _line(colour: str, width: float, style: Any = "-") -> dict[str, Any]:
    """Return the look of a line."""
    return {"color": colour, "linewidth": width, "linestyle": style}


_DASHES, _DOTS = (0, (4, 2)), (0, (1, 1.5))
_RECORDED, _WHAT_IF = _dot("o", "white", ink.INK), _dot("^", ink.BLUE, "white")
_ASIDE = _dot("x", ink.MUTED, ink.MUTED)
_ENTERS, _LEAVES = _dot("^", ink.BLUE, ink.BLUE), _dot("v", ink.PLUM, ink.PLUM)
_IN_SAMPLE, _LEFT_OUT = _line(ink.BLUE, 1.4), _line(ink.PLUM, 1.4, _DASHES)
_CHOSEN, _OWN = _line(ink.INK, 1.8), _line(ink.MUTED, 1.6, _DOTS)
_TOLERANCE, _SELECTION = _line(ink.MUTED, 0.8, _DASHES), _line(ink.INK, 1.0, _DASHES)


class LivePicture:
    """A figure that is shown again and again with a few artists moved.

    The still part is drawn anew only where what it depends on differs. The figure
    itself holds both parts.
    """

    caption = ""

    def __init__(self, looks: dict[str, dict], heights: list[float], width: float):
        keys = [ink.key_line(words, **look) for words, look in looks.items()]
        above = ink.legend_height(keys, width) + (_TITLE if len(heights) > 1 else 0)
        height = _BOTTOM + sum(heights) + _GAP * (len(heights) - 1) + above
        size = (width, height)
        self.figure = ink.Drawing(figsize=size, facecolor="white", dpi=DPI)
        margins = {"left": _LEFT / width, "right": 1 - _RIGHT / width}
        margins |= {"bottom": _BOTTOM / height, "top": 1 - above / height}
        margins["hspace"] = _GAP * len(heights) / sum(heights)
        self.figure.subplots_adjust(**margins)
        rows = self.figure.subplots(len(heights), height_ratios=heights, squeeze=False)
        self.axes: list[Axes] = list(rows[:, 0])
        for ax in self.axes:
            ink.style_axes(ax)
            ax.grid(color=ink.RULE, linewidth=0.5)
        ink.draw_legend(self.figure, keys)
        bold: dict[str, Any] = {"fontsize": ink.SMALL, "fontweight": "bold"}
        place = 0.01, 0.05 / height
        self.figure.text(*place, NOT_THE_AUDIT, va="bottom", color=ink.PLUM, **bold)
        self.moving: list[Line2D] = []
        self._canvas = FigureCanvasAgg(self.figure)
        self._still: object = None
        self._drawn_for: object = None

    def show(self, look: Look) -> bytes:
        """Return the picture of a look as PNG."""
        needed = self._needs(look)
        if needed != self._drawn_for:
            self._set_still(look)
            for artist in self.moving:
                artist.set_visible(False)
            self._canvas.draw()
            for artist in self.moving:
                artist.set_visible(True)
            self._still = self._canvas.copy_from_bbox(self.figure.bbox)
            self._drawn_for = needed
        self._canvas.restore_region(self._still)
        self._set_moving(look)
        for artist in self.moving:
            self.figure.draw_artist(artist)
        return ink.packed(self._canvas)

    def _needs(self, look: Look) -> object:
        raise NotImplementedError  # what the still part depends on

    def _set_still(self, look: Look) -> None:
        raise NotImplementedError

    def _set_moving(self, look: Look) -> None:
        raise NotImplementedError

    def alt(self, look: Look) -> str:
        """Return what a reader who cannot see the picture must know."""
        raise NotImplementedError


class ErrorPicture(LivePicture):
    """Errors over reference moisture, recorded and changed, about the tolerance.

    Samples beyond the frame, which holds for every choice, stand at its edge.
    """

    caption = "Errors over moisture."

    def __init__(self, curve: ExploredCurve, width: float = WIDTH):
        looks = {"as recorded": _RECORDED, "what if": _WHAT_IF}
        looks |= {"not counted": _ASIDE, "± tolerance": _TOLERANCE}
        super().__init__(looks, [1.78], width)
        [self.ax], self.every = self.axes, curve.samples
        ax, up = self.ax, "Sensor − air-oven (% moisture)"
        ink.label_axes(ax, "Air-oven (% moisture, wet basis)", up)
        low, high = self.every.reference.min(), self.every.reference.max()
        margin = max(0.05 * (high - low), 0.25)
        span = np.linspace(low - margin, high + margin, 60)
        allowed = curve.audit.tolerance.at(span)
        most = np.quantile(np.abs(self.every.error), 0.98, method="lower")
        self.limit = 1.15 * max(1.4 * allowed.max(), float(most))
        ax.set(xlim=(span[0], span[-1]), ylim=(-self.limit, self.limit))
        ax.fill_between(span, -allowed, allowed, color=ink.BAND, linewidth=0)
        for edge in (-allowed, allowed):
            ax.plot(span, edge, **_TOLERANCE)
        ax.axhline(0, color=ink.MUTED, linewidth=0.9)
        ink.tick_evenly(ax)
        (self.recorded,) = ax.plot([], [], zorder=3, **_RECORDED)
        (self.aside,) = ax.plot([], [], zorder=3, **_ASIDE)
        self.moving = ax.plot([], [], zorder=4, **_WHAT_IF)

    def _needs(self, look: Look) -> object:
        return look.part

    def _set_still(self, look: Look) -> None:
        counted, error = look.part.counted, self._inside(self.every.error)
        for artist, chosen in ((self.recorded, counted), (self.aside, ~counted)):
            artist.set_data(self.every.reference[chosen], error[chosen])

    def _set_moving(self, look: Look) -> None:
        samples = look.part.samples
        error = self._inside(corrected_error(samples, look.turn))
        self.moving[0].set_data(samples.reference, error)

    def _inside(self, error) -> np.ndarray:
        """Return how high errors stand in the frame."""
        return np.clip(error, -_EDGE * self.limit, _EDGE * self.limit)

    def sample_at(self, look: Look, across: float, down: float) -> int | None:
        """Return the position of the sample at a place, None if there is none.

        Places are shares of the picture's width from the left and height from the top.
        """
        wide, high = self._canvas.get_width_height()
        distances = []
        for error in (self.every.error, corrected_error(self.every, look.turn)):
            at = np.column_stack([self.every.reference, self._inside(error)])
            away = self.ax.transData.transform(at) - (across * wide, (1 - down) * high)
            distances.append(np.hypot(*away.T) / DPI)
        distance = np.minimum(*distances)
        nearest = int(np.argmin(distance))
        return nearest if distance[nearest] <= _NEAR else None

    def alt(self, look: Look) -> str:
        """Return what the picture shows, in words."""
        found, n = look.chosen.iloc[0], look.part.samples.n
        told = {"samples": counted(n, "sample"), "span": look.curve.start.band}
        return say("errors", share=100 * found.share_within, bias=found.bias, **told)


class OffsetPicture(LivePicture):
    """RMSEP, share within tolerance and entries newly selected, over the offset."""

    caption = "What other offsets would do."

    def __init__(self, curve: ExploredCurve, width: float = WIDTH):
        looks = {"in-sample": _IN_SAMPLE, "trials left out": _LEFT_OUT}
        looks |= {"−bias, interval": _OWN, "chosen": _CHOSEN}
        super().__init__(looks, [0.39, 0.26, 0.39], width)
        self.rmsep, share, self.selections = self.axes
        titles = ["RMSEP (% moisture)", "Samples within tolerance (%)"]
        titles.append("Entries newly selected")
        self.stops, interval = curve.stops, curve.advice.interval
        for ax, name in zip(self.axes, titles, strict=True):
            ax.set_xlim(self.stops[0], self.stops[-1])
            # Above the axis, where words need no turning of the head.
            ax.set_title(name, fontsize=ink.SMALL, color=ink.INK, loc="left", pad=3)
            ax.tick_params(labelbottom=ax is self.selections)
            if np.isfinite(interval).all():
                ax.axvspan(*interval, color=ink.BAND, linewidth=0)
                for end in interval:
                    ax.axvline(end, **_OWN | {"linewidth": 0.6})
            ax.axvline(curve.advice.offset, **_OWN)
        ink.label_axes(self.selections, "Offset (% moisture)", "")
        steps = _line(ink.BLUE, 1.2) | {"drawstyle": "steps-mid"}
        places = [(self.rmsep, _LEFT_OUT), (self.rmsep, _IN_SAMPLE)]
        places += [(share, _IN_SAMPLE), (self.selections, steps)]
        self.over_stops = [ax.plot([], [], **look)[0] for ax, look in places]
        share.set(ylim=(-8, 108), yticks=[0, 50, 100])
        middle = {"ha": "center", "va": "center", **ink.LETTERING}
        middle["transform"] = self.selections.transAxes
        self.nowhere = self.selections.text(0.5, 0.5, "", **middle)
        self.moving = [ax.axvline(0, **_CHOSEN) for ax in self.axes]

    def _needs(self, look: Look) -> object:
        return look.part, look.choice.tilt, look.changed.tobytes(), look.served

    def _set_still(self, look: Look) -> None:
        found, counts = look.grid, look.changed
        share = 100 * found.share_within
        values = found.rmsep_left_out, found.rmsep, share, counts
        for line, each in zip(self.over_stops, values, strict=True):
            line.set_data(self.stops, each)
        nowhere = "no plot of it can be ranked" if look.served else "being read …"
        self.nowhere.set_text("" if look.trial else nowhere)
        rmsep, newly = np.nanmax([*found.rmsep, 0.1]), counts.max(initial=3)
        reach = (self.rmsep, rmsep, 0.0), (self.selections, newly, -0.08)
        for ax, top, below in reach:
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
        flat = self.stops[look.changed == look.newly]
        said = say("offsets", rmsep=look.chosen.rmsep[0], least=look.grid.rmsep.min())
        if look.trial is None or not flat.size:
            return said
        selections = say("selections", newly=look.newly, span=(flat[0], flat[-1]))
        return f"{said} {selections}"


class RankPicture(LivePicture):
    """Ranks under the what-if over ranks as recorded, in one trial."""

    def __init__(self) -> None:
        fates = {"stays": _RECORDED, "moves in": _ENTERS, "drops out": _LEAVES}
        super().__init__(fates | {"selection line": _SELECTION}, [1.45], 3.1)
        [ax] = self.axes
        ink.label_axes(ax, "Rank as recorded, 1 is best", "Rank, what if")
        (self.same,) = ax.plot([], [], color=ink.MUTED, linewidth=0.9)
        self.across, self.up = ax.axvline(0, **_SELECTION), ax.axhline(0, **_SELECTION)
        self.moving = [ax.plot([], [], zorder=4, **look)[0] for look in fates.values()]

    def _needs(self, look: Look) -> object:
        return look.trial and (look.trial.lines, look.trial.count)

    def _set_still(self, look: Look) -> None:
        assert look.trial is not None
        [ax], n = self.axes, int(look.trial.lines.candidate.sum())
        at = look.trial.count + 0.5
        ax.set(xlim=(0, n + 1), ylim=(n + 1, 0))  # the best stand at the upper left
        self.same.set_data([1, n], [1, n])
        self.across.set_xdata([at, at])
        self.up.set_ydata([at, at])
        ink.tick_evenly(ax, across=8, up=6, integer=True)

    def _set_moving(self, look: Look) -> None:
        assert look.trial is not None
        ranks = look.trial.ranks
        groups = (~(ranks.entered | ranks.left), ranks.entered, ranks.left)
        for dots, chosen in zip(self.moving, groups, strict=True):
            dots.set_data(ranks.rank_before[chosen], ranks.rank_after[chosen])

    def alt(self, look: Look) -> str:
        """Return what the picture shows, in words."""
        if look.trial is None:
            return say("no_ranks")
        ranks, lines = look.trial.ranks, look.trial.lines
        return say(
            "ranks",
            n=lines.candidate.sum(),
            trial=lines.trial,
            entered=listed(lines.entries[ranks.entered]) or "none",
            left=listed(lines.entries[ranks.left]) or "none",
        )
