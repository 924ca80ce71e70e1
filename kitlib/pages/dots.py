"""What figures of samples are drawn from, and how samples are told apart."""

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from matplotlib.axes import Axes
from matplotlib.lines import Line2D

from kitlib.pages.drawing import AMBER, GROUP_STYLES, INK, MUTED, key_line
from kitlib.pages.lettering import as_drawn
from kitlib.statistics.arrays import finite_array
from kitlib.words.estimates import NO_INTERVAL, Interval
from kitlib.words.terms import counted

MOST_TRIALS = len(GROUP_STYLES)
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
    """Plot samples at given places, those set apart as open dots."""
    for group in sample_groups(samples):
        for chosen, fill in (
            (group.chosen & samples.counts, group.colour),
            (group.chosen & ~samples.counts, "white"),
        ):
            edge = "white" if fill == group.colour else group.colour
            dots = {"marker": group.marker, "color": fill, "markeredgecolor": edge}
            if chosen.any():
                ax.plot(across[chosen], up[chosen], zorder=3, **dots, **_DOT)


def sample_keys(samples: Samples) -> list[Line2D]:
    """Return the legend's entries of samples, none if there is nothing to tell."""
    keys = [
        key_line(group.label, color=group.colour, marker=group.marker, **_DOT)
        for group in sample_groups(samples)
        if group.chosen.any()
    ]
    if samples.trial is None and samples.here is None:
        keys = []
    if not samples.counts.all():
        look = {"color": "white", "marker": "o", "markeredgecolor": INK}
        keys.append(key_line(samples.apart_label, **look, **_DOT))
    return keys
