"""The pictures of the explorer, drawn again and again with a few artists moved."""

from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.ticker import MaxNLocator, NullFormatter

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
    """A figure that is shown again for every look."""

    caption = ""

    def __init__(self, looks: dict[str, dict], tall: dict[str, float], width: float):
        """Make axes one above the other: their titles, their heights. [in]"""
        keys = [ink.key_line(words, **look) for words, look in looks.items()]
        above = ink.legend_height(keys, width) + (_TITLE if any(tall) else 0)
        height = _BOTTOM + sum(tall.values()) + _GAP * (len(tall) - 1) + above
        size, top, titles = (width, height), height - above, ink.Words()
        self.figure = ink.Drawing(figsize=size, facecolor="white", dpi=DPI)
        self.axes: list[Axes] = []
        for title, high in tall.items():
            # Above the axis, where words need no turning of the head.
            titles.add(title, (_LEFT, top + _TITLE / 2), share=0)
            top -= high
            share = _LEFT / width, top / height, 1 - (_LEFT + _RIGHT) / width
            self.axes.append(self.figure.add_axes((*share, high / height)))
            ink.add_scales(self.axes[-1])
            top -= _GAP
        titles.into(self.figure)
        ink.draw_legend(self.figure, keys)
        bold: dict[str, Any] = {"fontsize": ink.SMALL, "fontweight": "bold"}
        place = 0.01, 0.05 / height
        self.figure.text(*place, NOT_THE_AUDIT, va="bottom", color=ink.PLUM, **bold)
        self._canvas = FigureCanvasAgg(self.figure)

    def show(self, look: Look) -> bytes:
        """Return the picture of a look as PNG."""
        self._set(look)
        self._canvas.draw()
        return ink.packed(self._canvas)

    def _set(self, look: Look) -> None:
        raise NotImplementedError  # moves what differs between looks

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
        super().__init__(looks, {"": 1.78}, width)
        [self.ax], self.every = self.axes, curve.samples
        ax, up = self.ax, "Sensor − air-oven (% moisture)"
        low, high = self.every.reference.min(), self.every.reference.max()
        margin = max(0.05 * (high - low), 0.25)
        span = np.linspace(low - margin, high + margin, 60)
        allowed = curve.audit.tolerance.at(span)
        most = np.quantile(np.abs(self.every.error), 0.98, method="lower")
        self.limit = 1.15 * max(1.4 * allowed.max(), float(most))
        ax.set(xlabel="Air-oven (% moisture, wet basis)", ylabel=up)
        ax.set(xlim=(span[0], span[-1]), ylim=(-self.limit, self.limit))
        ax.fill_between(span, -allowed, allowed, color=ink.BAND, linewidth=0)
        for edge in (-allowed, allowed):
            ax.plot(span, edge, **_TOLERANCE)
        ax.axhline(0, color=ink.MUTED, linewidth=0.9)
        (self.recorded,) = ax.plot([], [], zorder=3, **_RECORDED)
        (self.aside,) = ax.plot([], [], zorder=3, **_ASIDE)
        (self.what_if,) = ax.plot([], [], zorder=4, **_WHAT_IF)

    def _set(self, look: Look) -> None:
        counted, error = look.part.counted, self._inside(self.every.error)
        for artist, chosen in ((self.recorded, counted), (self.aside, ~counted)):
            artist.set_data(self.every.reference[chosen], error[chosen])
        samples = look.part.samples
        error = self._inside(corrected_error(samples, look.turn))
        self.what_if.set_data(samples.reference, error)

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
        tall = {"RMSEP (% moisture)": 0.39, "Samples within tolerance (%)": 0.26}
        super().__init__(looks, tall | {"Entries newly selected": 0.39}, width)
        self.rmsep, share, self.selections = self.axes
        self.stops, interval = curve.stops, curve.advice.interval
        for ax in self.axes:
            ax.set_xlim(self.stops[0], self.stops[-1])
            if ax is not self.selections:
                ax.xaxis.set_major_formatter(NullFormatter())
            if np.isfinite(interval).all():
                ax.axvspan(*interval, color=ink.BAND, linewidth=0)
                for end in interval:
                    ax.axvline(end, **_OWN | {"linewidth": 0.6})
            ax.axvline(curve.advice.offset, **_OWN)
        self.selections.set_xlabel("Offset (% moisture)")
        steps = _line(ink.BLUE, 1.2) | {"drawstyle": "steps-mid"}
        places = [(self.rmsep, _LEFT_OUT), (self.rmsep, _IN_SAMPLE)]
        places += [(share, _IN_SAMPLE), (self.selections, steps)]
        self.over_stops = [ax.plot([], [], **look)[0] for ax, look in places]
        share.set(ylim=(-8, 108), yticks=[0, 50, 100])
        middle = {"ha": "center", "va": "center", **ink.LETTERING}
        middle["transform"] = self.selections.transAxes
        self.nowhere = self.selections.text(0.5, 0.5, "", **middle)
        self.chosen = [ax.axvline(0, **_CHOSEN) for ax in self.axes]

    def _set(self, look: Look) -> None:
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
        for line in self.chosen:
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
        super().__init__(fates | {"selection line": _SELECTION}, {"": 1.45}, 3.1)
        [ax] = self.axes
        ax.set(xlabel="Rank as recorded, 1 is best", ylabel="Rank, what if")
        (self.same,) = ax.plot([], [], color=ink.MUTED, linewidth=0.9)
        self.across, self.up = ax.axvline(0, **_SELECTION), ax.axhline(0, **_SELECTION)
        self.dots = [ax.plot([], [], zorder=4, **look)[0] for look in fates.values()]

    def _set(self, look: Look) -> None:
        assert look.trial is not None
        [ax], n = self.axes, int(look.trial.lines.candidate.sum())
        at = look.trial.count + 0.5
        ax.set(xlim=(0, n + 1), ylim=(n + 1, 0))  # the best stand at the upper left
        self.same.set_data([1, n], [1, n])
        self.across.set_xdata([at, at])
        self.up.set_ydata([at, at])
        ink.tick_evenly(ax, across=8, up=6, integer=True)
        ranks = look.trial.ranks
        groups = (~(ranks.entered | ranks.left), ranks.entered, ranks.left)
        for dots, chosen in zip(self.dots, groups, strict=True):
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
