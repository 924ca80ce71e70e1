"""How far the samples speak for the plots that were harvested."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitlib.curves.samples import Samples
from kitlib.statistics.over_plots import (
    beside_plots,
    bias_over_plots,
    gain_over_plots,
)
from kitlib.words.estimates import Estimate

BAND = 2.0  # width of a moisture band [% moisture]


@dataclass(frozen=True, kw_only=True)
class Coverage:
    """The harvested plots' readings against those of the samples.

    Attributes
    ----------
    n_plots : int
        Plots harvested with a reading.
    low, high : float
        Driest and wettest reading with a sample. [% moisture]
    share_outside : float
        Share of plots drier or wetter than any sample.
    share_bands : float
        Share of plots in moisture bands that hold a sample.
    shift : float
        Mean of the plots' readings minus the samples', in SDs of the plots'.
    bias, gain : Estimate
        Over all plots of the sampled trials, whatever readings the samples were
        picked at. [% moisture; points per point]
    """

    n_plots: int
    low: float
    high: float
    share_outside: float
    share_bands: float
    shift: float
    bias: Estimate
    gain: Estimate


def coverage(
    samples: Samples, reference_se: float, harvested, harvested_trial
) -> Coverage:
    """Return how the samples' readings cover those of the harvested plots.

    Parameters
    ----------
    samples : Samples
    reference_se : float
        Standard error of a sample's reference value. [% moisture]
    harvested, harvested_trial : array_like, shape (m,)
        Readings of every plot the curve served, nan where there is none, and
        their trials.
    """
    sensor, harvested = samples.sensor, np.asarray(harvested, float)
    beside = beside_plots(
        sensor, samples.reference, samples.trial, harvested, harvested_trial
    )
    harvested = harvested[np.isfinite(harvested)]
    low, high = float(sensor.min()), float(sensor.max())
    outside = (harvested < low) | (harvested > high)
    bands = pd.Series(np.floor(harvested / BAND))
    sampled = pd.Series(np.floor(sensor / BAND))
    held = bands.isin(sampled.unique())
    spread = harvested.std(ddof=1) if harvested.size > 1 else np.nan
    return Coverage(
        n_plots=harvested.size,
        low=low,
        high=high,
        share_outside=float(outside.mean()) if harvested.size else np.nan,
        share_bands=float(held.mean()) if harvested.size else np.nan,
        shift=float((harvested.mean() - sensor.mean()) / spread) if spread else np.nan,
        bias=bias_over_plots(beside),
        gain=gain_over_plots(beside, reference_se),
    )
