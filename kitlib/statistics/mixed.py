"""A line with a random intercept for each trial: REML, Kenward-Roger, Satterthwaite."""

from dataclasses import dataclass, field
from math import inf, nan, sqrt

import numpy as np

from kitlib.statistics.arrays import cluster_codes, finite_array, left_over, orthonormal
from kitlib.statistics.clustered import NO_SCATTER, too_few_trials
from kitlib.statistics.reml import (
    Inference,
    best_ratio,
    inference,
    solve,
    split,
    told_apart,
)
from kitlib.words.estimates import Estimate

KENWARD_ROGER = "REML, Kenward-Roger"
SATTERTHWAITE = "REML, Satterthwaite df"
SINGULAR = "no variation between trials beyond that within them was detectable"
UNREPEATED = "no trial gave two samples, so its own variation cannot be told apart"
NOT_TOLD = "these samples cannot tell variation between trials from that within"
NO_WITHIN = "samples of a trial do not differ about the fit, so no interval is known"


@dataclass(frozen=True, kw_only=True, eq=False)
class RandomIntercept:
    """A linear model with a random intercept for each trial, fitted by REML.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
        By generalised least squares.
    sd_trial : float
        SD between trials; 0 if the fit is singular, nan if it is not known.
    sd_residual : float
        SD within trials, in the unit of the response.
    n, n_clusters : int
        Samples, and the trials they come from.
    remark : str
        What the reader must know of the fit.
    why_no_interval : str
        Why nothing here has an interval; empty if there is no such reason.
    moments : Inference or None
        Covariances and their slopes; None where no interval is known.

    Examples
    --------
    >>> fit = random_intercept([[1]] * 4, [0.1, 0.5, 0.2, 0.4], list("AABB"))
    >>> fit.singular, round(fit.kenward_roger([1]).df), round(fit.satterthwaite([1]).df)
    (True, 1, 3)
    """

    coefficients: np.ndarray
    sd_trial: float
    sd_residual: float
    n: int
    n_clusters: int
    remark: str = ""
    why_no_interval: str = ""
    moments: Inference | None = field(repr=False)

    @property
    def singular(self) -> bool:
        """Whether the SD between trials is estimated as exactly 0."""
        return self.sd_trial == 0

    def kenward_roger(self, weights) -> Estimate:
        """Return a weighted sum of the coefficients after Kenward and Roger.

        Its standard error allows for the SDs being estimated, and its degrees of
        freedom stay near trials - 1 for a mean even if the fit is singular.

        Parameters
        ----------
        weights : array_like, shape (p,)
        """
        return self._contrast(weights, "adjusted", "expected", KENWARD_ROGER)

    def satterthwaite(self, weights) -> Estimate:
        """Return a weighted sum of the coefficients with Satterthwaite df.

        If the fit is singular it takes all samples as independent, which flatters.

        Parameters
        ----------
        weights : array_like, shape (p,)
        """
        return self._contrast(weights, "covariance", "observed", SATTERTHWAITE)

    def _contrast(self, weights, covariance, of_variances, method):
        """Return a contrast whose squared error is like a scaled chi-squared."""
        weights = np.asarray(weights, float)
        value = float(weights @ self.coefficients)
        if self.why_no_interval:
            return Estimate(value=value, remark=self.why_no_interval)
        slope = self.moments.slopes @ weights @ weights
        spread = slope @ getattr(self.moments, of_variances) @ slope
        if not spread > 0:
            return Estimate(value=value, remark=NOT_TOLD)
        return Estimate(
            value=value,
            se=sqrt(weights @ getattr(self.moments, covariance) @ weights),
            df=2 * float(weights @ self.moments.covariance @ weights) ** 2 / spread,
            method=method,
            remark=self.remark,
        )


def random_intercept(design, response, cluster) -> RandomIntercept:
    """Fit a line, or any small linear model, with a random intercept per trial.

    Estimand: the coefficients of the line of a trial drawn at random, every trial
    lying parallel to it at a normally distributed distance. Trials count by size
    where they hardly differ, and equally where they differ much; `clustered_fit`
    always counts them by size.

    Parameters
    ----------
    design : array_like, shape (n, p), n > p
        One column per coefficient; ones for the intercept.
    response : array_like, shape (n,)
    cluster : array_like, shape (n,)
        Trial of each sample, labels of any kind.

    Raises
    ------
    TooFewSamples
        If n <= p.
    NoSpread
        If a column of the design is a combination of the ones before it.
    NotFinite
        If a value or a trial is missing, or a value infinite.

    Notes
    -----
    The restricted likelihood is profiled to the ratio of the two variances; every
    root of its slope is compared with a ratio of 0. For one contrast the scale of
    the Kenward-Roger F is 1, and its degrees of freedom 2 / A2 of [1]_.

    References
    ----------
    .. [1] Kenward, Roger, Biometrics 53 (1997) 983-997.
    .. [2] Halekoh, Højsgaard, J. Statistical Software 59 (2014) no. 9.

    Examples
    --------
    >>> errors = [0.1, 0.3, 0.7, 0.9, 0.4, 0.6]
    >>> fit = random_intercept([[1]] * 6, errors, list("AABBCC"))
    >>> bias = fit.kenward_roger([1])  # balanced: 0.2, 0.8 and 0.5 averaged
    >>> print(f"{bias.value:.2f}, standard error {bias.se:.3f}, df {bias.df:.0f}")
    0.50, standard error 0.173, df 2
    """
    design = finite_array("random_intercept: design", design)
    response = finite_array("random_intercept: response", response)
    n, p = design.shape
    codes, n_clusters = cluster_codes("random_intercept: cluster", cluster, n)
    q, r = orthonormal("random_intercept", design)
    strata = split(codes, n_clusters, q, left_over(response, q))
    ratio, remark, why = _ratio_of_variances(strata)
    used = float(np.nan_to_num(ratio))
    fit = solve(strata, used)
    variance = fit.squares / (n - p)
    back = np.linalg.inv(r)
    unsure = too_few_trials(p, n_clusters) or why
    return RandomIntercept(
        coefficients=back @ (q.T @ response + fit.coefficients),
        sd_trial=sqrt(ratio * variance),
        sd_residual=0.0 if why == NO_WITHIN else sqrt(variance),
        n=n,
        n_clusters=n_clusters,
        remark=remark,
        why_no_interval=unsure,
        moments=None if unsure else inference(strata, used).turned(back),
    )


def _ratio_of_variances(strata):
    """Return (t / s)^2, nan if not to be told, a remark, and why it is no use."""
    if not (strata.y_between.any() or strata.y_within.any()):
        return nan, "", NO_SCATTER
    if not told_apart(strata):
        repeated = strata.size.max() > 1
        return nan, "" if repeated else UNREPEATED, NOT_TOLD if repeated else ""
    ratio = best_ratio(strata)
    if ratio == inf:
        return nan, "", NO_WITHIN
    return ratio, "" if ratio > 0 else SINGULAR, ""
