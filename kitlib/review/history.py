"""What earlier seasons' output folders say of their curves.

The offset of a curve as loaded, as set up, and as the season asks for it.

A curve's offset over the seasons, and whether this season's is out of the way.
"""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite, sqrt
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.intake.settings import folders_named
from kitlib.statistics.pooling import pool_offsets
from kitlib.words.estimates import Estimate, combined_se, not_known

CURVES_FILE = "curves.csv"
NEEDED = ("curve", "crop", "offset_loaded", "bias", "bias_se", "bias_df")
OPTIONAL = ("sensor", "built_on")


@dataclass(frozen=True, kw_only=True, eq=False)
class EarlierSeason:
    """The curves of an earlier season, as its output folder has them.

    Attributes
    ----------
    name : str
        Name of the folder, which is the season's.
    curves : DataFrame
        Columns `NEEDED`, and those of `OPTIONAL`, empty where the file lacks them.
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
    for name in NEEDED[2:]:
        table[name] = pd.to_numeric(table[name], errors="coerce")
    for name in OPTIONAL:
        table[name] = table.get(name, pd.Series(pd.NA, index=table.index)).astype("str")
    table["curve"] = _plain(table["curve"])
    table = table.drop_duplicates("curve", keep="last")
    return EarlierSeason(name=folder.resolve().name, curves=table), ""


def _plain(cells: pd.Series) -> pd.Series:
    """Return texts without the apostrophe that keeps a spreadsheet from running them.

    See `kitlib.intake.outputs.defused`.
    """
    risky = cells.str.match(r"'[=+\-@\t\r]", na=False)
    return cells.mask(risky, cells.str.slice(1))


def earlier_folders(place: str | Path) -> list[Path]:
    """Return the output folders of earlier seasons that lie in a folder, by name.

    Or those that a `.path` file names, in its order; none if `place` is empty.
    Folders without a curves.csv are passed over.
    """
    if not str(place):
        return []
    if Path(place).suffix == ".path":
        return folders_named(Path(place))
    return sorted(path.parent for path in Path(place).glob(f"*/{CURVES_FILE}"))


DIFFERENCE = "difference of two estimates, Welch-Satterthwaite df"
ENOUGH_DF = 3  # for Welch and Satterthwaite, by own simulation: see `difference`


def difference(first: Estimate, second: Estimate) -> Estimate:
    """Return first - second, two independent estimates of one unit.

    Not known where either value is not; without an interval where either has none.

    Notes
    -----
    Degrees of freedom after Welch and Satterthwaite; where either estimate has
    under 3, the smaller of the two: theirs would cover 89 to 97 % there instead of
    95 (own simulation), and 94 to 96 % from 3 on.

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
    se = combined_se(first.se, second.se)
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


@dataclass(frozen=True, kw_only=True)
class Settings:
    """The offset of a curve as it was loaded, as set up, and as the season asks.

    Attributes
    ----------
    loaded : float
        As the register has it; nan if not known. [% moisture]
    at_setup, by_season : Estimate
        What the set-up runs and what the season's samples ask for. [% moisture]
    """

    loaded: float
    at_setup: Estimate
    by_season: Estimate

    @property
    def misloaded(self) -> Estimate:
        """Setting loaded, less what the set-up runs asked for. [% moisture]."""
        if not isfinite(self.loaded):
            return not_known("the offset loaded is not known")
        return replace(self.at_setup, value=self.loaded - self.at_setup.value)

    @property
    def moved(self) -> Estimate:
        """What the season asks for, less what the set-up runs did. [% moisture]."""
        return difference(self.by_season, self.at_setup)


def season_setting(loaded: float, bias: Estimate) -> Estimate:
    """Return the absolute offset a season asks for: the one loaded less the bias."""
    if not isfinite(loaded):
        return not_known("the offset loaded is not known")
    return replace(bias, value=loaded - bias.value)


# A prediction from fewer seasons has hardly an end.
ENOUGH_SEASONS = 3
SHRUNKEN = "shrunk towards earlier seasons, normal prior by REML, Hartung-Knapp"
MEAN_CHANGE = "mean over the sensor's curves"


@dataclass(frozen=True, kw_only=True)
class OffsetHistory:
    """What each season asked of a curve's offset, or of a sensor's change.

    Attributes
    ----------
    name : str
        The curve or the sensor.
    seasons : tuple of str
        In order of time, this one last.
    values : tuple of Estimate
        For a curve the absolute setting each season asked for, loaded − bias; for
        a sensor the mean change asked for, −bias. [% moisture]
    expected : Estimate
        This season's value as the earlier ones foretell it; its interval is a
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
        to 100 % of seasons no different from 3 to 6 earlier ones (own simulation);
        with those of Welch and Satterthwaite it would in 91 %.
        """
        found = difference(self.now, self.expected)
        return replace(found, df=min(self.now.df, self.expected.df))

    def within(self, level: float = 0.95) -> bool | None:
        """Say whether this season's value lies within what has been seen.

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


def _has_interval(estimate: Estimate) -> bool:
    """Say whether an estimate has a finite standard error and df."""
    return estimate.known and estimate.se > 0 and 0 < estimate.df < inf


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

    Parameters
    ----------
    curve, season : str
        The curve and this season's name.
    now : Estimate
        The setting this season asks for.
    earlier : sequence of EarlierSeason
        The earliest first.
    built_on : str
        Day the curve was built; an earlier season that knows of another day is of
        another curve, and takes no part.
    """
    seasons, values, rebuilt = [], [], []
    for past in earlier:
        row = past.curves[past.curves["curve"] == curve]
        if row.empty:
            continue
        row = row.iloc[0]
        then = row["built_on"]
        if built_on and isinstance(then, str) and then[:10] != built_on:
            rebuilt.append(past.name)
            continue
        seasons.append(past.name)
        values.append(_asked(row, row["offset_loaded"]))
    remark = f"rebuilt since {', '.join(rebuilt)}, not counted" if rebuilt else ""
    return offset_history(curve, [*seasons, season], [*values, now], remark)


def _asked(row, loaded: float) -> Estimate:
    """Return the offset a row of curves.csv asks for, from one already loaded."""
    if not isfinite(row["bias"]) or not isfinite(loaded):
        return not_known("bias or offset loaded not known")
    se = row["bias_se"]
    return Estimate(value=loaded - row["bias"], se=se, df=row["bias_df"])


def sensor_history(
    sensor: str,
    season: str,
    now: Sequence[Estimate],
    earlier: Sequence[EarlierSeason],
    sensor_of: dict[str, str],
    apart: Collection[str] = (),
) -> OffsetHistory:
    """Return a sensor's history: the mean change its curves asked for each season.

    Settings of two crops cannot be compared; what a sensor lost or gained since the
    last one moves all of its curves.

    Parameters
    ----------
    sensor, season : str
    now : sequence of Estimate
        Change each of its curves asks for this season, −bias.
    earlier : sequence of EarlierSeason
    sensor_of : dict of str
        This season's sensor of each curve, for files that do not name it.
    apart : collection of str
        Curves recorded in parallel: their errors are another curve's over again.
    """
    seasons, values = [], []
    for past in earlier:
        named = past.curves["sensor"].where(past.curves["sensor"].notna())
        named = named.fillna(past.curves["curve"].map(sensor_of))
        rows = past.curves[(named == sensor) & ~past.curves["curve"].isin(apart)]
        changes = [_asked(row, 0.0) for _, row in rows.iterrows()]
        if any(change.known for change in changes):
            seasons.append(past.name)
            values.append(mean_change(changes))
    return offset_history(sensor, [*seasons, season], [*values, mean_change(now)])


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
    k = len(known)
    se = combined_se(*(c.se for c in known)) / k
    df = welch_df([c.se for c in known], [c.df for c in known])
    value = sum(c.value for c in known) / k
    return Estimate(value=value, se=se, df=df, method=MEAN_CHANGE)
