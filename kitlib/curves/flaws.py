"""What no offset and no slope would mend in a curve."""

from math import inf

from kitlib.curves.audit import CurveAudit
from kitlib.intake.season import Season
from kitlib.statistics.resample import sep_interval
from kitlib.statistics.sums import trial_sums
from kitlib.words.limits import threshold
from kitlib.words.terms import listed, show, show_span


def flaws_after_correction(audit: CurveAudit, season: Season) -> list[str]:
    """Return, in words, what no offset and no slope would mend."""
    found, flaws = audit.found, []
    if min(audit.sep_interval.low, _sep_after(audit, season)) > audit.max_sep:
        flaws.append(
            f"its SEP of {show(found.sep)} ({show_span(*audit.sep_interval)}) lies "
            f"beyond {show(audit.max_sep)} ({audit.max_sep_source})"
        )
    bend, ends = found.curvature.value, found.curvature.interval(season.confidence)
    if abs(bend) > audit.allowed_bias and (ends.low > 0 or ends.high < 0):
        flaws.append(
            f"its errors bend: mid-range they lie {show(bend, sign=True)} points "
            f"({show_span(*ends, sign=True)}) from a straight line"
        )
    flaws += _bands_beyond_after(audit)
    return flaws


def _sep_after(audit: CurveAudit, season: Season) -> float:
    """Return the low end of the SEP about the prediction line, inf without one."""
    line, samples = audit.found.line, audit.found.samples
    if line is None:
        return inf
    corrected = line.corrected(samples.sensor)
    sums = trial_sums(corrected, samples.reference, samples.trial)
    return sep_interval(sums, season.confidence).interval.low


def _bands_beyond_after(audit: CurveAudit) -> list[str]:
    """Name bands that stay beyond tolerance after the best correction."""
    bands, line = audit.bands, audit.found.line
    judged = bands[bands["n"] >= threshold("samples_per_band")]
    left = judged["mean_error"] - audit.bias.value
    if line is not None:
        middle = judged["band_low"] + 1.0
        tilt = line.tilt.value
        by_line = judged["mean_error"] - audit.bias.value
        by_line = by_line + tilt * (middle - audit.found.mean_reference)
        left = left.where(left.abs() < by_line.abs(), by_line)
    half = (judged["high"] - judged["low"]) / 2
    beyond = judged[(left.abs() > judged["tolerance"]) & (left.abs() > half)]
    if beyond.empty:
        return []
    names = [f"{low:g} to {low + 2:g} %" for low in beyond["band_low"]]
    return [f"the band {listed(names)} stays beyond tolerance after any correction"]
