"""What a curve's readings are corrected by, and which correction does best."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from kitlib.curves.audit import CurveAudit


@dataclass(frozen=True, kw_only=True, eq=False)
class Correction:
    """A straight line that turns a curve's readings into corrected moisture.

    Attributes
    ----------
    curve : str
        The curve it corrects.
    pivot : float
        Reading at which the line is anchored. [% moisture, wet basis]
    shift : float
        What is added to a reading at the pivot: −bias there. [% moisture]
    tilt : float
        Prediction slope − 1: what is added more per point above the pivot.
    covariance : ndarray, shape (2, 2)
        Of shift and tilt; the row and column of a tilt that was set, not
        estimated, are zero; nan where it is not known.
    df : float
        Degrees of freedom the covariance rests on; infinite if known exactly.

    Examples
    --------
    >>> line = Correction(curve="A", pivot=18.0, shift=-0.4, tilt=0.1,
    ...                   covariance=np.zeros((2, 2)), df=9)
    >>> [round(float(m), 6) for m in line.apply([18.0, 20.0])]
    [17.6, 19.8]
    """

    curve: str
    pivot: float
    shift: float
    tilt: float
    covariance: np.ndarray
    df: float

    def __post_init__(self) -> None:
        covariance = np.asarray(self.covariance, float)
        if covariance.shape != (2, 2):
            raise ValueError(
                f"Correction of curve {self.curve}: covariance has shape "
                f"{covariance.shape}; expected (2, 2), of shift and tilt."
            )
        object.__setattr__(self, "covariance", covariance)

    @property
    def uncertainty_known(self) -> bool:
        """Whether it is known how well the line is known."""
        return bool(np.isfinite(self.covariance).all() and self.df > 0)

    def apply(self, sensor: ArrayLike) -> np.ndarray:
        """Return corrected moisture. [% moisture, wet basis]"""
        reading = np.asarray(sensor, float)
        return reading + self.shift + self.tilt * (reading - self.pivot)

    def draw_errors(self, draws: int, rng: np.random.Generator) -> np.ndarray:
        """Draw how far shift and tilt may be off, jointly.

        Parameters
        ----------
        draws : int
            Number of draws.
        rng : numpy.random.Generator
            Source of randomness.

        Returns
        -------
        ndarray, shape (2, draws)
            Deviations from shift and tilt, from the multivariate t distribution
            with the covariance as its scale matrix and `df` degrees of freedom:
            the joint form of the t intervals of both. [% moisture; per point]

        Raises
        ------
        ValueError
            If the covariance is not known or has a negative variance.
        """
        if not self.uncertainty_known:
            raise ValueError(
                f"Correction of curve {self.curve}: covariance is "
                f"{self.covariance.tolist()} with df = {self.df}; expected known "
                "numbers. Ask `uncertainty_known` before drawing."
            )
        normal = _square_root(self.covariance) @ rng.standard_normal((2, draws))
        return normal * t_stretch(self.df, draws, rng)


def t_stretch(df: float, draws: int, rng: np.random.Generator) -> np.ndarray:
    """Draw the factors that turn normal draws into t draws, one per draw."""
    if np.isinf(df):
        return np.ones(draws)
    return np.sqrt(df / rng.chisquare(df, draws))


def _square_root(covariance: np.ndarray) -> np.ndarray:
    """Return A with A Aᵀ = covariance, which may be singular."""
    values, vectors = np.linalg.eigh(covariance)
    # Rounding leaves a singular matrix with an eigenvalue just below zero.
    if values[0] < -1e-9 * abs(values[-1]):
        raise ValueError(
            f"Correction: covariance {covariance.tolist()} has a negative variance; "
            "expected a covariance matrix of shift and tilt."
        )
    return vectors * np.sqrt(np.clip(values, 0, None))


def no_correction(audit: CurveAudit) -> Correction:
    """Return the correction that changes nothing, the bias as uncertain as it is."""
    bias = audit.bias
    return Correction(
        curve=audit.curve,
        pivot=audit.anchor,
        shift=0.0,
        tilt=0.0,
        covariance=np.diag([bias.se**2, 0.0]),
        df=bias.df,
    )


def offset_correction(audit: CurveAudit) -> Correction:
    """Return the correction that adds −bias, with the bias's own uncertainty."""
    bias = audit.bias
    return Correction(
        curve=audit.curve,
        pivot=audit.anchor,
        shift=-bias.value,
        tilt=0.0,
        covariance=np.diag([bias.se**2, 0.0]),
        df=bias.df,
    )


def line_correction(audit: CurveAudit) -> Correction:
    """Return the correction by the prediction line, with its joint uncertainty."""
    line = audit.line
    if line is None:
        raise ValueError(f"line_correction: curve {audit.curve} has no line.")
    return Correction(
        curve=audit.curve,
        pivot=line.anchor,
        shift=float(line.fit.coefficients[0]),
        tilt=float(line.fit.coefficients[1]),
        covariance=line.fit.covariance,
        df=line.tilt.df,
    )


NONE, OFFSET, LINE = "none", "offset", "line"
MAKE = {NONE: no_correction, OFFSET: offset_correction, LINE: line_correction}


def rmsep_by_correction(audit: CurveAudit) -> dict[str, float]:
    """Return the RMSEP of each correction on trials left out, those known. [points].

    A line is among them only where its uncertainty is known, as the ranks of entries
    are drawn from it.
    """
    after = audit.after
    if after is None:
        return {}
    found = {NONE: after.rmsep_none, OFFSET: after.rmsep_offset}
    if audit.line is not None and np.isfinite(audit.line.tilt.se):
        found[LINE] = after.rmsep_line
    return {name: rmsep for name, rmsep in found.items() if np.isfinite(rmsep)}


def best_correction(audit: CurveAudit) -> str:
    """Return the name of the correction that does best on trials left out.

    No change competes as well: a correction that only chases the chance of these
    samples makes the trials it has not seen worse. Of equals the simplest.
    """
    rmsep = rmsep_by_correction(audit)
    return min(rmsep, key=lambda name: rmsep[name], default=NONE)
