"""Figures of samples and curves, of a trial's entries and of its field."""

from math import isfinite
from typing import Any

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.dates import AutoDateLocator, date2num, num2date
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.patches import Rectangle

from kitlib.reports.drawing import (
    ACCENT,
    ACTION_STYLES,
    BAND,
    DOT,
    FULL,
    GROUP_STYLES,
    HALF,
    INK,
    MID,
    MUTED,
    RULE,
    SIGNAL,
    SMALL,
    SWATCH,
    as_drawn,
    blank,
    draw_legend,
    fill_cells,
    framed,
    key_line,
    label_axes,
    legend_height,
    tick_evenly,
    tick_whole,
    true_minus,
    width_of,
    write,
    write_all,
)
from kitlib.statistics.estimates import NO_INTERVAL, Interval
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


_CURVES = columns_of("curves")
_ROW = 0.17  # height of a row of words beside axes [in]


def draw_season(curves: pd.DataFrame) -> Figure:
    """Draw the bias of every curve with its interval against its allowed bias.

    Parameters
    ----------
    curves : DataFrame
        Rows of `curves.csv` with a bias.

    Examples
    --------
    >>> row = {"crop": "maize", "curve": "A", "bias": 0.41, "bias_low": 0.2,
    ...        "bias_high": 0.6, "allowed_bias": 0.6, "action": "shift"}
    >>> draw_season(pd.DataFrame([row])).axes[0].get_xlabel()
    'Bias (points)'
    """
    if curves.empty:
        return blank(FULL, 1.0)
    names = [
        as_drawn(f"{c}, {crop}", 30) for c, crop in curves[["curve", "crop"]].values
    ]
    left = max(map(width_of, names)) + 0.2
    actions = [str(action) for action in ACTION_STYLES if action in set(curves.action)]
    keys = [
        key_line(action, color=colour, marker=marker, linewidth=1.5, markersize=5)
        for action, (colour, marker) in ACTION_STYLES.items()
        if action in actions
    ] + [key_line("± allowed bias", color=BAND, **SWATCH)]
    top = legend_height(keys, FULL)
    height = len(curves) * _ROW + top + 0.46
    figure, ax = framed(FULL, height, left=left, top=top)
    limit = _bias_limit(curves)
    ax.set(xlim=(-limit, limit), ylim=(len(curves) - 0.5, -0.5))
    tick_evenly(ax)
    ax.set_yticks(range(len(curves)), names)
    ax.tick_params(axis="y", length=0)
    ax.grid(visible=False, axis="y")
    ax.spines["left"].set_visible(False)
    label_axes(ax, _CURVES["bias"].head, "")
    ax.axvline(0, color=MUTED, linewidth=0.9)
    for k, row in enumerate(curves.to_dict("records")):
        colour, marker = ACTION_STYLES[row["action"]]
        allowed = row["allowed_bias"]
        ax.barh(k, 2 * allowed, 0.86, -allowed, color=BAND)
        ends = np.clip([row["bias_low"], row["bias_high"]], -limit, limit)
        ax.plot(ends, [k, k], color=colour, linewidth=1.6)
        look = {"marker": marker, "markersize": 5.5, "markeredgecolor": "white"}
        at = np.clip(row["bias"], -limit, limit)
        ax.plot(at, k, color=colour, mew=0.5, clip_on=False, **look)
    draw_legend(figure, keys)
    return figure


def _bias_limit(curves: pd.DataFrame) -> float:
    """Return how far the axis of biases reaches: wide intervals run off it."""
    sizes = curves[["bias", "bias_low", "bias_high"]].abs()
    enough = 1.2 * max(2 * curves["allowed_bias"].max(), sizes["bias"].max())
    return float(max(1.1 * min(np.nanmax(sizes), enough), 0.1))


def draw_ranks(
    entries: pd.DataFrame, count: int, unit: str, decimals: int = 2
) -> Figure:
    """Draw entries around the selection line: yields, and the chance of selection.

    Parameters
    ----------
    entries : DataFrame
        Rows of `entries.csv` in the order of drawing, yields in `unit`. An entry
        without a corrected yield is drawn as recorded.
    count : int
        How many are selected.
    unit : str
    decimals : int
        Of the yields.

    Examples
    --------
    >>> two = pd.DataFrame({"entry": ["A", "B"], "yield_before": [9.8, 9.7],
    ...     "yield_after": [9.7, 9.8], "rank_before": [1, 2], "rank_after": [2, 1],
    ...     "lsd": 0.3, "chance_selected_after": [0.4, 0.6]})
    >>> draw_ranks(two, 1, "t/ha").axes[0].get_xlabel()
    'Yield at standard moisture (t/ha)'
    """
    if entries.empty:
        return blank(FULL, 1.0)
    rank = entries["rank_after"].fillna(entries["rank_before"]).to_numpy(float)
    was, now = entries["rank_before"].to_numpy(float) <= count, rank <= count
    names = [as_drawn(name, 20) for name in entries["entry"]]
    left = max(map(width_of, names)) + 0.42
    keys = [
        key_line("as recorded", color="white", mec=INK, ls="none", marker="o", ms=4.5),
        key_line("corrected", color=ACCENT, ls="none", marker="o", ms=4.5),
        key_line(
            "corrected, in or out by it", color=SIGNAL, ls="none", marker="D", ms=4.5
        ),
        key_line("half an LSD each way", color=MID, linewidth=3.2),
    ]
    keys = keys if (was != now).any() else [keys[0], keys[1], keys[3]]
    top = legend_height(keys, FULL)
    height = len(entries) * _ROW + top + 0.46
    figure, ax = framed(FULL, height, left=left, right=1.55, top=top)
    box = ax.get_position()
    side = figure.add_axes((1 - 1.4 / FULL, box.y0, 1.2 / FULL, box.height))
    _draw_yields(ax, entries, was != now)
    _draw_chances(side, entries["chance_selected_after"].to_numpy(float))
    label_axes(ax, f"Yield at standard moisture ({unit})", "")
    label_axes(side, "Chance selected (%)", "")
    side.spines[["top", "right"]].set_visible(False)
    side.spines["bottom"].set_color(MUTED)
    side.tick_params(labelsize=SMALL, color=MUTED, labelcolor=INK, length=3)
    for axes in (ax, side):
        axes.set_ylim(len(entries) - 0.4, -0.6)
        axes.grid(visible=False, axis="y")
        axes.spines["left"].set_visible(False)
        axes.tick_params(axis="y", length=0)
    tick_evenly(ax)
    ax.set_yticks([])
    rows = np.arange(len(entries))
    inch = np.ptp(ax.get_xlim()) / (FULL * box.width)
    edge = np.full(rows.size, ax.get_xlim()[0])
    ax.set_xlim(ax.get_xlim())
    write_all(ax, edge - 0.1 * inch, rows, names, "right")
    ranks = [f"{place:g}" if isfinite(place) else "–" for place in rank]
    write_all(ax, edge - (left - 0.25) * inch, rows, ranks, "right")
    if 0 < np.count_nonzero(now) < len(entries):
        for axes in (ax, side):
            at = np.count_nonzero(now) - 0.5
            axes.axhline(at, color=SIGNAL, linewidth=1.1, linestyle=(0, (4, 2)))
    draw_legend(figure, keys)
    return figure


def _draw_yields(ax: Axes, entries: pd.DataFrame, crossed) -> None:
    """Draw yields as recorded, corrected, and half an LSD each way."""
    rows = np.arange(len(entries))
    before = entries["yield_before"].to_numpy(float)
    after = entries["yield_after"].to_numpy(float)
    half = entries["lsd"].to_numpy(float) / 2
    middle = np.where(np.isfinite(after), after, before)
    ax.hlines(rows, middle - half, middle + half, color=MID, linewidth=3.2)
    ax.plot(before, rows, "o", color="white", mec=INK, mew=0.8, ms=4.5, zorder=3)
    for chosen, colour, marker in ((~crossed, ACCENT, "o"), (crossed, SIGNAL, "D")):
        look: dict[str, Any] = {"color": colour, "marker": marker, "ms": 4.5, "mew": 0}
        ax.plot(after[chosen], rows[chosen], ls="none", zorder=4, **look)


def _draw_chances(ax: Axes, chances) -> None:
    """Draw the chance that each entry is selected; those open are marked."""
    colours = np.where((chances > 0.1) & (chances < 0.9), SIGNAL, MID)
    ax.barh(np.arange(chances.size), 100 * chances, 0.62, color=list(colours))
    ax.set_xlim(0, 100)
    ax.set_xticks([0, 50, 100])
    ax.set_yticks([])


# From below zero to above, told apart by lightness and sign as well as hue.
_CLASSES = ["#1F5C99", "#6FA3D3", "#C3DAEE", "#E4E7E5", "#F7D9A8", "#EFA94A", "#C46A00"]
_BOUNDS = np.array([-5, -3, -1, 1, 3, 5])
_DARK = (0, 6)  # classes that need white lettering
_TALLEST = 3.4  # of a field [in]


def draw_field_map(
    row, range_, value, label: str, decimals: int = 2, width: float = FULL
) -> Figure:
    """Draw a value for every plot at its place in the field.

    Places without a plot, and plots without a value, are blank. Values stand in the
    cells where they fit.

    Parameters
    ----------
    row, range_ : array_like of int, shape (n,)
        Place of each plot.
    value : array_like, shape (n,)
        Signed, such as a change of yield or an error; nan for none.
    label : str
        Names the value and its unit.
    decimals : int
    width : float
        At print size. [in]

    Examples
    --------
    >>> drawn = draw_field_map([1, 2], [1, 1], [0.2, -0.1], "Error (points)")
    >>> drawn.axes[0].get_xlabel()
    'Row'
    """
    row, range_ = np.asarray(row, int), np.asarray(range_, int)
    value = np.asarray(value, float)
    known = np.isfinite(value)
    if not known.any():
        return blank(width, 1.2, "no plot has both a place and a value")
    columns, lines = np.ptp(row) + 1, np.ptp(range_) + 1
    left, right, top = 0.5, 0.1, 0.42
    cell = min((width - left - right) / columns, 0.8)
    tall = min(0.62 * cell, _TALLEST / lines)
    right = width - left - columns * cell
    height = lines * tall + top + 0.46
    figure, ax = framed(width, height, left=left, right=right, top=top)
    label_axes(ax, "Row", "Range")
    ax.set_xlim(row.min() - 0.5, row.max() + 0.5)
    ax.set_ylim(range_.min() - 0.5, range_.max() + 0.5)
    ax.grid(visible=False)
    ax.tick_params(length=0)
    ax.spines[:].set(visible=True, color=RULE)
    tick_whole(ax, up=max(2, int(lines * tall / 0.2)))
    row, range_, value = row[known], range_[known], value[known]
    step = _class_step(value, decimals)
    classes = np.searchsorted(step * _BOUNDS, value)
    sides = np.array([row - 0.5, row + 0.5, range_ - 0.5, range_ + 0.5])
    for k in np.unique(classes):
        look = {"facecolor": _CLASSES[k], "edgecolor": "white", "linewidth": 0.8}
        fill_cells(ax, *sides[:, classes == k], **look)
    words = [show(v, decimals, sign=True) for v in value]
    if max(map(width_of, words)) + 0.06 <= cell and tall >= 0.14:
        dark = np.isin(classes, _DARK)
        for chosen, colour in ((dark, "white"), (~dark, INK)):
            said = np.array(words)[chosen]
            write_all(ax, row[chosen], range_[chosen], said, colour=colour)
    _draw_classes(figure, label, step)
    return figure


def _class_step(value, decimals: int) -> float:
    """Return the bound nearest to zero; the others are three and five times it."""
    largest = max(float(np.abs(value).max()), 10.0**-decimals)
    unit = 10.0 ** np.floor(np.log10(largest / 7))
    return float(unit * next(m for m in (1, 2, 5, 10) if 7 * m * unit >= largest))


def _draw_classes(figure: Figure, label: str, step: float) -> None:
    """Draw the classes above the field, with the values that part them."""
    height = figure.get_figheight()
    words: dict[str, Any] = {"fontsize": SMALL, "color": INK, "va": "center_baseline"}
    words["transform"] = inches = figure.dpi_scale_trans
    figure.text(0, height - 0.1, label, **words)
    left, cell = width_of(label) + 0.25, 0.5
    for k, colour in enumerate(_CLASSES):
        place = (left + k * cell, height - 0.17)
        box = Rectangle(place, cell, 0.15, facecolor=colour, edgecolor="white")
        box.set_transform(inches)
        figure.add_artist(box)
    for k, bound in enumerate(step * _BOUNDS, start=1):
        said = true_minus(f"{bound:+g}")
        figure.text(left + k * cell, height - 0.26, said, ha="center", **words)
