"""The chance that an entry is selected, one layer of uncertainty at a time.

Two layers are kept apart. With the *correction only*, the plots' yields are taken
as they were weighed and only the correction of their moistures is uncertain. With
*plot error* as well, the entry means are uncertain as the trial's own error says.
"""

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from kitlib.curves.corrections import Correction, t_stretch
from kitlib.trials.means import EntryMeans
from kitlib.trials.ranks import ranks
from kitlib.trials.trial_plots import TrialPlots
from kitlib.words.limits import threshold

PLOT_ERROR_ONLY = "plot error only, moistures as read"
CORRECTION_ONLY = "correction only, plot errors held fixed"
CORRECTION_AND_PLOT_ERROR = "correction and plot error"

SAFE = "selection safe"
TOUCH_AND_GO = "touch and go"
OUT = "safely out"
NO_VERDICT = "not known"


@dataclass(frozen=True, kw_only=True, eq=False)
class Chances:
    """Where each entry ranks over many draws of what is uncertain.

    Attributes
    ----------
    layer : str
        What was drawn, as printed with the numbers.
    draws : int
        Number of draws; a chance is known to about ±1/√draws.
    chance_selected : ndarray, shape (entries,)
        Share of draws in which the entry is selected.
    expected_rank : ndarray, shape (entries,)
        Mean rank over the draws.
    rank_low, rank_high : ndarray of int, shape (entries,)
        Interval of the rank.
    """

    layer: str
    draws: int
    chance_selected: np.ndarray
    expected_rank: np.ndarray
    rank_low: np.ndarray
    rank_high: np.ndarray

    @property
    def verdicts(self) -> list[str]:
        """What the chance of each entry says."""
        return [verdict(chance) for chance in self.chance_selected]


def verdict(chance: float) -> str:
    """Return what a chance of being selected says.

    "selection safe" from the threshold `selection_safe` up, "safely out" from its
    complement down, "touch and go" between.

    Examples
    --------
    >>> verdict(0.9), verdict(0.5), verdict(0.1), verdict(float("nan"))
    ('selection safe', 'touch and go', 'safely out', 'not known')
    """
    safe = threshold("selection_safe")
    if np.isnan(chance):
        return NO_VERDICT
    if chance >= safe:
        return SAFE
    return OUT if 1 - chance >= safe else TOUCH_AND_GO


def draw_correction_errors(
    plots: TrialPlots,
    weights: np.ndarray,
    corrections: Mapping[str, Correction],
    *,
    draws: int,
    rng: np.random.Generator,
) -> np.ndarray:
    """Draw by how much corrected entry means may be off through the corrections.

    A yield is a straight line in moisture and a mean a weighted sum of yields, so
    each curve acts through two numbers per entry, worked out once.

    Parameters
    ----------
    plots : TrialPlots
        The plots behind the means.
    weights : ndarray, shape (entries, plots)
        What turns plot yields into entry means; held fixed over the draws, as is
        with it the ratio of block to plot variance.
    corrections : mapping of str to Correction
        One for every curve of the plots; drawn independently of one another.
    draws : int
        Number of draws.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (draws, entries)
        Deviations from the corrected means. [kg/ha]
    """
    deviations = np.zeros((draws, len(weights)))
    for curve in np.unique(plots.curve):
        correction, served = corrections[curve], plots.only(plots.curve == curve)
        by_shift = weights[:, plots.curve == curve] * served.per_point
        by_tilt = by_shift @ (served.sensor - correction.pivot)
        response = np.column_stack([by_shift.sum(axis=1), by_tilt])
        deviations += (response @ correction.draw_errors(draws, rng)).T
    return deviations


def draw_plot_errors(
    means: EntryMeans, draws: int, rng: np.random.Generator
) -> np.ndarray:
    """Draw by how much entry means may be off through plot error.

    Parameters
    ----------
    means : EntryMeans
        With an estimate of error.
    draws : int
        Number of draws.
    rng : numpy.random.Generator
        Source of randomness.

    Returns
    -------
    ndarray, shape (draws, entries)
        From the multivariate t distribution with the means' covariance as its scale
        matrix and their (average) degrees of freedom. [kg/ha]
    """
    # Cholesky on the scale of 1, so that an error of 0 needs no case of its own.
    size = float(np.mean(np.diag(means.covariance)))
    normal = rng.standard_normal((draws, means.mean.size))
    stretch = t_stretch(means.mean_df, draws, rng)
    if size == 0:
        return np.zeros_like(normal)
    root = np.linalg.cholesky(means.covariance / size)
    return np.sqrt(size) * stretch[:, None] * (normal @ root.T)


def rank_chances(
    drawn: np.ndarray, count: int, layer: str, level: float = 0.95
) -> Chances:
    """Return chances and ranks from draws of the entry means.

    Parameters
    ----------
    drawn : ndarray, shape (draws, entries)
        Entry means in each draw. [kg/ha]
    count : int
        How many entries are selected.
    layer : str
        What was drawn.
    level : float
        Share of the draws that the interval of a rank holds, at least.

    Returns
    -------
    Chances

    Examples
    --------
    >>> found = rank_chances(np.array([[9, 8], [9, 8], [7, 8], [9, 8]]), 1, "")
    >>> found.chance_selected.tolist(), found.expected_rank.tolist()
    ([0.75, 0.25], [1.25, 1.75])
    """
    rank = ranks(drawn)
    tail = (1 - level) / 2
    low, high = np.quantile(rank, [tail, 1 - tail], axis=0, method="inverted_cdf")
    return Chances(
        layer=layer,
        draws=len(drawn),
        chance_selected=np.mean(rank <= count, axis=0),
        expected_rank=rank.mean(axis=0),
        rank_low=low,
        rank_high=high,
    )
