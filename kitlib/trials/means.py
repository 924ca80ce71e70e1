"""The design of a trial, and the entry means that respect it.

Blocks enter through one number, the ratio of block to plot variance: 0 leaves them
out, infinity makes them fixed, anything between makes them random. Entries are
always fixed and are absorbed, so the work is done in the space of the blocks.
"""

from dataclasses import dataclass, field
from functools import cached_property
from math import inf, nan, sqrt

import numpy as np
from scipy.stats import t as student_t

from kitlib.statistics import reml
from kitlib.statistics.estimates import Estimate, not_known
from kitlib.words.findings import NotFinite, TooFewSamples
from kitlib.words.terms import counted, listed

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
# Eigenvalues are sums of shares of plots; less than this is rounding.
ROUNDING = 1e-9


@dataclass(frozen=True, kw_only=True, eq=False)
class Layout:
    """Which entry and which block every plot of a trial belongs to."""

    entries: np.ndarray  # names, sorted
    blocks: np.ndarray  # names, sorted
    entry: np.ndarray  # position of each plot's entry among the names, (plots,)
    block: np.ndarray  # the same of its block, (plots,)

    @cached_property
    def counts(self) -> np.ndarray:
        """Plots of each entry in each block, shape (entries, blocks)."""
        counts = np.zeros((self.entries.size, self.blocks.size))
        np.add.at(counts, (self.entry, self.block), 1)
        return counts

    @cached_property
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

    def entry_deviations(self, yields: np.ndarray) -> np.ndarray:
        """Return each plot's difference from the plain mean of its entry."""
        sums = np.bincount(self.entry, yields, minlength=self.entries.size)
        return yields - (sums / self.n_plots)[self.entry]

    def block_sums(self, values: np.ndarray) -> np.ndarray:
        """Return the sum over each block's plots."""
        return np.bincount(self.block, values, minlength=self.blocks.size)

    def block_covariance(self, ratio: float) -> np.ndarray:
        """Return the covariance of the block effects where the plot variance is 1."""
        values, vectors = self.block_spectrum
        if np.isinf(ratio):
            spread = np.divide(1, values, out=np.zeros_like(values), where=values > 0)
        else:
            spread = ratio / (1 + ratio * values)
        return (vectors * spread) @ vectors.T

    def residual(self, yields: np.ndarray, ratio: float) -> np.ndarray:
        """Return what entries and blocks, shrunk as the ratio asks, leave of yields."""
        sums = self.block_sums(self.entry_deviations(yields))
        effects = self.block_covariance(ratio) @ sums
        return self.entry_deviations(yields - effects[self.block])

    def weights(self, ratio: float) -> np.ndarray:
        """Return the matrix that turns plot yields into entry means.

        With fixed blocks these are least-squares means: what an entry would yield on
        average over all blocks, equally weighted.
        """
        through_blocks = self.shares @ self.block_covariance(ratio)
        weights = (through_blocks @ self.shares.T)[:, self.entry]
        weights -= through_blocks[:, self.block]
        weights[self.entry, np.arange(self.entry.size)] += 1 / self.n_plots[self.entry]
        return weights

    def unit_covariance(self, ratio: float) -> np.ndarray:
        """Return the covariance of the entry means where the plot variance is 1."""
        covariance = self.shares @ self.block_covariance(ratio) @ self.shares.T
        covariance[np.diag_indices_from(covariance)] += 1 / self.n_plots
        return covariance


def lay_out(entry, block=None) -> Layout:
    """Return the layout of one trial, from entry and block of each plot.

    A name means the same block wherever it stands in the trial. Left out: one block.
    """
    entries, entry_at = np.unique(np.asarray(entry, str), return_inverse=True)
    if block is None:
        block = np.full(entry_at.size, "")
    blocks, block_at = np.unique(np.asarray(block, str), return_inverse=True)
    return Layout(entries=entries, blocks=blocks, entry=entry_at, block=block_at)


def independent_parts(values, squares, total: float, freedom: int) -> reml.Strata:
    """Return random effects, once fixed ones are absorbed, as parts for REML.

    From the eigenvalues (above 0) of the information on the effects, the squares of
    their sums along the eigenvectors, and the sum of squares about the fixed effects
    with its degrees of freedom.
    """
    return reml.Strata(
        size=values,
        x=np.zeros((values.size, 0)),
        y=np.sqrt(squares / values),
        xx=np.zeros((0, 0)),
        xy=np.zeros(0),
        yy=total - float(np.sum(squares / values)),
        n_within=freedom - values.size,
    )


def differences(covariance: np.ndarray) -> np.ndarray:
    """Return var(i) + var(j) − 2 cov(i, j) for every pair."""
    own = np.diag(covariance)
    return own[:, None] + own[None, :] - 2 * covariance


@dataclass(frozen=True, kw_only=True, eq=False)
class EntryMeans:
    """Means of a trial's entries, with the model they come from."""

    design: str  # recognised from the plots
    model: str  # and method, as printed under a table
    entries: np.ndarray  # names, sorted; what follows is by entry
    n_plots: np.ndarray
    mean: np.ndarray  # over the trial's blocks [kg/ha]
    covariance: np.ndarray  # of the means; nan without an estimate of error
    df: float | np.ndarray  # of differences: one number, or one per pair
    residual_sd: float  # of plots within blocks [kg/ha]
    block_sd: float = nan  # between blocks where these are random [kg/ha]
    # mean = weights @ yields, for any yields of the same plots while the ratio of
    # block to plot variance is held; (entries, plots).
    weights: np.ndarray = field(repr=False)
    no_error: str = ""  # why there is no estimate of error
    remarks: tuple[str, ...] = ()  # what the reader must know

    @property
    def se(self) -> np.ndarray:
        """Standard error of each mean. [kg/ha]"""
        return np.sqrt(np.diag(self.covariance))

    @property
    def sed_of_pairs(self) -> np.ndarray:
        """Standard error of every difference, shape (entries, entries). [kg/ha]"""
        # Rounding may leave a difference known exactly just below zero.
        return np.sqrt(np.maximum(differences(self.covariance), 0))

    @property
    def mean_df(self) -> float:
        """Degrees of freedom, on average over the differences."""
        if np.ndim(self.df) == 0:
            return float(self.df)
        return float(np.nanmean(self.df)) if self.entries.size > 1 else nan

    def lsd_to(self, at: int, level: float = 0.95) -> np.ndarray:
        """Return the least significant differences to one entry, nan for itself."""
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
        n = self.entries.size
        if self.no_error or n < 2:
            return not_known(self.no_error or "the trial has one entry")
        lsd = student_t.ppf((1 + level) / 2, self.df) * self.sed_of_pairs
        np.fill_diagonal(lsd, 0)  # no pair, and perhaps nan
        mean = sqrt(np.sum(lsd**2) / (n * (n - 1)))
        method = f"least significant difference at {100 * level:g} %"
        return Estimate(value=mean, df=self.mean_df, method=method)


def entry_means(yields, entry, block=None, *, errors: bool = True) -> EntryMeans:
    """Return entry means by the model that fits the trial's design.

    The design is recognised from the plots of each entry in each block. Complete
    blocks and blocks tied together by repeated checks are fixed; incomplete blocks
    are random. An additive model: entries are taken to differ alike in all blocks.

    Agrees with R's lm or lme4::lmer with emmeans (Kenward-Roger) on the trials of
    tests/oracle/r/entry_means.R. `yields` [kg/ha] of at least one plot, none of them
    missing; `entry` and `block` of each, blocks named apart within the trial. Without
    `errors` random blocks leave covariance and df nan, which saves most of the time.

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
    design = _recognised(layout)
    if design == INCOMPLETE:
        left = layout.residual(yields, inf)
        varied = left @ left > ROUNDING_SHARE * (yields @ yields)
        # Random blocks need something to be estimated from, within and between.
        told = np.count_nonzero(layout.block_spectrum[0])
        if varied and 0 < told < yields.size - layout.entries.size:
            return _random_block_means(layout, yields, errors)
    return _least_squares_means(layout, yields, design)


def _recognised(layout: Layout) -> str:
    """Return the design's name, from the plots of each entry in each block."""
    if layout.n_plots.max() == 1:
        return UNREPLICATED
    one_block = layout.blocks.size == 1
    if not one_block and np.mean(layout.counts > 0) >= COMPLETE_SHARE:
        return COMPLETE
    if np.mean(layout.n_plots == 1) >= UNREPLICATED_SHARE:
        return CHECKED
    return RANDOMISED if one_block else INCOMPLETE


def _random_block_means(layout: Layout, yields: np.ndarray, errors: bool) -> EntryMeans:
    """Return means with random blocks."""
    deviations = layout.entry_deviations(yields)
    values, vectors = layout.block_spectrum
    told = values > 0
    squares = (vectors.T @ layout.block_sums(deviations))[told] ** 2
    total, freedom = float(deviations @ deviations), yields.size - layout.entries.size
    parts = independent_parts(values[told], squares, total, freedom)
    ratio = min(reml.lowest_ratio(parts), reml.LARGEST)
    plot_variance = reml.solve(parts, ratio).squares / freedom
    covariance = df = np.full((layout.entries.size, layout.entries.size), nan)
    if errors:
        covariance, df = _kenward_roger(layout, deviations, ratio)
    weights = layout.weights(ratio)
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
        covariance=covariance,
        df=df,
        residual_sd=sqrt(plot_variance),
        block_sd=sqrt(ratio * plot_variance),
        weights=weights,
        remarks=(() if ratio else (none_between,)) + _single_plots(layout, INCOMPLETE),
    )


def _kenward_roger(layout: Layout, deviations: np.ndarray, ratio: float):
    """Return the covariance of means with random blocks, and df of each difference.

    Kenward and Roger, Biometrics 53 (1997) 983-997; Halekoh and Højsgaard, J. Stat.
    Softw. 59 (2014), issue 9.
    """
    # Deviations stand for yields: what entries explain has no part in the errors.
    eye = np.eye(layout.entries.size)
    strata = reml.split(layout.block, layout.blocks.size, eye[layout.entry], deviations)
    found = reml.inference(strata, ratio, eye)
    # For one difference the moment match of Kenward and Roger comes to 2 over the
    # variance of its log variance.
    variance = differences(found.covariance)
    np.fill_diagonal(variance, nan)
    slopes = np.array([differences(slope) for slope in found.slopes]) / variance
    spread = np.einsum("ij,ipq,jpq->pq", found.of_variances, slopes, slopes)
    return found.adjusted, 2 / spread


def _least_squares_means(layout: Layout, yields: np.ndarray, design: str) -> EntryMeans:
    """Return means with blocks fixed, or left out where entries hide them."""
    spare = yields.size - layout.entries.size
    contrasts = layout.blocks.size - 1
    connected = np.count_nonzero(layout.block_spectrum[0]) == contrasts
    fixed = 0 < contrasts < spare and connected
    ratio, df = (inf, spare - contrasts) if fixed else (0.0, spare)
    residual = layout.residual(yields, ratio)
    variance = float(residual @ residual / df) if df else nan
    weights = layout.weights(ratio)
    remarks = _single_plots(layout, design)
    if contrasts and not fixed:
        why = "too few plots beyond one per entry to tell them from error"
        if not connected:
            why = "some share no entry with the others, so entries hide them"
        remarks = (f"blocks are left out of the model: {why}", *remarks)
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
        remarks=remarks,
    )


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
    blocks = f"{layout.blocks.size} blocks fixed"
    return f"{design}: entries and {blocks}, least-squares means{adjusted}{error}"


def _single_plots(layout: Layout, design: str) -> tuple[str, ...]:
    """Name entries with one plot in a design that repeats its entries."""
    single = layout.entries[layout.n_plots == 1]
    if design in (CHECKED, UNREPLICATED) or single.size == 0:
        return ()
    verb = "has" if single.size == 1 else "have"
    return (f"{listed(single)} {verb} one plot: error is judged by the other entries",)
