"""Random blocks: variance components by REML, differences after Kenward and Roger."""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from kitlib.statistics.reml import LARGEST, RATIOS, lowest_from_zero
from kitlib.trials.layout import Layout


@dataclass(frozen=True, kw_only=True, eq=False)
class RandomBlocks:
    """A fit of fixed entries and random blocks.

    Attributes
    ----------
    layout : Layout
        Entries and blocks of the plots.
    plot_variance, block_variance : float
        REML estimates; the block variance may be 0. [(kg/ha)²]

    References
    ----------
    .. [1] Kenward and Roger, Biometrics 53 (1997) 983-997.
    .. [2] Halekoh and Højsgaard, J. Stat. Softw. 59 (2014), issue 9.
    """

    layout: Layout
    plot_variance: float
    block_variance: float

    @property
    def ratio(self) -> float:
        """Block variance over plot variance."""
        return self.block_variance / self.plot_variance

    @cached_property
    def naive_covariance(self) -> np.ndarray:
        """Covariance of the entry means, variances taken as known."""
        return self.plot_variance * self.layout.unit_covariance(self.ratio)

    @cached_property
    def covariance(self) -> np.ndarray:
        """Covariance of the entry means, adjusted for estimated variances."""
        known, components = self.naive_covariance, self.component_covariance
        first, second = self._first_order, self._second_order
        middle = sum(
            components[i, j] * (second[i][j] - first[i] @ known @ first[j])
            for i in (0, 1)
            for j in (0, 1)
        )
        return known + 2 * known @ middle @ known

    @cached_property
    def component_covariance(self) -> np.ndarray:
        """Covariance of plot and block variance from the expected information."""
        known = self.naive_covariance
        first, second = self._first_order, self._second_order
        information = np.empty((2, 2))
        for i in (0, 1):
            for j in (0, 1):
                lost = 2 * np.sum(known * second[i][j])
                regained = np.sum((known @ first[i]) * (known @ first[j]).T)
                information[i, j] = (self._traces[i][j] - lost + regained) / 2
        return np.linalg.inv(information)

    @cached_property
    def difference_df(self) -> np.ndarray:
        """Degrees of freedom of every difference, shape (entries, entries).

        For a single contrast Kenward and Roger's moment match comes to
        2 / variance of the contrast's log variance; the diagonal is nan.
        """
        known = self.naive_covariance
        variance = _variances_of_differences(known)
        np.fill_diagonal(variance, np.nan)
        slopes = [
            _variances_of_differences(known @ first @ known) / variance
            for first in self._first_order
        ]
        spread = sum(
            self.component_covariance[i, j] * slopes[i] * slopes[j]
            for i in (0, 1)
            for j in (0, 1)
        )
        return 2 / spread

    @property
    def _sizes(self) -> np.ndarray:
        """Plots in each block."""
        return self.layout.counts.sum(axis=0)

    @property
    def _block_total(self) -> np.ndarray:
        """Variance of a block's total over its number of plots."""
        return self.plot_variance + self._sizes * self.block_variance

    @cached_property
    def _first_order(self) -> list[np.ndarray]:
        """Change of the information on entries with plot and block variance."""
        plot, block, size = self.plot_variance, self._block_total, self._sizes
        return [
            -self._information(plot**-2, block**-2),
            -self._information(0, size * block**-2),
        ]

    @cached_property
    def _second_order(self) -> list[list[np.ndarray]]:
        """Products of two such changes, by variance and variance."""
        plot, block, size = self.plot_variance, self._block_total, self._sizes
        mixed = self._information(0, size * block**-3)
        return [
            [self._information(plot**-3, block**-3), mixed],
            [mixed, self._information(0, size**2 * block**-3)],
        ]

    @cached_property
    def _traces(self) -> list[list[float]]:
        """Information on the variances if no entry mean had to be estimated."""
        plot, block, size = self.plot_variance, self._block_total, self._sizes
        mixed = float(np.sum(size * block**-2))
        within = np.sum((size - 1) * plot**-2)
        return [
            [float(within + np.sum(block**-2)), mixed],
            [mixed, float(np.sum(size**2 * block**-2))],
        ]

    def _information(self, within, between) -> np.ndarray:
        """Return entries' cross-products: weights within and between blocks."""
        counts = self.layout.counts
        by_block = (counts * ((between - within) / self._sizes)) @ counts.T
        by_block[np.diag_indices_from(by_block)] += within * self.layout.n_plots
        return by_block


def fit_random_blocks(layout: Layout, yields: np.ndarray) -> RandomBlocks:
    """Return the REML fit of fixed entries and random blocks.

    Parameters
    ----------
    layout : Layout
        Must leave differences among blocks and among plots to estimate from.
    yields : ndarray, shape (plots,)
        Yields, not all equal to their entry's mean. [kg/ha]

    Returns
    -------
    RandomBlocks
        With block variance 0 where that is most likely.

    Notes
    -----
    With entries absorbed, minus twice the restricted log-likelihood of the variance
    ratio r is, but for a constant, Σ log(1 + r dⱼ) + (n − entries) log RSS(r), with
    dⱼ the eigenvalues of the blocks' information: one number to search over.
    """
    eigenvalues, vectors = layout.block_spectrum
    deviations = layout.entry_deviations(yields)
    sums = np.bincount(layout.block, deviations, minlength=layout.blocks.size)
    squares, total = (vectors.T @ sums) ** 2, deviations @ deviations
    df = yields.size - layout.entries.size

    def rss(ratio):
        return total - np.sum(ratio * squares / (1 + ratio * eigenvalues))

    def deviance(ratio):
        return np.log1p(ratio * eigenvalues).sum() + df * np.log(rss(ratio))

    def slope(ratio):
        scale = 1 + ratio * eigenvalues
        fall = df * np.sum(squares / scale**2) / rss(ratio)
        return float(np.sum(eigenvalues / scale) - fall)

    ratio = min(lowest_from_zero(deviance, slope, RATIOS), LARGEST)
    plot_variance = rss(ratio) / df
    return RandomBlocks(
        layout=layout,
        plot_variance=float(plot_variance),
        block_variance=float(ratio * plot_variance),
    )


def _variances_of_differences(covariance: np.ndarray) -> np.ndarray:
    """Return var(i) + var(j) − 2 cov(i, j) for every pair."""
    own = np.diag(covariance)
    return own[:, None] + own[None, :] - 2 * covariance
