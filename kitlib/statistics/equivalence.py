"""Equivalence: whether a bias is shown to lie inside an allowed bias."""

from dataclasses import dataclass
from math import isnan

from kitlib.words.estimates import Estimate, Interval


@dataclass(frozen=True, kw_only=True)
class Equivalence:
    """Whether a bias is shown to lie inside plus or minus a margin.

    Attributes
    ----------
    shown : bool
        Whether the whole interval lies inside the margin.
    interval : Interval
        Interval of the bias at level 1 - 2 alpha. [% moisture]
    margin, level : float
        Largest bias allowed [% moisture], and 1 - alpha.
    remark : str
        Why it cannot be judged, if it cannot.
    """

    shown: bool
    interval: Interval
    margin: float
    level: float
    remark: str = ""

    @property
    def beyond(self) -> bool:
        """Whether the whole interval lies outside the margin, on one side."""
        return self.interval.low > self.margin or self.interval.high < -self.margin

    @property
    def sentence(self) -> str:
        """The verdict in words, to be printed unchanged."""
        if self.remark:
            return f"equivalence cannot be judged: {self.remark}"
        low, high = self.interval
        span = (
            f"the {100 * (2 * self.level - 1):g} % interval of the bias, "
            f"{low:+.2f} to {high:+.2f} % moisture,"
        )
        if self.shown:
            return f"{span} lies inside ±{self.margin:.2f}: equivalence is shown"
        where = "lies outside" if self.beyond else "reaches beyond"
        return f"{span} {where} ±{self.margin:.2f}: equivalence is not shown"


def equivalence(bias: Estimate, margin: float, level: float = 0.95) -> Equivalence:
    """Say whether a bias is shown to lie inside plus or minus a margin.

    Two one-sided tests at 1 - `level`: both are passed where the interval at
    2 `level` - 1, such as 90 %, lies inside the margin.

    Parameters
    ----------
    bias : Estimate
        With its standard error and degrees of freedom. [% moisture]
    margin : float
        Largest bias allowed, more than 0. [% moisture]
    level : float
        1 - the chance of calling a bias at the margin equivalent.

    Returns
    -------
    Equivalence
        Not shown, and saying why, where the bias has no interval.

    References
    ----------
    .. [1] Schuirmann, J. Pharmacokinetics and Biopharmaceutics 15 (1987) 657-680.

    Examples
    --------
    >>> equivalence(Estimate(value=0.1, se=0.1, df=9), margin=0.4).sentence
    'the 90 % interval of the bias, -0.08 to +0.28 % moisture, lies inside ±0.40: \
equivalence is shown'
    """
    if not margin > 0:
        raise ValueError(f"equivalence: margin is {margin}; expected more than 0.")
    if not 0.5 < level < 1:
        raise ValueError(f"equivalence: level is {level}; expected 0.5 to 1.")
    interval = bias.interval(2 * level - 1)
    remark = ""
    if isnan(interval.low):
        remark = bias.remark or "the bias has no interval"
    return Equivalence(
        shown=interval.inside(margin),
        interval=interval,
        margin=margin,
        level=level,
        remark=remark,
    )
