"""Two curves recorded on the same plots: which of them would have served better."""

from dataclasses import dataclass
from math import isfinite

import numpy as np
import pandas as pd

from kitlib.statistics.arrays import (
    cluster_codes,
    finite_array,
    moisture_bands,
    sums_by_cluster,
    tried,
)
from kitlib.statistics.clustered import clustered_fit, clustered_mean
from kitlib.statistics.sums import jackknife
from kitlib.words.errors import TooFewSamples
from kitlib.words.estimates import Estimate, not_known
from kitlib.words.limits import threshold

NO_DIFFERENCE, FEW = "no difference shown", "too few samples or trials"
BAND_COLUMNS = ["band_low", "band_high", "n", "n_trials", "rms_first", "rms_second"]
BAND_COLUMNS += ["difference", "low", "high", "method", "better"]


@dataclass(frozen=True, kw_only=True, eq=False)
class PairSums:
    """Sums over sets of samples of both curves' errors; statistics follow from them.

    Attributes
    ----------
    table : ndarray, shape (..., 5)
        Sums of 1, e, f, e e and f f, e and f being the errors of the two curves.
    """

    table: np.ndarray

    def rms(self, which: int) -> np.ndarray:
        """Root mean square error of the first (0) or second (1) curve. [points]."""
        return np.sqrt(self.table[..., 3 + which] / self.table[..., 0])

    def sep(self, which: int) -> np.ndarray:
        """SD of the errors about the bias, n - 1. [points]."""
        n, total = self.table[..., 0], self.table[..., 1 + which]
        squares = self.table[..., 3 + which] - total**2 / n
        few = np.where(n > 1, n - 1, np.nan)
        return np.sqrt(np.maximum(squares, 0) / few)


@dataclass(frozen=True, kw_only=True, eq=False)
class PairedTrialSums:
    """The sums of every trial, left out one at a time by `sums.jackknife`.

    Attributes
    ----------
    trials : tuple
    table : ndarray, shape (n_trials, 5)
    """

    trials: tuple
    table: np.ndarray

    @property
    def total(self) -> PairSums:
        """Sums over all trials."""
        return PairSums(table=self.table.sum(axis=0))

    @property
    def without_each(self) -> PairSums:
        """Sums of all trials but one, each in turn."""
        return PairSums(table=self.table.sum(axis=0) - self.table)


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """Two curves on the same samples.

    Attributes
    ----------
    first, second : str
        Names of the curves.
    n, n_trials : int
        Samples both read, and the trials they come from.
    rmsep, sep : tuple of float
        Of the first and of the second curve, as loaded. [% moisture]
    rmsep_difference, sep_difference : Estimate
        First less second, jackknife over trials. [% moisture]
    pitman_morgan : Estimate
        Slope of the errors' difference (first - second) on their sum: above 0
        where the first curve's errors scatter more, 0 where both scatter alike.
    correlation : float
        Of the two curves' errors.
    bands : DataFrame
        By 2-point band: root mean square error of each, difference of the mean
        squares with its clustered interval, and which was better.
    level : float
        Confidence level of the verdicts.
    """

    first: str
    second: str
    n: int
    n_trials: int
    rmsep: tuple[float, float]
    sep: tuple[float, float]
    rmsep_difference: Estimate
    sep_difference: Estimate
    pitman_morgan: Estimate
    correlation: float
    bands: pd.DataFrame
    level: float

    @property
    def better(self) -> str:
        """The curve that served better as loaded, or that no difference is shown."""
        return self._smaller(self.rmsep_difference)

    @property
    def tighter(self) -> str:
        """The curve whose errors scatter less about their bias, if it is shown."""
        return self._smaller(self.pitman_morgan)

    def _smaller(self, found: Estimate) -> str:
        """Name the curve on the smaller side of an interval that leaves out 0."""
        low, high = found.interval(self.level)
        if not isfinite(low) or low <= 0 <= high:
            return NO_DIFFERENCE
        return self.second if low > 0 else self.first


def compare_curves(
    first: str, second: str, errors, others, reference, trial, level: float = 0.95
) -> Comparison:
    """Return how two curves compare on the samples both of them read.

    Estimands: RMSEP and SEP of the first curve less those of the second over
    trials like these; an error in common cancels, so that few samples tell more
    than two audits side by side.

    Parameters
    ----------
    first, second : str
        Names of the curves.
    errors, others : array_like, shape (n,), n >= 2
        Errors of the first and of the second curve on the same samples, each with
        its own offset loaded. [% moisture]
    reference : array_like, shape (n,)
        Their air-oven moistures, for the bands. [% moisture, wet basis]
    trial : array_like, shape (n,)
    level : float

    Raises
    ------
    TooFewSamples
        If n < 2.
    NotFinite
        If a value or a trial is missing.

    Notes
    -----
    Pitman and Morgan: the sum and the difference of two errors are uncorrelated
    exactly if both have one variance. Their test is that of the slope of one on
    the other; here the slope has a CR2 error clustered by trial, and stands as an
    effect: (v1 - v2) / (v1 + v2 + 2 c), variances v and covariance c.

    References
    ----------
    .. [1] Pitman, Biometrika 31 (1939) 9-12; Morgan, Biometrika 31 (1939) 13-19
       (from memory).
    .. [2] Fearn, NIR news 7 (1996) no. 5, 5-6: for SEPs on the same samples (from
       memory).

    Examples
    --------
    >>> found = compare_curves("A", "B", [0.3, -0.3, 0.3, -0.3], [0.1, 0.1, -0.1, -0.1],
    ...                        [14, 15, 16, 17], list("xxyz"))
    >>> [round(value, 3) for value in found.rmsep], round(found.pitman_morgan.value, 2)
    ([0.3, 0.1], 0.8)
    """
    errors = finite_array("compare_curves: errors", errors)
    others = finite_array("compare_curves: others", others)
    if errors.size < 2:
        raise TooFewSamples(
            f"compare_curves: {first} and {second} share {errors.size} sample(s); "
            "needs at least 2."
        )
    codes, n_trials = cluster_codes("compare_curves: trial", trial, errors.size)
    powers = [np.ones_like(errors), errors, others, errors**2, others**2]
    table = sums_by_cluster(codes, n_trials, np.column_stack(powers))
    sums = PairedTrialSums(trials=tuple(pd.Index(trial).unique()), table=table)
    total = sums.total
    return Comparison(
        first=first,
        second=second,
        n=errors.size,
        n_trials=n_trials,
        rmsep=(float(total.rms(0)), float(total.rms(1))),
        sep=(float(total.sep(0)), float(total.sep(1))),
        rmsep_difference=jackknife(sums, lambda s: s.rms(0) - s.rms(1)),
        sep_difference=jackknife(sums, lambda s: s.sep(0) - s.sep(1)),
        pitman_morgan=pitman_morgan(errors, others, codes),
        correlation=_correlation(errors, others),
        bands=_bands(first, second, errors, others, reference, codes, level),
        level=level,
    )


def pitman_morgan(errors, others, trial) -> Estimate:
    """Return the clustered slope of the errors' difference on their sum."""
    total = errors + others
    design = np.column_stack([np.ones_like(total), total - total.mean()])
    fit, why = tried(clustered_fit, design, errors - others, trial)
    return fit.contrast([0.0, 1.0]) if fit else not_known(why)


def _correlation(errors, others) -> float:
    """Return the correlation of the errors, nan where either does not vary."""
    if not (np.ptp(errors) > 0 and np.ptp(others) > 0):
        return np.nan
    return float(np.corrcoef(errors, others)[0, 1])


def _bands(first, second, errors, others, reference, trial, level) -> pd.DataFrame:
    """Return which curve served better in each 2-point band."""
    lows = moisture_bands(reference)
    rows = []
    for low in np.unique(lows):
        here = lows == low
        gap = clustered_mean(errors[here] ** 2 - others[here] ** 2, trial[here])
        ends = gap.interval(level)
        better = NO_DIFFERENCE
        few = here.sum() < threshold("samples_per_band")
        if few or len(set(trial[here])) < threshold("trials_for_bias"):
            better = FEW
        elif isfinite(ends.low) and not ends.holds(0.0):
            better = second if ends.low > 0 else first
        cells = [low, low + 2, int(here.sum()), len(set(trial[here]))]
        cells += [_rms(errors[here]), _rms(others[here]), gap.value, *ends]
        rows.append([*cells, gap.method or gap.remark, better])
    return pd.DataFrame(rows, columns=BAND_COLUMNS)


def _rms(values) -> float:
    """Return the root mean square."""
    return float(np.sqrt(np.mean(np.square(values))))
