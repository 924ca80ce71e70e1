"""Curves beside others: their own of earlier seasons, and those on the same plots.

Whether this season's offset is out of the way of the seasons before, and which of two
curves recorded on the same plots would have served better.
"""

from collections.abc import Collection, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from math import hypot, inf, isfinite, nan, sqrt
from pathlib import Path
from types import SimpleNamespace

import numpy as np
import pandas as pd

from kitlib.intake.settings import folders_named
from kitlib.statistics.clustered import clustered_fit, clustered_mean
from kitlib.statistics.estimates import (
    Estimate,
    finite_array,
    moisture_bands,
    not_known,
    tried,
)
from kitlib.statistics.pooling import pool_offsets
from kitlib.statistics.sums import jackknife, trial_sums
from kitlib.words.findings import TooFewSamples
from kitlib.words.limits import threshold

# ---- earlier seasons

CURVES_FILE = "curves.csv"
Earlier = Mapping[str, pd.DataFrame]  # the curves of earlier seasons, by season
NUMBERS = ("offset_loaded", "bias", "bias_se", "bias_df")
NEEDED = ("curve", "crop", *NUMBERS)
OPTIONAL = ("sensor", "built_on")
# A prediction from fewer seasons has hardly an end.
ENOUGH_SEASONS = 3
ENOUGH_DF = 3  # for Welch and Satterthwaite, by simulation: see `difference`
DIFFERENCE = "difference of two estimates, Welch-Satterthwaite df"
SHRUNKEN = "shrunk towards earlier seasons, normal prior by REML, Hartung-Knapp"
MEAN_CHANGE = "mean over the sensor's curves"


def difference(first: Estimate, second: Estimate) -> Estimate:
    """Return first - second, two independent estimates of one unit."""
    # Degrees of freedom after Welch (Biometrika 34, 1947, 28-35) and Satterthwaite
    # (Biometrics Bulletin 2, 1946, 110-114); where either estimate has under 3, the
    # smaller of the two: theirs would cover 89 to 97 % there instead of 95 (simulated),
    # and 94 to 96 % from 3 on.
    if not (first.known and second.known):
        return not_known(first.remark if not first.known else second.remark)
    value = first.value - second.value
    se = hypot(first.se, second.se)
    if not 0 < se < inf:
        why = second.remark if isfinite(first.se) else first.remark
        return Estimate(value=value, remark=why)
    df = welch_df((first.se, second.se), (first.df, second.df))
    return Estimate(value=value, se=se, df=df, method=DIFFERENCE)


def welch_df(ses, dfs) -> float:
    """Return the degrees of freedom of a sum of independent estimates."""
    ses, dfs = np.asarray(ses, float), np.asarray(dfs, float)
    if dfs.min() < ENOUGH_DF:
        return float(dfs.min())
    return float((ses**2).sum() ** 2 / (ses**4 / dfs).sum())


def mean_change(changes: Sequence[Estimate]) -> Estimate:
    """Return the plain mean of independent estimates that have an interval."""
    known = [change for change in changes if _has_interval(change)]
    if not known:
        return not_known("no curve with an interval")
    ses = [change.se for change in known]
    return Estimate(
        value=sum(change.value for change in known) / len(known),
        se=hypot(*ses) / len(known),
        df=welch_df(ses, [change.df for change in known]),
        method=MEAN_CHANGE,
    )


def season_setting(loaded: float, bias: Estimate) -> Estimate:
    """Return the absolute offset a season calls for: the one loaded less the bias."""
    if not isfinite(loaded):
        return not_known("the offset loaded is not known")
    return replace(bias, value=loaded - bias.value)


def leaves_out_zero(estimate: Estimate, level: float) -> bool:
    """Whether an estimate has an interval, and 0 is not in it."""
    ends = estimate.interval(level)
    return isfinite(ends.low) and not ends.holds(0.0)


def _has_interval(estimate: Estimate) -> bool:
    """Say whether an estimate has a finite standard error and df."""
    return estimate.known and estimate.se > 0 and 0 < estimate.df < inf


def read_earlier(season: str, folders: Iterable[str | Path]):
    """Return the curves of the earlier seasons that can be used, and why others not."""
    # By season, which has the name of its folder: one row per curve with the columns
    # `NEEDED` and `OPTIONAL`. A season given twice, under whatever name, counts once:
    # its errors would otherwise pass for those of several years.
    past: dict[str, pd.DataFrame] = {}
    unread = []
    for folder in folders:
        name, found = Path(folder).resolve().name, _read_curves(Path(folder))
        if isinstance(found, str):
            unread.append(found)
            continue
        same = [other for other, curves in past.items() if curves.equals(found)]
        if name == season:
            unread.append(f"{name} is this very season")
        elif name in past:
            unread.append(f"{name} was given more than once and is counted once")
        elif same:
            unread.append(f"{name} holds the same curves as {same[0]}, counted once")
        else:
            past[name] = found
    return past, unread


def _read_curves(folder: Path) -> pd.DataFrame | str:
    """Return an earlier season's curves, or why they cannot be read."""
    place = f"{folder.resolve().name}/{CURVES_FILE}"
    try:
        # As written: `007` is a sensor, and NA a curve. Empty cells only are missing.
        table = pd.read_csv(
            folder / CURVES_FILE, dtype=str, keep_default_na=False, na_values=[""]
        )
    except OSError as error:
        return f"{place} cannot be opened: {error.strerror or error}"
    except ValueError as error:
        return f"{place} is not readable as CSV: {str(error).splitlines()[0]}"
    lacking = [name for name in NEEDED if name not in table]
    if lacking:
        return f"{place} lacks the column(s) {', '.join(lacking)}"
    for name in NUMBERS:
        table[name] = pd.to_numeric(table[name], errors="coerce")
    known = list(dict.fromkeys([*table, *OPTIONAL]))
    table = table.reindex(columns=known).astype(dict.fromkeys(OPTIONAL, "str"))
    # Without the apostrophe that `outputs.defused` put before a risky name.
    for name in ("curve", "sensor"):
        table[name] = table[name].str.replace(r"^'(?=[=+\-@\t\r])", "", regex=True)
    return table.drop_duplicates("curve", keep="last")


def earlier_folders(place: str | Path) -> list[Path]:
    """Return the output folders of earlier seasons that lie in a folder, by name.

    None if `place` is empty; folders without a curves.csv are passed over.
    """
    if not str(place):
        return []
    if Path(place).suffix == ".path":  # a file beside a run's notebooks
        return folders_named(Path(place))
    return sorted(path.parent for path in Path(place).glob(f"*/{CURVES_FILE}"))


@dataclass(frozen=True)
class OffsetHistory:
    """The offset of a curve, or the change of a sensor, season by season. [points]."""

    name: str  # of the curve or the sensor
    seasons: tuple[str, ...]  # in order of time, this one last
    # For a curve the absolute setting each season called for, loaded − bias; for a
    # sensor the mean change, −bias.
    values: tuple[Estimate, ...]
    # This season's value as the earlier ones predict it, with a prediction interval;
    # not known under `ENOUGH_SEASONS` earlier ones.
    expected: Estimate
    departure: Estimate  # this season's value less the expected one, both errors in it
    shrunken: Estimate  # this season's drawn towards it; never in place of the own
    remark: str

    def within(self, level: float = 0.95) -> bool | None:
        """Say whether this season's value lies within what was predicted, if known."""
        ends = self.departure.interval(level)
        return ends.holds(0.0) if isfinite(ends.low) else None


def offset_history(
    name: str, seasons: Sequence[str], values: Sequence[Estimate], remark: str = ""
) -> OffsetHistory:
    """Return what earlier seasons say of this season's offset, the last value."""
    # `expected` is the offset of one more season, the true offsets of the seasons being
    # draws from one normal population; seasons without an interval take no part. The
    # departure is on the smaller of the two degrees of freedom: its 95 % interval
    # holds 0 in 94 to 100 % of seasons no different from 3 to 6 earlier ones
    # (simulated); with those of Welch and Satterthwaite it would in 91 %.
    now, known = values[-1], [v for v in values[:-1] if _has_interval(v)]
    expected = not_known(
        f"{len(known)} earlier season(s) with an interval; {ENOUGH_SEASONS} are needed"
    )
    if len(known) >= ENOUGH_SEASONS:
        columns = np.array([(v.value, v.se, v.df) for v in known]).T
        expected = pool_offsets(*columns).new_curve
    shrunken, df = not_known(expected.remark or now.remark), min(now.df, expected.df)
    if expected.known and now.se > 0:
        own, prior = now.se**2, expected.se**2
        value = (prior * now.value + own * expected.value) / (own + prior)
        se = sqrt(own * prior / (own + prior))
        shrunken = Estimate(value=value, se=se, df=df, method=SHRUNKEN)
    departure = replace(difference(now, expected), df=df)
    found = tuple(seasons), tuple(values), expected, departure, shrunken
    return OffsetHistory(name, *found, remark)


def curve_history(
    curve: str, season: str, now: Estimate, earlier: Earlier, built_on: str = ""
) -> OffsetHistory:
    """Return a curve's history by its name, in terms of the absolute setting.

    `now` is the setting this season calls for. An earlier season that knows of
    another day than `built_on` is of another curve, and takes no part.
    """
    seasons, values, rebuilt = [], [], []
    for name, curves in earlier.items():
        for row in curves[curves["curve"] == curve].to_dict("records"):
            then = row["built_on"]
            if built_on and isinstance(then, str) and then[:10] != built_on:
                rebuilt.append(name)
                continue
            seasons.append(name)
            values.append(_called_for(row, row["offset_loaded"]))
    remark = f"rebuilt since {', '.join(rebuilt)}, not counted" if rebuilt else ""
    return offset_history(curve, [*seasons, season], [*values, now], remark)


def _called_for(row: Mapping, loaded: float) -> Estimate:
    """Return the offset a row of curves.csv calls for, from one already loaded."""
    if not (isfinite(row["bias"]) and isfinite(loaded)):
        return not_known("bias or offset loaded not known")
    value = loaded - row["bias"]
    return Estimate(value=value, se=row["bias_se"], df=row["bias_df"])


def sensor_history(
    sensor: str,
    season: str,
    now: Sequence[Estimate],
    earlier: Earlier,
    sensor_of: Mapping[str, str],
    apart: Collection[str] = (),
) -> OffsetHistory:
    """Return a sensor's history: the mean change of its curves, season by season."""
    # Settings of two crops cannot be compared; what a sensor lost or gained moves all
    # of its curves. `now` is the change each calls for this season, −bias; `sensor_of`
    # is for files that do not name the sensor. Curves recorded in parallel stand
    # `apart`: their errors are another curve's over again.
    seasons, values = [], []
    for name, curves in earlier.items():
        named = curves["sensor"].fillna(curves["curve"].map(sensor_of))
        own = curves[(named == sensor) & ~curves["curve"].isin(apart)]
        changes = [_called_for(row, 0.0) for row in own.to_dict("records")]
        if any(change.known for change in changes):
            seasons.append(name)
            values.append(mean_change(changes))
    return offset_history(sensor, [*seasons, season], [*values, mean_change(now)])


# ---- curves read in parallel

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
    # Errors stand for readings of a reference of 0.
    one, two = (trial_sums(of, np.zeros_like(of), trial) for of in (e, f))
    totals, rest = (one.total, two.total), (one.without_each, two.without_each)
    sums = SimpleNamespace(trials=one.trials, total=totals, without_each=rest)
    rmsep_gap = jackknife(sums, lambda both: both[0].rmsep - both[1].rmsep)
    design = np.column_stack([np.ones_like(e), e + f - (e + f).mean()])
    fit, why = tried(clustered_fit, design, e - f, trial)
    scatter_gap = fit.contrast([0.0, 1.0]) if fit else not_known(why)
    vary = np.ptp(e) > 0 and np.ptp(f) > 0
    return Comparison(
        first=first,
        second=second,
        n=e.size,
        n_trials=len(one.trials),
        rmsep_first=float(one.total.rmsep),
        rmsep_second=float(two.total.rmsep),
        sep_first=float(one.total.sep),
        sep_second=float(two.total.sep),
        rmsep_difference=rmsep_gap,
        sep_difference=jackknife(sums, lambda both: both[0].sep - both[1].sep),
        pitman_morgan=scatter_gap,
        correlation=float(np.corrcoef(e, f)[0, 1]) if vary else nan,
        bands=_bands(first, second, e, f, reference, np.asarray(trial), level),
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
