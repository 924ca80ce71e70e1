"""Bias and gain over all harvested plots, from samples picked by their readings.

Plots that read highest are partly those that read too high. Samples picked among
them overstate the bias, and samples picked at both ends stretch the gain. What holds
at a given reading in a given trial does not depend on how it was picked, and the
readings of all plots are known: both are put together here.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import ArrayLike

from kitlib.statistics.arrays import sums_by_cluster
from kitlib.statistics.clustered import clustered_fit
from kitlib.statistics.sums import jackknife
from kitlib.words.errors import KitError
from kitlib.words.estimates import Estimate, not_known
from kitlib.words.terms import counted

FEW = "a gain over the plots needs 4 trials and 5 samples of unlike readings"
NO_REFERENCE_ERROR = "the error of the reference is not known: one dish a sample"


@dataclass(frozen=True, kw_only=True, eq=False)
class SampledTrials:
    """Samples beside the readings of all plots of their trials.

    Attributes
    ----------
    sensor, reference : ndarray, shape (n,)
        Of samples whose trial has plots with readings. [% moisture, wet basis]
    trial : ndarray, shape (n,)
    mean : ndarray, shape (n,)
        Mean reading of all plots of the sample's trial.
    spread : ndarray, shape (n,)
        Variance of their readings; 0 for a single plot.
    """

    sensor: np.ndarray
    reference: np.ndarray
    trial: np.ndarray
    mean: np.ndarray
    spread: np.ndarray

    @property
    def away(self) -> np.ndarray:
        """How far each sample reads above the plots of its trial. [points]."""
        return self.sensor - self.mean


def beside_plots(
    sensor: ArrayLike,
    reference: ArrayLike,
    trial: Any,
    harvested: ArrayLike,
    harvested_trial: Any,
) -> SampledTrials:
    """Return the samples beside the plots of their trials.

    Parameters
    ----------
    sensor, reference, trial : array_like, shape (n,)
        The samples and their trials. [% moisture, wet basis]
    harvested, harvested_trial : array_like, shape (m,)
        Readings of all plots and their trials; nan where there is no reading.
    """
    plots = pd.Series(np.asarray(harvested, float)).dropna()
    by_trial = plots.groupby(np.asarray(harvested_trial, object)[plots.index])
    trial = pd.Series(np.asarray(trial, object))
    mean = trial.map(by_trial.mean()).to_numpy(float)
    spread = trial.map(by_trial.var().fillna(0.0)).to_numpy(float)
    known = np.isfinite(mean)
    return SampledTrials(
        sensor=np.asarray(sensor, float)[known],
        reference=np.asarray(reference, float)[known],
        trial=trial.to_numpy()[known],
        mean=mean[known],
        spread=spread[known],
    )


def bias_over_plots(samples: SampledTrials) -> Estimate:
    """Return the mean error over all plots of the sampled trials.

    Estimand: the mean over trials (each counted by its samples) of the mean error
    of its plots, whatever readings its samples were picked at.

    Returns
    -------
    Estimate
        Of errors fitted on how far each sample reads from the mean of its trial's
        plots, at 0; CR2 by trial. It rests on errors going straight with the
        reading inside a trial. [% moisture]
    """
    if samples.sensor.size < 3:
        return not_known(f"{counted(samples.sensor.size, 'sample')} in trials read")
    design = np.column_stack([np.ones_like(samples.away), samples.away])
    if np.ptp(samples.away) == 0:
        design = design[:, :1]
    error = samples.sensor - samples.reference
    try:
        fit = clustered_fit(design, error, samples.trial)
    except KitError as problem:
        return not_known(str(problem))
    return fit.contrast(np.eye(design.shape[1])[0])


def gain_over_plots(samples: SampledTrials, reference_se: float) -> Estimate:
    """Return the gain over all plots of the sampled trials.

    Estimand: the slope of the sensor on the true moisture over the plots of the
    population of trials, whatever readings its samples were picked at.

    Parameters
    ----------
    samples : SampledTrials
    reference_se : float
        Standard error of a sample's reference value. [% moisture]

    Returns
    -------
    Estimate
        Jackknife over trials; not known without the reference's error, with too
        few samples, or where readings and reference do not rise together.

    Notes
    -----
    The reference is fitted on the trial's mean reading and on the sample's distance
    from it. With slopes b and variances V of the readings of all plots, between and
    within trials, and s² the scatter about the fit less the reference's own error,
    cov(sensor, moisture) = sum(b V) and var(moisture) = sum(b² V) + s² (the laws of
    total covariance and variance); the gain is their ratio.
    """
    if not np.isfinite(reference_se):
        return not_known(NO_REFERENCE_ERROR)
    few = samples.sensor.size < 5 or len(set(samples.trial)) < 4
    if few or np.ptp(samples.away) == 0:
        return not_known(FEW)
    found = jackknife(_moments(samples), lambda rest: _gain(rest, reference_se**2))
    return found if found.known else not_known("reading and reference do not rise")


@dataclass(frozen=True, kw_only=True, eq=False)
class _Moments:
    """Sums of products of every trial, left out one at a time by `jackknife`."""

    trials: tuple
    table: np.ndarray

    @property
    def total(self) -> np.ndarray:
        """Sums over all trials."""
        return self.table.sum(axis=0)

    @property
    def without_each(self) -> np.ndarray:
        """Sums of all trials but one, each in turn."""
        return self.table.sum(axis=0) - self.table


def _moments(samples: SampledTrials) -> _Moments:
    """Return sums of products of 1, mean, away and reference, and of the spread."""
    codes, trials = pd.factorize(samples.trial)
    mean = samples.mean - samples.mean.mean()
    reference = samples.reference - samples.reference.mean()
    columns = [np.ones_like(mean), mean, samples.away, reference]
    products = [a * b for a in columns for b in columns] + [samples.spread]
    table = sums_by_cluster(codes, trials.size, np.column_stack(products))
    return _Moments(trials=tuple(trials), table=table)


def _gain(sums: np.ndarray, reference_variance: float) -> np.ndarray:
    """Return the gain from sums of products, nan where it is not defined."""
    products = sums[..., :16].reshape(*sums.shape[:-1], 4, 4)
    n = products[..., 0, 0]
    past, with_reference = products[..., :3, :3], products[..., :3, 3]
    line = np.linalg.pinv(past, hermitian=True) @ with_reference[..., None]
    between, within = line[..., 1, 0], line[..., 2, 0]
    scatter = products[..., 3, 3] - (with_reference * line[..., 0]).sum(axis=-1)
    few = np.full(n.shape, np.nan)
    scatter = np.divide(scatter, n - 3, where=n > 3, out=few) - reference_variance
    means = products[..., 1, 1] / n - (products[..., 0, 1] / n) ** 2
    spread = sums[..., 16] / n
    together = between * means + within * spread
    moisture = between**2 * means + within**2 * spread + np.maximum(scatter, 0.0)
    rising = (together > 0) & (moisture > 0)
    return np.divide(together, moisture, where=rising, out=np.full(n.shape, np.nan))
