"""Lin's concordance: correlation about the line of equality."""

from dataclasses import dataclass
from math import atanh, isfinite, nan, sqrt, tanh

import numpy as np
from scipy.stats import norm

from kitlib.statistics.stats import paired
from kitlib.words.estimates import NO_INTERVAL, Interval

NO_SPREAD = "all readings, or all reference values, are the same"


@dataclass(frozen=True, kw_only=True)
class Concordance:
    """Lin's concordance correlation coefficient and its two factors.

    Attributes
    ----------
    value, se : float
        The coefficient, precision times accuracy, and its standard error.
    precision : float
        Pearson's correlation.
    accuracy : float
        Closeness of the best line to the line of equality, 0 to 1.
    n : int
    remark : str
        Why it is not known, if it is not.
    """

    value: float
    se: float
    precision: float
    accuracy: float
    n: int
    remark: str = ""

    def interval(self, level: float = 0.95) -> Interval:
        """Return the interval by Fisher's z transform; nan ends if not known."""
        if not isfinite(self.se) or self.se == 0:
            return NO_INTERVAL
        half = float(norm.ppf((1 + level) / 2)) * self.se / (1 - self.value**2)
        z = atanh(self.value)
        return Interval(tanh(z - half), tanh(z + half))


def concordance(sensor, reference) -> Concordance:
    """Return how closely two methods follow the line of equality.

    Like every correlation it grows with the range of moistures sampled: compare
    it only between sets of like range. Takes samples as independent.

    Parameters
    ----------
    sensor, reference : array_like, shape (n,), n >= 3
        Results for the same samples, same order. [% moisture, wet basis]

    Returns
    -------
    Concordance
        Without an interval where the two agree perfectly.

    Notes
    -----
    2 s_xy / (s_x^2 + s_y^2 + (mean difference)^2), variances with 1/n. With r the
    correlation, C = value / r and u^2 = (mean difference)^2 / (s_x s_y):
    se^2 = [(1 - r^2) C^2 (1 - value^2) + 2 value^2 C (1 - value) u^2
    - value^2 C^2 u^4 / 2] / (n - 2).

    References
    ----------
    .. [1] Lin, Biometrics 45 (1989) 255-268, with the correction of 56 (2000) 324.

    Examples
    --------
    >>> round(concordance([1.0, 2.0, 3.0], [2.0, 3.0, 4.0]).value, 4)  # 4/3 : 7/3
    0.5714
    """
    sensor, reference = paired("concordance", sensor, reference, at_least=3)
    n, product = sensor.size, sensor.std() * reference.std()
    if np.ptp(sensor) == 0 or np.ptp(reference) == 0:
        return Concordance(
            value=nan, se=nan, precision=nan, accuracy=nan, n=n, remark=NO_SPREAD
        )
    shift2 = (sensor.mean() - reference.mean()) ** 2
    r = float(np.clip(np.corrcoef(sensor, reference)[0, 1], -1, 1))
    accuracy = float(2 * product / (sensor.var() + reference.var() + shift2))
    value, u2 = r * accuracy, float(shift2 / product)
    scatter = (1 - r**2) * accuracy**2 * (1 - value**2)
    shift = value**2 * accuracy * u2 * (2 * (1 - value) - accuracy * u2 / 2)
    se = sqrt(max(scatter + shift, 0.0) / (n - 2))
    return Concordance(value=value, se=se, precision=r, accuracy=accuracy, n=n)
