"""Figures of samples and curves, of a trial's entries and of its field.

They draw what they are given and compute nothing. Widths are those at print size, in
inches; errors are points of moisture.
"""

from math import isfinite
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.colors import BoundaryNorm, ListedColormap
from matplotlib.dates import AutoDateLocator, date2num, num2date
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from kitlib.curves.audit import CurveAudit
from kitlib.reports import drawing as look
from kitlib.reports.drawing import key_line
from kitlib.words.terms import NOT_KNOWN, columns_of, counted, show

_PAIRS = columns_of("pairs")
_ERROR = _PAIRS["error"].head
# More dots than this hide each other, so they are drawn small and half transparent.
_MANY = 400
_ROW = 0.17  # height of a row of words beside axes [in]
_TALL = 0.62 * look.HALF  # pictures that stand side by side [in]

_Style = dict[str, Any]
_SAMPLE: _Style = {"linestyle": "none", "markeredgewidth": 0.5}
_ENTRY: _Style = {"linestyle": "none", "markersize": 4.5}
_BIAS: _Style = {"color": look.ACCENT, "linewidth": 1.3}
_BAND_MEAN: _Style = {"color": look.INK, "linewidth": 1.6}
_LINE: _Style = {"color": look.SIGNAL, "linewidth": 1.2, "linestyle": (0, (5, 2))}
_GREY_BAND: _Style = {"color": look.BAND, **look.SWATCH}
_BAR = 0.62 * _ROW * 72  # thickness [pt]
_LSD: _Style = {"color": look.MID, "linewidth": 3.2}

# ---- samples ------------------------------------------------------------------------


def draw_errors(pairs: pd.DataFrame, audit: CurveAudit, trial: str = "") -> Figure:
    """Draw each sample's error over its air-oven moisture, and what the audit found.

    Rows of `pairs.csv` not used are open dots; an error far beyond the others stands
    at the frame, with its value. The line is the sensor's own: its gain.
    The samples of a trial, if named, are marked, else means of moisture bands drawn.
    """
    if pairs.empty:
        return look.blank(look.HALF, look.HALF)
    bands, bias = audit.bands.iloc[:0] if trial else audit.bands, audit.bias
    keys = _sample_keys(pairs, trial)
    keys += [key_line("bias, dotted: interval", **_BIAS)] if bias.known else []
    keys += [key_line("band mean, interval", **_BAND_MEAN)] if len(bands) else []
    keys += [key_line("gain", **_LINE)] if audit.gain.known else []
    keys += [key_line("± tolerance", **_GREY_BAND)]
    across = _PAIRS["reference_pct"].head
    figure, ax = look.framed(look.HALF, _TALL, keys, across, _ERROR)
    oven = pairs["reference_pct"].to_numpy(float)
    margin = max(0.06 * np.ptp(oven), 0.25)
    span = np.linspace(oven.min() - margin, oven.max() + margin, 60)
    allowed = audit.tolerance.at(span)
    limit = _error_limit(pairs, allowed[-1])
    ax.set(xlim=span[[0, -1]], ylim=(-limit, limit))
    ax.fill_between(span, -allowed, allowed, color=look.BAND, linewidth=0)
    for side in (-allowed, allowed):
        ax.plot(span, side, color=look.DOT, linewidth=0.7, linestyle=(0, (4, 2)))
    ax.axhline(0, color=look.MUTED, linewidth=0.9)
    ax.axhline(bias.value, zorder=2, **_BIAS)
    # Lines and no band: a wide interval would darken the whole picture.
    for end in bias.interval(audit.settings.confidence):
        ax.axhline(end, color=look.ACCENT, linewidth=0.9, linestyle=(0, (1, 1.5)))
    if audit.gain.known:
        away = oven[[oven.argmin(), oven.argmax()]] - audit.mean_reference
        error = bias.value + (audit.gain.value - 1) * away
        ax.plot(audit.mean_reference + away, error, zorder=4, **_LINE)
    _plot_samples(ax, pairs, oven, limit, trial)
    if len(bands):
        middle = (bands["band_low"] + bands["band_high"]) / 2
        ends = middle - 0.7, middle + 0.7
        ax.hlines(bands["mean_error"], *ends, zorder=5, **_BAND_MEAN)
        ax.vlines(middle, bands["low"], bands["high"], color=look.INK, lw=1, zorder=5)
    return figure


def draw_by_day(pairs: pd.DataFrame, allowed: float) -> Figure:
    """Draw errors over the time of harvest, the allowed bias as a band, if known.

    Rows of `pairs.csv` without a time of harvest are left out.
    """
    pairs = pairs[pairs["harvested_at"].notna()]
    if pairs.empty:
        return look.blank(look.HALF, 0.72 * look.HALF, "no time of harvest is known")
    keys = [*_sample_keys(pairs), key_line("± allowed bias", **_GREY_BAND)]
    across, limit = _PAIRS["harvested_at"].head, _error_limit(pairs)
    # At the right there is room for half of a date.
    figure, ax = look.framed(look.HALF, _TALL, keys, across, _ERROR, right=0.2)
    ax.set_ylim(-limit, limit)
    if isfinite(allowed):
        ax.axhspan(-allowed, allowed, color=look.BAND, linewidth=0)
    ax.axhline(0, color=look.MUTED, linewidth=0.9)
    _plot_samples(ax, pairs, date2num(pairs["harvested_at"]), limit)
    ax.xaxis.set_major_locator(AutoDateLocator(minticks=2, maxticks=6))
    ax.xaxis.set_major_formatter(_day)
    return figure


def _day(number: float, _position: float = 0) -> str:
    """Return a tick's day, or its time within a day."""
    at = num2date(number)
    return f"{at.hour}:{at:%M}" if at.hour or at.minute else f"{at.day} {at:%b}"


def draw_coverage(harvested, sampled) -> Figure:
    """Draw how the readings of the plots sampled cover those of all plots harvested.

    Both are in % moisture, wet basis; missing readings are not counted.
    """
    readings = [np.asarray(values, float) for values in (harvested, sampled)]
    harvested, sampled = (values[np.isfinite(values)] for values in readings)
    if harvested.size == 0:
        return look.blank(look.HALF, 0.72 * look.HALF, "no plot has a reading")
    outline: _Style = {"color": look.ACCENT, "linewidth": 1.6}
    filled: _Style = {"color": look.MID, "fill": True}
    keys = [key_line(f"{harvested.size:,} plots", color=look.MID, **look.SWATCH)]
    keys += [key_line(counted(sampled.size, "sample"), **outline)]
    heads = _PAIRS["sensor_pct"].head, "Share of plots (%)"
    figure, ax = look.framed(look.HALF, 0.6 * look.HALF, keys, *heads)
    both = np.concatenate([harvested, sampled])
    edges = np.arange(np.floor(both.min()), np.floor(both.max()) + 2)
    for values, style in ((harvested, filled), (sampled, outline)):
        if values.size:
            shares = 100 * np.histogram(values, edges)[0] / values.size
            ax.stairs(shares, edges, **style)
    ax.set_ylim(bottom=0)
    return figure


def _groups(pairs: pd.DataFrame, trial: str) -> list[tuple[str, np.ndarray, str, str]]:
    """Return samples drawn alike: what they are, which, their colour and shape."""
    trials = pairs["trial"].to_numpy()
    names, here = sorted(pairs["trial"].unique()), trials == trial
    groups = [
        (look.as_drawn(name, 18), trials == name, *style)
        for name, style in zip(names, look.GROUP_STYLES, strict=False)
    ]
    if len(names) > len(groups):
        every = np.ones(len(pairs), bool)
        groups = [(f"{len(names)} trials", every, look.DOT, "o")]
    if trial:
        others = ("other trials", ~here, look.DOT, "o")
        groups = [others, ("this trial", here, look.SIGNAL, "D")]
    return [group for group in groups if group[1].any()]


def _sample_keys(pairs: pd.DataFrame, trial: str = "") -> list[Line2D]:
    """Return the legend's entries of samples."""
    dot: _Style = {**_SAMPLE, "markersize": 4.4}
    keys = [
        key_line(name, color=colour, marker=marker, **dot)
        for name, _, colour, marker in _groups(pairs, trial)
    ]
    if not pairs["used"].all():
        hollow: _Style = {"color": "white", "marker": "o", "mec": look.INK, **dot}
        keys += [key_line("chosen by reading", **hollow)]
    return keys


def _plot_samples(ax: Axes, pairs, across, limit: float, trial: str = "") -> None:
    """Plot errors; those beyond the frame stand at its edge with their value."""
    edge, errors = 0.94 * limit, pairs["error"].to_numpy(float)
    up, used = np.clip(errors, -edge, edge), pairs["used"].to_numpy(bool)
    for _, rows, colour, marker in _groups(pairs, trial):
        many = np.count_nonzero(rows) > _MANY
        size, alpha = (2.2, 0.4) if many else (4.4, None)
        style: _Style = {"markersize": size, "alpha": alpha, "zorder": 3, **_SAMPLE}
        for at, fill, rim in (
            (rows & used, colour, "white"),
            (rows & ~used, "white", colour),
        ):
            if at.any():
                ax.plot(across[at], up[at], marker, color=fill, mec=rim, **style)
    for k in np.flatnonzero(np.abs(errors) > limit):
        arrow = "↑" if errors[k] > 0 else "↓"
        said = f"  {arrow} {show(errors[k], 1, sign=True)}"
        ax.text(across[k], up[k], said, va="center", **look.LETTERING)


def _error_limit(pairs: pd.DataFrame, widest: float = 0.0) -> float:
    """Return how far the axis of errors reaches: a few far ones stay outside."""
    sizes = pairs["error"].abs().dropna().to_numpy(float)
    most, farthest = np.quantile(sizes, 0.95, method="lower"), sizes.max()
    limit = max(1.25 * widest, 1.3 * float(most), 0.1)
    return limit if farthest > 1.6 * limit else max(limit, 1.1 * float(farthest))


# ---- curves and entries -------------------------------------------------------------


def draw_season(curves: pd.DataFrame) -> Figure:
    """Draw biases of curves, rows of `curves.csv`, against what is allowed."""
    if curves.empty:
        return look.blank(look.FULL, 1.0)
    named = curves["curve"].astype(str) + ", " + curves["crop"].astype(str)
    names = [look.as_drawn(name, 30) for name in named]
    keys = [
        key_line(action, color=colour, marker=marker, linewidth=1.5, markersize=5)
        for action, (colour, marker) in look.ACTION_STYLES.items()
        if action in set(curves["action"])
    ]
    keys += [key_line("± allowed bias", **_GREY_BAND)]
    left, height = max(map(look.width_of, names)) + 0.2, len(curves) * _ROW + 0.46
    across = columns_of("curves")["bias"].head
    # At the right there is room for half a tick's number.
    margins: _Style = {"left": left, "right": 0.2, "ruled": "x"}
    figure, ax = look.framed(look.FULL, height, keys, across, **margins)
    # Wide intervals run off the axis.
    sizes = curves[["bias", "bias_low", "bias_high"]].abs()
    enough = 1.2 * max(2 * curves["allowed_bias"].max(), sizes["bias"].max())
    limit = float(max(1.1 * min(np.nanmax(sizes), enough), 0.1))
    ax.set_xlim(-limit, limit)
    look.tick_rows(ax, names)
    ax.axvline(0, color=look.MUTED, linewidth=0.9)
    rim: _Style = {"markersize": 5.5, "markeredgecolor": "white", "mew": 0.5}
    for k, row in enumerate(curves.to_dict("records")):
        colour, marker = look.ACTION_STYLES[row["action"]]
        allowed = row["allowed_bias"]
        ax.barh(k, 2 * allowed, 0.86, -allowed, color=look.BAND)
        inside = np.clip([row[name] for name in sizes], -limit, limit)
        ax.plot(inside[1:], [k, k], color=colour, linewidth=1.6)
        ax.plot(inside[0], k, marker, color=colour, clip_on=False, **rim)
        for end, arrow in ((row["bias_low"], "<"), (row["bias_high"], ">")):
            if abs(end) > limit:
                ax.plot(np.copysign(limit, end), k, arrow, color=colour, **rim)
    return figure


def draw_ranks(entries: pd.DataFrame, count: int, unit: str) -> Figure:
    """Draw entries around the selection line: yields, and the chance of selection.

    Rows of `entries.csv` in the order of drawing, yields in `unit`; an entry without a
    corrected yield is drawn as recorded.
    """
    numbers = ["yield_before", "yield_after", "lsd", "chance_selected_after"]
    before, after, lsd, chances = entries[numbers].to_numpy(float).T
    rank = entries["rank_after"].fillna(entries["rank_before"]).to_numpy(float)
    now, rows = rank <= count, np.arange(len(entries))
    crossed = now != (entries["rank_before"].to_numpy(float) <= count)
    names = [look.as_drawn(name, 20) for name in entries["entry"]]
    recorded: _Style = {"color": "white", "mec": look.INK, "marker": "o", **_ENTRY}
    corrected: _Style = {"color": look.ACCENT, "marker": "o", **_ENTRY}
    in_or_out: _Style = {"color": look.SIGNAL, "marker": "D", **_ENTRY}
    keys = [key_line("as recorded", **recorded), key_line("corrected", **corrected)]
    if crossed.any():
        keys += [key_line("corrected, crosses the line", **in_or_out)]
    keys += [key_line("half an LSD each way", **_LSD)]
    left, height = max(map(look.width_of, names)) + 0.42, len(entries) * _ROW + 0.46
    across = f"Yield at standard moisture ({unit})"
    margins: _Style = {"left": left, "right": 1.55, "ruled": "x"}
    figure, ax = look.framed(look.FULL, height, keys, across, **margins)
    box = ax.get_position()
    side = figure.add_axes((1 - 1.4 / look.FULL, box.y0, 1.2 / look.FULL, box.height))
    look.add_scales(side, "Chance selected (%)", ruled="x")
    look.tick_rows(ax, names)
    look.tick_rows(side, [""] * len(names))
    middle = np.where(np.isfinite(after), after, before)
    ax.hlines(rows, middle - lsd / 2, middle + lsd / 2, **_LSD)
    ax.plot(before, rows, mew=0.8, zorder=3, **recorded)
    ax.plot(after[~crossed], rows[~crossed], mew=0, zorder=4, **corrected)
    ax.plot(after[crossed], rows[crossed], mew=0, zorder=4, **in_or_out)
    # Those whose selection is open are marked.
    colours = np.where((chances > 0.1) & (chances < 0.9), look.SIGNAL, look.MID)
    side.hlines(rows, 0, 100 * chances, colors=list(colours), linewidth=_BAR)
    side.set(xlim=(0, 100), xticks=[0, 50, 100])
    if not np.isfinite(chances).any():
        side.text(50, rows.size / 2 - 0.5, NOT_KNOWN, ha="center", **look.LETTERING)
    low, high = ax.get_xlim()
    ax.set_xlim(low, high)
    inch = (high - low) / (look.FULL * box.width)
    ranks = [f"{place:g}" if isfinite(place) else "–" for place in rank]
    aside = low - (left - 0.25) * inch
    look.write_all(ax, np.full(rows.size, aside), rows, ranks, share=1)
    if 0 < np.count_nonzero(now) < len(entries):
        at = np.count_nonzero(now) - 0.5
        for axes in (ax, side):
            axes.axhline(at, color=look.SIGNAL, linewidth=1.1, linestyle=(0, (4, 2)))
    return figure


# ---- the field ----------------------------------------------------------------------

_BOUNDS = np.array([-7, -5, -3, -1, 1, 3, 5, 7])
_TALLEST, _WIDEST = 3.4, 0.8  # of a field, of a cell [in]


def draw_field_map(row, range_, value, label: str, decimals: int = 2) -> Figure:
    """Draw a signed value for every plot at its place in the field.

    All are known; places without a plot are blank. Values stand in the cells where
    they fit. The label names the value and its unit.
    """
    row, range_ = np.asarray(row, int), np.asarray(range_, int)
    value = np.asarray(value, float)
    columns, lines = np.ptp(row) + 1, np.ptp(range_) + 1
    # The bound nearest to zero is a round number, and the largest value within seven.
    largest = max(float(np.abs(value).max()), 10.0**-decimals)
    unit = 10.0 ** np.floor(np.log10(largest / 7))
    step = unit * next(m for m in (1, 2, 5, 10) if 7 * m * unit >= largest)
    colours = BoundaryNorm(step * _BOUNDS, len(look.SCALE), clip=True)
    middles = [f"{m:+g}".replace("-", "−") for m in step * (_BOUNDS[:-1] + 1)]
    keys = [key_line(label, linestyle="none")]
    classes = zip(middles, look.SCALE, strict=True)
    keys += [key_line(m, color=colour, **look.SWATCH) for m, colour in classes]
    left, bottom = 0.56, 0.46
    cell = min((look.FULL - left - 0.1) / columns, _WIDEST)
    tall = min(0.62 * cell, _TALLEST / lines)
    margins: _Style = {
        "ruled": "",
        "left": left,
        "right": look.FULL - left - columns * cell,
    }
    height = lines * tall + bottom
    figure, ax = look.framed(look.FULL, height, keys, "Row", "Range", **margins)
    frame = ax.plot([0, 0, 1, 1, 0], [0, 1, 1, 0, 0], transform=ax.transAxes)
    frame[0].set(color=look.RULE, linewidth=0.8, clip_on=False)
    look.tick_evenly(ax, 16, max(2, int(lines * tall / 0.2)), integer=True)
    places = np.full((lines, columns), np.nan)
    places[range_ - range_.min(), row - row.min()] = value
    sides = [np.arange(v.min(), v.max() + 2) - 0.5 for v in (row, range_)]
    cells = ax.pcolormesh(*sides, places, norm=colours, cmap=ListedColormap(look.SCALE))
    cells.set(edgecolor="white", linewidth=0.8)
    ax.set(xlim=sides[0][[0, -1]], ylim=sides[1][[0, -1]])
    words = [show(v, decimals, sign=True) for v in value]
    if max(map(look.width_of, words)) + 0.06 <= cell and tall >= 0.14:
        dark = np.isin(colours(value), (0, len(look.SCALE) - 1))
        for chosen, colour in ((dark, "white"), (~dark, look.INK)):
            said = np.array(words)[chosen]
            look.write_all(ax, row[chosen], range_[chosen], said, colour=colour)
    return figure
