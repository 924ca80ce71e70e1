"""What to do with a curve next season: one word, an offset and the reason."""

from dataclasses import dataclass
from math import isfinite, nan

from kitlib.curves.audit import CurveAudit
from kitlib.curves.corrections import (
    Correction,
    flaws_after_correction,
    judged_gain,
    line_correction,
    no_correction,
    offset_correction,
    plots_agree,
    slope_is_needed,
    what_would_settle,
)
from kitlib.curves.evidence import BEYOND
from kitlib.intake.settings import Season
from kitlib.statistics.agreement import shown_within
from kitlib.words.estimates import Interval
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, listed, round_to_step, show, show_span

KEEP, SHIFT, RESLOPE = "keep", "shift", "reslope"
REBUILD, UNRESOLVED = "rebuild", "unresolved"
ACTIONS = (KEEP, SHIFT, RESLOPE, REBUILD, UNRESOLVED)


@dataclass(frozen=True, kw_only=True, eq=False)
class Recommendation:
    """What to do with a curve, and why.

    Attributes
    ----------
    action : str
        keep, shift, reslope, rebuild or unresolved.
    reason : str
        One sentence or two, printed as they stand.
    offset : float
        −bias: what to add to a reading as recorded. [% moisture]
    interval : Interval
        Its interval, clustered by trial.
    new_setting : float
        Offset to load next season, in steps of the setting; nan where no single
        number is recommended.
    chance_within : float
        Chance that the bias left after loading `new_setting` (or, without one,
        the exact offset) is inside the allowed bias.
    rmsep_before, rmsep_after : float
        On trials left out, without change and with what is recommended.
    correction : Correction
        What this season's readings are corrected by.
    provisional : bool
        Whether `correction` is only the best there is, not what is recommended.
    more : str
        For unresolved curves: how many more samples would settle it.
    """

    curve: str
    action: str
    reason: str
    offset: float
    interval: Interval
    new_setting: float
    chance_within: float
    rmsep_before: float
    rmsep_after: float
    correction: Correction
    provisional: bool = False
    more: str = ""


def recommend(audit: CurveAudit) -> Recommendation:
    """Return what to do with a curve.

    The rules in the order they are asked, first that holds:

    1. unresolved, where no interval of the bias is known;
    2. rebuild, where after the best correction the SEP is shown to be beyond its
       limit, a band is beyond tolerance, or the relation is bent by more than the
       allowed bias;
    3. reslope, where the samples allow a slope to be judged, the gain is shown to
       differ from 1 and trials left out fare better with a line;
    4. keep, where the bias is shown to be inside the allowed bias and no band is
       beyond tolerance;
    5. shift, where the interval of the bias leaves out zero;
    6. unresolved.

    Samples picked by their readings show another bias and gain than the harvest
    has. So shift asks the bias over the harvested plots to agree, and reslope
    judges the gain over them, where the plots' readings are known.

    Parameters
    ----------
    audit : CurveAudit
    """
    season = audit.settings
    if not isfinite(audit.bias.se) or audit.n_trials < threshold("trials_for_bias"):
        return _unresolved(audit, season, _why_no_interval(audit))
    flaws = flaws_after_correction(audit, season)
    if flaws:
        return _rebuild(audit, season, flaws)
    if slope_is_needed(audit, season):
        return _reslope(audit, season)
    shown = shown_within(audit.bias, audit.allowed_bias)
    beyond = list(audit.bands.loc[audit.bands["verdict"] == BEYOND, "band_low"])
    if shown and not beyond:
        return _keep(audit, season)
    if not audit.bias.interval(season.confidence).holds(0.0):
        if plots_agree(audit, season):
            return _shift(audit, season)
        return _unresolved(audit, season, _why_picked(audit, season))
    return _unresolved(audit, season, _why_open(audit, season, shown, beyond))


def _made(audit, season, action, reason, correction, after, **more) -> Recommendation:
    """Fill in what every recommendation carries."""
    new_setting = more.pop("new_setting", nan)
    loaded = audit.register["offset_loaded"]
    added = new_setting - loaded if isfinite(new_setting) else -audit.bias.value
    allowed = audit.allowed_bias
    return Recommendation(
        curve=audit.curve,
        action=action,
        reason=reason,
        offset=-audit.bias.value + 0.0,
        interval=audit.bias.interval(season.confidence).mirrored(),
        new_setting=new_setting,
        chance_within=audit.bias.chance_within(-allowed - added, allowed - added),
        rmsep_before=audit.after.rmsep_none if audit.after else nan,
        rmsep_after=getattr(audit.after, after) if audit.after else nan,
        correction=correction,
        **more,
    )


def _setting(audit: CurveAudit, season: Season, offset: float) -> float:
    """Return the setting to load, nan where the one in force is not known."""
    if audit.register["offset_mixed"] or not isfinite(audit.register["offset_loaded"]):
        return nan
    return round_to_step(audit.register["offset_loaded"] + offset, season.setting_step)


def bias_in_words(audit: CurveAudit, season: Season) -> str:
    """Return the bias and its interval as a phrase."""
    ends = show_span(*audit.bias.interval(season.confidence), sign=True)
    return (
        f"bias {show(audit.bias.value, sign=True)} points "
        f"({season.confidence:.0%} interval {ends}) on "
        f"{counted(audit.n, 'sample')} of {counted(audit.n_trials, 'trial')}"
    )


def _keep(audit, season) -> Recommendation:
    """Return keep, saying when the bias is real but too small to matter."""
    span = show_span(*audit.bias.interval(0.9), sign=True)
    reason = (
        f"{bias_in_words(audit, season)}; its 90% interval {span} lies inside the "
        f"allowed ±{show(audit.allowed_bias)}."
    )
    if not audit.bias.interval(season.confidence).holds(0.0):
        reason += " The bias is real but too small to matter."
    loaded = _setting(audit, season, 0.0)
    correction = no_correction(audit)
    return _made(
        audit, season, KEEP, reason, correction, "rmsep_none", new_setting=loaded
    )


def _shift(audit, season) -> Recommendation:
    """Return shift: the offset takes the bias away."""
    setting = _setting(audit, season, -audit.bias.value)
    reason = (
        f"{bias_in_words(audit, season)} leaves out zero and is not shown to lie "
        f"inside the allowed ±{show(audit.allowed_bias)}; add "
        f"{show(-audit.bias.value, sign=True)} points."
    )
    if not isfinite(setting):
        reason += " No new setting is given: the offset in force is not known."
    correction = offset_correction(audit)
    return _made(
        audit, season, SHIFT, reason, correction, "rmsep_offset", new_setting=setting
    )


def _reslope(audit, season) -> Recommendation:
    """Return reslope: the correction is a line, not one setting."""
    line, after = audit.line, audit.after
    gain = judged_gain(audit)
    reason = (
        f"the sensor moves {show(gain.value, 3)} points per point of moisture "
        f"({show_span(*gain.interval(season.confidence), 3)}); on trials left out a "
        f"line brings RMSEP from {show(after.rmsep_offset)} with an offset to "
        f"{show(after.rmsep_line)}. Corrected = {show(line.intercept.value, 3)} + "
        f"{show(line.slope.value, 4)} × reading, from {show(line.low, 1)} to "
        f"{show(line.high, 1)} %."
    )
    correction = line_correction(audit)
    return _made(audit, season, RESLOPE, reason, correction, "rmsep_line")


def _rebuild(audit, season, flaws: list[str]) -> Recommendation:
    """Return rebuild, the readings corrected by the best there is for now."""
    by_line = slope_is_needed(audit, season)
    correction = line_correction(audit) if by_line else offset_correction(audit)
    after = "rmsep_line" if by_line else "rmsep_offset"
    best = "line" if by_line else "offset"
    reason = (
        f"{'; '.join(flaws)}. Moistures of this season are corrected by the best "
        f"{best} for now ({bias_in_words(audit, season)})."
    )
    reason = reason[0].upper() + reason[1:]
    return _made(audit, season, REBUILD, reason, correction, after, provisional=True)


def _unresolved(audit, season, why: str) -> Recommendation:
    """Return unresolved, with what would settle it."""
    return _made(
        audit,
        season,
        UNRESOLVED,
        why,
        no_correction(audit),
        "rmsep_none",
        more=what_would_settle(audit, season),
    )


def _why_no_interval(audit: CurveAudit) -> str:
    """Say why the samples cannot say how well the bias is known."""
    why = audit.bias.remark or "no interval of the bias is known"
    return (
        f"bias {show(audit.bias.value, sign=True)} points on "
        f"{counted(audit.n, 'sample')} of {counted(audit.n_trials, 'trial')}, but "
        f"{why}."
    )


def _why_picked(audit: CurveAudit, season: Season) -> str:
    """Say that the samples show a bias and the harvested plots do not."""
    over_plots = audit.coverage.bias
    ends = show_span(*over_plots.interval(season.confidence), sign=True)
    return (
        f"{bias_in_words(audit, season)} leaves out zero, but over the readings of "
        f"the harvested plots it is {show(over_plots.value, sign=True)} ({ends}): "
        "samples picked by their readings show a bias that the harvest may not have."
    )


def _why_open(audit, season, shown: bool, beyond: list[float]) -> str:
    """Say what the samples leave open."""
    if shown and beyond:
        names = listed([f"{low:g} to {low + 2:g} %" for low in beyond])
        return (
            f"{bias_in_words(audit, season)} lies inside the allowed "
            f"±{show(audit.allowed_bias)}, but the band {names} is beyond tolerance "
            "and the samples do not allow a slope to be judged."
        )
    return (
        f"{bias_in_words(audit, season)} holds zero and reaches beyond the allowed "
        f"±{show(audit.allowed_bias)}."
    )
