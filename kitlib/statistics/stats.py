"""Agreement of a sensor with the reference: bias, SEP and RMSEP.

Sign everywhere: error = sensor - reference. Some editions of ISO 12099 write the
error the other way round.
"""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from kitlib.statistics.arrays import finite_array
from kitlib.words.errors import TooFewSamples
from kitlib.words.estimates import Estimate, Interval

PLAIN_T = "t, samples taken as independent"


@dataclass(frozen=True, kw_only=True)
class Agreement:
    """How a sensor agrees with the reference over n samples.

    Attributes
    ----------
    n : int
        Samples measured by both methods.
    bias : float
        Mean of sensor - reference. [% moisture]
    sep : float
        Standard deviation of the errors about the bias, n - 1. [% moisture]
    """

    n: int
    bias: float
    sep: float

    @property
    def rmsep(self) -> float:
        """Root mean square error, bias included. [% moisture]."""
        return sqrt(self.bias**2 + self.sep**2 * (self.n - 1) / self.n)

    @property
    def plain_bias(self) -> Estimate:
        """The bias as if samples were independent, which those of a trial are not."""
        se = self.sep / sqrt(self.n)
        return Estimate(value=self.bias, se=se, df=self.n - 1, method=PLAIN_T)

    def bias_interval(self, level: float = 0.95) -> Interval:
        """Return the two-sided Student t interval of the bias. [% moisture]."""
        return self.plain_bias.interval(level)


def paired(place: str, sensor, reference, at_least: int = 2):
    """Return sensor readings and reference values as arrays fit to be compared.

    Parameters
    ----------
    place : str
        Function, for the message.
    sensor, reference : array_like, shape (n,)
        Results for the same samples, same order. [% moisture, wet basis]
    at_least : int
        Samples needed.

    Raises
    ------
    TooFewSamples
        If n < `at_least`.
    NotFinite
        If a value is missing or infinite.
    ValueError
        If the two are not one-dimensional and of one length.
    """
    sensor = finite_array(f"{place}: sensor", sensor)
    reference = finite_array(f"{place}: reference", reference)
    if sensor.ndim != 1 or sensor.shape != reference.shape:
        raise ValueError(
            f"{place}: sensor has shape {sensor.shape} and reference "
            f"{reference.shape}; expected one result of each per sample."
        )
    if sensor.size < at_least:
        raise TooFewSamples(
            f"{place}: got n = {sensor.size} sample(s); needs at least {at_least}."
        )
    return sensor, reference


def errors_of(sensor, reference) -> np.ndarray:
    """Return sensor - reference, exactly constant where only rounding differs.

    15.3 - 15.2 and 14.1 - 14.0 differ in the last bit, and an SEP made of last
    bits would pass for a very good sensor.

    Examples
    --------
    >>> errors_of(np.array([15.3, 14.1]), np.array([15.2, 14.0])).round(12)
    array([0.1, 0.1])
    """
    error = sensor - reference
    scale = max(np.abs(sensor).max(), np.abs(reference).max())
    if np.ptp(error) <= 4 * np.finfo(float).eps * scale:
        return np.full_like(error, error.mean())
    return error


def agreement(sensor, reference) -> Agreement:
    """Return the bias and SEP of a sensor against the reference.

    Estimand: bias and spread of the errors of these samples, each counted once;
    how much trials differ is left to `kitlib.statistics.clustered`.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 2
        Results for the same samples, same order. [% moisture, wet basis]

    Returns
    -------
    Agreement

    Raises
    ------
    TooFewSamples
        If n < 2.
    NotFinite
        If a value is missing or infinite.

    Notes
    -----
    SEP = sqrt(sum((e - bias)^2) / (n - 1)), RMSEP = sqrt(sum(e^2) / n), so that
    RMSEP^2 = SEP^2 (n - 1) / n + bias^2.

    References
    ----------
    .. [1] ISO 12099:2017, clauses 7.3 to 7.5 (titles read, formulas from memory).

    Examples
    --------
    >>> found = agreement([15.2, 14.1, 16.3], [15.0, 14.0, 16.0])
    >>> print(f"bias {found.bias:.2f}, SEP {found.sep:.2f}")
    bias 0.20, SEP 0.10
    """
    error = errors_of(*paired("agreement", sensor, reference))
    return Agreement(
        n=error.size, bias=float(error.mean()), sep=float(error.std(ddof=1))
    )
