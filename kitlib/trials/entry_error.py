"""How much the error differs between entries, wherever they are grown.

Nothing moves a selection more than an error that goes with the entry; only samples
of the same entries in several places can show it.
"""

from dataclasses import dataclass
from math import isfinite, nan, sqrt
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq
from scipy.stats import f as fisher_f

from kitlib.statistics.reml import LARGEST, RATIOS, lowest_from_zero
from kitlib.trials.means import ROUNDING, Layout, lay_out
from kitlib.words.terms import counted

# Fewer comparisons of entries, or of samples of one, tell next to nothing.
FEWEST = 5
# An SD between entries worth finding: on real maize trials entries read at random
# with an SD of 2.5 % of 20 % moisture changed a selection in one of six. [points]
WORTH_FINDING = 0.5


@dataclass(frozen=True, kw_only=True)
class EntryError:
    """How much the error differs between entries, wherever they are grown.

    Attributes
    ----------
    sd, low, high : float
        SD of the entries' own errors and its interval; nan where not known.
        [% moisture]
    sd_sample : float
        SD of samples of one entry in one place; nan where not known. [% moisture]
    n : int
        Samples compared.
    n_entries : int
        Entries sampled in more than one place.
    remark : str
        Why it is not known; empty if it is.
    """

    sd: float
    low: float
    high: float
    sd_sample: float
    n: int
    n_entries: int
    remark: str = ""

    @property
    def known(self) -> bool:
        """Whether there is an estimate."""
        return isfinite(self.sd)

    @property
    def draw_sd(self) -> float:
        """What chances are drawn with: the SD, 0 where it is not known."""
        return self.sd if self.known else 0.0


class _Strata(NamedTuple):
    """What entries' sums hold once places are taken out, in independent parts."""

    values: np.ndarray  # information d of each part on the entries, (r,)
    squares: np.ndarray  # squared parts, of variance s² d (1 + d ratio), (r,)
    left: float  # sum of squares within entries, s² times chi-squared
    spare: int  # its degrees of freedom

    def rss(self, ratio: float) -> float:
        """Return the weighted sum of squares at a ratio of the variances."""
        between = self.squares / (self.values * (1 + ratio * self.values))
        return float(between.sum() + self.left)

    def f_ratio(self, ratio: float) -> float:
        """Return what is F distributed at the true ratio of the variances."""
        between = self.squares / (self.values * (1 + ratio * self.values))
        return float(between.mean() / (self.left / self.spare))


def entry_error(error, place, entry, sd_sample, level: float = 0.95) -> EntryError:
    """Return how much the error differs between entries, wherever they are grown.

    Parameters
    ----------
    error : array_like, shape (n,)
        Corrected moisture − air-oven, one per plot sampled. [% moisture]
    place : array_like of str, shape (n,)
        Trial and curve of each; whatever they share is taken out.
    entry : array_like of str, shape (n,)
        Entry of each.
    sd_sample : array_like, shape (n,)
        SD of samples on the curve of each, the same within a place; only their
        proportions count. [% moisture]
    level : float
        Confidence level of the interval.

    Returns
    -------
    EntryError

    Notes
    -----
    Places fixed, entries random, REML, samples weighted by their curves' scatter.
    The interval of the ratio of the variances is exact for normal errors: what
    places leave of the entries' sums falls into independent parts t of variance
    d s² (1 + d r), r the ratio, and the mean of t² / (d (1 + d r)) over s² is F
    distributed [1]_. It is turned into SDs by the SD of samples as estimated.

    References
    ----------
    .. [1] Wald, Ann. Math. Statist. 11 (1940) 96-100; Seely and El-Bassiouni, Ann.
       Statist. 11 (1983) 197-201 (both from memory).

    Examples
    --------
    >>> entry_error([0.1, 0.2], ["T1", "T1"], ["a", "b"], [0.5, 0.5]).remark[:32]
    '0 entries sampled more than once'
    """
    error, sd = np.asarray(error, float), np.asarray(sd_sample, float)
    layout = lay_out(place, entry)
    parts = _strata(layout, error, 1 / sd**2)
    repeated = int(np.sum(layout.counts.sum(axis=0) > 1))
    counts = {"n": error.size, "n_entries": repeated}
    if min(parts.values.size, parts.spare) < FEWEST or not parts.left > 0:
        said = f"{counted(repeated, 'entry', 'entries')} sampled more than once; "
        said += f"{counted(parts.values.size, 'comparison')} between entries and "
        said += f"{parts.spare} within them are left, and {FEWEST} of each are needed"
        return EntryError(
            sd=nan, low=nan, high=nan, sd_sample=nan, remark=said, **counts
        )
    ratio = _reml_ratio(parts)
    scale = sqrt(parts.rss(ratio) / (parts.spare + parts.values.size))
    low, high = _interval_of_ratio(parts, level)
    return EntryError(
        sd=scale * sqrt(ratio),
        low=scale * sqrt(low),
        high=scale * sqrt(high),
        sd_sample=scale * sqrt(np.mean(sd**2)),
        **counts,
    )


def _strata(layout: Layout, error: np.ndarray, weight: np.ndarray) -> _Strata:
    """Return the entries' sums in independent parts, places taken out."""
    # In this layout places stand for entries and entries for blocks.
    counts, heavy = layout.counts, np.zeros(layout.entries.size)
    heavy[layout.entry] = weight
    information = np.diag(counts.T @ heavy)
    information -= counts.T @ (heavy[:, None] * layout.shares)
    values, vectors = np.linalg.eigh(information)
    told = values > ROUNDING * max(values.max(), 1.0)
    deviations = layout.entry_deviations(error)
    sums = np.bincount(layout.block, weight * deviations)
    values, squares = values[told], (vectors.T @ sums)[told] ** 2
    total = float(weight @ deviations**2)
    return _Strata(
        values=values,
        squares=squares,
        left=total - float(np.sum(squares / values)),
        spare=error.size - layout.entries.size - values.size,
    )


def _reml_ratio(parts: _Strata) -> float:
    """Return the variance between entries over that of samples, by REML."""
    freedom = parts.spare + parts.values.size

    def deviance(ratio: float) -> float:
        grown = np.log1p(ratio * parts.values).sum()
        return float(grown + freedom * np.log(parts.rss(ratio)))

    def slope(ratio: float) -> float:
        scale = 1 + ratio * parts.values
        fall = freedom * np.sum(parts.squares / scale**2) / parts.rss(ratio)
        return float(np.sum(parts.values / scale) - fall)

    return min(lowest_from_zero(deviance, slope, RATIOS), LARGEST)


def _interval_of_ratio(parts: _Strata, level: float) -> tuple[float, float]:
    """Return the interval of the variance between entries over that of samples."""

    def where(quantile: float) -> float:
        if parts.f_ratio(0.0) <= quantile:
            return 0.0
        top = 1.0
        while parts.f_ratio(top) > quantile:
            top *= 4
        return float(brentq(lambda r: parts.f_ratio(r) - quantile, 0.0, top))

    tail = (1 - level) / 2
    ends = fisher_f.ppf([1 - tail, tail], parts.values.size, parts.spare)
    return where(ends[0]), where(ends[1])


def entries_to_sample(
    sd_sample: float,
    sd_entry: float = WORTH_FINDING,
    places: int = 2,
    power: float = 0.8,
    level: float = 0.95,
    most: int = 500,
) -> int:
    """Return how many entries to sample in several places to learn of their errors.

    Parameters
    ----------
    sd_sample : float
        SD of samples of one entry in one place. [% moisture]
    sd_entry : float
        SD between entries that should be found. [% moisture]
    places : int
        Places, 2 or more, in each of which every one of these entries is sampled.
    power : float
        Chance with which it should be found.
    level : float
        One less the chance of finding it where there is none.
    most : int
        Where the search ends.

    Returns
    -------
    int
        Entries; `most` where fewer do not do.

    Notes
    -----
    F test of entries in complete places: with m entries in p places the ratio of
    mean squares is (1 + p sd_entry² / sd_sample²) times F on m − 1 and
    (m − 1)(p − 1) degrees of freedom.

    Examples
    --------
    >>> entries_to_sample(0.5, 0.5)
    23
    """
    stretch = 1 + places * (sd_entry / sd_sample) ** 2
    entries = np.arange(2, most + 1)
    df, df_error = entries - 1, (entries - 1) * (places - 1)
    needed = fisher_f.ppf(level, df, df_error) / stretch
    enough = fisher_f.sf(needed, df, df_error) >= power
    return int(entries[np.argmax(enough)]) if enough.any() else most
