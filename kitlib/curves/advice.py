"""What to do with a curve next season: one word, an offset and the reason."""

from dataclasses import dataclass, replace
from math import ceil, inf, isfinite, nan, sqrt
from typing import Any

import numpy as np
import pandas as pd
from scipy.stats import t as student_t

from kitlib.curves.audit import BY_TUE, LINE, NONE, OFFSET, Correction, CurveAudit
from kitlib.curves.evidence import BEYOND, audit_bands
from kitlib.curves.records import say
from kitlib.statistics import agreement as agree
from kitlib.statistics.estimates import Estimate, Interval, not_known, tried
from kitlib.statistics.sums import sep_interval, trial_sums
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, listed, round_to_step

KEEP, SHIFT, RESLOPE = "keep", "shift", "reslope"
REBUILD, UNRESOLVED = "rebuild", "unresolved"
ACTIONS = (KEEP, SHIFT, RESLOPE, REBUILD, UNRESOLVED)
# What an unresolved curve may leave open, besides a contradicted record, lab or swap.
BIAS, SLOPE = "bias", "slope"
# What next season's advice itself amounts to, for the readings of this one.
MEANT = {KEEP: NONE, SHIFT: OFFSET, RESLOPE: LINE}
HOW = {NONE: "left as they are", OFFSET: "corrected by the offset"}
HOW[LINE] = "corrected by the line"
# More trials than this are more than anyone samples: they are not counted out.
MOST_TRIALS = 200


@dataclass(frozen=True, kw_only=True, eq=False)
class Recommendation:
    """What to do with a curve, and why."""

    curve: str
    action: str  # keep, shift, reslope, rebuild or unresolved
    # What an unresolved curve leaves open: bias, slope, record, lab or swap, joined
    # by "; "; empty for the other actions.
    open_question: str
    reason: str  # one sentence or two, printed as they stand
    more: str  # what would settle an unresolved curve
    offset: float  # −bias: what to add to a reading as recorded [% moisture]
    interval: Interval  # of the offset, clustered by trial
    # Offset to load next season, in steps of the setting; nan where no single number
    # is recommended.
    new_setting: float
    bias_left: Estimate  # once it is loaded; not known without one [% moisture]
    # That the bias left after loading it (or, without one, the exact offset) is inside
    # the allowed bias, for trials like this season's: the posterior of a flat prior.
    chance_within: float
    rmsep_before: float  # on trials left out, as read
    rmsep_after: float  # on trials left out, with `correction`
    # What this season's readings are corrected by: whatever does best on trials left
    # out, which need not be what is recommended.
    correction: Correction

    @property
    def asks_for_slope(self) -> bool:
        """Whether a slope is advised, or left open."""
        return self.action == RESLOPE or SLOPE in self.open_question


def recommend(audit: CurveAudit) -> Recommendation:
    """Return what to do with a curve: the first rule that holds.

    Whatever the action, this season's readings are corrected by the best of no change,
    an offset and a line on trials left out; those of a curve without an interval, or
    with a contradiction, are not.
    """
    # Nothing can be said of a bias whose interval is not known, or whose record is
    # contradicted; a flaw that no correction mends comes before any correction.
    if not audit.has_interval:
        said = _words(audit, "no interval")
        return _made(audit, UNRESOLVED, said, BIAS, _settling_bias(audit), by=NONE)
    if found := audit.contradictions:
        said = say("uncorrected", found=" ".join(one.said for one in found))
        questions = "; ".join(dict.fromkeys(one.question for one in found))
        more = " ".join(dict.fromkeys(one.look_up for one in found))
        return _made(audit, UNRESOLVED, said, questions, more, by=NONE)
    if flaws := "; ".join(flaws_after_correction(audit)):
        return _made(audit, REBUILD, f"{flaws[0].upper()}{flaws[1:]}.")
    # A clear slope is never kept: what it lacks to be advised leaves it open.
    lacks = slope_lacks(audit)
    if lacks:
        said = f"{_words(audit, 'slope')}; but a slope needs {listed(lacks)}."
        return _made(audit, UNRESOLVED, said, SLOPE, _settling_slope(audit))
    if lacks is not None:
        said = f"{_words(audit, 'slope')}. {_words(audit, 'line')}"
        return _made(audit, RESLOPE, said)
    within = agree.shown_within(audit.bias, audit.allowed_bias)
    significant = not audit.bias.interval(audit.settings.confidence).holds(0.0)
    if within and not bands_beyond(audit.bands):
        said = _words(audit, "kept") + significant * say("real but small")
        return _made(audit, KEEP, said, change=0.0)
    bands = " bands" if within else ""
    if significant and plots_agree(audit):
        said = _words(audit, f"shift{bands}")
        return _made(audit, SHIFT, said, change=-audit.bias.value)
    said = _words(audit, "picked" if significant else f"open{bands}")
    return _made(audit, UNRESOLVED, said, BIAS, _settling_bias(audit))


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
    best, rmsep, bias = audit.best_correction, audit.rmsep_left_out, audit.bias
    level, allowed = audit.settings.confidence, audit.allowed_bias
    # No setting is told where the one in force is not known.
    loaded, setting = audit.register["offset_loaded"], nan
    if not audit.register["offset_mixed"] and isfinite(loaded + change):
        setting = round_to_step(loaded + change, audit.settings.setting_step)
    left = replace(bias, value=bias.value + setting - loaded, remark="")
    if action == SHIFT and not isfinite(setting):
        reason += say("no setting")
    elif action == SHIFT:
        ends = left.interval(level)
        reason += say("left", setting=setting, left=left.value, ends=ends)
    if not by and best != MEANT.get(action):  # this season's is another
        reason += f" {_words(audit, 'corrected')}"
    by = by or best
    # Without a setting the chance is that of the exact offset, which leaves none.
    away = (left.value if isfinite(setting) else 0.0) - bias.value
    return Recommendation(
        curve=audit.curve,
        action=action,
        open_question=question,
        reason=reason,
        more=more,
        offset=-bias.value + 0.0,
        interval=replace(bias, value=-bias.value).interval(level),
        new_setting=setting,
        bias_left=left,
        chance_within=bias.chance_within(-allowed - away, allowed - away),
        rmsep_before=rmsep.get(NONE, nan),
        rmsep_after=rmsep.get(by, nan),
        correction=audit.correction(by),
    )


# Rules.


def shown_apart(interval: Interval, value: float) -> int:
    """Return on which side of a value an interval lies: 1, -1, or 0 for neither."""
    return int(interval.low > value) - int(interval.high < value)


def bands_beyond(bands: pd.DataFrame) -> list[str]:
    """Name the bands of 2 points shown beyond tolerance."""
    lows = bands.loc[bands["verdict"] == BEYOND, "band_low"]
    return [f"{low:g} to {low + 2:g} %" for low in lows]


def _line_is_clear(audit: CurveAudit) -> bool:
    """Whether the gain is shown to differ from 1, and a line to do better.

    The line is shown to differ from an offset, and trials left out fare best with it.
    """
    level, after, line = audit.settings.confidence, audit.after, audit.line
    if line is None or after is None:
        return False
    return bool(
        shown_apart(audit.judged_gain.interval(level), 1.0)
        and shown_apart(line.tilt.interval(level), 0.0)
        and after.rmsep_line < min(after.rmsep_offset, after.rmsep_none)
    )


def slope_lacks(audit: CurveAudit) -> list[str] | None:
    """Return what a clear slope lacks to be advised; None where none is clear.

    A slope that only differences between trials show is none of the sensor's: the
    gain within trials has to differ from 1 on the same side.
    """
    level, by_trials = audit.settings.confidence, audit.gain_by_trials
    side = shown_apart(audit.judged_gain.interval(level), 1.0)
    within_agrees = shown_apart(by_trials.within.interval(level), 1.0) == side
    differ = shown_apart(by_trials.apart.interval(level), 0.0)
    if not _line_is_clear(audit) or (differ and not within_agrees):
        return None
    trials, samples = audit.settings.trials_for_reslope, threshold("samples_for_line")
    wide = audit.spread_is_wide or audit.span >= threshold("span_for_reslope")
    wanted = {
        "lacks trials": audit.n_trials >= trials,
        "lacks samples": audit.n >= samples,
        "lacks range": wide,
        "lacks within": within_agrees,
    }
    told = {"audit": audit, "trials": trials, "samples": samples}
    return [say(key, **told) for key, there in wanted.items() if not there]


def flaws_after_correction(audit: CurveAudit) -> list[str]:
    """Return, in words, what no offset and no slope would mend."""
    level, allowed, flaws = audit.settings.confidence, audit.allowed_bias, []
    ends, (most, source) = audit.new_trials.interval, audit.max_sep
    if (judged := sep_judged(audit)) > most:
        told = {"judged": judged, "sep": audit.sep, "most": most, "source": source}
        key = "flaw sep" if source == BY_TUE else "flaw sep low"
        flaws.append(say(key, ends=ends, **told))
    bend, ends = audit.curvature.value, audit.curvature.interval(level)
    if shown_apart(ends, allowed) > 0 or shown_apart(ends, -allowed) < 0:
        flaws.append(say("flaw bent", bend=bend, ends=ends))
    best = audit.correction(audit.best_correction)
    corrected = replace(audit.samples, sensor=best.apply(audit.samples.sensor))
    if beyond := bands_beyond(audit_bands(corrected, audit.tolerance, level)):
        flaws.append(say("flaw bands", bands=listed(beyond)))
    return flaws


def sep_judged(audit: CurveAudit) -> float:
    """Return the SEP to hold against its limit, as the best correction leaves it.

    A limit by F already allows for chance, so that the SEP itself is compared; a
    fixed limit is held against the low end of the SEP's interval.
    """
    line, low = audit.line, audit.new_trials.interval.low
    if audit.max_sep[1] == BY_TUE:
        clear = line is not None and _line_is_clear(audit)
        return min(audit.sep, line.fit.residual_sd) if line and clear else audit.sep
    if line is None:
        return low
    s, corrected = audit.samples, audit.correction(LINE).apply(audit.samples.sensor)
    sums = trial_sums(corrected, s.reference, s.trial)
    return min(low, sep_interval(sums, audit.settings.confidence).interval.low)


def plots_agree(audit: CurveAudit) -> bool:
    """Whether the plots' bias leaves out zero on the samples' side, or is not known."""
    if audit.coverage is None:
        return True
    ends = audit.coverage.bias.interval(audit.settings.confidence)
    return not isfinite(ends.low) or shown_apart(ends, 0.0) * audit.bias.value > 0


# What would settle what is open: forecasts, not promises.


def _settling_bias(audit: CurveAudit) -> str:
    """Return how many more samples and trials should settle the bias.

    Takes the SDs between and within trials as found, and as many samples a trial
    as there were; the bias as estimated.
    """
    parts = audit.components
    if parts is None or audit.n_trials < 2 or not isfinite(parts.sd_residual):
        return say("settle none")
    a_trial = audit.n / audit.n_trials
    sd_trial = parts.sd_trial if isfinite(parts.sd_trial) else 0.0
    spread = sqrt(sd_trial**2 + parts.sd_residual**2 / a_trial)
    bias, allowed = abs(audit.bias.value), audit.allowed_bias
    tail = (1 + audit.settings.confidence) / 2
    trials = np.arange(max(audit.n_trials, 3), MOST_TRIALS + 1)
    se = spread / np.sqrt(trials)
    inside = bias + student_t.ppf(0.95, trials - 1) * se <= allowed
    settled = inside | (bias > student_t.ppf(tail, trials - 1) * se)
    if not settled.any():
        return say("settle bias far", most=MOST_TRIALS)
    more = max(int(trials[settled.argmax()]) - audit.n_trials, 1)
    samples = counted(ceil(more * a_trial), "more sample")
    return say("settle bias", samples=samples, trials=counted(more, "more trial"))


def _settling_slope(audit: CurveAudit) -> str:
    """Return how many more trials should settle a slope that is left open.

    As many as a slope asks for, and as many as would show the gain within trials,
    its standard error falling with the root of the trials.
    """
    level, within = audit.settings.confidence, audit.gain_by_trials.within
    wanted = float(audit.settings.trials_for_reslope)
    if isfinite(within.se) and not shown_apart(within.interval(level), 1.0):
        away = abs(audit.judged_gain.value - 1)
        half = within.interval(level).high - within.value
        wanted = max(wanted, audit.n_trials * (half / away) ** 2 if away else inf)
    if wanted > MOST_TRIALS:
        return say("settle slope far", most=MOST_TRIALS)
    more = max(ceil(wanted) - audit.n_trials, 1)
    return say(
        "settle slope",
        trials=counted(more, "more trial"),
        samples=counted(ceil(audit.n / audit.n_trials), "sample"),
        in_all=audit.n_trials + more,
    )


def _words(audit: CurveAudit, name: str) -> str:
    """Return a sentence of the advice with the curve's numbers."""
    level, bias = audit.settings.confidence, audit.bias
    over_plots = audit.coverage.bias if audit.coverage else bias
    within, trials = audit.gain_by_trials.within, counted(audit.n_trials, "trial")
    loaded, in_use = audit.register["offset_loaded"], audit.offset_in_use
    other = isfinite(in_use) and in_use != loaded
    values = {
        "audit": audit,
        "level": level,
        "ends": bias.interval(level),
        "narrow": bias.interval(0.9),
        "samples": f"{counted(audit.n, 'sample')} in {trials}",
        "why": bias.remark or "no interval of the bias is known",
        "how": HOW[audit.best_correction],
        "set": say("load", loaded=loaded) if other else say("leave"),
        "of_plots": "" if audit.judged_gain is audit.gain else " over its plots",
        "gain_ends": audit.judged_gain.interval(level),
        "within_ends": within.interval(level),
        "offset": -bias.value,
        "bands": listed(bands_beyond(audit.bands)),
        "over_plots": over_plots.value,
        "over_ends": over_plots.interval(level),
    }
    gain = say("gain within" if within.known else "gain", **values)
    return say(name, the_bias=say("bias", **values), the_gain=gain, **values)


# One row of the table of curves.

# Columns named as what they show.
AS_REGISTERED = ["offset_loaded", "sensor", "built_on"]
AS_AUDITED = ["crop", "curve", "n", "n_trials", "q_value", "sep", "bias", "gain"]
AS_AUDITED += ["slope", "bias_mixed", "curvature", "allowed_bias", "reference_se"]
AS_AUDITED += ["reference_limit", "offset_in_use"]
AS_ADVISED = ["action", "open_question", "offset", "new_setting", "reason", "bias_left"]


def curve_row(audit: CurveAudit, advice: Recommendation) -> dict[str, Any]:
    """Return what is known of a curve: estimates, scatter, lines, limits, advice."""
    s, line, robust = audit.samples, audit.line, audit.robust_line
    parts, spread, cover = audit.components, audit.spread, audit.coverage
    alone = not_known("it served no plots by itself")
    limits, _ = tried(agree.limits_of_agreement, s.sensor, s.reference)
    several, reference_se = audit.n > 1, audit.reference_se
    corrected = nan
    if several and isfinite(reference_se):
        corrected = agree.sep_without_reference_error(audit.sep, reference_se).value
    ends: dict[str, Any] = {"sep": audit.new_trials.interval}
    ends |= {"new_sample": audit.new_sample, "offset": advice.interval}
    ends |= {"slope_passing_bablok": robust.slope_interval} if robust else {}
    ends |= {"limit_of_agreement": [end.value for end in limits]} if limits else {}
    return {
        **{name: audit.register[name] for name in AS_REGISTERED},
        **{name: getattr(audit, name) for name in AS_AUDITED},
        **{name: getattr(advice, name) for name in AS_ADVISED},
        **{f"{name}_low": low for name, (low, _) in ends.items()},
        **{f"{name}_high": high for name, (_, high) in ends.items()},
        "bias_two_phase": audit.two_phase,
        "share_beyond_estimates": cover.share_beyond_estimates if cover else nan,
        "bias_over_plots": cover.bias if cover else alone,
        "gain_over_plots": cover.gain if cover else alone,
        "gain_within": audit.gain_by_trials.within,
        "gain_between": audit.gain_by_trials.between,
        "sep_method": audit.new_trials.method,
        "max_sep": audit.max_sep[0],
        "max_sep_source": audit.max_sep[1],
        "n_apart": audit.apart.n,
        "mean_error_apart": float(audit.apart.error.mean()) if audit.apart.n else nan,
        "mean_reference_pct": audit.mean_reference,
        "bias_method": audit.bias.method or audit.bias.remark,
        "slope_shrunk": line.shrunk_slope if line else nan,
        "intercept": line.intercept.value if line else nan,
        "residual_sd": line.fit.residual_sd if line else nan,
        "bias_at_anchor": line.bias.value if line else nan,
        "anchor_pct": audit.anchor,
        "slope_passing_bablok": robust.slope if robust else nan,
        "rmsep": audit.agreement.rmsep if audit.agreement else nan,
        "sep_corrected": corrected,
        "rpd": agree.rpd(s.reference, audit.sep) if several else nan,
        "rer": agree.rer(s.reference, audit.sep) if several else nan,
        "spread_ratio": spread.ratio if spread else nan,
        "sd_between_trials": parts.sd_trial if parts else nan,
        "sd_within_trials": parts.sd_residual if parts else nan,
        "concordance": tried(agree.concordance, s.sensor, s.reference)[0],
        "rmsep_before_left_out": advice.rmsep_before,
        "rmsep_after_left_out": advice.rmsep_after,
        "chance_within_allowed": advice.chance_within,
        "what_would_settle": advice.more,
    }
