"""Which entry and which block every plot of a trial belongs to, and what follows.

Blocks enter through one number, the ratio of block to plot variance: 0 leaves them
out, infinity makes them fixed, anything between makes them random. Entries are
always fixed and are absorbed, so the work is done in the space of the blocks.
"""

from dataclasses import dataclass
from functools import cached_property

import numpy as np

# Eigenvalues are sums of shares of plots; less than this is rounding.
ROUNDING = 1e-9


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """The layout of one trial's plots.

    Attributes
    ----------
    entries, blocks : ndarray of str, shapes (entries,) and (blocks,)
        Names, sorted.
    entry, block : ndarray of int, shape (plots,)
        Position of each plot's entry and block among the names.
    """

    entries: np.ndarray
    blocks: np.ndarray
    entry: np.ndarray
    block: np.ndarray

    @cached_property
    def counts(self) -> np.ndarray:
        """Plots of each entry in each block, shape (entries, blocks)."""
        counts = np.zeros((self.entries.size, self.blocks.size))
        np.add.at(counts, (self.entry, self.block), 1)
        return counts

    @property
    def n_plots(self) -> np.ndarray:
        """Plots of each entry, shape (entries,)."""
        return self.counts.sum(axis=1)

    @cached_property
    def shares(self) -> np.ndarray:
        """Share of an entry's plots in each block, shape (entries, blocks)."""
        return self.counts / self.n_plots[:, None]

    @cached_property
    def block_spectrum(self) -> tuple[np.ndarray, np.ndarray]:
        """Information on blocks once entries are known: eigenvalues and vectors."""
        information = np.diag(self.counts.sum(axis=0)) - self.counts.T @ self.shares
        values, vectors = np.linalg.eigh(information)
        return np.where(values < ROUNDING, 0.0, values), vectors

    @property
    def block_contrasts(self) -> int:
        """Differences among blocks that can be told from entries."""
        return int(np.count_nonzero(self.block_spectrum[0]))

    @property
    def connected(self) -> bool:
        """Whether every two entries can be compared within blocks."""
        return self.block_contrasts == self.blocks.size - 1

    def entry_deviations(self, yields: np.ndarray) -> np.ndarray:
        """Return each plot's difference from the plain mean of its entry."""
        sums = np.bincount(self.entry, yields, minlength=self.entries.size)
        return yields - (sums / self.n_plots)[self.entry]

    def block_effects(self, yields: np.ndarray, ratio: float) -> np.ndarray:
        """Return block effects, shrunk as the variance ratio asks."""
        deviations = self.entry_deviations(yields)
        sums = np.bincount(self.block, deviations, minlength=self.blocks.size)
        return self._block_covariance(ratio) @ sums

    def weights(self, ratio: float) -> np.ndarray:
        """Return the matrix that turns plot yields into entry means.

        Parameters
        ----------
        ratio : float
            Variance between blocks over variance between plots, 0 to infinity.

        Returns
        -------
        ndarray, shape (entries, plots)
            Rows sum to 1. With fixed blocks the means are least-squares means:
            what an entry would yield on average over all blocks, equally weighted.
        """
        through_blocks = self.shares @ self._block_covariance(ratio)
        weights = (through_blocks @ self.shares.T)[:, self.entry]
        weights -= through_blocks[:, self.block]
        weights[self.entry, np.arange(self.entry.size)] += (1 / self.n_plots)[
            self.entry
        ]
        return weights

    def unit_covariance(self, ratio: float) -> np.ndarray:
        """Return the covariance of the entry means where the plot variance is 1."""
        through_blocks = self.shares @ self._block_covariance(ratio)
        covariance = through_blocks @ self.shares.T
        covariance[np.diag_indices_from(covariance)] += 1 / self.n_plots
        return covariance

    def _block_covariance(self, ratio: float) -> np.ndarray:
        """Return the covariance of the block effects where the plot variance is 1."""
        values, vectors = self.block_spectrum
        if np.isinf(ratio):
            spread = np.divide(1, values, out=np.zeros_like(values), where=values > 0)
        else:
            spread = ratio / (1 + ratio * values)
        return (vectors * spread) @ vectors.T


def lay_out(entry, block=None) -> Layout:
    """Return the layout of one trial.

    Parameters
    ----------
    entry : array_like, shape (plots,)
        Entry of each plot.
    block : array_like, shape (plots,), optional
        Block of each plot; a name means the same block wherever it stands in the
        trial. Left out: one block.

    Returns
    -------
    Layout

    Examples
    --------
    >>> lay_out(["b", "a", "b"], [1, 1, 2]).counts.tolist()
    [[1.0, 0.0], [1.0, 1.0]]
    """
    entries, entry_at = np.unique(np.asarray(entry, str), return_inverse=True)
    if block is None:
        block = np.full(entry_at.size, "")
    blocks, block_at = np.unique(np.asarray(block, str), return_inverse=True)
    return Layout(entries=entries, blocks=blocks, entry=entry_at, block=block_at)
