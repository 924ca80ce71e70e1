"""Figures of a curve: what the sensor read against what the oven found."""

from collections.abc import Sequence
from math import isfinite

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from kitlib.pages.dots import Band, Samples, plot_samples, sample_keys
from kitlib.reports.drawing import (
    BAND,
    BLUE,
    HALF,
    INK,
    MUTED,
    SWATCH,
    blank,
    draw_legend,
    framed,
    key_line,
    label_axes,
    legend_height,
    legend_inside,
    tick_evenly,
    write,
)
from kitlib.reports.lettering import true_minus
from kitlib.words.estimates import NO_INTERVAL, Interval
from kitlib.words.limits import Tolerance
from kitlib.words.terms import ERROR, REFERENCE, SENSOR, show, show_span


def draw_agreement(
    samples: Samples,
    tolerance: Tolerance | None = None,
    line: tuple[float, float] | None = None,
    width: float = HALF,
) -> Figure:
    """Draw the sensor's readings against the oven's results.

    Parameters
    ----------
    samples : Samples
    tolerance : Tolerance, optional
        Drawn as a band about the 1:1 line.
    line : (intercept, slope), optional
        Prediction line, air-oven = intercept + slope × sensor; drawn over the
        samples' own readings only, never beyond.
    width : float
        At print size. [in]

    Examples
    --------
    >>> drawn = draw_agreement(Samples(sensor=[15.2, 20.1], reference=[15.0, 20.5]))
    >>> drawn.axes[0].get_ylabel()
    'Sensor (% moisture, wet basis)'
    """
    if samples.n == 0:
        return blank(width, width)
    dots = sample_keys(samples)
    above = dots if len(dots) > 4 else []
    top = legend_height(above, width)
    figure, ax = framed(width, width - 0.2 + top, top=top)  # a square for the data
    label_axes(ax, REFERENCE.axis, SENSOR.axis)
    ends = _widened(np.concatenate([samples.sensor, samples.reference]))
    ax.set(xlim=ends, ylim=ends)
    tick_evenly(ax)
    keys = _draw_lines(ax, samples, tolerance, line)
    plot_samples(ax, samples, samples.reference, samples.sensor)
    # Samples lie along the diagonal, so both other corners are free.
    draw_legend(figure, above)
    legend_inside(ax, [] if above else dots, "upper left")
    legend_inside(ax, keys, "lower right")
    return figure


def _draw_lines(ax: Axes, samples: Samples, tolerance, line) -> list[Line2D]:
    """Draw the 1:1 line, the tolerance and the prediction line; name them."""
    ends = ax.get_xlim()
    keys = [key_line("1:1", color=MUTED, linewidth=0.9)]
    ax.plot(ends, ends, color=MUTED, linewidth=0.9)
    if tolerance is not None:
        keys.append(key_line("± tolerance", color=BAND, **SWATCH))
        _fill_tolerance(ax, tolerance, ends, about=1)
    if line is not None:
        keys.append(key_line("prediction line", color=INK, linewidth=1.4))
        read = np.array([samples.sensor.min(), samples.sensor.max()])
        ax.plot(line[0] + line[1] * read, read, color=INK, linewidth=1.4, zorder=4)
    return keys


def draw_errors(
    samples: Samples,
    tolerance: Tolerance | None = None,
    bias: float | None = None,
    interval: Interval = NO_INTERVAL,
    bands: Sequence[Band] = (),
    width: float = HALF,
) -> Figure:
    """Draw each sample's error over its reference moisture.

    Parameters
    ----------
    samples : Samples
        An error far beyond the others stands at the frame, with its value.
    tolerance : Tolerance, optional
        Drawn as a band about zero.
    bias : float, optional
        Drawn as a line with its interval. [% moisture]
    interval : Interval
        Of the bias. [% moisture]
    bands : sequence of Band
        Their means are drawn with their intervals.
    width : float
        At print size. [in]

    Examples
    --------
    >>> drawn = draw_errors(Samples(sensor=[15.2], reference=[15.0]), bias=0.2)
    >>> drawn.axes[0].get_ylabel()
    'Error, sensor − air-oven (% moisture)'
    """
    if samples.n == 0:
        return blank(width, width)
    keys = sample_keys(samples)
    keys += _error_keys(tolerance, bias, interval, bands)
    top = legend_height(keys, width)
    figure, ax = framed(width, width * 0.8 + top, top=top)
    label_axes(ax, REFERENCE.axis, ERROR.axis)
    ends = _widened(samples.reference)
    limit = _error_limit(samples.error, tolerance, ends)
    ax.set(xlim=ends, ylim=(-limit, limit))
    tick_evenly(ax)
    _draw_zero(ax, tolerance, ends)
    if bias is not None:
        _draw_bias(ax, bias, interval)
    _plot_errors(ax, samples, samples.reference, limit)
    _plot_bands(ax, bands)
    draw_legend(figure, keys)
    return figure


def _widened(values) -> tuple[float, float]:
    """Return the range of values with a margin."""
    low, high = float(np.min(values)), float(np.max(values))
    margin = max(0.06 * (high - low), 0.25)
    return low - margin, high + margin


def _error_limit(errors, tolerance, ends) -> float:
    """Return how far the axis of errors reaches: a few far ones stay outside."""
    sizes = np.abs(errors[np.isfinite(errors)])
    most, farthest = np.quantile(sizes, 0.95, method="lower"), sizes.max()
    allowed = 0.0 if tolerance is None else tolerance.at(ends[1])
    limit = max(1.25 * allowed, 1.3 * float(most), 0.1)
    return limit if farthest > 1.6 * limit else max(limit, 1.1 * float(farthest))


def _fill_tolerance(ax: Axes, tolerance: Tolerance, ends, about: int) -> None:
    """Fill the tolerance about the 1:1 line (1) or about zero (0)."""
    span = np.linspace(*ends, 60)
    allowed = tolerance.at(span)
    middle = about * span
    ax.fill_between(span, middle - allowed, middle + allowed, color=BAND, linewidth=0)


def _draw_zero(ax: Axes, tolerance: Tolerance | None, ends) -> None:
    """Draw where a perfect sensor would lie, and the tolerance about it."""
    ax.axhline(0, color=MUTED, linewidth=0.9)
    if tolerance is None:
        return
    _fill_tolerance(ax, tolerance, ends, about=0)
    span = np.linspace(*ends, 60)
    for side in (-1, 1):
        ax.plot(span, side * tolerance.at(span), color=MUTED, lw=0.7, ls=(0, (4, 2)))


def _draw_bias(ax: Axes, bias: float, interval: Interval) -> None:
    """Draw the bias as a line, its interval as a band."""
    ax.axhline(bias, color=BLUE, linewidth=1.3, zorder=2)
    if isfinite(interval.low) and isfinite(interval.high):
        ax.axhspan(*interval, color=BLUE, alpha=0.15, linewidth=0)


def _plot_errors(ax: Axes, samples: Samples, across, limit: float) -> None:
    """Plot errors; those beyond the frame stand at its edge with their value."""
    edge = 0.94 * limit
    plot_samples(ax, samples, across, np.clip(samples.error, -edge, edge))
    for at, error in zip(across, samples.error, strict=True):
        if abs(error) > limit:
            arrow = "↑" if error > 0 else "↓"
            said = f"  {arrow} {true_minus(show(error, 1, sign=True))}"
            write(ax, at, np.copysign(edge, error), said, va="center")


def _plot_bands(ax: Axes, bands: Sequence[Band]) -> None:
    """Plot the mean of each band as wide as the band, with its interval."""
    for band in bands:
        middle, reach = (band.low + band.high) / 2, 0.35 * (band.high - band.low)
        ends = [middle - reach, middle + reach]
        ax.plot(ends, [band.mean] * 2, color=INK, lw=1.6, zorder=5)
        ax.plot([middle] * 2, band.interval, color=INK, lw=1.1, zorder=5)


def _error_keys(tolerance, bias, interval, bands) -> list[Line2D]:
    """Return the legend's entries of everything but the samples."""
    keys = []
    if bias is not None:
        said = f"bias {show(bias, sign=True)} ({show_span(*interval, sign=True)})"
        keys.append(key_line(true_minus(said), color=BLUE, linewidth=1.3))
    if bands:
        keys.append(key_line("band mean and interval", color=INK, linewidth=1.6))
    if tolerance is not None:
        keys.append(key_line("± tolerance", color=BAND, **SWATCH))
    return keys
