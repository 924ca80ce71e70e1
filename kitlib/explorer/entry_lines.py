"""Entry means as straight lines in what is added to a curve's readings.

Yields are straight lines in moisture, and entry means are weighted sums of yields:
three numbers per entry answer for every offset and slope, and nothing is fitted again.
"""

from collections.abc import Collection
from dataclasses import dataclass

import numpy as np

from kitlib.trials.designs import entry_means


@dataclass(frozen=True, kw_only=True, eq=False)
class PlotYields:
    """The plots of one trial that have a yield before and after, as arrays.

    Attributes
    ----------
    entry : ndarray of str, shape (plots,)
    block : ndarray of str or None
        None where the trial has no blocks.
    served : ndarray of bool
        True for the plots that the curve looked at has read.
    reading : ndarray
        Restated to the offset in the register. [% moisture, wet basis]
    per_point : ndarray
        Change of the yield per point of moisture. [kg/ha per % moisture]
    before, after : ndarray
        Yield at standard moisture, as recorded and as the audit corrects it. [kg/ha]
    """

    entry: np.ndarray
    block: np.ndarray | None
    served: np.ndarray
    reading: np.ndarray
    per_point: np.ndarray
    before: np.ndarray
    after: np.ndarray


@dataclass(frozen=True, kw_only=True, eq=False)
class EntryLines:
    """Entry means as straight lines in what is added to a curve's readings.

    Attributes
    ----------
    candidate : ndarray of bool, shape (..., entries)
        False for checks, which take no rank and no place.
    before : ndarray, shape (..., entries)
        Mean yield as recorded; the axis before the last counts trials of one size,
        where there is one. [kg/ha]
    unmoved : ndarray, same shape
        With nothing added to the readings of the curve looked at, the plots of
        other curves as the audit corrects them. [kg/ha]
    per_point, per_reading : ndarray, same shape
        Change per point added to every reading of the curve; per point added for
        every point of the reading itself. [kg/ha]
    """

    candidate: np.ndarray
    before: np.ndarray
    unmoved: np.ndarray
    per_point: np.ndarray
    per_reading: np.ndarray

    def means(self, offsets, tilt=0.0, pivot=0.0) -> np.ndarray:
        """Return entry means under offsets of shape (k,) or (), as first axis."""
        shift = np.asarray(offsets, float) - tilt * pivot
        turned = self.unmoved + tilt * self.per_reading
        return turned + np.multiply.outer(shift, self.per_point)


@dataclass(frozen=True, kw_only=True, eq=False)
class TrialLines(EntryLines):
    """The entry means of one trial as lines.

    Attributes
    ----------
    trial : str
    entries : ndarray of str, shape (entries,)
        Names, sorted.
    moisture : ndarray, shape (entries,)
        Mean reading. [% moisture, wet basis]
    model : str
        How the means are made.
    shared : bool
        Whether other curves read plots of it too.
    ratio_held : bool
        Whether blocks are random, the ratio of their variance to the plots' held as
        fitted to the yields as recorded; the audit fits it anew once corrected.
    """

    trial: str
    entries: np.ndarray
    moisture: np.ndarray
    model: str
    shared: bool
    ratio_held: bool


def trial_lines(
    trial: str, plots: PlotYields, checks: Collection[str] = ()
) -> TrialLines:
    """Return the entry means of a trial as lines in what is added to readings.

    Parameters
    ----------
    trial : str
    plots : PlotYields
        At least one plot.
    checks : collection of str
        Entries that take no rank and no place.

    Examples
    --------
    Both plots yield 10 t/ha at 20 %; a point more on the first takes 125 kg/ha off.

    >>> plots = PlotYields(entry=np.array(["a", "b"]), block=None,
    ...     served=np.array([True, False]), reading=np.array([20.0, 20.0]),
    ...     per_point=np.array([-125.0, -125.0]), before=np.array([1e4, 1e4]),
    ...     after=np.array([1e4, 1e4]))
    >>> trial_lines("T1", plots).means([0.0, 1.0]).tolist()
    [[10000.0, 10000.0], [9875.0, 10000.0]]
    """
    found = entry_means(plots.before, plots.entry, plots.block)
    of_curve = np.where(plots.served, plots.per_point, 0.0)
    # The yield is −per_point × (100 − moisture), as `kitlib.trials.yields` has it.
    as_read = -plots.per_point * (100 - plots.reading)
    unmoved = np.where(plots.served, as_read, plots.after)
    return TrialLines(
        trial=trial,
        entries=found.entries,
        candidate=~np.isin(found.entries, list(checks)),
        moisture=found.weights @ plots.reading,
        before=found.mean,
        unmoved=found.weights @ unmoved,
        per_point=found.weights @ of_curve,
        per_reading=found.weights @ (of_curve * plots.reading),
        model=found.model,
        shared=not plots.served.all(),
        ratio_held=bool(found.block_sd > 0),
    )
