"""What figures of samples are drawn from, and how samples are told apart."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.colors import to_rgb
from matplotlib.lines import Line2D

from kitlib.reports.drawing import (
    AMBER,
    GROUP_STYLES,
    INK,
    MUTED,
    fill_cells,
    key_line,
)
from kitlib.reports.lettering import as_drawn
from kitlib.statistics.arrays import finite_array
from kitlib.words.estimates import NO_INTERVAL, Interval
from kitlib.words.terms import counted

MOST_TRIALS = len(GROUP_STYLES)
# More dots of one kind would hide each other, and the lines, so their number in
# each cell is shown instead (own choice).
MOST_DOTS = 500
_CELL = 0.05  # side of a cell [in]
_SHADES = (0.3, 0.5, 0.75, 1.0)  # from few samples to many, share of the colour
_DOT = {"linestyle": "none", "markersize": 5, "markeredgewidth": 0.5}


@dataclass(frozen=True, kw_only=True, eq=False)
class Samples:
    """The samples of a figure, in one order.

    Attributes
    ----------
    sensor, reference : array_like, shape (n,)
        Both results. [% moisture, wet basis]
    trial : array_like of str, shape (n,), optional
        Told apart by shape and colour; beyond six, those with most samples by name.
    here : array_like of bool, shape (n,), optional
        True for the samples a report is about; `trial` is not looked at then.
    apart : array_like of bool, shape (n,), optional
        True for samples that do not count, such as suspicious ones: open dots.
    here_label, apart_label : str
        What those samples are called in the legend.

    Raises
    ------
    NotFinite
        If a result is missing.
    ValueError
        If the arrays differ in length.

    Examples
    --------
    >>> Samples(sensor=[15.5, 20.0], reference=[15.0, 20.5]).error.tolist()
    [0.5, -0.5]
    """

    sensor: np.ndarray
    reference: np.ndarray
    trial: np.ndarray | None = None
    here: np.ndarray | None = None
    apart: np.ndarray | None = None
    here_label: str = "this trial"
    apart_label: str = "not counted"

    def __post_init__(self) -> None:
        for name in ("sensor", "reference"):
            values = finite_array(f"Samples: {name}", getattr(self, name))
            object.__setattr__(self, name, values)
        for name, kind in (("trial", str), ("here", bool), ("apart", bool)):
            if getattr(self, name) is not None:
                values = np.asarray(getattr(self, name), kind)
                object.__setattr__(self, name, values)
        given = (self.sensor, self.reference, self.trial, self.here, self.apart)
        lengths = [values.size for values in given if values is not None]
        if len(set(lengths)) > 1:
            raise ValueError(f"Samples: lengths are {lengths}; expected one length.")

    @property
    def n(self) -> int:
        """Number of samples."""
        return self.sensor.size

    @property
    def error(self) -> np.ndarray:
        """Sensor - reference. [% moisture]"""
        return self.sensor - self.reference

    @property
    def counts(self) -> np.ndarray:
        """True for the samples that are not set apart."""
        return np.ones(self.n, bool) if self.apart is None else ~self.apart


@dataclass(frozen=True, kw_only=True)
class Band:
    """The mean error in a moisture band, as a figure shows it.

    Attributes
    ----------
    low, high : float
        Ends of the band. [% moisture, wet basis]
    n : int
        Samples in it.
    mean : float
        Mean error; nan draws nothing. [% moisture]
    interval : Interval
        Of the mean; nan ends draw no bar. [% moisture]
    """

    low: float
    high: float
    n: int
    mean: float
    interval: Interval = NO_INTERVAL


class Group(NamedTuple):
    """Samples drawn alike: their name, which they are, colour and shape."""

    label: str
    chosen: np.ndarray
    colour: str
    marker: str


def sample_groups(samples: Samples) -> list[Group]:
    """Return the samples in groups to be told apart, in the order of drawing.

    Examples
    --------
    >>> two = Samples(sensor=[15, 20], reference=[15, 20], trial=["B", "A"])
    >>> [group.label for group in sample_groups(two)]
    ['A', 'B']
    """
    if samples.here is not None:
        others = Group("other trials", ~samples.here, MUTED, "o")
        return [others, Group(samples.here_label, samples.here, AMBER, "^")]
    if samples.trial is None:
        return [Group("samples", np.ones(samples.n, bool), *GROUP_STYLES[0])]
    return _trial_groups(samples.trial)


def _trial_groups(trial: np.ndarray) -> list[Group]:
    """Return one group for each trial, the smallest ones together if there are many."""
    names, codes, sizes = np.unique(trial, return_inverse=True, return_counts=True)
    named = np.arange(names.size)
    if names.size > MOST_TRIALS:
        largest = np.argsort(-sizes, kind="stable")[: MOST_TRIALS - 1]
        named = np.sort(largest)
    styles = zip(named, GROUP_STYLES, strict=False)
    groups = [Group(as_drawn(names[k], 18), codes == k, *style) for k, style in styles]
    if names.size > MOST_TRIALS:
        rest = counted(names.size - named.size, "other trial")
        groups.insert(0, Group(rest, ~np.isin(codes, named), MUTED, "P"))
    return groups


def plot_samples(ax: Axes, samples: Samples, across, up) -> None:
    """Plot samples at given places, those set apart as open dots.

    Where too many are of one kind, the cells that hold them are shaded instead.
    """
    for group in sample_groups(samples):
        counting, apart = group.chosen & samples.counts, group.chosen & ~samples.counts
        if _is_crowded(samples, group):
            _shade_cells(ax, across[counting], up[counting], group.colour)
        else:
            _plot_dots(ax, across[counting], up[counting], group, group.colour, "white")
        _plot_dots(ax, across[apart], up[apart], group, "white", group.colour)


def _plot_dots(ax: Axes, across, up, group: Group, fill: str, edge: str) -> None:
    """Plot a dot for each sample, if there are any."""
    look = {"marker": group.marker, "color": fill, "markeredgecolor": edge}
    if across.size:
        ax.plot(across, up, zorder=3, **look, **_DOT)


def _is_crowded(samples: Samples, group: Group) -> bool:
    """Whether too many samples of a group count to show each as a dot."""
    return np.count_nonzero(group.chosen & samples.counts) > MOST_DOTS


def _shade_cells(ax: Axes, across, up, colour: str) -> None:
    """Shade the cells that hold samples, the darker the more of them."""
    places = np.column_stack([across, up])
    places = places[np.isfinite(places).all(axis=1)]
    ax.update_datalim(places)
    ax.autoscale_view()
    box, inches = ax.get_position(), ax.get_figure().get_size_inches()
    bins = np.rint(inches * box.size / _CELL).astype(int)
    counts, x, y = np.histogram2d(*places.T, bins, (ax.get_xlim(), ax.get_ylim()))
    shade = np.ceil(len(_SHADES) * np.sqrt(counts / counts.max()))
    for k, share in enumerate(_SHADES, start=1):
        i, j = np.nonzero(shade == k)
        mixed = 1 - share + share * np.array(to_rgb(colour))
        look = {"color": mixed, "linewidth": 0.2, "zorder": 1.9}
        if i.size:
            fill_cells(ax, x[i], x[i + 1], y[j], y[j + 1], **look)


def sample_keys(samples: Samples) -> list[Line2D]:
    """Return the legend's entries of samples, none if there is nothing to tell."""
    groups = [group for group in sample_groups(samples) if group.chosen.any()]
    plain = samples.trial is None and samples.here is None
    keys = [
        _key_of(samples, group)
        for group in groups
        if not plain or _is_crowded(samples, group)
    ]
    if not samples.counts.all():
        look = {"color": "white", "marker": "o", "markeredgecolor": INK}
        keys.append(key_line(samples.apart_label, **look, **_DOT))
    return keys


def _key_of(samples: Samples, group: Group) -> Line2D:
    """Return the legend's entry of a group of samples."""
    if _is_crowded(samples, group):
        said = f"{group.label}, darker: more"
        return key_line(said, color=group.colour, marker="s", **_DOT)
    return key_line(group.label, color=group.colour, marker=group.marker, **_DOT)
