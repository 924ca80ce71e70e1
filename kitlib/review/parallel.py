"""Two curves recorded on the same plots: which of them would have served better."""

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import combinations
from math import nan
from types import SimpleNamespace

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
    rmsep_first: float  # as loaded
    rmsep_second: float
    sep_first: float
    sep_second: float
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


def _rms(sums: np.ndarray) -> np.ndarray:
    """Return the root mean square error of both curves, from `compare_curves`' sums."""
    return np.sqrt(sums[..., 3:] / sums[..., :1])


def _sep(sums: np.ndarray) -> np.ndarray:
    """Return the SD of the errors about the bias, n - 1, likewise."""
    n, total = sums[..., :1], sums[..., 1:3]
    squares = np.maximum(sums[..., 3:] - total**2 / n, 0)
    return np.sqrt(squares / np.where(n > 1, n - 1, nan))


def compare_curves(
    first: str, second: str, errors, others, reference, trial, level: float = 0.95
) -> Comparison:
    """Return how two curves compare on the samples both of them read.

    Estimands: RMSEP and SEP of the first curve less those of the second over
    trials like these; an error in common cancels, so that few samples tell more
    than two audits side by side. `errors` and `others` are those of the first and of
    the second curve, each with its own offset loaded; `reference` parts them into
    bands. For SEPs on the same samples: Fearn, NIR news 7 (1996) no. 5, 5-6.

    Pitman and Morgan (Biometrika 31 (1939) 9-12 and 13-19; all from memory): the sum
    and the difference of two errors are uncorrelated exactly if both have one
    variance. Their test is that of the slope of one on the other; here the slope has a
    CR2 error clustered by trial, and stands as an effect: (v1 - v2) / (v1 + v2 + 2 c),
    variances v and covariance c.
    """
    e = finite_array("compare_curves: errors", errors)
    f = finite_array("compare_curves: others", others)
    if e.size < 2:
        said = f"{first} and {second} share {e.size} sample(s); needs at least 2."
        raise TooFewSamples(f"compare_curves: {said}")
    codes, n_trials = cluster_codes("compare_curves: trial", trial, e.size)
    # Sums of 1, e, f, e e and f f in each trial.
    powers = np.column_stack([np.ones_like(e), e, f, e**2, f**2])
    by_trial = sums_by_cluster(codes, n_trials, powers)
    total, trials = by_trial.sum(axis=0), tuple(pd.Index(trial).unique())
    sums = SimpleNamespace(trials=trials, total=total, without_each=total - by_trial)
    rmsep_gap = jackknife(sums, lambda s: _rms(s)[..., 0] - _rms(s)[..., 1])
    design = np.column_stack([np.ones_like(e), e + f - (e + f).mean()])
    fit, why = tried(clustered_fit, design, e - f, codes)
    scatter_gap = fit.contrast([0.0, 1.0]) if fit else not_known(why)
    vary = np.ptp(e) > 0 and np.ptp(f) > 0
    return Comparison(
        first=first,
        second=second,
        n=e.size,
        n_trials=n_trials,
        rmsep_first=float(_rms(total)[0]),
        rmsep_second=float(_rms(total)[1]),
        sep_first=float(_sep(total)[0]),
        sep_second=float(_sep(total)[1]),
        rmsep_difference=rmsep_gap,
        sep_difference=jackknife(sums, lambda s: _sep(s)[..., 0] - _sep(s)[..., 1]),
        pitman_morgan=scatter_gap,
        correlation=float(np.corrcoef(e, f)[0, 1]) if vary else nan,
        bands=_bands(first, second, e, f, reference, codes, level),
        better=_smaller(first, second, rmsep_gap, level),
        tighter=_smaller(first, second, scatter_gap, level),
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
        e, f, trials = (of[lows == low] for of in (errors, others, trial))
        gap, n_trials = clustered_mean(e**2 - f**2, trials), len(set(trials))
        enough = e.size >= threshold("samples_per_band")
        enough = enough and n_trials >= threshold("trials_for_bias")
        ends = gap.interval(level)._asdict()
        row = {"band_low": low, "band_high": low + 2, "n": e.size, "n_trials": n_trials}
        row |= {"rms_first": np.sqrt(np.mean(e**2)), "difference": gap.value, **ends}
        row |= {
            "rms_second": np.sqrt(np.mean(f**2)),
            "method": gap.method or gap.remark,
        }
        row["better"] = _smaller(first, second, gap, level) if enough else FEW
        rows.append(row)
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
        both = by_curve[first].join(others, how="inner").reset_index("trial")
        if len(both) > 1:
            errors = both["error"], both["other"]
            reference, trial = both["reference_pct"], both["trial"]
            yield compare_curves(first, second, *errors, reference, trial, level)
