"""What to do with a curve next season: one word, an offset and the reason."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, inf, isfinite, nan, sqrt

from scipy.stats import t as student_t

from kitlib.curves.audit import (
    BY_TUE,
    LINE,
    MAKE,
    NONE,
    OFFSET,
    Correction,
    CurveAudit,
    best_correction,
    rmsep_by_correction,
)
from kitlib.curves.evidence import BEYOND, audit_bands
from kitlib.statistics.agreement import shown_within
from kitlib.statistics.estimates import Estimate, Interval
from kitlib.statistics.sums import sep_interval, trial_sums
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, listed, round_to_step, show, show_span


def shown_apart(interval: Interval, value: float) -> int:
    """Return on which side of a value an interval lies: 1, -1, or 0 for neither."""
    return int(interval.low > value) - int(interval.high < value)


def judged_gain(audit: CurveAudit) -> Estimate:
    """Return the gain over the harvested plots, that of the samples without it."""
    over_plots = audit.coverage.gain if audit.coverage else None
    if over_plots is not None and isfinite(over_plots.se):
        return over_plots
    return audit.gain


@dataclass(frozen=True, kw_only=True)
class SlopeVerdict:
    """Whether a curve calls for a slope.

    Attributes
    ----------
    clear : bool
        The gain is shown to differ from 1, the line to differ from an offset, and
        trials left out fare better with it.
    between_only : bool
        The errors rise between trials and not within them: no slope of the sensor.
    lacks : tuple of str
        What a clear slope still lacks to be advised; empty if it is advised.
    """

    clear: bool
    between_only: bool
    lacks: tuple[str, ...]

    @property
    def needed(self) -> bool:
        """Whether a slope is advised."""
        return self.clear and not self.between_only and not self.lacks

    @property
    def open(self) -> bool:
        """Whether a clear slope is left open."""
        return self.clear and not self.between_only and bool(self.lacks)


def slope_verdict(audit: CurveAudit) -> SlopeVerdict:
    """Return whether the samples call for a slope, and what they lack if so.

    A slope that only differences between trials show is none of the sensor's: the
    gain within trials has to differ from 1 on the same side.
    """
    level, after = audit.settings.confidence, audit.after
    side = shown_apart(judged_gain(audit).interval(level), 1.0)
    by_trials = audit.gain_by_trials
    apart = shown_apart(by_trials.apart.interval(level), 0.0)
    clear = False
    if audit.line is not None and after is not None and side:
        tilts = shown_apart(audit.line.tilt.interval(level), 0.0) != 0
        clear = tilts and after.rmsep_line < min(after.rmsep_offset, after.rmsep_none)
    within = shown_apart(by_trials.within.interval(level), 1.0)
    return SlopeVerdict(
        clear=clear,
        between_only=apart != 0 and within != side,
        lacks=_lacking(audit, within == side) if clear else (),
    )


def _lacking(audit: CurveAudit, within_agrees: bool) -> tuple[str, ...]:
    """Return what a clear slope lacks to be advised."""
    wanted, lacks = audit.settings.trials_for_reslope, []
    if audit.n_trials < wanted:
        lacks.append(f"{wanted} trials (there are {audit.n_trials})")
    if audit.n < threshold("samples_for_line"):
        lacks.append(f"{threshold('samples_for_line'):g} samples (there are {audit.n})")
    if not (audit.spread_is_wide or audit.span >= threshold("span_for_reslope")):
        lacks.append("a wider range of moisture")
    if not within_agrees:
        lacks.append("the same gain shown within trials")
    return tuple(lacks)


def flaws_after_correction(audit: CurveAudit) -> list[str]:
    """Return, in words, what no offset and no slope would mend."""
    level, flaws = audit.settings.confidence, []
    if _sep_judged(audit) > audit.max_sep:
        flaws.append(
            f"its SEP, {show(audit.sep)} points ({show_span(*audit.sep_interval)}), is "
            f"above {show(audit.max_sep)}, {audit.max_sep_source}"
        )
    bend, ends = audit.curvature.value, audit.curvature.interval(level)
    if abs(bend) > audit.allowed_bias and shown_apart(ends, 0.0):
        flaws.append(
            f"its errors bend: in mid-range they are {show(bend, sign=True)} points "
            f"({show_span(ends.low, ends.high, sign=True)}) off a straight line"
        )
    beyond = _bands_beyond_after(audit)
    if beyond:
        flaws.append(
            f"the mean error at {listed(beyond)} is beyond tolerance even after the "
            "best correction"
        )
    return flaws


def _sep_judged(audit: CurveAudit) -> float:
    """Return the SEP to hold against its limit, as the best correction leaves it.

    A limit by F already allows for chance, so that the SEP itself is compared; a
    fixed limit is held against the low end of the SEP's interval.
    """
    line = audit.line if slope_verdict(audit).clear else None
    if audit.max_sep_source == BY_TUE:
        return min(audit.sep, line.residual_sd) if line else audit.sep
    low = audit.sep_interval.low
    if audit.line is None:
        return low
    s = audit.samples
    sums = trial_sums(audit.line.corrected(s.sensor), s.reference, s.trial)
    return min(low, sep_interval(sums, audit.settings.confidence).interval.low)


def _bands_beyond_after(audit: CurveAudit) -> list[str]:
    """Name the bands shown beyond tolerance once the best correction is made."""
    correction = MAKE[best_correction(audit)](audit)
    corrected = audit.samples.with_readings(correction.apply(audit.samples.sensor))
    bands = audit_bands(corrected, audit.tolerance, audit.settings.confidence)
    return bands_named(bands.loc[bands["verdict"] == BEYOND, "band_low"])


def bands_named(lows: Iterable[float]) -> list[str]:
    """Return bands of 2 points as a reader sees them."""
    return [f"{low:g} to {low + 2:g} %" for low in lows]


def plots_agree(audit: CurveAudit) -> bool:
    """Whether the bias over the harvested plots leaves out zero on the same side.

    True where it is not known: then nothing contradicts the samples.
    """
    if audit.coverage is None:
        return True
    ends = audit.coverage.bias.interval(audit.settings.confidence)
    if not isfinite(ends.low):
        return True
    return ends.low > 0 if audit.bias.value > 0 else ends.high < 0


MOST_TRIALS = 200


def what_would_settle_bias(audit: CurveAudit) -> str:
    """Return how many more samples and trials should settle the bias.

    Takes the SDs between and within trials as found, and as many samples a trial
    as there were; the bias as estimated. A forecast, not a promise.
    """
    parts = audit.components
    if parts is None or audit.n_trials < 2 or not isfinite(parts.sd_residual):
        return "Samples from at least two more trials are needed to say anything."
    a_trial = audit.n / audit.n_trials
    sd_trial = parts.sd_trial if isfinite(parts.sd_trial) else 0.0
    spread = sqrt(sd_trial**2 + parts.sd_residual**2 / a_trial)
    bias, allowed = abs(audit.bias.value), audit.allowed_bias
    tail = (1 + audit.settings.confidence) / 2
    for trials in range(max(audit.n_trials, 3), MOST_TRIALS + 1):
        se = spread / sqrt(trials)
        inside = bias + student_t.ppf(0.95, trials - 1) * se <= allowed
        if inside or bias > student_t.ppf(tail, trials - 1) * se:
            more = max(trials - audit.n_trials, 1)
            return (
                f"About {counted(ceil(more * a_trial), 'more sample')}, from at least "
                f"{counted(more, 'more trial')}, should settle the bias if it stays as "
                "found."
            )
    return (
        f"More than {MOST_TRIALS} trials would be needed: the bias lies too near the "
        "allowed bias."
    )


def what_would_settle_slope(audit: CurveAudit) -> str:
    """Return how many more trials should settle a slope that is left open.

    As many as a slope asks for, and as many as would show the gain within trials,
    its standard error falling with the root of the trials.
    """
    level, within = audit.settings.confidence, audit.gain_by_trials.within
    wanted = float(audit.settings.trials_for_reslope)
    if isfinite(within.se) and not shown_apart(within.interval(level), 1.0):
        away = abs(judged_gain(audit).value - 1)
        half = within.interval(level).high - within.value
        wanted = max(wanted, audit.n_trials * (half / away) ** 2 if away else inf)
    if wanted > MOST_TRIALS:
        return f"More than {MOST_TRIALS} trials would be needed to settle the slope."
    more = max(ceil(wanted) - audit.n_trials, 1)
    a_trial = ceil(audit.n / audit.n_trials)
    return (
        f"About {counted(more, 'more trial')} of {counted(a_trial, 'sample')} each "
        f"({audit.n_trials + more} in all), dry and wet plots in every one, should "
        "settle the slope."
    )


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
