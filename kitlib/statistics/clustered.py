"""Least squares for samples that come in trials: CR2 errors, Satterthwaite df.

Samples of one trial share weather, operator and oven runs, so their errors are
alike. Everything is computed from (p, p) sums per trial, p coefficients.
"""

from dataclasses import dataclass, field, replace
from math import isnan, nan, sqrt

import numpy as np
from numpy.typing import ArrayLike
from scipy.stats import f as f_distribution

from kitlib.statistics.estimates import (
    Estimate,
    cluster_codes,
    finite_array,
    left_over,
    not_known,
    orthonormal,
    sums_by_cluster,
)

CR2 = "CR2, Satterthwaite df"
ONE_TRIAL = "one trial only: variation between trials is not in this interval"
NO_SCATTER = "no scatter is left about the fit, so its standard error is not known"
NO_FREEDOM = "it hangs on a trial that nothing else can check, so no interval is known"


@dataclass(frozen=True, kw_only=True, eq=False)
class ClusteredFit:
    """A least-squares fit whose errors may be alike within a trial.

    Attributes
    ----------
    coefficients : ndarray, shape (p,)
    covariance : ndarray, shape (p, p)
        CR2 covariance of the coefficients.
    unscaled : ndarray, shape (p, p)
        Inverse of X'X: their covariance if errors were independent with SD 1.
    residual_sd : float
        Standard deviation about the fit, n - p; 0 if there is no scatter.
    n, n_clusters : int
        Samples, and the trials they come from.
    own, pull : ndarray, shape (n_clusters, p, p)
        What each trial adds to the sampling moments of `covariance`.
    """

    coefficients: np.ndarray
    covariance: np.ndarray
    unscaled: np.ndarray
    residual_sd: float
    n: int
    n_clusters: int
    own: np.ndarray = field(repr=False)
    pull: np.ndarray = field(repr=False)

    def why_no_interval(self, weights: ArrayLike) -> str:
        """Say why contrasts have no interval; empty if they have one.

        There are fewer than two trials (three for more than one coefficient), or
        no scatter to judge by, or a trial the fit follows wherever it goes: what
        hangs on it has an error that CR2 cannot see.

        Parameters
        ----------
        weights : array_like, shape (p,) or (q, p)
        """
        if self.residual_sd == 0:
            return NO_SCATTER
        mean = _mean_covariance(*self._moments(self._whitened(weights)))
        unseen = np.linalg.eigvalsh(mean)[0] < 1 - 1e-6
        too_few = too_few_trials(self.coefficients.size, self.n_clusters)
        return too_few or (NO_FREEDOM if unseen else "")

    def contrast(self, weights: ArrayLike) -> Estimate:
        """Return a weighted sum, weights (p,), of the coefficients with its CR2 error.

        Without an interval where `why_no_interval` gives a reason.
        """
        weights = np.asarray(weights, float)
        value = float(weights @ self.coefficients)
        if why := self.why_no_interval(weights):
            return Estimate(value=value, remark=why)
        se = sqrt(weights @ self.covariance @ weights)
        df = self.degrees_of_freedom(weights)
        if isnan(df):
            return Estimate(value=value, remark=NO_FREEDOM)
        return Estimate(value=value, se=se, df=df, method=CR2)

    def degrees_of_freedom(self, weights: ArrayLike) -> float:
        """Return the degrees of freedom of the CR2 covariance of contrasts.

        Those of the Wishart matrix with the same mean and total variance, errors
        taken as independent with one SD; for one contrast this is the rule of
        Bell and McCaffrey. nan if the covariance is 0 by construction, or if one
        cluster lies so far out that rounding leaves nothing. Weights are (p,) or
        (q, p).
        """
        whitened = self._whitened(weights)
        mean = _mean_covariance(*self._moments(whitened))
        if np.linalg.eigvalsh(mean)[0] < 1e-8:
            return nan
        moments = self._moments(_recombined(whitened, mean))
        total = _total_variance(*moments)
        return len(whitened) * (len(whitened) + 1) / total if total > 0 else nan

    def _whitened(self, weights):
        """Return contrasts recombined to be independent if errors were, (q, p)."""
        weights = np.atleast_2d(np.asarray(weights, float))
        return _recombined(weights, weights @ self.unscaled @ weights.T)

    def _moments(self, weights):
        """Return `own`, (n_clusters, q, q), and `pull`, (n_clusters, q, p)."""
        return weights @ self.own @ weights.T, weights @ self.pull


def too_few_trials(n_coefficients: int, n_clusters: int) -> str:
    """Say why so few trials give no interval; empty if there are enough."""
    needed = 2 if n_coefficients == 1 else 3
    if n_clusters >= needed:
        return ""
    return f"got {n_clusters} trial(s); an interval of this kind needs {needed}"


def _recombined(weights, covariance):
    """Return contrasts recombined so that their covariance is the identity."""
    return np.linalg.solve(np.linalg.cholesky(covariance), weights)


def _mean_covariance(own, pull):
    """Return the mean of the CR2 covariance of q contrasts."""
    return own.sum(axis=0) - np.einsum("gqi,gri->qr", pull, pull)


def _total_variance(own, pull):
    """Return the sum of the variances of the entries of the CR2 covariance."""
    # Scores of trials g and h covary by own_g [g = h] - pull_g . pull_h, so that
    # double sums over trials are products of single ones.
    inner = pull @ pull.mT
    outer = np.einsum("gqi,grj->qrij", pull, pull)
    trace_own, trace_inner = (np.einsum("gqq->g", part) for part in (own, inner))
    same = trace_own * (trace_own - 2 * trace_inner)
    crossed = own * (own - 2 * inner)
    turned = np.einsum("qrij,qrji->", outer, outer)
    return float(same.sum() + crossed.sum() + (outer**2).sum() + turned)


def clustered_fit(
    design: ArrayLike, response: ArrayLike, cluster: ArrayLike
) -> ClusteredFit:
    """Fit a line, or any small linear model, to samples that come in trials.

    Estimand: the coefficients of the best linear description of samples like
    these, the trials being a random draw. The fit is ordinary least squares. CR2
    variances are unbiased when errors are independent with one SD, and right for
    many trials however alike the errors within a trial are.

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
    The residuals of trial g are multiplied by (I - H_gg)^(-1/2), H the projection
    on the design [1]_; a leverage of 1 takes the generalised inverse [2]_, as in
    R's clubSandwich. H_gg = Q_g Q_g' has the eigenvalues of Q_g'Q_g, (p, p).

    References
    ----------
    .. [1] Bell, McCaffrey, Survey Methodology 28 (2002) 169-181.
    .. [2] Pustejovsky, Tipton, J. Business & Economic Statistics 36 (2018) 672-683.

    Examples
    --------
    >>> design = [[1, 0], [1, 1], [1, 2], [1, 3]]
    >>> fit = clustered_fit(design, [1.0, 3.0, 5.0, 8.0], ["A", "A", "B", "C"])
    >>> [round(float(coefficient), 2) for coefficient in fit.coefficients]
    [0.8, 2.3]
    """
    design = finite_array("clustered_fit: design", design)
    response = finite_array("clustered_fit: response", response)
    n, p = design.shape
    codes, n_clusters = cluster_codes("clustered_fit: cluster", cluster, n)
    q, r = orthonormal("clustered_fit", design)
    back = np.linalg.inv(r)
    residual = left_over(response, q)
    share, axes, lift = _leverages(codes, n_clusters, q)
    score = sums_by_cluster(codes, n_clusters, q * residual[:, None])
    score = (axes * lift) @ axes.mT @ score[:, :, None]
    score = score[:, :, 0] @ back.T
    return ClusteredFit(
        coefficients=back @ (q.T @ response),
        covariance=score.T @ score,
        unscaled=back @ back.T,
        residual_sd=float(np.linalg.norm(residual)) / sqrt(n - p),
        n=n,
        n_clusters=n_clusters,
        own=back @ (axes * share * lift**2) @ axes.mT @ back.T,
        pull=back @ (axes * share * lift) @ axes.mT,
    )


def _leverages(codes, n_clusters, q):
    """Return eigenvalues and axes of each Q_g'Q_g, and the factors of CR2."""
    share, axes = np.linalg.eigh(
        sums_by_cluster(codes, n_clusters, q[:, :, None] * q[:, None, :])
    )
    room = np.maximum(1 - share, 1e-12)
    lift = np.where(room > 1e-12, 1 / np.sqrt(room), 0.0)
    return share[:, None, :], axes, lift[:, None, :]


def clustered_mean(values: ArrayLike, cluster: ArrayLike) -> Estimate:
    """Return the mean over samples like these, the trials being a random draw.

    Every sample counts the same, so a trial with more samples counts for more. With
    one trial it is the plain t interval, and says so; one sample is its own mean.

    Parameters
    ----------
    values : array_like, shape (n,)
    cluster : array_like, shape (n,)
        Trial of each sample.

    Raises
    ------
    NotFinite
        If a value or a trial is missing, or a value infinite.

    Examples
    --------
    >>> mean = clustered_mean([0.1, 0.3, 0.4, 0.6], ["A", "A", "B", "B"])
    >>> print(f"{mean.value:.2f}, standard error {mean.se:.2f}, df {mean.df:.0f}")
    0.35, standard error 0.15, df 1
    """
    values = finite_array("clustered_mean: values", values)
    codes, n_clusters = cluster_codes("clustered_mean: cluster", cluster, values.size)
    if values.size < 2:
        return _of_less_than_two(values)
    value = float(values.mean())
    fit = clustered_fit(np.ones((values.size, 1)), values, codes)
    if n_clusters > 1 or fit.residual_sd == 0:
        return replace(fit.contrast([1.0]), value=value)
    se = fit.residual_sd / sqrt(fit.n)
    return Estimate(value=value, se=se, df=fit.n - 1, method="t", remark=ONE_TRIAL)


def _of_less_than_two(values):
    """Return the mean of one sample or none, which has no interval."""
    if values.size == 0:
        return not_known("there are no samples")
    return Estimate(value=float(values[0]), remark="one sample has no spread")


@dataclass(frozen=True, kw_only=True)
class JointTest:
    """A test that several contrasts have stated values all at once.

    Attributes
    ----------
    f : float
        Test statistic; nan if not known.
    df : tuple of float
        Degrees of freedom above and below.
    p_value : float
        Chance of a larger F if the stated values hold; nan if not known.
    remark : str
        Why there is no result.
    """

    f: float
    df: tuple[float, float]
    p_value: float
    remark: str = ""


HTZ = "CR2, approximate Hotelling T-squared"
TOO_UNSURE = "too few trials bear on it for a joint test"


def joint_test(fit: ClusteredFit, weights: ArrayLike, point: ArrayLike) -> JointTest:
    """Test whether contrasts of a clustered fit have stated values all at once.

    The values not rejected at 5 % are the joint 95 % region: bias and slope of a
    line are judged together, as each alone hangs on where the line is anchored.

    Parameters
    ----------
    fit : ClusteredFit
    weights : array_like, shape (q, p)
        One contrast a row.
    point : array_like, shape (q,)
        Values to test, such as (0, 1) for intercept and slope.

    Notes
    -----
    Q, the squared distance in units of the CR2 covariance, is taken as Hotelling's
    T-squared with `fit.degrees_of_freedom(weights)` = v:
    F = Q (v - q + 1) / (v q), with q and v - q + 1 degrees of freedom [1]_; the
    test HTZ of R's clubSandwich. Not known, with the reason, where a contrast
    would have no interval or v - q + 1 is not above 0.

    References
    ----------
    .. [1] Pustejovsky, Tipton, J. Business & Economic Statistics 36 (2018) 672-683.

    Examples
    --------
    >>> design = [[1, 0], [1, 0], [1, 0], [0, 1], [0, 1], [0, 1]]
    >>> fit = clustered_fit(design, [1, 2, 3, 2, 3, 4], list("ABCDEF"))
    >>> test = joint_test(fit, [[1, 0], [0, 1]], [0, 0])
    >>> print(f"F = {test.f:.0f} on {test.df[0]} and {test.df[1]:.0f} df")
    F = 13 on 2 and 2 df
    """
    weights, point = np.asarray(weights, float), np.asarray(point, float)
    q, freedom = len(weights), fit.degrees_of_freedom(weights)
    below = freedom - q + 1
    why = fit.why_no_interval(weights) or ("" if below > 1e-8 else TOO_UNSURE)
    if why:
        return JointTest(f=nan, df=(q, nan), p_value=nan, remark=why)
    away = point - weights @ fit.coefficients
    distance = away @ np.linalg.solve(weights @ fit.covariance @ weights.T, away)
    f = float(distance) * below / (freedom * q)
    chance = float(f_distribution.sf(f, q, below))
    return JointTest(f=f, df=(q, below), p_value=chance)
