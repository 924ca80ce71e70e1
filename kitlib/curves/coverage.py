"""How far the samples speak for the plots that were harvested."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from kitlib.statistics.clustered import clustered_fit
from kitlib.words.errors import KitError
from kitlib.words.estimates import Estimate, not_known
from kitlib.words.terms import counted


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
    reweighted : Estimate
        Bias with each band weighted by the plots in it. [% moisture]
    """

    n_plots: int
    low: float
    high: float
    share_outside: float
    share_bands: float
    shift: float
    reweighted: Estimate


def coverage(sensor, error, trial, harvested, width: float = 2.0) -> Coverage:
    """Return how the samples' readings cover those of the harvested plots.

    Parameters
    ----------
    sensor, error, trial : array_like, shape (n,), n >= 1
        Readings and errors of the samples, and their trials. [% moisture]
    harvested : array_like, shape (m,)
        Readings of every plot the curve served; nan where there is none.
    width : float
        Width of the moisture bands.

    Returns
    -------
    Coverage
        The reweighted bias estimates the mean error over the harvested plots of
        the bands that hold samples, sampling being as good as random within a
        band and trial; WLS mean with CR2.
    """
    sensor = np.asarray(sensor, float)
    harvested = np.asarray(harvested, float)
    harvested = harvested[np.isfinite(harvested)]
    low, high = float(sensor.min()), float(sensor.max())
    outside = (harvested < low) | (harvested > high)
    bands = pd.Series(np.floor(harvested / width))
    sampled = pd.Series(np.floor(sensor / width))
    held = bands.isin(sampled.unique())
    spread = harvested.std(ddof=1) if harvested.size > 1 else np.nan
    return Coverage(
        n_plots=harvested.size,
        low=low,
        high=high,
        share_outside=float(outside.mean()) if harvested.size else np.nan,
        share_bands=float(held.mean()) if harvested.size else np.nan,
        shift=float((harvested.mean() - sensor.mean()) / spread) if spread else np.nan,
        reweighted=_reweighted(sampled, bands, error, trial),
    )


def _reweighted(sampled, bands, error, trial) -> Estimate:
    """Return the mean error with each band weighted by its harvested plots."""
    weight = sampled.map(bands.value_counts()) / sampled.map(sampled.value_counts())
    weight = weight.fillna(0.0).to_numpy(float)
    holds = weight > 0
    if holds.sum() < 2:
        return not_known(f"{counted(int(holds.sum()), 'sample')} in the plots' bands")
    root = np.sqrt(weight[holds] / weight[holds].mean())
    error, trial = np.asarray(error, float), np.asarray(trial, object)
    try:
        fit = clustered_fit(root[:, None], root * error[holds], trial[holds])
    except KitError as problem:
        return not_known(str(problem))
    return fit.contrast([1.0])
