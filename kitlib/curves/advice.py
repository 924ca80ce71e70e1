"""What to do with a curve next season: one word, an offset and the reason."""

from dataclasses import dataclass
from math import isfinite, nan

from kitlib.curves.audit import CurveAudit
from kitlib.curves.corrections import (
    LINE,
    MAKE,
    NONE,
    OFFSET,
    Correction,
    best_correction,
    rmsep_by_correction,
)
from kitlib.curves.evidence import BEYOND
from kitlib.curves.rules import (
    SlopeVerdict,
    bands_named,
    flaws_after_correction,
    judged_gain,
    plots_agree,
    slope_verdict,
    what_would_settle_bias,
    what_would_settle_slope,
)
from kitlib.statistics.agreement import shown_within
from kitlib.statistics.estimates import Estimate, Interval
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, listed, round_to_step, show, show_span

KEEP, SHIFT, RESLOPE = "keep", "shift", "reslope"
REBUILD, UNRESOLVED = "rebuild", "unresolved"
ACTIONS = (KEEP, SHIFT, RESLOPE, REBUILD, UNRESOLVED)
# What an unresolved curve may leave open, besides a contradicted record, lab or swap.
BIAS, SLOPE = "bias", "slope"
# What next season's advice itself amounts to, for the readings of this one.
MEANT = {KEEP: NONE, SHIFT: OFFSET, RESLOPE: LINE}


@dataclass(frozen=True, kw_only=True, eq=False)
class Recommendation:
    """What to do with a curve, and why.

    Attributes
    ----------
    action : str
        keep, shift, reslope, rebuild or unresolved.
    open_question : str
        What an unresolved curve leaves open: bias, slope, record, lab or swap,
        several joined by "; "; empty for the other actions.
    reason : str
        One sentence or two, printed as they stand.
    offset : float
        −bias: what to add to a reading as recorded. [% moisture]
    interval : Interval
        Its interval, clustered by trial.
    new_setting : float
        Offset to load next season, in steps of the setting; nan where no single
        number is recommended.
    bias_left : Estimate
        Bias left once `new_setting` is loaded; not known without one. [% moisture]
    chance_within : float
        Chance that the bias left after loading `new_setting` (or, without one, the
        exact offset) is inside the allowed bias, for trials like this season's: the
        posterior of a flat prior.
    rmsep_before, rmsep_after : float
        On trials left out, without change and with `correction`.
    correction : Correction
        What this season's readings are corrected by: whatever does best on trials
        left out.
    provisional : bool
        Whether `correction` is only the best there is, not what is recommended.
    more : str
        For unresolved curves: what would settle it.
    """

    curve: str
    action: str
    open_question: str = ""
    reason: str
    offset: float
    interval: Interval
    new_setting: float = nan
    bias_left: Estimate
    chance_within: float
    rmsep_before: float
    rmsep_after: float
    correction: Correction
    provisional: bool = False
    more: str = ""


def recommend(audit: CurveAudit) -> Recommendation:
    """Return what to do with a curve.

    The rules in the order they are asked, first that holds:

    1. unresolved, where no interval of the bias is known, or where an offset record,
       a lab or a swap of curves contradicts the readings;
    2. rebuild, where the SEP is beyond its limit, a band is shown beyond tolerance, or
       the relation is shown bent by more than the allowed bias, after the best
       correction;
    3. reslope, where the gain is shown to differ from 1 over the harvested plots and
       within trials, trials left out fare better with a line, and trials and moistures
       are enough; unresolved, where only these are too few;
    4. keep, where the bias is shown to be inside the allowed bias and no band is shown
       beyond tolerance;
    5. shift, where the interval of the bias leaves out zero, on the samples and over
       the harvested plots;
    6. unresolved.

    Whatever the action, this season's readings are corrected by the best of no change,
    an offset and a line on trials left out; those of a curve without an interval, or
    with a contradiction, are not.

    Parameters
    ----------
    audit : CurveAudit
    """
    if not isfinite(audit.bias.se) or audit.n_trials < threshold("trials_for_bias"):
        said, more = _why_no_interval(audit), what_would_settle_bias(audit)
        return _made(audit, UNRESOLVED, said, BIAS, more, by=NONE)
    if audit.contradictions:
        return _contradicted(audit)
    flaws = flaws_after_correction(audit)
    if flaws:
        return _made(audit, REBUILD, _flawed(audit, flaws))
    slope = slope_verdict(audit)
    if slope.needed:
        return _made(audit, RESLOPE, _sloped(audit))
    if slope.open:
        said, more = _slope_open(audit, slope), what_would_settle_slope(audit)
        return _made(audit, UNRESOLVED, said, SLOPE, more)
    within = shown_within(audit.bias, audit.allowed_bias)
    beyond = bands_named(audit.bands.loc[audit.bands["verdict"] == BEYOND, "band_low"])
    if within and not beyond:
        return _made(audit, KEEP, _kept(audit), change=0.0)
    if not audit.bias.interval(audit.settings.confidence).holds(0.0):
        if plots_agree(audit):
            said = _shifted(audit, within, beyond)
            return _made(audit, SHIFT, said, change=-audit.bias.value)
        said = _picked(audit)
    else:
        said = _bias_open(audit, within, beyond)
    return _made(audit, UNRESOLVED, said, BIAS, what_would_settle_bias(audit))


def _made(
    audit: CurveAudit,
    action: str,
    reason: str,
    question: str = "",
    more: str = "",
    *,
    change: float = nan,
    by: str = "",
) -> Recommendation:
    """Fill in what every recommendation carries.

    `change` is what is added to the offset loaded, `by` the correction of this season
    where it is not the best one.
    """
    by = by or best_correction(audit)
    rmsep, bias = rmsep_by_correction(audit), audit.bias
    loaded, setting = audit.register["offset_loaded"], _setting(audit, change)
    left = bias.value + setting - loaded
    kept = Estimate(value=left, se=bias.se, df=bias.df, method=bias.method)
    if isfinite(setting) and action in (KEEP, SHIFT):
        ends = show_span(*kept.interval(audit.settings.confidence), 2, True)
        if action == SHIFT:
            reason += f" With {show(setting, sign=True)} loaded, the bias left is "
            reason += f"{show(left, sign=True)} points ({ends})."
    exact = left if isfinite(setting) else 0.0
    allowed, away = audit.allowed_bias, exact - bias.value
    return Recommendation(
        curve=audit.curve,
        action=action,
        open_question=question,
        reason=reason,
        offset=-bias.value + 0.0,
        interval=bias.interval(audit.settings.confidence).mirrored(),
        new_setting=setting,
        bias_left=kept,
        chance_within=bias.chance_within(-allowed - away, allowed - away),
        rmsep_before=rmsep.get(NONE, nan),
        rmsep_after=rmsep.get(by, nan),
        correction=MAKE[by](audit),
        provisional=by != MEANT.get(action, NONE),
        more=more,
    )


def _setting(audit: CurveAudit, change: float) -> float:
    """Return the setting to load, nan where the one in force is not known."""
    loaded = audit.register["offset_loaded"]
    if audit.register["offset_mixed"] or not isfinite(loaded + change):
        return nan
    return round_to_step(loaded + change, audit.settings.setting_step)


def _samples_in_words(audit: CurveAudit) -> str:
    """Return how many samples and trials there are."""
    trials = counted(audit.n_trials, "trial")
    return f"{counted(audit.n, 'sample')} in {trials}"


def bias_in_words(audit: CurveAudit) -> str:
    """Return the bias, its interval and what it rests on as a phrase."""
    level = audit.settings.confidence
    ends = show_span(*audit.bias.interval(level), 2, True)
    return (
        f"bias, {show(audit.bias.value, sign=True)} points ({level:.0%} interval {ends}"
        f"; {_samples_in_words(audit)})"
    )


def _allowed(audit: CurveAudit) -> str:
    """Return the allowed bias as a phrase."""
    return f"the allowed ±{show(audit.allowed_bias)}"


def _corrected_by(audit: CurveAudit) -> str:
    """Say what this season's readings are corrected by."""
    name = best_correction(audit)
    how = {NONE: "left as they are", OFFSET: "corrected by the offset"}
    said = how.get(name, "corrected by the line")
    return f"This season's moistures are {said}, which does best on trials left out."


def _kept(audit: CurveAudit) -> str:
    """Say why the setting is kept, and if the bias is real but too small."""
    span = show_span(*audit.bias.interval(0.9), 2, True)
    said = (
        f"The {bias_in_words(audit)}, is shown to be within {_allowed(audit)} (90% "
        f"interval {span})."
    )
    if not audit.bias.interval(audit.settings.confidence).holds(0.0):
        said += " The bias is real but too small to matter."
    return said


def _shifted(audit: CurveAudit, within: bool, beyond: list[str]) -> str:
    """Say why an offset is to be added."""
    said = f"The {bias_in_words(audit)}, is significant"
    if within:
        said += f" although within {_allowed(audit)}, and the mean error at "
        said += f"{listed(beyond)} is beyond tolerance"
    else:
        said += f" and is not shown to be within {_allowed(audit)}"
    said += f"; add {show(-audit.bias.value, sign=True)} points."
    if not isfinite(_setting(audit, 0.0)):
        said += " No new setting is given: the offset in force is not known."
    return said


def _gain_in_words(audit: CurveAudit) -> str:
    """Return the gain, over the plots and within trials, as a phrase."""
    level, gain = audit.settings.confidence, judged_gain(audit)
    within = audit.gain_by_trials.within
    said = f"{show(gain.value, 3)} ({show_span(*gain.interval(level), 3)})"
    if within.known:
        ends = show_span(*within.interval(level), 3)
        said += f", within trials {show(within.value, 3)} ({ends})"
    return said


def _line_pays(audit: CurveAudit) -> str:
    """Say how much a line does better on trials left out."""
    rmsep = rmsep_by_correction(audit)
    return (
        f"on trials left out a line brings RMSEP from {show(rmsep[OFFSET])} with an "
        f"offset to {show(rmsep[LINE])}"
    )


def _sloped(audit: CurveAudit) -> str:
    """Say why a slope is needed, and give the line."""
    line = audit.line
    if line is None:
        raise ValueError(f"curve {audit.curve} has no line, so none can be advised.")
    return (
        f"The sensor's gain is {_gain_in_words(audit)}, and {_line_pays(audit)}. "
        f"Corrected = {show(line.intercept.value, 3)} + {show(line.slope.value, 4)} × "
        f"reading, from {show(line.low, 1)} to {show(line.high, 1)} %."
    )


def _slope_open(audit: CurveAudit, slope: SlopeVerdict) -> str:
    """Say that a clear slope is left open, and what it lacks."""
    return (
        f"The sensor's gain is {_gain_in_words(audit)}, and {_line_pays(audit)}; but a "
        f"slope asks for {listed(slope.lacks)}. {_corrected_by(audit)}"
    )


def _flawed(audit: CurveAudit, flaws: list[str]) -> str:
    """Say what no offset and no slope would mend."""
    said = "; ".join(flaws)
    return f"{said[0].upper()}{said[1:]}. {_corrected_by(audit)}"


def _contradicted(audit: CurveAudit) -> Recommendation:
    """Return unresolved: what is on record and what was read cannot both be right."""
    found = audit.contradictions
    questions = "; ".join(dict.fromkeys(one.question for one in found))
    said = " ".join(one.said for one in found)
    said += " Until this is settled the readings are not corrected."
    more = " ".join(dict.fromkeys(one.look_up for one in found))
    return _made(audit, UNRESOLVED, said, questions, more, by=NONE)


def _why_no_interval(audit: CurveAudit) -> str:
    """Say why the samples cannot say how well the bias is known."""
    why = audit.bias.remark or "no interval of the bias is known"
    bias = show(audit.bias.value, sign=True)
    return f"The bias is {bias} points ({_samples_in_words(audit)}), but {why}."


def _picked(audit: CurveAudit) -> str:
    """Say that the samples show a bias and the harvested plots do not."""
    over_plots = audit.coverage.bias if audit.coverage else audit.bias
    ends = show_span(*over_plots.interval(audit.settings.confidence), 2, True)
    return (
        f"The {bias_in_words(audit)}, is significant, but over the readings of the "
        f"harvested plots it is {show(over_plots.value, sign=True)} ({ends}): the "
        "samples may have been chosen by their readings."
    )


def _bias_open(audit: CurveAudit, within: bool, beyond: list[str]) -> str:
    """Say what the samples leave open."""
    if within:
        return (
            f"The {bias_in_words(audit)}, is shown to be within {_allowed(audit)}, but "
            f"the mean error at {listed(beyond)} is beyond tolerance and a slope is "
            "not shown."
        )
    return (
        f"The {bias_in_words(audit)}, is not significant, but is not shown to be "
        f"within {_allowed(audit)} either."
    )
