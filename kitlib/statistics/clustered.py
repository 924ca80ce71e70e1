"""Least squares for samples that come in trials: CR2 errors, Satterthwaite df.

Samples of one trial share weather, operator and oven runs, so their errors are
alike. Everything is computed from (p, p) sums per trial, p coefficients.
"""

from dataclasses import dataclass, field, replace
from math import sqrt

import numpy as np
from numpy.typing import ArrayLike

from kitlib.statistics.estimates import (
    Estimate,
    cluster_codes,
    finite_array,
    left_over,
    not_known,
    orthonormal,
    sums_by_cluster,
    tried,
)

CR2 = "CR2, Satterthwaite df"
ONE_TRIAL = "one trial only: variation between trials is not in this interval"
NO_SCATTER = "no scatter is left about the fit, so its standard error is not known"
NO_FREEDOM = "it hangs on a trial that nothing else can check, so no interval is known"


@dataclass(frozen=True, kw_only=True, eq=False)
class ClusteredFit:
    """A least-squares fit whose errors may be alike within a trial."""

    coefficients: np.ndarray
    covariance: np.ndarray  # CR2, of the coefficients, (p, p)
    residual_sd: float  # about the fit, n - p; 0 if there is no scatter
    n_clusters: int
    # Covariance if errors were independent with SD 1, (p, p), and what each trial adds
    # to the sampling moments of the CR2 covariance, (n_clusters, p, p).
    unscaled: np.ndarray = field(repr=False)
    own: np.ndarray = field(repr=False)
    pull: np.ndarray = field(repr=False)

    def contrast(self, weights: ArrayLike) -> Estimate:
        """Return a weighted sum, weights (p,), of the coefficients with its CR2 error.

        Its degrees of freedom are those of a chi-squared variance with the same mean
        and variance if errors were independent with one SD (Bell and McCaffrey).
        Without an interval, saying why, where trials are too few, where there is no
        scatter, and where it hangs on a trial the fit follows wherever it goes: an
        error there is one that CR2 cannot see.
        """
        weights = np.asarray(weights, float)
        value = float(weights @ self.coefficients)
        scaled = weights / sqrt(weights @ self.unscaled @ weights)
        # Scores of trials g and h covary by own_g [g = h] - pull_g . pull_h, so that
        # double sums over trials are products of single ones.
        own = np.einsum("p,gpq,q->g", scaled, self.own, scaled)
        pull = scaled @ self.pull
        inner = np.einsum("gp,gp->g", pull, pull)
        mean = float(own.sum() - inner.sum())
        spread = own @ (own - 2 * inner) + ((pull.T @ pull) ** 2).sum()
        why = NO_SCATTER if self.residual_sd == 0 else ""
        why = why or too_few_trials(self.coefficients.size, self.n_clusters)
        if why or mean < 1 - 1e-6 or not spread > 0:
            return Estimate(value=value, remark=why or NO_FREEDOM)
        se = sqrt(weights @ self.covariance @ weights)
        return Estimate(value=value, se=se, df=mean**2 / float(spread), method=CR2)


def too_few_trials(n_coefficients: int, n_clusters: int) -> str:
    """Say why so few trials give no interval; empty if there are enough."""
    needed = 2 if n_coefficients == 1 else 3
    have = f"only {n_clusters} trials" if n_clusters > 1 else "only one trial"
    return "" if n_clusters >= needed else f"{have}; this interval needs {needed}"


def clustered_fit(
    design: ArrayLike, response: ArrayLike, cluster: ArrayLike
) -> ClusteredFit:
    """Fit a line, or any small linear model, to samples that come in trials.

    Estimand: the coefficients of the best linear description of samples like
    these, the trials being a random draw. CR2 variances are unbiased when errors are
    independent with one SD, and right for many trials however alike the errors
    within a trial are. Residuals of trial g are multiplied by (I - H_gg)^(-1/2), H the
    projection on the design (Bell, McCaffrey, Survey Methodology 28 (2002) 169-181); a
    leverage of 1 takes the generalised inverse (Pustejovsky, Tipton, J. Business &
    Economic Statistics 36 (2018) 672-683), as in R's clubSandwich.

    `design` (n, p), n > p, has one column per coefficient, ones for the intercept;
    `cluster` is the trial of each sample, labels of any kind. Raises `TooFewSamples` if
    n <= p, `NoSpread` if a column is a combination of the ones before it, `NotFinite`
    if a value or a trial is missing.
    """
    design = finite_array("clustered_fit: design", design)
    response = finite_array("clustered_fit: response", response)
    n, p = design.shape
    codes, n_clusters = cluster_codes("clustered_fit: cluster", cluster, n)
    q, r = orthonormal("clustered_fit", design)
    back = np.linalg.inv(r)
    residual = left_over(response, q)
    shares = sums_by_cluster(codes, n_clusters, q[:, :, None] * q[:, None, :])
    share, axes = np.linalg.eigh(shares)
    room = np.maximum(1 - share, 1e-12)
    lift = np.where(room > 1e-12, 1 / np.sqrt(room), 0.0)
    share, lift = share[:, None, :], lift[:, None, :]
    score = sums_by_cluster(codes, n_clusters, q * residual[:, None])
    score = (axes * lift) @ axes.mT @ score[:, :, None]
    score = score[:, :, 0] @ back.T
    return ClusteredFit(
        coefficients=back @ (q.T @ response),
        covariance=score.T @ score,
        residual_sd=float(np.linalg.norm(residual)) / sqrt(n - p),
        n_clusters=n_clusters,
        unscaled=back @ back.T,
        own=back @ (axes * share * lift**2) @ axes.mT @ back.T,
        pull=back @ (axes * share * lift) @ axes.mT,
    )


def fitted_contrast(
    weights: ArrayLike, design: np.ndarray, response: ArrayLike, cluster: ArrayLike
) -> Estimate:
    """Return a contrast of a fit, or why the samples do not give it.

    `weights` are those of the first coefficients, 0 for the others.
    """
    fit, why = tried(clustered_fit, design, response, cluster)
    padded = np.zeros(design.shape[1])
    padded[: np.size(weights)] = weights
    return fit.contrast(padded) if fit else not_known(why)


def clustered_mean(values: ArrayLike, cluster: ArrayLike) -> Estimate:
    """Return the mean over samples like these, the trials being a random draw.

    Every sample counts the same, so a trial with more samples counts for more. With
    one trial it is the plain t interval, and says so; one sample is its own mean.

    Examples
    --------
    >>> mean = clustered_mean([0.1, 0.3, 0.4, 0.6], ["A", "A", "B", "B"])
    >>> print(f"{mean.value:.2f}, standard error {mean.se:.2f}, df {mean.df:.0f}")
    0.35, standard error 0.15, df 1
    """
    values = finite_array("clustered_mean: values", values)
    codes, n_clusters = cluster_codes("clustered_mean: cluster", cluster, values.size)
    if values.size == 0:
        return not_known("there are no samples")
    if values.size == 1:
        return Estimate(value=float(values[0]), remark="one sample has no spread")
    value = float(values.mean())
    fit = clustered_fit(np.ones((values.size, 1)), values, codes)
    if n_clusters > 1 or fit.residual_sd == 0:
        return replace(fit.contrast([1.0]), value=value)
    se, df = fit.residual_sd / sqrt(values.size), values.size - 1
    return Estimate(value=value, se=se, df=df, method="t", remark=ONE_TRIAL)
