"""Means of a trial's entries, and how well they differ."""

from dataclasses import dataclass, field
from math import nan, sqrt

import numpy as np
from scipy.stats import t as student_t

from kitlib.words.estimates import Estimate, not_known


@dataclass(frozen=True, kw_only=True, eq=False)
class EntryMeans:
    """Means of a trial's entries, with the model they come from.

    Attributes
    ----------
    design : str
        Design recognised from the plots of each entry in each block.
    model : str
        Model and method, as printed under a table.
    entries : ndarray of str, shape (entries,)
        Names, sorted.
    n_plots : ndarray, shape (entries,)
        Plots of each entry.
    mean : ndarray, shape (entries,)
        Mean of each entry over the trial's blocks. [kg/ha]
    covariance : ndarray, shape (entries, entries)
        Of the means; nan where there is no estimate of error. [(kg/ha)²]
    df : float or ndarray, shape (entries, entries)
        Degrees of freedom of differences: one number, or one per pair.
    residual_sd, block_sd : float
        SD of plots within blocks, and between blocks where these are random (nan
        where not). [kg/ha]
    weights : ndarray, shape (entries, plots)
        mean = weights @ yields, for any yields of the same plots while the ratio of
        block to plot variance is held.
    no_error : str
        Why there is no estimate of error; empty if there is one.
    remarks : tuple of str
        What the reader must know.
    """

    design: str
    model: str
    entries: np.ndarray
    n_plots: np.ndarray
    mean: np.ndarray
    covariance: np.ndarray
    df: float | np.ndarray
    residual_sd: float
    block_sd: float = nan
    weights: np.ndarray = field(repr=False)
    no_error: str = ""
    remarks: tuple[str, ...] = ()

    @property
    def se(self) -> np.ndarray:
        """Standard error of each mean. [kg/ha]"""
        return np.sqrt(np.diag(self.covariance))

    @property
    def sed_of_pairs(self) -> np.ndarray:
        """Standard error of every difference, shape (entries, entries). [kg/ha]"""
        own = np.diag(self.covariance)
        variance = own[:, None] + own[None, :] - 2 * self.covariance
        # Rounding may leave a difference known exactly just below zero.
        return np.sqrt(np.maximum(variance, 0))

    @property
    def sed(self) -> float:
        """Average standard error of a difference: root of the mean variance."""
        return _root_mean_square_of_pairs(self.sed_of_pairs)

    @property
    def mean_df(self) -> float:
        """Degrees of freedom, on average over the differences."""
        if np.ndim(self.df) == 0:
            return float(self.df)
        return float(np.nanmean(self.df)) if self.entries.size > 1 else nan

    def lsd_of_pairs(self, level: float = 0.95) -> np.ndarray:
        """Return the least significant difference of every pair. [kg/ha]"""
        return student_t.ppf((1 + level) / 2, self.df) * self.sed_of_pairs

    def lsd_to(self, at: int, level: float = 0.95) -> np.ndarray:
        """Return the least significant differences to the entry at a position.

        Shape (entries,), nan for the entry itself. [kg/ha]
        """
        df = self.df if np.ndim(self.df) == 0 else self.df[at]
        own = np.diag(self.covariance)
        variance = np.maximum(own[at] + own - 2 * self.covariance[at], 0)
        lsd = student_t.ppf((1 + level) / 2, df) * np.sqrt(variance)
        lsd[at] = nan
        return lsd

    def lsd(self, level: float = 0.95) -> Estimate:
        """Return the least significant difference of the trial. [kg/ha]

        Student's t times the standard error of a difference; where pairs differ,
        the root mean square over pairs. Not known without replication.
        """
        if self.no_error or self.entries.size < 2:
            return not_known(self.no_error or "the trial has one entry")
        return Estimate(
            value=_root_mean_square_of_pairs(self.lsd_of_pairs(level)),
            df=self.mean_df,
            method=f"least significant difference at {100 * level:g} %",
        )


def _root_mean_square_of_pairs(values: np.ndarray) -> float:
    """Return the root mean square above the diagonal, nan for a single entry."""
    n = len(values)
    if n < 2:
        return nan
    # Summed without the diagonal, which may be nan; each pair stands there twice.
    pairs = np.where(np.eye(n, dtype=bool), 0, values)
    return sqrt(np.sum(pairs**2) / (n * (n - 1)))
