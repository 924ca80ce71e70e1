"""The rules advice rests on: slopes that are clear, flaws, what would settle."""

from collections.abc import Iterable
from dataclasses import dataclass
from math import ceil, inf, isfinite, sqrt

from scipy.stats import t as student_t

from kitlib.curves.audit import BY_TUE, CurveAudit
from kitlib.curves.corrections import MAKE, best_correction
from kitlib.curves.evidence import BEYOND, audit_bands
from kitlib.statistics.estimates import Estimate, Interval
from kitlib.statistics.sums import sep_interval, trial_sums
from kitlib.words.limits import threshold
from kitlib.words.terms import counted, listed, show, show_span


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
