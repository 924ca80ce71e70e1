"""Two curves recorded on the same plots: which of them would have served better."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import nan
from typing import NamedTuple

import numpy as np
import pandas as pd

from kitlib.review.history import leaves_out_zero
from kitlib.statistics.clustered import clustered_fit, clustered_mean
from kitlib.statistics.estimates import (
    Estimate,
    cluster_codes,
    finite_array,
    moisture_bands,
    not_known,
    sums_by_cluster,
    tried,
)
from kitlib.statistics.sums import jackknife
from kitlib.words.findings import TooFewSamples
from kitlib.words.limits import threshold

NO_DIFFERENCE, FEW = "no difference shown", "too few samples or trials"


@dataclass(frozen=True, kw_only=True, eq=False)
class Comparison:
    """Two curves on the same samples. [% moisture]."""

    first: str
    second: str
    n: int  # samples both read, and the trials they come from
    n_trials: int
    rmsep: tuple[float, float]  # of the first and of the second curve, as loaded
    sep: tuple[float, float]
    rmsep_difference: Estimate  # first less second, jackknife over trials
    sep_difference: Estimate
    # Slope of the errors' difference (first - second) on their sum: above 0 where the
    # first curve's errors scatter more, 0 where both scatter alike.
    pitman_morgan: Estimate
    correlation: float  # of the two curves' errors
    # By 2-point band: root mean square error of each, difference of the mean squares
    # with its clustered interval, and which was better.
    bands: pd.DataFrame
    better: str  # the curve with the smaller RMSEP, or that no difference is shown
    tighter: str  # the curve whose errors scatter less about their bias, likewise
    level: float  # confidence level of the two


class _PairedSums(NamedTuple):
    """Sums of 1, e, f, e e and f f over sets of samples, as `jackknife` takes them.

    e and f are the errors of the first and of the second curve.
    """

    trials: tuple
    total: np.ndarray  # over all trials, shape (5,)
    without_each: np.ndarray  # over all trials but each in turn, shape (G, 5)


def _rms(sums: np.ndarray, which: int) -> np.ndarray:
    """Return the root mean square error of the first (0) or second (1) curve."""
    return np.sqrt(sums[..., 3 + which] / sums[..., 0])


def _sep(sums: np.ndarray, which: int) -> np.ndarray:
    """Return the SD of the errors about the bias, n - 1, likewise."""
    n, total = sums[..., 0], sums[..., 1 + which]
    squares = sums[..., 3 + which] - total**2 / n
    return np.sqrt(np.maximum(squares, 0) / np.where(n > 1, n - 1, nan))


def compare_curves(
    first: str, second: str, errors, others, reference, trial, level: float = 0.95
) -> Comparison:
    """Return how two curves compare on the samples both of them read.

    Estimands: RMSEP and SEP of the first curve less those of the second over
    trials like these; an error in common cancels, so that few samples tell more
    than two audits side by side.

    `errors` and `others` are those of the first and of the second curve on the same
    samples, each with its own offset loaded; `reference` parts them into bands.

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
    """
    e = finite_array("compare_curves: errors", errors)
    f = finite_array("compare_curves: others", others)
    if e.size < 2:
        raise TooFewSamples(
            f"compare_curves: {first} and {second} share {e.size} sample(s); "
            "needs at least 2."
        )
    codes, n_trials = cluster_codes("compare_curves: trial", trial, e.size)
    powers = np.column_stack([np.ones_like(e), e, f, e**2, f**2])
    by_trial = sums_by_cluster(codes, n_trials, powers)
    total = by_trial.sum(axis=0)
    sums = _PairedSums(tuple(pd.Index(trial).unique()), total, total - by_trial)
    rmsep_gap = jackknife(sums, lambda s: _rms(s, 0) - _rms(s, 1))
    design = np.column_stack([np.ones_like(e), e + f - (e + f).mean()])
    fit, why = tried(clustered_fit, design, e - f, codes)
    scatter_gap = fit.contrast([0.0, 1.0]) if fit else not_known(why)
    vary = np.ptp(e) > 0 and np.ptp(f) > 0
    return Comparison(
        first=first,
        second=second,
        n=e.size,
        n_trials=n_trials,
        rmsep=(float(_rms(total, 0)), float(_rms(total, 1))),
        sep=(float(_sep(total, 0)), float(_sep(total, 1))),
        rmsep_difference=rmsep_gap,
        sep_difference=jackknife(sums, lambda s: _sep(s, 0) - _sep(s, 1)),
        pitman_morgan=scatter_gap,
        correlation=float(np.corrcoef(e, f)[0, 1]) if vary else nan,
        bands=_bands(first, second, e, f, reference, codes, level),
        better=_smaller(first, second, rmsep_gap, level),
        tighter=_smaller(first, second, scatter_gap, level),
        level=level,
    )


def _smaller(first: str, second: str, gap: Estimate, level: float) -> str:
    """Name the curve with the smaller errors where first - second leaves out 0."""
    if not leaves_out_zero(gap, level):
        return NO_DIFFERENCE
    return second if gap.value > 0 else first


def _bands(first, second, errors, others, reference, trial, level) -> pd.DataFrame:
    """Return which curve served better in each 2-point band."""
    lows, rows = moisture_bands(reference), []
    for low in np.unique(lows):
        here = lows == low
        e, f, trials = errors[here], others[here], trial[here]
        gap, n_trials = clustered_mean(e**2 - f**2, trials), len(set(trials))
        enough = e.size >= threshold("samples_per_band")
        enough = enough and n_trials >= threshold("trials_for_bias")
        rows.append(
            {
                "band_low": low,
                "band_high": low + 2,
                "n": e.size,
                "n_trials": n_trials,
                "rms_first": float(np.sqrt(np.mean(e**2))),
                "rms_second": float(np.sqrt(np.mean(f**2))),
                "difference": gap.value,
                "low": gap.interval(level).low,
                "high": gap.interval(level).high,
                "method": gap.method or gap.remark,
                "better": _smaller(first, second, gap, level) if enough else FEW,
            }
        )
    return pd.DataFrame(rows)


def compare_all(pairs: pd.DataFrame, level: float) -> Iterator[Comparison]:
    """Yield how each two curves recorded on the same plots compare."""
    # `pairs` are the samples used, those of curves recorded in parallel included.
    key = ["trial", "plot", "sample"]
    by_curve = {str(curve): p.set_index(key) for curve, p in pairs.groupby("curve")}
    beside = set(pairs.loc[pairs["parallel"], "curve"])
    for first, second in combinations(sorted(by_curve), 2):
        if not beside & {first, second}:
            continue  # two curves' own plots have no sample in common
        others = by_curve[second]["error"].rename("other")
        both = by_curve[first].join(others, how="inner")
        if len(both) > 1:
            trial = both.index.get_level_values("trial")
            errors = both["error"], both["other"]
            yield compare_curves(
                first, second, *errors, both["reference_pct"], trial, level
            )
