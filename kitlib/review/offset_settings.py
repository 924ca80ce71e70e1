"""The offset of a curve as loaded, as set up, and as the season asks for it."""

from dataclasses import dataclass, replace
from math import isfinite

import numpy as np

from kitlib.words.estimates import Estimate, combined_se, not_known

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
