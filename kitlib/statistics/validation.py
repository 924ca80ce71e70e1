"""What standards ask of a bias and an SEP: limits, ratios, and reference error."""

from math import sqrt

import numpy as np
from scipy.stats import f as f_distribution
from scipy.stats import t as student_t

from kitlib.statistics.arrays import finite_array
from kitlib.statistics.stats import errors_of, paired
from kitlib.words.errors import TooFewSamples
from kitlib.words.estimates import Estimate, not_known

NO_SEP = "SEP is 0, and nothing can be measured in units of it"
ALL_REFERENCE = "reference error explains all of the SEP"


def bias_limit(sep: float, n: int, level: float = 0.95) -> float:
    """Return Tb: a bias larger than this, either way, is significant. [% moisture]

    Takes samples as independent: too small where they come several to a trial.

    Parameters
    ----------
    sep : float
        SEP of the n samples. [% moisture]
    n : int
    level : float
        1 - the chance of calling a bias of zero significant.

    Notes
    -----
    Tb = t(1 - alpha / 2; n - 1) SEP / sqrt(n).

    References
    ----------
    .. [1] ISO 12099:2017, 7.3 (from memory).

    Examples
    --------
    >>> round(bias_limit(1.0, 20), 4)
    0.468
    """
    if n < 2:
        raise TooFewSamples(f"bias_limit: got n = {n} sample(s); needs at least 2.")
    return float(student_t.ppf((1 + level) / 2, n - 1)) * sep / sqrt(n)


def unexplained_error_limit(
    sep_at_setup: float, n: int, df_at_setup: float, level: float = 0.95
) -> float:
    """Return TUE: an SEP above this is larger than at set-up. [% moisture]

    Parameters
    ----------
    sep_at_setup : float
        SEC or SEP found when the curve was set up. [% moisture]
    n : int
        Samples of the audit.
    df_at_setup : float
        Degrees of freedom of `sep_at_setup`: n - p - 1 for the SEC of a
        calibration with p terms, n - 1 for an SEP.
    level : float
        1 - the chance of refusing an SEP that is as good as at set-up.

    Notes
    -----
    TUE = SEC sqrt(F(1 - alpha; n - 1, df)).

    References
    ----------
    .. [1] ISO 12099:2017, 7.5 (from memory).

    Examples
    --------
    >>> round(unexplained_error_limit(1.0, 20, 100), 3)
    1.301
    """
    if n < 2 or df_at_setup < 1:
        raise TooFewSamples(
            f"unexplained_error_limit: got n = {n} and df_at_setup = {df_at_setup:g}; "
            "needs at least 2 and 1."
        )
    return sep_at_setup * sqrt(float(f_distribution.ppf(level, n - 1, df_at_setup)))


def sd_reference(reference) -> float:
    """Return the standard deviation of the reference values, n - 1. [% moisture]

    Examples
    --------
    >>> sd_reference([14.0, 15.0, 16.0])
    1.0
    """
    reference, _ = paired("sd_reference", reference, reference)
    return float(errors_of(reference, np.zeros_like(reference)).std(ddof=1))


def rpd(reference, sep: float) -> Estimate:
    """Return SD(reference) / SEP: how much wider moistures spread than errors.

    AACC 39-01.01 asks for at least 4 (read). Some books divide by RMSEP.

    Examples
    --------
    >>> rpd([14.0, 15.0, 16.0], 0.25).value
    4.0
    """
    if not sep > 0:
        return not_known(NO_SEP)
    return Estimate(value=sd_reference(reference) / sep, method="SD(reference) / SEP")


def rer(reference, sep: float) -> Estimate:
    """Return range(reference) / SEP, the range error ratio.

    Examples
    --------
    >>> rer([14.0, 15.0, 16.0], 0.25).value
    8.0
    """
    reference, _ = paired("rer", reference, reference)
    if not sep > 0:
        return not_known(NO_SEP)
    return Estimate(
        value=float(np.ptp(reference)) / sep, method="range(reference) / SEP"
    )


def sep_without_reference_error(sep: float, reference_se) -> Estimate:
    """Return the SEP the sensor would show against a reference without error.

    Parameters
    ----------
    sep : float
        SEP as found. [% moisture]
    reference_se : float or array_like, shape (n,)
        Standard error of the reference value, of all samples or of each. The
        spread of dishes from one container leaves out sampling and handling.
        [% moisture]

    Returns
    -------
    Estimate
        Never negative: 0 with a remark where the reference explains it all.

    Notes
    -----
    sqrt(SEP^2 - mean(reference_se^2)), errors of the two methods independent.

    References
    ----------
    .. [1] Faber, Kowalski, Applied Spectroscopy 51 (1997) 660 (abstract read).

    Examples
    --------
    >>> round(sep_without_reference_error(0.5, 0.3).value, 12)
    0.4
    """
    se = finite_array("sep_without_reference_error: reference_se", reference_se)
    if (se < 0).any():
        raise ValueError("sep_without_reference_error: a standard error is below 0.")
    left = sep**2 - float(np.mean(se**2))
    method = "SEP less reference error"
    if left <= 0:
        return Estimate(value=0.0, method=method, remark=ALL_REFERENCE)
    return Estimate(value=sqrt(left), method=method)
