"""Two or more coefficients judged together: a joint test and a joint region."""

from dataclasses import dataclass
from math import inf, isfinite, nan, pi

import numpy as np
from scipy.stats import f as f_distribution

from kitlib.statistics.clustered import ClusteredFit

HTZ = "CR2, approximate Hotelling T-squared"
TOO_UNSURE = "too few trials bear on it for a joint region"


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
    method, remark : str
        Name of the method, and why there is no result.
    """

    f: float
    df: tuple[float, float]
    p_value: float
    method: str = HTZ
    remark: str = ""


@dataclass(frozen=True, kw_only=True, eq=False)
class JointRegion:
    """The values that a joint test would not reject: an ellipse for two contrasts.

    Attributes
    ----------
    centre : ndarray, shape (q,)
    covariance : ndarray, shape (q, q)
    radius2 : float
        Squared length of a border vector in units of the covariance; inf if
        the region is not known, which then rules nothing out.
    method, remark : str
        Name of the method, and why the region is not known.
    """

    centre: np.ndarray
    covariance: np.ndarray
    radius2: float
    method: str = HTZ
    remark: str = ""

    @property
    def known(self) -> bool:
        """Whether the region has a border."""
        return isfinite(self.radius2)

    def holds(self, point) -> bool:
        """Say whether `point`, (q,), lies inside; a region not known holds all."""
        if not self.known:
            return True
        return _squared_length(self.covariance, point - self.centre) <= self.radius2

    def outline(self, n_points: int = 181) -> np.ndarray:
        """Return the border of a region of two, (n_points, 2), first point = last.

        Empty, (0, 2), if the region is not known.
        """
        if not self.known:
            return np.empty((0, 2))
        angle = np.linspace(0, 2 * pi, n_points)
        circle = np.sqrt(self.radius2) * np.array([np.cos(angle), np.sin(angle)])
        return self.centre + (np.linalg.cholesky(self.covariance) @ circle).T


def joint_test(fit: ClusteredFit, weights, point) -> JointTest:
    """Test whether contrasts of a clustered fit have stated values all at once.

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
    >>> from kitlib.statistics.clustered import clustered_fit
    >>> design = [[1, 0], [1, 0], [1, 0], [0, 1], [0, 1], [0, 1]]
    >>> fit = clustered_fit(design, [1, 2, 3, 2, 3, 4], list("ABCDEF"))
    >>> test = joint_test(fit, [[1, 0], [0, 1]], [0, 0])
    >>> print(f"F = {test.f:.0f} on {test.df[0]} and {test.df[1]:.0f} df")
    F = 13 on 2 and 2 df
    """
    weights, point = np.asarray(weights, float), np.asarray(point, float)
    scale, df, why = _hotelling(fit, weights)
    if why:
        return JointTest(f=nan, df=df, p_value=nan, remark=why)
    away = point - weights @ fit.coefficients
    f = _squared_length(weights @ fit.covariance @ weights.T, away) / scale
    return JointTest(f=f, df=df, p_value=float(f_distribution.sf(f, *df)))


def joint_region(fit: ClusteredFit, weights, level: float = 0.95) -> JointRegion:
    """Return the values of contrasts that `joint_test` would not reject.

    Parameters
    ----------
    fit : ClusteredFit
    weights : array_like, shape (q, p)
        One contrast a row.
    level : float
        Joint confidence level.

    Examples
    --------
    >>> from kitlib.statistics.clustered import clustered_fit
    >>> design = [[1, 0], [1, 0], [1, 0], [0, 1], [0, 1], [0, 1]]
    >>> fit = clustered_fit(design, [1, 2, 3, 2, 3, 4], list("ABCDEF"))
    >>> region = joint_region(fit, [[1, 0], [0, 1]])
    >>> print(f"{region.radius2:.0f}")  # 3 times the 95 % point of F(2, 2), 19
    57
    """
    weights = np.asarray(weights, float)
    scale, df, why = _hotelling(fit, weights)
    return JointRegion(
        centre=weights @ fit.coefficients,
        covariance=weights @ fit.covariance @ weights.T,
        radius2=inf if why else scale * float(f_distribution.ppf(level, *df)),
        remark=why,
    )


def _hotelling(fit, weights):
    """Return Q / F, the degrees of freedom of F, and why they are not known."""
    q, freedom = len(weights), fit.degrees_of_freedom(weights)
    below = freedom - q + 1
    why = fit.why_no_interval(weights) or ("" if below > 1e-8 else TOO_UNSURE)
    if why:
        return nan, (q, nan), why
    return freedom * q / below, (q, below), ""


def _squared_length(covariance, vector):
    """Return the squared length of a vector in units of a covariance."""
    return float(vector @ np.linalg.solve(covariance, vector))
