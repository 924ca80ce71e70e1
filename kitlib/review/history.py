"""A curve's offset over the seasons, and whether this season's is out of the way."""

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, sqrt
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.intake.settings import folders_named
from kitlib.statistics.estimates import Estimate, not_known
from kitlib.statistics.pooling import pool_offsets

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
        table = pd.read_csv(folder / CURVES_FILE, dtype={"curve": str, "crop": str})
    except OSError as error:
        return f"{place} cannot be opened: {error.strerror or error}"
    except (ValueError, UnicodeDecodeError) as error:
        return f"{place} is not readable as CSV: {str(error).splitlines()[0]}"
    lacking = [name for name in NEEDED if name not in table]
    if lacking:
        return f"{place} lacks the column(s) {', '.join(lacking)}"
    for name in NUMBERS:
        table[name] = pd.to_numeric(table[name], errors="coerce")
    for name in OPTIONAL:
        table[name] = table.get(name, pd.Series(pd.NA, index=table.index)).astype("str")
    # Without the apostrophe that `outputs.defused` put before a risky name.
    table["curve"] = table["curve"].str.replace(r"^'(?=[=+\-@\t\r])", "", regex=True)
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
