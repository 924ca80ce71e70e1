"""Plots harvested in another chamber configuration than their curve's own."""

from dataclasses import dataclass

import pandas as pd

from kitlib.words.estimates import Estimate


@dataclass(frozen=True, kw_only=True)
class OtherConfiguration:
    """Plots harvested in another chamber configuration than their curve's.

    Attributes
    ----------
    n_plots, n_other : int
        Plots whose configuration is recorded, and those in another one.
    configurations : tuple of str
        The others.
    change : Estimate
        Error of samples in another configuration less that of the rest, where
        there are samples of both. [% moisture]
    """

    n_plots: int
    n_other: int
    configurations: tuple[str, ...]
    change: Estimate


def other_configuration(own, at_harvest, change: Estimate) -> OtherConfiguration:
    """Return how many plots were harvested in another configuration than `own`.

    Parameters
    ----------
    own : str
        The curve's own configuration; nan if not known.
    at_harvest : array_like of str, shape (n,)
        Of each plot; nan where not known.
    change : Estimate
        How far it moves the error, not known if no sample tells.

    Examples
    --------
    >>> found = other_configuration("wide", ["wide", "narrow"], Estimate(value=0.4))
    >>> found.n_other, found.configurations
    (1, ('narrow',))
    """
    told = pd.Series(at_harvest, dtype=object).dropna()
    other = told[told != own] if pd.notna(own) else told.iloc[:0]
    return OtherConfiguration(
        n_plots=len(told),
        n_other=len(other),
        configurations=tuple(sorted(set(other))),
        change=change,
    )
