"""Errors left on trials that had no part in their correction."""

from dataclasses import dataclass
from math import sqrt

import numpy as np

from kitlib.statistics.sums import TrialSums
from kitlib.words.estimates import Estimate, not_known

LEFT_OUT = "leave one trial out"


@dataclass(frozen=True, kw_only=True, eq=False)
class LeftOut:
    """Errors of samples corrected by what the other trials say.

    Attributes
    ----------
    n, total, squares : ndarray, shape (n_trials,)
        Samples of each trial, sum of their errors, and of the squares.
    remark : str
        Why it is not known, if it is not.
    """

    n: np.ndarray
    total: np.ndarray
    squares: np.ndarray
    remark: str = ""

    @property
    def rmsep(self) -> float:
        """Root mean square error, nan if not known. [% moisture]."""
        return sqrt(self.squares.sum() / self.n.sum())

    @property
    def sep(self) -> float:
        """Standard deviation of the errors, n - 1; nan if not known. [% moisture]."""
        n, total = self.n.sum(), self.total.sum()
        return sqrt(max(self.squares.sum() - total**2 / n, 0.0) / (n - 1))

    def pull(self) -> np.ndarray:
        """Return how much each trial moves the RMSEP, (n_trials,)."""
        if not self.rmsep > 0:
            return np.zeros_like(self.squares)
        more = self.squares - self.n * self.rmsep**2
        return more / (2 * self.rmsep * self.n.sum())


def left_out(sums: TrialSums, start, slope, remark: str = "") -> LeftOut:
    """Return the errors of each trial under a correction of its own.

    Parameters
    ----------
    sums : TrialSums
    start, slope : ndarray, shape (n_trials,)
        corrected = start + slope * sensor, readings and result both less the mean
        reference of all samples, the readings less their mean error too.
    remark : str
        Why the correction is not known, if it is not.
    """
    n, r, e, rr, ee, re = sums.table.T
    tilt = slope - 1
    squares = n * start**2 + tilt**2 * rr + slope**2 * ee
    squares += 2 * (start * (tilt * r + slope * e) + slope * tilt * re)
    total = n * start + tilt * r + slope * e
    return LeftOut(n=n, total=total, squares=np.maximum(squares, 0), remark=remark)


def saved(simple: LeftOut, richer: LeftOut) -> Estimate:
    """Return the RMSEP that a richer correction saves, with its error over trials.

    The standard error is that of a ratio of sums over trials, first order. It
    takes trials as independent, although each had a part in correcting the
    others: good enough to call a saving small, not for a test.
    """
    if simple.remark or richer.remark:
        return not_known(simple.remark or richer.remark)
    n_trials = simple.n.size
    apart = simple.pull() - richer.pull()
    se = sqrt(n_trials / (n_trials - 1) * float((apart**2).sum()))
    return Estimate(
        value=simple.rmsep - richer.rmsep, se=se, df=n_trials - 1, method=LEFT_OUT
    )
