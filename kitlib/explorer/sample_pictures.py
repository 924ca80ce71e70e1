"""Live pictures of a curve's samples: as recorded, and under another correction."""

import numpy as np
from matplotlib.axes import Axes

from kitlib.explorer.explorer import CurveExplorer
from kitlib.explorer.explorer_look import Look
from kitlib.explorer.live_pictures import LivePicture, labelled_frames, widened
from kitlib.explorer.what_if import corrected_error
from kitlib.reports.drawing import (
    BAND,
    BLUE,
    INK,
    MUTED,
    SWATCH,
    key_line,
    label_axes,
    tick_evenly,
)
from kitlib.words.terms import ERROR, REFERENCE, SENSOR

RECORDED = {"marker": "o", "color": "white", "markeredgecolor": INK}
WHAT_IF = {"marker": "^", "color": BLUE, "markeredgecolor": "white"}
LEFT_OUT = {"marker": "x", "color": MUTED}
_DOT = {"linestyle": "none", "markersize": 5, "markeredgewidth": 0.6}
_EDGE = 0.97  # of the frame: what lies beyond is drawn there
_HEIGHT = 2.2  # of the axes [in]


class SamplePicture(LivePicture):
    """Samples over their reference moisture, recorded and corrected.

    Parameters
    ----------
    explorer : CurveExplorer
        Of the curve whose samples are drawn.
    """

    def __init__(self, explorer: CurveExplorer):
        keys = [
            key_line("as recorded", **RECORDED, **_DOT),
            key_line("what if", **WHAT_IF, **_DOT),
            key_line("does not count", **LEFT_OUT, **_DOT),
            key_line("± tolerance", color=BAND, **SWATCH),
        ]
        figure, [self.ax] = labelled_frames(keys, [_HEIGHT])
        super().__init__(figure)
        self.every, self.tolerance = explorer.samples, explorer.audit.tolerance
        across = widened(self.every.reference)
        self.ax.set_xlim(across)
        self.frame(self.ax, np.linspace(*across, 60))
        tick_evenly(self.ax)
        (self.recorded,) = self.ax.plot([], [], zorder=3, **RECORDED, **_DOT)
        (self.aside,) = self.ax.plot([], [], zorder=3, **LEFT_OUT, **_DOT)
        (after,) = self.ax.plot([], [], zorder=4, **WHAT_IF, **_DOT)
        self.what_if = self.move(after)

    def frame(self, ax: Axes, span: np.ndarray) -> None:
        """Draw axes, limits and tolerance, over a span of moistures."""
        raise NotImplementedError

    def height(self, reference, error):
        """Return how high samples stand."""
        raise NotImplementedError

    def still(self, look: Look) -> tuple:
        """Return what the still part depends on: the samples that count."""
        return (look.samples,)

    def set_still(self, look: Look) -> None:
        """Set the samples as recorded, those that do not count apart."""
        for artist, chosen in (
            (self.recorded, look.counted),
            (self.aside, ~look.counted),
        ):
            reference, error = self.every.reference[chosen], self.every.error[chosen]
            self._place(artist, reference, error)

    def set_moving(self, look: Look) -> None:
        """Set the samples as they would be."""
        choice = look.choice
        error = corrected_error(look.samples, choice.offset, choice.tilt, look.pivot)
        self._place(self.what_if, look.samples.reference, error)

    def _place(self, artist, reference, error) -> None:
        """Place samples; those beyond the frame stand at its edge."""
        low, high = self.ax.get_ylim()
        inset = (high - low) * (1 - _EDGE) / 2
        up = np.clip(self.height(reference, error), low + inset, high - inset)
        artist.set_data(reference, up)


class ErrorPicture(SamplePicture):
    """Errors over reference moisture with the tolerance about zero."""

    def frame(self, ax: Axes, span: np.ndarray) -> None:
        """Draw axes, limits and tolerance, over a span of moistures."""
        label_axes(ax, REFERENCE.axis, ERROR.axis)
        allowed = self.tolerance.at(span)
        most = np.quantile(np.abs(self.every.error), 0.98, method="lower")
        limit = 1.15 * max(1.4 * allowed.max(), float(most))
        ax.set_ylim(-limit, limit)
        ax.fill_between(span, -allowed, allowed, color=BAND, linewidth=0)
        ax.axhline(0, color=MUTED, linewidth=0.9)

    def height(self, reference, error):
        """Return how high samples stand: their errors."""
        return error


class AgreementPicture(SamplePicture):
    """Readings over reference moisture with the tolerance about the 1:1 line."""

    def frame(self, ax: Axes, span: np.ndarray) -> None:
        """Draw axes, limits and tolerance, over a span of moistures."""
        label_axes(ax, REFERENCE.axis, SENSOR.axis)
        allowed = self.tolerance.at(span)
        read = np.append(self.every.sensor, [span - allowed, span + allowed])
        ax.set_ylim(widened(read))
        ax.fill_between(span, span - allowed, span + allowed, color=BAND, linewidth=0)
        ax.plot(span, span, color=MUTED, linewidth=0.9)

    def height(self, reference, error):
        """Return how high samples stand: their readings."""
        return reference + error
