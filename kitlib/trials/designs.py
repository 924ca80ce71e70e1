"""The design of a trial, and the entry means that respect it."""

from math import inf, nan, sqrt

import numpy as np

from kitlib.trials.means import EntryMeans, Layout, fit_random_blocks, lay_out
from kitlib.words.errors import NotFinite, TooFewSamples
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
