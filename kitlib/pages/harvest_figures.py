"""Figures of the harvest: errors over its days, and what the samples cover of it."""

from dataclasses import dataclass
from math import isfinite

import numpy as np
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, date2num, num2date
from matplotlib.figure import Figure

from kitlib.pages.dots import Samples, plot_samples, sample_keys
from kitlib.reports.drawing import (
    BAND,
    FULL,
    HALF,
    INK,
    MUTED,
    SKY,
    SWATCH,
    blank,
    draw_legend,
    framed,
    key_line,
    label_axes,
    legend_height,
    tick_evenly,
)
from kitlib.words.terms import ERROR, SENSOR

_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun"]
_MONTHS += ["Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]


@dataclass(frozen=True, kw_only=True, eq=False)
class Trend:
    """A line fitted elsewhere, with its interval, where it may be drawn.

    Attributes
    ----------
    across : array_like, shape (k,)
        Times or moistures, inside the range of the data.
    fitted : array_like, shape (k,)
        The line there.
    low, high : array_like, shape (k,), optional
        Ends of its interval.
    """

    across: np.ndarray
    fitted: np.ndarray
    low: np.ndarray | None = None
    high: np.ndarray | None = None


def draw_drift(
    times,
    samples: Samples,
    trend: Trend | None = None,
    tolerance: float = float("nan"),
    width: float = FULL,
) -> Figure:
    """Draw errors over the time of harvest.

    Parameters
    ----------
    times : array_like of datetime64, shape (n,)
        When each sample's plot was harvested; NaT leaves the sample out.
    samples : Samples
    trend : Trend, optional
        Drawn with its interval.
    tolerance : float
        One tolerance for all, drawn as ± a band; nan for none. [% moisture]
    width : float
        At print size. [in]

    Examples
    --------
    >>> one = Samples(sensor=[15.2], reference=[15.0])
    >>> drawn = draw_drift(np.array(["2025-10-03"], "datetime64[s]"), one)
    >>> drawn.axes[0].get_xlabel()
    'Harvested'
    """
    times = np.asarray(times, "datetime64[s]")
    if np.isnat(times).all():
        return blank(width, 1.6)
    keys = sample_keys(samples)
    keys += [key_line("trend and interval", color=INK, linewidth=1.4)] if trend else []
    top = legend_height(keys, width)
    figure, ax = framed(width, 2.1 + top, left=0.7, top=top)
    label_axes(ax, "Harvested", ERROR.axis)
    ax.axhline(0, color=MUTED, linewidth=0.9)
    if isfinite(tolerance):
        ax.axhspan(-tolerance, tolerance, color=BAND, linewidth=0)
    plot_samples(ax, samples, date2num(times), samples.error)
    if trend is not None:
        _draw_trend(ax, trend)
    ax.xaxis.set_major_locator(AutoDateLocator(minticks=3, maxticks=9))
    ax.xaxis.set_major_formatter(_day)
    draw_legend(figure, keys)
    return figure


def _day(number: float, _position: int = 0) -> str:
    """Return a tick's day, or its time within a day, in no one's locale."""
    at = num2date(number)
    if at.hour or at.minute:
        return f"{at.hour}:{at.minute:02d}"
    return f"{at.day} {_MONTHS[at.month - 1]}"


def _draw_trend(ax: Axes, trend: Trend) -> None:
    """Draw a fitted line with its interval."""
    ax.plot(trend.across, trend.fitted, color=INK, linewidth=1.4, zorder=4)
    if trend.low is not None and trend.high is not None:
        look = {"color": INK, "alpha": 0.12, "linewidth": 0}
        ax.fill_between(trend.across, trend.low, trend.high, **look)


def draw_coverage(harvested, sampled, width: float = HALF) -> Figure:
    """Draw how the sampled plots' moistures cover the harvested plots'.

    Parameters
    ----------
    harvested, sampled : array_like, shapes (n,) and (m,)
        Sensor readings of all harvested plots, and of those sampled.
        Missing readings are not counted. [% moisture, wet basis]
    width : float
        At print size. [in]

    Examples
    --------
    >>> drawn = draw_coverage([15.1, 16.2, 22.0], [15.1])
    >>> drawn.axes[0].get_ylabel()
    'Share of plots (%)'
    """
    harvested, sampled = _known(harvested), _known(sampled)
    if harvested.size == 0:
        return blank(width, 1.6)
    keys = [key_line(f"harvested, {harvested.size:,} plots", color=SKY, **SWATCH)]
    keys += [key_line(f"sampled, {sampled.size:,} plots", color=INK, linewidth=1.6)]
    top = legend_height(keys, width)
    figure, ax = framed(width, width * 0.6 + top, top=top)
    label_axes(ax, SENSOR.axis, "Share of plots (%)")
    both = np.concatenate([harvested, sampled])
    edges = np.arange(np.floor(both.min()), np.floor(both.max()) + 2)
    ax.stairs(_shares(harvested, edges), edges, fill=True, color=SKY)
    if sampled.size:
        ax.stairs(_shares(sampled, edges), edges, color=INK, linewidth=1.6)
    ax.set_ylim(bottom=0)
    tick_evenly(ax)
    draw_legend(figure, keys)
    return figure


def _shares(values, edges) -> np.ndarray:
    """Return the share of values in each class. [%]"""
    return 100 * np.histogram(values, edges)[0] / values.size


def _known(values) -> np.ndarray:
    """Return the values that are numbers."""
    values = np.asarray(values, float)
    return values[np.isfinite(values)]
