"""Samples and tables whose sensor and oven can hardly both be right."""

from collections.abc import Iterator

import numpy as np
import pandas as pd

from kitlib.curves.effects import robust_spread
from kitlib.intake.distinct import PlotPlaces
from kitlib.words.findings import Finding
from kitlib.words.limits import threshold
from kitlib.words.terms import listed, show

_FEWEST = 4
_MOST = 500  # samples whose pairs are all looked at
_SMALLEST_SPREAD = 0.3  # the errors of a few samples may lie together by chance


def doubtful_samples(pairing, oven: pd.DataFrame) -> list[Finding]:
    """Return samples far from their curve's others, and tables of another basis.

    Parameters
    ----------
    pairing : Pairing
    oven : DataFrame
        The dishes, indexed by row in the file.
    """
    pairs = pairing.pairs[pairing.pairs["used"]]
    own = pairs[~pairs["parallel"]]
    return [
        *_other_basis(own, pairing.plots, oven),
        *_moved_rows(own, pairing.plots),
        *_apart(pairs, pairing.plots, oven),
    ]


def _rows(plots: pd.DataFrame, pairs: pd.DataFrame) -> tuple[int, ...]:
    """Return the rows of the plots of pairs."""
    keys = pd.MultiIndex.from_frame(plots[["trial", "plot"]])
    wanted = pd.MultiIndex.from_frame(pairs[["trial", "plot"]])
    return tuple(map(int, plots.index[keys.isin(wanted)]))


def _centred(pairs: pd.DataFrame, error: pd.Series) -> pd.Series:
    """Return errors less the median of their curve."""
    return error - error.groupby(pairs["curve"]).transform("median")


def _apart(pairs, plots, oven) -> Iterator[Finding]:
    """Yield samples whose error is far from the others' of their curve."""
    for curve, group in pairs.groupby("curve"):
        if len(group) < _FEWEST:
            continue
        residual = _residuals(group)
        spread = max(robust_spread(residual), _SMALLEST_SPREAD)
        far = (residual.abs() > threshold("sample_apart_spreads") * spread) & (
            residual.abs() > threshold("sample_apart")
        )
        odd = group[far]
        if odd.empty:
            continue
        shown = [
            f"{r.sample} ({show(r.error, 1, sign=True)})" for r in odd.itertuples()
        ]
        said = f"curve {curve}: the error of sample {listed(shown)} is far from the "
        said += "others'; check label, weights, reading and whether both are on wet "
        said += "basis. It stays in."
        dishes = tuple(map(int, oven.index[oven["sample"].isin(odd["sample"])]))
        for table, rows in (("oven", dishes), ("plots", _rows(plots, odd))):
            yield Finding(
                code="sample-apart",
                table=table,
                rows=rows,
                curve=str(curve),
                message=said,
            )


def _residuals(group: pd.DataFrame) -> pd.Series:
    """Return errors less a straight line through their medians, or less their median.

    The line keeps a curve that only needs another slope from being taken for many
    odd samples. It is the median of the slopes between all pairs of samples, of the
    first, last and others evenly between them in order of moisture where they are many.
    """
    some = group.sort_values("reference_pct", kind="stable")
    if len(some) > _MOST:
        some = some.iloc[np.linspace(0, len(some) - 1, _MOST).round().astype(int)]
    moisture, error = some["reference_pct"].to_numpy(), some["error"].to_numpy()
    first, second = np.triu_indices(len(some), 1)
    run, rise = moisture[second] - moisture[first], error[second] - error[first]
    wide = np.abs(run) > 1
    slope = float(np.median(rise[wide] / run[wide])) if wide.sum() > len(some) else 0.0
    left = group["error"] - slope * group["reference_pct"]
    return left - left.median()


def _other_basis(pairs, plots, oven) -> Iterator[Finding]:
    """Yield curves and labs whose moistures fit as percent of dry matter."""
    said = "if they are taken for percent of dry matter their error shrinks from "
    for curve, group in pairs.groupby("curve"):
        before, after = _errors_on(group, "sensor_pct")
        if _fits(group, before, after) and before > 0:
            message = f"curve {curve}: {said}{show(before, 1, sign=True)} to "
            message += (
                f"{show(after, 1, sign=True)} points; are the readings on wet basis?"
            )
            rows = tuple(map(int, plots.index[plots["curve"] == curve]))
            yield Finding(
                code="basis-doubtful",
                table="plots",
                rows=rows,
                curve=str(curve),
                message=message,
            )
    for lab, group in pairs.groupby(pairs["lab"].fillna("")):
        before, after = _errors_on(group, "reference_pct")
        if _fits(group, before, after) and before < 0:
            message = (
                f"results of {lab or 'the lab'}: {said}{show(before, 1, sign=True)} "
            )
            message += f"to {show(after, 1, sign=True)} points; are they on wet basis?"
            rows = tuple(map(int, oven.index[oven["sample"].isin(group["sample"])]))
            yield Finding(
                code="basis-doubtful", table="oven", rows=rows, message=message
            )


def _errors_on(group: pd.DataFrame, column: str) -> tuple[float, float]:
    """Return the median error as it is, and with a column taken for dry basis."""
    wet = group.assign(**{column: 100 * group[column] / (100 + group[column])})
    error = wet["sensor_pct"] - wet["reference_pct"]
    return float(group["error"].median()), float(error.median())


def _fits(group, before: float, after: float) -> bool:
    """Whether the other basis explains most of a large error."""
    least = threshold("basis_error")
    return (
        len(group) >= _FEWEST and abs(before) > least and abs(after) < abs(before) / 2
    )


def _moved_rows(pairs, plots) -> Iterator[Finding]:
    """Yield whether the readings fit the samples far better a row up or down."""
    if len(pairs) < 2 * _FEWEST:
        return
    at = PlotPlaces(plots).of(pairs)
    own = robust_spread(_centred(pairs, pairs["error"]))
    for rows in (-1, 1):
        readings = plots["sensor_pct"].shift(-rows).to_numpy()
        moved = pd.Series(readings[at], pairs.index)
        error = (moved - pairs["reference_pct"]).dropna()
        if len(error) < len(pairs) - 2:
            continue
        spread = robust_spread(_centred(pairs.loc[error.index], error))
        if spread < threshold("moved_share") * own:
            said = (
                f"readings taken from the row {'below' if rows > 0 else 'above'} fit "
            )
            said += f"the oven far better: errors spread {show(spread)}, as they stand "
            said += f"{show(own)}. Was a column of the table moved?"
            place = tuple(map(int, plots.index))
            yield Finding(code="rows-moved", table="plots", rows=place, message=said)
