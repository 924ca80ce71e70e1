"""A curve's offset over the seasons, and whether this season's is out of the way."""

from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, replace
from math import hypot, inf, isfinite, sqrt
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from kitlib.intake.settings import folders_named
from kitlib.statistics.estimates import Estimate, not_known
from kitlib.statistics.pooling import pool_offsets

CURVES_FILE = "curves.csv"
NUMBERS = ("offset_loaded", "bias", "bias_se", "bias_df")
NEEDED = ("curve", "crop", *NUMBERS)
OPTIONAL = ("sensor", "built_on")
# A prediction from fewer seasons has hardly an end.
ENOUGH_SEASONS = 3
ENOUGH_DF = 3  # for Welch and Satterthwaite, by simulation: see `difference`
DIFFERENCE = "difference of two estimates, Welch-Satterthwaite df"
SHRUNKEN = "shrunk towards earlier seasons, normal prior by REML, Hartung-Knapp"
MEAN_CHANGE = "mean over the sensor's curves"


# ---- estimates put together


def difference(first: Estimate, second: Estimate) -> Estimate:
    """Return first - second, two independent estimates of one unit.

    Not known where either value is not; without an interval where either has none.

    Notes
    -----
    Degrees of freedom after Welch and Satterthwaite; where either estimate has
    under 3, the smaller of the two: theirs would cover 89 to 97 % there instead of
    95 (simulated), and 94 to 96 % from 3 on.

    References
    ----------
    .. [1] Welch, Biometrika 34 (1947) 28-35; Satterthwaite, Biometrics Bulletin 2
       (1946) 110-114.

    Examples
    --------
    >>> one, two = (Estimate(value=v, se=0.3, df=4) for v in (0.5, 0.1))
    >>> found = difference(one, two)
    >>> print(f"{found.value:.1f}, {found.se:.3f}, {found.df:.0f}")
    0.4, 0.424, 8
    """
    if not (first.known and second.known):
        return not_known(first.remark if not first.known else second.remark)
    value = first.value - second.value
    se = hypot(first.se, second.se)
    if not (isfinite(se) and se > 0):
        why = first.remark if not isfinite(first.se) else second.remark
        return Estimate(value=value, remark=why)
    df = welch_df((first.se, second.se), (first.df, second.df))
    return Estimate(value=value, se=se, df=df, method=DIFFERENCE)


def welch_df(ses, dfs) -> float:
    """Return the degrees of freedom of a sum of independent estimates.

    See `difference`.
    """
    ses, dfs = np.asarray(ses, float), np.asarray(dfs, float)
    if dfs.min() < ENOUGH_DF:
        return float(dfs.min())
    return float((ses**2).sum() ** 2 / (ses**4 / dfs).sum())


def mean_change(changes: Sequence[Estimate]) -> Estimate:
    """Return the plain mean of independent estimates that have an interval.

    Examples
    --------
    >>> found = mean_change([Estimate(value=v, se=0.3, df=4) for v in (0.1, 0.3)])
    >>> print(f"{found.value:.1f}, standard error {found.se:.3f}, df {found.df:.0f}")
    0.2, standard error 0.212, df 8
    """
    known = [c for c in changes if _has_interval(c)]
    if not known:
        return not_known("no curve with an interval")
    ses = [c.se for c in known]
    return Estimate(
        value=sum(c.value for c in known) / len(known),
        se=hypot(*ses) / len(known),
        df=welch_df(ses, [c.df for c in known]),
        method=MEAN_CHANGE,
    )


def season_setting(loaded: float, bias: Estimate) -> Estimate:
    """Return the absolute offset a season calls for: the one loaded less the bias."""
    if not isfinite(loaded):
        return not_known("the offset loaded is not known")
    return replace(bias, value=loaded - bias.value)


def _has_interval(estimate: Estimate) -> bool:
    """Say whether an estimate has a finite standard error and df."""
    return estimate.known and estimate.se > 0 and 0 < estimate.df < inf


# ---- earlier seasons as their folders have them


@dataclass(frozen=True, kw_only=True, eq=False)
class EarlierSeason:
    """The curves of an earlier season: `curves` has the columns NEEDED and OPTIONAL.

    `name` is that of the output folder, which is the season's.
    """

    name: str
    curves: pd.DataFrame


def read_earlier(folder: str | Path) -> tuple[EarlierSeason | None, str]:
    """Return an earlier season's curves, or None and why they cannot be read.

    Parameters
    ----------
    folder : str or Path
        Output folder of an earlier run, with its curves.csv.
    """
    folder = Path(folder)
    path, place = folder / CURVES_FILE, f"{folder.resolve().name}/{CURVES_FILE}"
    try:
        table = pd.read_csv(path, dtype={name: str for name in ("curve", "crop")})
    except OSError as error:
        return None, f"{place} cannot be opened: {error.strerror or error}"
    except (ValueError, UnicodeDecodeError) as error:
        return None, f"{place} is not readable as CSV: {str(error).splitlines()[0]}"
    lacking = [name for name in NEEDED if name not in table]
    if lacking:
        return None, f"{place} lacks the column(s) {', '.join(lacking)}"
    for name in NUMBERS:
        table[name] = pd.to_numeric(table[name], errors="coerce")
    for name in OPTIONAL:
        table[name] = table.get(name, pd.Series(pd.NA, index=table.index)).astype("str")
    # Without the apostrophe that `outputs.defused` put before a risky name.
    risky = table["curve"].str.match(r"'[=+\-@\t\r]", na=False)
    table["curve"] = table["curve"].mask(risky, table["curve"].str.slice(1))
    table = table.drop_duplicates("curve", keep="last")
    return EarlierSeason(name=folder.resolve().name, curves=table), ""


def read_all_earlier(season: str, folders: Iterable[str | Path]):
    """Return the earlier seasons that can be used, and why others are not.

    A season given twice, under whatever name of its folder, counts once: its errors
    would otherwise pass for those of several years.
    """
    past: list[EarlierSeason] = []
    unread = []
    for folder in folders:
        found, why = read_earlier(folder)
        if found is not None:
            why = _why_not_used(found, season, past)
        if found is None or why:
            unread.append(why)
        else:
            past.append(found)
    return past, unread


def _why_not_used(found: EarlierSeason, season: str, past) -> str:
    """Say why a season that can be read is not used; empty if it is."""
    if found.name == season:
        return f"{found.name} is this very season"
    for other in past:
        if found.name == other.name:
            return f"{found.name} was given more than once and is counted once"
        if found.curves.equals(other.curves):
            return f"{found.name} holds the same curves as {other.name}, counted once"
    return ""


def earlier_folders(place: str | Path) -> list[Path]:
    """Return the output folders of earlier seasons that lie in a folder, by name.

    None if `place` is empty; folders without a curves.csv are passed over.
    """
    if not str(place):
        return []
    if Path(place).suffix == ".path":  # a file beside a run's notebooks
        return folders_named(Path(place))
    return sorted(path.parent for path in Path(place).glob(f"*/{CURVES_FILE}"))


# ---- histories


@dataclass(frozen=True, kw_only=True)
class OffsetHistory:
    """The offset of a curve, or the change of a sensor, season by season.

    Attributes
    ----------
    name : str
        The curve or the sensor.
    seasons : tuple of str
        In order of time, this one last.
    values : tuple of Estimate
        For a curve the absolute setting each season called for, loaded − bias; for
        a sensor the mean change, −bias. [% moisture]
    expected : Estimate
        This season's value as the earlier ones predict it; its interval is a
        prediction interval. Not known under `ENOUGH_SEASONS` earlier ones.
    shrunken : Estimate
        This season's value drawn towards `expected`; never in place of the own.
    remark : str
    """

    name: str
    seasons: tuple[str, ...]
    values: tuple[Estimate, ...]
    expected: Estimate
    shrunken: Estimate
    remark: str = ""

    @property
    def now(self) -> Estimate:
        """Value of this season. [% moisture]."""
        return self.values[-1]

    @property
    def departure(self) -> Estimate:
        """Value of this season less the expected one, both errors in it. [points].

        On the smaller of the two degrees of freedom: its 95 % interval holds 0 in 94
        to 100 % of seasons no different from 3 to 6 earlier ones (simulated); with
        those of Welch and Satterthwaite it would in 91 %.
        """
        found = difference(self.now, self.expected)
        return replace(found, df=min(self.now.df, self.expected.df))

    def within(self, level: float = 0.95) -> bool | None:
        """Say whether this season's value lies within what was predicted.

        None where that is not known.
        """
        ends = self.departure.interval(level)
        return ends.holds(0.0) if isfinite(ends.low) else None


def offset_history(
    name: str, seasons: Sequence[str], values: Sequence[Estimate], remark: str = ""
) -> OffsetHistory:
    """Return what earlier seasons say of this season's offset.

    Estimand of `expected`: the offset of one more season, the true offsets of the
    seasons being draws from one normal population. A curve that was rebuilt, or a
    sensor that was replaced, begins another one.

    Parameters
    ----------
    name : str
    seasons : sequence of str
        In order of time, this one last.
    values : sequence of Estimate
        One for each season; those without an interval take no part.

    Examples
    --------
    >>> past = [Estimate(value=v, se=0.1, df=9) for v in (0.1, 0.3, 0.2)]
    >>> now = Estimate(value=0.9, se=0.1, df=9)
    >>> found = offset_history("maize", ["22", "23", "24", "25"], [*past, now])
    >>> found.within(), round(found.expected.value, 2)
    (False, 0.2)
    """
    known = [v for v in values[:-1] if _has_interval(v)]
    expected = not_known(
        f"{len(known)} earlier season(s) with an interval; {ENOUGH_SEASONS} are needed"
    )
    if len(known) >= ENOUGH_SEASONS:
        columns = [(v.value, v.se, v.df) for v in known]
        expected = pool_offsets(*np.array(columns).T).new_curve
    return OffsetHistory(
        name=name,
        seasons=tuple(seasons),
        values=tuple(values),
        expected=expected,
        shrunken=_shrunken(values[-1], expected),
        remark=remark,
    )


def _shrunken(now: Estimate, expected: Estimate) -> Estimate:
    """Return this season's value drawn towards the expected one by their errors.

    The degrees of freedom are the smaller of the two, on the safe side.
    """
    if not expected.known or not now.se > 0:
        return not_known(expected.remark or now.remark)
    own, prior = now.se**2, expected.se**2
    return Estimate(
        value=(prior * now.value + own * expected.value) / (own + prior),
        se=sqrt(own * prior / (own + prior)),
        df=min(now.df, expected.df),
        method=SHRUNKEN,
    )


def curve_history(
    curve: str,
    season: str,
    now: Estimate,
    earlier: Sequence[EarlierSeason],
    built_on: str = "",
) -> OffsetHistory:
    """Return a curve's history by its name, in terms of the absolute setting.

    `now` is the setting this season calls for. An earlier season that knows of
    another day than `built_on` is of another curve, and takes no part.
    """
    seasons, values, rebuilt = [], [], []
    for past in earlier:
        row: Any
        for row in past.curves[past.curves["curve"] == curve].itertuples():
            then = row.built_on
            if built_on and isinstance(then, str) and then[:10] != built_on:
                rebuilt.append(past.name)
                continue
            seasons.append(past.name)
            values.append(_called_for(row, row.offset_loaded))
    remark = f"rebuilt since {', '.join(rebuilt)}, not counted" if rebuilt else ""
    return offset_history(curve, [*seasons, season], [*values, now], remark)


def _called_for(row: Any, loaded: float) -> Estimate:
    """Return the offset a row of curves.csv calls for, from one already loaded."""
    if not (isfinite(row.bias) and isfinite(loaded)):
        return not_known("bias or offset loaded not known")
    return Estimate(value=loaded - row.bias, se=row.bias_se, df=row.bias_df)


def sensor_history(
    sensor: str,
    season: str,
    now: Sequence[Estimate],
    earlier: Sequence[EarlierSeason],
    sensor_of: dict[str, str],
    apart: Collection[str] = (),
) -> OffsetHistory:
    """Return a sensor's history: the mean change of its curves, season by season.

    Settings of two crops cannot be compared; what a sensor lost or gained since the
    last one moves all of its curves.

    Parameters
    ----------
    sensor, season : str
    now : sequence of Estimate
        Change each of its curves calls for this season, −bias.
    earlier : sequence of EarlierSeason
    sensor_of : dict of str
        This season's sensor of each curve, for files that do not name it.
    apart : collection of str
        Curves recorded in parallel: their errors are another curve's over again.
    """
    seasons, values = [], []
    for past in earlier:
        table = past.curves[~past.curves["curve"].isin(apart)]
        named = table["sensor"].fillna(table["curve"].map(sensor_of))
        changes = [_called_for(row, 0.0) for row in table[named == sensor].itertuples()]
        if any(change.known for change in changes):
            seasons.append(past.name)
            values.append(mean_change(changes))
    return offset_history(sensor, [*seasons, season], [*values, mean_change(now)])
