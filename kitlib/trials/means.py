"""The design of a trial, and the entry means that respect it."""

from dataclasses import dataclass, field
from functools import cached_property
from math import inf, nan, sqrt

import numpy as np
from scipy.stats import t as student_t

from kitlib.statistics.estimates import Estimate, not_known
from kitlib.statistics.reml import LARGEST, RATIOS, lowest_from_zero
from kitlib.words.findings import NotFinite, TooFewSamples
from kitlib.words.terms import counted, listed

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
        df = self.df[at] if isinstance(self.df, np.ndarray) else self.df
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


COMPLETE = "complete blocks"
INCOMPLETE = "incomplete blocks"
CHECKED = "unreplicated entries with repeated checks"
RANDOMISED = "completely randomised"
UNREPLICATED = "unreplicated"

# Share of entry × block cells with a plot from which blocks count as complete with
# plots missing (own choice; incomplete blocks in use hold far fewer of the entries).
COMPLETE_SHARE = 0.8
# Share of entries with one plot from which the replicated ones count as checks.
UNREPLICATED_SHARE = 0.5
# Left-over variation of this share of the yields' squares is rounding.
ROUNDING_SHARE = 1e-20


def entry_means(yields, entry, block=None) -> EntryMeans:
    """Return entry means by the model that fits the trial's design.

    The design is recognised from the plots of each entry in each block. Complete
    blocks and blocks tied together by repeated checks are fixed; incomplete blocks
    are random. An additive model: entries are taken to differ alike in all blocks.

    Parameters
    ----------
    yields : array_like, shape (plots,), no missing values
        Yield of each plot. [kg/ha]
    entry : array_like, shape (plots,)
        Entry of each plot.
    block : array_like, shape (plots,), optional
        Block of each plot, named apart within the trial.

    Returns
    -------
    EntryMeans

    Raises
    ------
    TooFewSamples
        If there is no plot.
    NotFinite
        If a yield is missing or infinite.

    Notes
    -----
    Agrees with R's lm or lme4::lmer with emmeans (Kenward-Roger) on the trials of
    tests/oracle/r/entry_means.R.

    Examples
    --------
    Two blocks, the second 2 kg/ha better. Entry b has lost its plot there and is
    spared the blame.

    >>> found = entry_means([10, 20, 30, 12, 32], list("abcac"), [1, 1, 1, 2, 2])
    >>> found.design, found.mean.round(6).tolist()
    ('complete blocks', [11.0, 21.0, 31.0])
    """
    yields = np.asarray(yields, float)
    if yields.size == 0:
        raise TooFewSamples("entry_means: got 0 plots; expected at least 1.")
    if not np.isfinite(yields).all():
        raise NotFinite(
            f"entry_means: {np.sum(~np.isfinite(yields))} of {yields.size} yields are "
            "missing or infinite; expected kg/ha. Leave those plots out and say so."
        )
    layout = lay_out(entry, block)
    design = recognise_design(layout)
    if design == INCOMPLETE and _blocks_can_be_random(layout, yields):
        return _random_block_means(layout, yields)
    return _least_squares_means(layout, yields, design)


def recognise_design(layout: Layout) -> str:
    """Return the design's name, from the plots of each entry in each block.

    Examples
    --------
    >>> recognise_design(lay_out(list("abcabc"), [1, 1, 1, 2, 2, 2]))
    'complete blocks'
    >>> recognise_design(lay_out(list("aabbcc")))
    'completely randomised'
    """
    if layout.n_plots.max() == 1:
        return UNREPLICATED
    one_block = layout.blocks.size == 1
    if not one_block and np.mean(layout.counts > 0) >= COMPLETE_SHARE:
        return COMPLETE
    if np.mean(layout.n_plots == 1) >= UNREPLICATED_SHARE:
        return CHECKED
    return RANDOMISED if one_block else INCOMPLETE


def _least_squares_means(layout: Layout, yields, design: str) -> EntryMeans:
    """Return means with blocks fixed, or left out where entries hide them."""
    spare = yields.size - layout.entries.size
    contrasts = layout.blocks.size - 1
    fixed = contrasts > 0 and layout.connected and spare > contrasts
    ratio, df = (inf, spare - contrasts) if fixed else (0.0, spare)
    residual = _residual(layout, yields, ratio)
    variance = float(residual @ residual / df) if df else nan
    weights = layout.weights(ratio)
    return EntryMeans(
        design=design,
        model=_least_squares_model(layout, design, fixed),
        entries=layout.entries,
        n_plots=layout.n_plots.astype(int),
        mean=weights @ yields,
        covariance=variance * layout.unit_covariance(ratio),
        df=float(df) if df else nan,
        residual_sd=sqrt(variance),
        weights=weights,
        no_error="" if df else "no entry has a second plot to judge error by",
        remarks=_blocks_left_out(layout, fixed) + _single_plots(layout, design),
    )


def _random_block_means(layout: Layout, yields) -> EntryMeans:
    """Return means with random blocks, standard errors after Kenward and Roger."""
    fit = fit_random_blocks(layout, yields)
    weights = layout.weights(fit.ratio)
    none_between = "blocks do not differ more than plots do: block variance 0"
    return EntryMeans(
        design=INCOMPLETE,
        model=(
            f"{INCOMPLETE}: entries fixed, {layout.blocks.size} blocks random, "
            "REML; standard errors and degrees of freedom after Kenward and Roger"
        ),
        entries=layout.entries,
        n_plots=layout.n_plots.astype(int),
        mean=weights @ yields,
        covariance=fit.covariance,
        df=fit.difference_df,
        residual_sd=sqrt(fit.plot_variance),
        block_sd=sqrt(fit.block_variance),
        weights=weights,
        remarks=(() if fit.block_variance else (none_between,))
        + _single_plots(layout, INCOMPLETE),
    )


def _blocks_can_be_random(layout: Layout, yields) -> bool:
    """Say whether plots and blocks both leave variation to estimate from."""
    spare = yields.size - layout.entries.size
    residual = _residual(layout, yields, inf)
    varied = residual @ residual > ROUNDING_SHARE * (yields @ yields)
    return bool(0 < layout.block_contrasts < spare and varied)


def _residual(layout: Layout, yields, ratio: float) -> np.ndarray:
    """Return what entries and blocks leave of the yields."""
    effects = layout.block_effects(yields, ratio)
    return layout.entry_deviations(yields - effects[layout.block])


def _least_squares_model(layout: Layout, design: str, fixed: bool) -> str:
    """Return the model in words."""
    if design == UNREPLICATED:
        return f"{UNREPLICATED}: one plot an entry, plain yields, no estimate of error"
    error = ""
    if design == CHECKED:
        repeated = int(np.count_nonzero(layout.n_plots > 1))
        error = f"; error from the {counted(repeated, 'entry', 'entries')} repeated"
    if not fixed:
        return f"{design}: entries fixed, no blocks, plain means{error}"
    missing = int(np.sum(layout.counts == 0)) if design == COMPLETE else 0
    adjusted = f" ({counted(missing, 'plot')} missing)" if missing else ""
    return (
        f"{design}: entries and {layout.blocks.size} blocks fixed, "
        f"least-squares means{adjusted}{error}"
    )


def _blocks_left_out(layout: Layout, fixed: bool) -> tuple[str, ...]:
    """Say why blocks that were named are not in the model."""
    if fixed or layout.blocks.size == 1:
        return ()
    if not layout.connected:
        why = "some share no entry with the others, so entries hide them"
    else:
        why = "too few plots beyond one per entry to tell them from error"
    return (f"blocks are left out of the model: {why}",)


def _single_plots(layout: Layout, design: str) -> tuple[str, ...]:
    """Name entries with one plot in a design that repeats its entries."""
    single = layout.entries[layout.n_plots == 1]
    if design in (CHECKED, UNREPLICATED) or single.size == 0:
        return ()
    verb = "has" if single.size == 1 else "have"
    return (f"{listed(single)} {verb} one plot: error is judged by the other entries",)
