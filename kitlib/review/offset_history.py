"""A curve's offset over the seasons, and whether this season's is out of the way."""

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace
from math import inf, isfinite, sqrt

import numpy as np

from kitlib.review.earlier_seasons import EarlierSeason
from kitlib.review.offset_settings import difference, welch_df
from kitlib.statistics.pooling import pool_offsets
from kitlib.words.estimates import Estimate, combined_se, not_known

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
