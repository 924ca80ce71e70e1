"""Figures of samples: errors over moisture and over the season, and coverage."""

from math import isfinite
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, date2num, num2date
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from kitlib.reports.drawing import (
    ACCENT,
    BAND,
    DOT,
    GROUP_STYLES,
    HALF,
    INK,
    MID,
    MUTED,
    SIGNAL,
    SWATCH,
    blank,
    draw_legend,
    framed,
    key_line,
    label_axes,
    legend_height,
    tick_evenly,
    write,
)
from kitlib.reports.lettering import as_drawn, true_minus
from kitlib.words.estimates import NO_INTERVAL, Interval
from kitlib.words.limits import Tolerance
from kitlib.words.terms import columns_of, counted, show

MOST_TRIALS = len(GROUP_STYLES)
# More dots than this hide each other, so they are drawn small and half transparent.
_MANY = 400
_MONTHS = ["Jan", "Feb", "Mar", "Apr", "May", "Jun"]
_MONTHS += ["Jul", "Aug", "Sep", "Oct", "Nov", "Dec"]
_PAIRS = columns_of("pairs")
_LINE = {"color": SIGNAL, "linewidth": 1.2, "linestyle": (0, (5, 2))}


def draw_errors(
    pairs: pd.DataFrame,
    tolerance: Tolerance | None = None,
    bias: float = float("nan"),
    interval: Interval = NO_INTERVAL,
    bands: pd.DataFrame | None = None,
    line: tuple[float, float] | None = None,
    trial: str = "",
    width: float = HALF,
) -> Figure:
    """Draw each sample's error over its air-oven moisture.

    Parameters
    ----------
    pairs : DataFrame
        Rows of `pairs.csv` with an oven result; those not used are open dots. An error
        far beyond the others stands at the frame, with its value.
    tolerance : Tolerance, optional
        Drawn as a light band about zero.
    bias, interval : float, Interval
        Drawn as a line in a darker band; nan for none. [points]
    bands : DataFrame, optional
        Rows of `bands.csv`: means with their intervals.
    line : (intercept, slope), optional
        Prediction line, air-oven = intercept + slope × sensor, as the error it means.
    trial : str
        The trial a report is about: its samples are marked, the others grey.
    width : float
        At print size. [in]

    Examples
    --------
    >>> one = pd.DataFrame({"sensor_pct": [15.2], "reference_pct": [15.0],
    ...                     "error": [0.2], "trial": ["A"], "used": [True]})
    >>> draw_errors(one).axes[0].get_ylabel()
    'Error (points)'
    """
    if pairs.empty:
        return blank(width, width)
    keys = _sample_keys(pairs, trial) + _error_keys(tolerance, bias, bands, line)
    top = legend_height(keys, width)
    figure, ax = framed(width, 0.62 * width + top, top=top)
    label_axes(ax, _PAIRS["reference_pct"].head, _PAIRS["error"].head)
    reference = pairs["reference_pct"].to_numpy(float)
    ends = _widened(reference)
    limit = _error_limit(pairs["error"].to_numpy(float), tolerance, ends)
    ax.set(xlim=ends, ylim=(-limit, limit))
    tick_evenly(ax)
    if tolerance is not None:
        _fill_tolerance(ax, tolerance, ends)
    ax.axhspan(*interval, color=MID, linewidth=0)
    ax.axhline(0, color=MUTED, linewidth=0.9)
    ax.axhline(bias, color=ACCENT, linewidth=1.3, zorder=2)
    if line is not None:
        read = np.array([pairs["sensor_pct"].min(), pairs["sensor_pct"].max()])
        meant = line[0] + line[1] * read
        ax.plot(meant, read - meant, zorder=4, **_LINE)
    _plot_samples(ax, pairs, reference, trial, limit)
    if bands is not None:
        _plot_bands(ax, bands)
    draw_legend(figure, keys)
    return figure


def _fill_tolerance(ax: Axes, tolerance: Tolerance, ends: tuple[float, float]) -> None:
    """Fill the tolerance about zero; its edges stay in sight on a darker band."""
    span = np.linspace(*ends, 60)
    allowed = tolerance.at(span)
    ax.fill_between(span, -allowed, allowed, color=BAND, linewidth=0)
    for side in (-1, 1):
        ax.plot(span, side * allowed, color=DOT, linewidth=0.7, linestyle=(0, (4, 2)))


def _plot_bands(ax: Axes, bands: pd.DataFrame) -> None:
    """Plot the mean of each band nearly as wide as the band, with its interval."""
    for band in bands.to_dict("records"):
        middle, reach = (band["band_low"] + band["band_high"]) / 2, 0.7
        where = [middle - reach, middle + reach]
        ax.plot(where, [band["mean_error"]] * 2, color=INK, lw=1.6, zorder=5)
        ax.plot([middle] * 2, [band["low"], band["high"]], color=INK, lw=1, zorder=5)


def _error_keys(tolerance, bias: float, bands, line) -> list[Line2D]:
    """Return the legend's entries of everything but the samples."""
    keys = []
    if isfinite(bias):
        keys.append(key_line("bias, interval", color=ACCENT, linewidth=1.3))
    if bands is not None and len(bands):
        keys.append(key_line("band mean, interval", color=INK, linewidth=1.6))
    if line is not None:
        keys.append(key_line("line", **_LINE))
    if tolerance is not None:
        keys.append(key_line("± tolerance", color=BAND, **SWATCH))
    return keys


def draw_by_day(
    pairs: pd.DataFrame, allowed: float, trial: str = "", width: float = HALF
) -> Figure:
    """Draw errors over the time of harvest, the allowed bias as a band.

    Parameters
    ----------
    pairs : DataFrame
        Rows of `pairs.csv`; those without a time of harvest are left out.
    allowed : float
        nan for none. [points]
    trial : str
        The trial a report is about.
    width : float
        At print size. [in]
    """
    pairs = pairs[pairs["harvested_at"].notna()]
    if pairs.empty:
        return blank(width, 0.72 * width, "no time of harvest is known")
    keys = [] if trial else [key_line("± allowed bias", color=BAND, **SWATCH)]
    keys = _sample_keys(pairs, trial) + keys
    top = legend_height(keys, width)
    figure, ax = framed(width, 0.62 * width + top, top=top)
    label_axes(ax, _PAIRS["harvested_at"].head, _PAIRS["error"].head)
    limit = _error_limit(pairs["error"].to_numpy(float), None, (0, 0))
    ax.set_ylim(-limit, limit)
    if isfinite(allowed):
        ax.axhspan(-allowed, allowed, color=BAND, linewidth=0)
    ax.axhline(0, color=MUTED, linewidth=0.9)
    _plot_samples(ax, pairs, date2num(pairs["harvested_at"]), trial, limit)
    tick_evenly(ax)
    ax.xaxis.set_major_locator(AutoDateLocator(minticks=2, maxticks=6))
    ax.xaxis.set_major_formatter(_day)
    draw_legend(figure, keys)
    return figure


def draw_coverage(harvested, sampled, width: float = HALF) -> Figure:
    """Draw how the sampled plots' readings cover the harvested plots'.

    Parameters
    ----------
    harvested, sampled : array_like, shapes (n,) and (m,)
        Readings of all plots harvested, and of those sampled. Missing readings are
        not counted. [% moisture, wet basis]
    width : float
        At print size. [in]

    Examples
    --------
    >>> draw_coverage([15.1, 16.2, 22.0], [15.1]).axes[0].get_ylabel()
    'Share of plots (%)'
    """
    harvested, sampled = _known(harvested), _known(sampled)
    if harvested.size == 0:
        return blank(width, 0.72 * width, "no plot has a reading")
    keys = [key_line(f"{harvested.size:,} plots", color=MID, **SWATCH)]
    keys += [key_line(counted(sampled.size, "sample"), color=ACCENT, linewidth=1.6)]
    top = legend_height(keys, width)
    figure, ax = framed(width, 0.6 * width + top, top=top)
    label_axes(ax, _PAIRS["sensor_pct"].head, "Share of plots (%)")
    both = np.concatenate([harvested, sampled])
    edges = np.arange(np.floor(both.min()), np.floor(both.max()) + 2)
    ax.stairs(_shares(harvested, edges), edges, fill=True, color=MID)
    if sampled.size:
        ax.stairs(_shares(sampled, edges), edges, color=ACCENT, linewidth=1.6)
    ax.set_ylim(bottom=0)
    tick_evenly(ax)
    draw_legend(figure, keys)
    return figure


def _groups(pairs: pd.DataFrame, trial: str) -> list[tuple[str, pd.Series, str, str]]:
    """Return samples drawn alike: what they are, which, their colour and shape."""
    if trial:
        here = pairs["trial"] == trial
        groups = [("other trials", ~here, DOT, "o"), ("this trial", here, SIGNAL, "D")]
        return [group for group in groups if group[1].any()]
    names = sorted(pairs["trial"].unique())
    if len(names) > MOST_TRIALS:
        every = pd.Series(True, index=pairs.index)
        return [(f"{len(names)} trials", every, DOT, "o")]
    return [
        (as_drawn(name, 18), pairs["trial"] == name, colour, marker)
        for name, (colour, marker) in zip(names, GROUP_STYLES, strict=False)
    ]


def _plot_samples(ax: Axes, pairs, across, trial: str, limit: float) -> None:
    """Plot errors; those beyond the frame stand at its edge with their value."""
    edge, errors = 0.94 * limit, pairs["error"].to_numpy(float)
    up, used = np.clip(errors, -edge, edge), pairs["used"].to_numpy(bool)
    for _, rows, colour, marker in _groups(pairs, trial):
        many = np.count_nonzero(rows) > _MANY
        size = {"markersize": 2.2, "alpha": 0.4} if many else {"markersize": 4.4}
        for chosen, fill, rim in ((used, colour, "white"), (~used, "white", colour)):
            at = rows.to_numpy(bool) & chosen
            look: dict[str, Any] = {"marker": marker, "color": fill, "mec": rim, **size}
            if at.any():
                ax.plot(across[at], up[at], ls="none", mew=0.5, zorder=3, **look)
    for k in np.flatnonzero(np.abs(errors) > limit):
        arrow = "↑" if errors[k] > 0 else "↓"
        said = f"  {arrow} {true_minus(show(errors[k], 1, sign=True))}"
        write(ax, across[k], up[k], said, va="center")


def _sample_keys(pairs: pd.DataFrame, trial: str) -> list[Line2D]:
    """Return the legend's entries of samples."""
    dot = {"linestyle": "none", "markersize": 4.4, "markeredgewidth": 0.5}
    keys = [
        key_line(name, color=colour, marker=marker, **dot)
        for name, _, colour, marker in _groups(pairs, trial)
    ]
    if not pairs["used"].all():
        look = {"color": "white", "marker": "o", "markeredgecolor": INK}
        keys.append(key_line("not blind", **look, **dot))
    return keys


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


def _day(number: float, _position: int = 0) -> str:
    """Return a tick's day, or its time within a day, in no one's locale."""
    at = num2date(number)
    if at.hour or at.minute:
        return f"{at.hour}:{at.minute:02d}"
    return f"{at.day} {_MONTHS[at.month - 1]}"


def _shares(values, edges) -> np.ndarray:
    """Return the share of values in each class. [%]."""
    return 100 * np.histogram(values, edges)[0] / values.size


def _known(values) -> np.ndarray:
    """Return the values that are numbers."""
    values = np.asarray(values, float)
    return values[np.isfinite(values)]
