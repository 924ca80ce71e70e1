"""Restricted maximum likelihood (REML) of the variances between and within trials.

With a random intercept per trial, a trial of n samples falls into its mean times
sqrt(n), of variance s^2 + n t^2, and deviations from it, of variance s^2; s is the
SD within and t the SD between trials. All is done in an orthonormal design, on what
ordinary least squares leaves of the response.
"""

from math import inf
from typing import NamedTuple

import numpy as np
from scipy.optimize import brentq

from kitlib.statistics.arrays import sums_by_cluster

# Ratios t^2 / s^2 among which optima are sought; 1e6 is a t of a thousand s.
LARGEST = 1e6
RATIOS = np.concatenate([[0.0], np.geomspace(1e-6, LARGEST, 73)])


class Strata(NamedTuple):
    """A design and a response, split into trial means and deviations from them."""

    size: np.ndarray  # samples of each trial, (G,)
    x_between: np.ndarray  # sqrt(size) * trial means of the design, (G, p)
    y_between: np.ndarray  # the same of the response, (G,)
    x_within: np.ndarray  # deviations from the trial means, (n, p)
    y_within: np.ndarray  # the same of the response, (n,)

    @property
    def freedom(self) -> int:
        """Samples less coefficients."""
        return self.x_within.shape[0] - self.x_within.shape[1]

    def variances(self, s2: float, ratio: float) -> tuple[np.ndarray, np.ndarray]:
        """Return slopes with s^2 and t^2, (2, G), and variances, of `y_between`."""
        slopes = np.stack([np.ones_like(self.size), self.size])
        return slopes, s2 * (1 + ratio * self.size)


class Solution(NamedTuple):
    """Generalised least squares at one ratio of the variances, s = 1."""

    covariance: np.ndarray  # of the coefficients, (p, p)
    coefficients: np.ndarray  # (p,)
    squares: float  # weighted sum of squared residuals


class Inference(NamedTuple):
    """What Kenward-Roger and Satterthwaite need; variances in the order s^2, t^2."""

    covariance: np.ndarray  # of the coefficients, variances known, (p, p)
    adjusted: np.ndarray  # of the coefficients, variances estimated, (p, p)
    slopes: np.ndarray  # of `covariance` with each variance, (2, p, p)
    expected: np.ndarray  # covariance of the variances, expected information, (2, 2)
    observed: np.ndarray  # the same by observed information, (2, 2)

    def turned(self, back) -> "Inference":
        """Return it for the coefficients `back` @ those it was made for."""
        return self._replace(
            covariance=back @ self.covariance @ back.T,
            adjusted=back @ self.adjusted @ back.T,
            slopes=back @ self.slopes @ back.T,
        )


def split(codes, n_clusters: int, q, residual) -> Strata:
    """Return the strata of an orthonormal design and a response."""
    size = np.bincount(codes, minlength=n_clusters).astype(float)
    both = np.column_stack([q, residual])
    means = sums_by_cluster(codes, n_clusters, both) / size[:, None]
    within, between = both - means[codes], means * np.sqrt(size)[:, None]
    return Strata(size, between[:, :-1], between[:, -1], within[:, :-1], within[:, -1])


def solve(strata: Strata, ratio: float) -> Solution:
    """Return the generalised least squares fit at one ratio of the variances."""
    weighted = strata.x_between.T / (1 + ratio * strata.size)
    normal = strata.x_within.T @ strata.x_within + weighted @ strata.x_between
    right = strata.x_within.T @ strata.y_within + weighted @ strata.y_between
    covariance = np.linalg.inv(normal)
    coefficients = covariance @ right
    between = strata.y_between - strata.x_between @ coefficients
    within = strata.y_within - strata.x_within @ coefficients
    squares = between**2 @ (1 / (1 + ratio * strata.size)) + within @ within
    return Solution(covariance, coefficients, float(squares))


def deviance(strata: Strata, ratio: float) -> float:
    """Return -2 log restricted likelihood, less a constant, best s taken."""
    fit = solve(strata, ratio)
    determinants = np.log1p(ratio * strata.size).sum()
    determinants -= np.linalg.slogdet(fit.covariance)[1]
    return float(determinants + strata.freedom * np.log(fit.squares))


def deviance_slope(strata: Strata, ratio: float) -> float:
    """Return the derivative of `deviance` with the ratio."""
    fit = solve(strata, ratio)
    between = strata.y_between - strata.x_between @ fit.coefficients
    scale = 1 + ratio * strata.size
    spread = np.einsum(
        "gi,ij,gj->g", strata.x_between, fit.covariance, strata.x_between
    )
    relative = (spread + strata.freedom * between**2 / fit.squares) / scale
    return float((strata.size / scale) @ (1 - relative))


def best_ratio(strata: Strata) -> float:
    """Return the ratio t^2 / s^2 of highest restricted likelihood; inf if s is 0."""
    return lowest_from_zero(
        lambda ratio: deviance(strata, ratio),
        lambda ratio: deviance_slope(strata, ratio),
        RATIOS,
    )


def lowest_from_zero(deviance, slope, grid) -> float:
    """Return where a deviance is lowest; inf if it still falls at the end.

    Parameters
    ----------
    deviance, slope : callable
        A function of one number from 0 up, and its derivative.
    grid : ndarray
        Where the slope is looked at, from 0; its roots are sought in between.
    """
    slopes = np.array([slope(value) for value in grid])
    valleys = np.flatnonzero((slopes[:-1] < 0) & (slopes[1:] >= 0))
    found = [brentq(slope, grid[k], grid[k + 1], xtol=1e-300) for k in valleys]
    if slopes[0] >= 0:
        found.append(0.0)
    return float(min(found, key=deviance, default=inf))


def information(strata: Strata, ratio: float) -> tuple[np.ndarray, ...]:
    """Return expected information of (s^2, t^2), and P and Q of Kenward and Roger.

    Shapes (2, 2), (2, p, p) and (2, 2, p, p); P with its sign changed.
    """
    fit = solve(strata, ratio)
    s2 = fit.squares / strata.freedom
    by, variance = strata.variances(s2, ratio)
    x, x_within = strata.x_between, strata.x_within.T @ strata.x_within
    p = np.einsum("ig,gp,gq->ipq", by / variance**2, x, x)
    q = np.einsum("ig,jg,gp,gq->ijpq", by, by / variance**3, x, x)
    traces = by / variance**2 @ by.T
    p[0] += x_within / s2**2
    q[0, 0] += x_within / s2**3
    traces[0, 0] += (len(strata.y_within) - len(strata.size)) / s2**2
    left = s2 * fit.covariance @ p
    traces -= 2 * s2 * np.einsum("pq,ijqp->ij", fit.covariance, q)
    return (traces + np.einsum("ipq,jqp->ij", left, left)) / 2, p, q


def told_apart(strata: Strata) -> bool:
    """Say whether the samples can tell t from s at all."""
    expected, _, _ = information(strata, 0.0)
    return bool(np.linalg.det(expected) > 1e-10 * expected[0, 0] * expected[1, 1])


def inference(strata: Strata, ratio: float) -> Inference:
    """Return what Kenward-Roger and Satterthwaite need at the best ratio.

    Where t cannot be told from s, and for Satterthwaite also where t is 0, only
    s^2 counts as uncertain.
    """
    fit = solve(strata, ratio)
    s2 = fit.squares / strata.freedom
    covariance = s2 * fit.covariance
    expected, p, q = information(strata, ratio)
    only_s2 = np.diag([1 / expected[0, 0], 0.0])
    of_variances = np.linalg.inv(expected) if told_apart(strata) else only_s2
    excess = np.einsum("ij,ijpq->pq", of_variances, q - _between(p, covariance))
    return Inference(
        covariance=covariance,
        adjusted=covariance + 2 * covariance @ excess @ covariance,
        slopes=covariance @ p @ covariance,
        expected=of_variances,
        observed=(
            np.linalg.inv(_observed(strata, fit, ratio) - expected)
            if ratio > 0
            else only_s2
        ),
    )


def _between(p, covariance):
    """Return P_i covariance P_j for each i and j, (2, 2, p, p)."""
    return np.einsum("ipq,qr,jrs->ijps", p, covariance, p)


def _observed(strata, fit, ratio):
    """Return observed plus expected information of (s^2, t^2), (2, 2)."""
    s2 = fit.squares / strata.freedom
    by, variance = strata.variances(s2, ratio)
    between = strata.y_between - strata.x_between @ fit.coefficients
    within = strata.y_within - strata.x_within @ fit.coefficients
    squares = by * between**2 / variance**3 @ by.T
    squares[0, 0] += within @ within / s2**3
    along = by * between / variance**2 @ strata.x_between
    along[0] += strata.x_within.T @ within / s2**2
    return squares - s2 * along @ fit.covariance @ along.T
