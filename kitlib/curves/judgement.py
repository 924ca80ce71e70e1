"""What the samples and the harvested plots must agree on before a curve is changed."""

from math import isfinite

from kitlib.curves.audit import CurveAudit
from kitlib.intake.season import Season
from kitlib.words.estimates import Estimate
from kitlib.words.limits import threshold


def plots_agree(audit: CurveAudit, season: Season) -> bool:
    """Whether the bias over the harvested plots leaves out zero on the same side.

    True where it is not known: then nothing speaks against the samples.
    """
    if audit.coverage is None or not audit.coverage.bias.known:
        return True
    ends = audit.coverage.bias.interval(season.confidence)
    if not isfinite(ends.low):
        return True
    return ends.low > 0 if audit.bias.value > 0 else ends.high < 0


def judged_gain(audit: CurveAudit) -> Estimate:
    """Return the gain over the harvested plots, that of the samples without it."""
    over_plots = audit.coverage.gain if audit.coverage else None
    if over_plots is not None and isfinite(over_plots.se):
        return over_plots
    return audit.found.gain


def slope_is_needed(audit: CurveAudit, season: Season) -> bool:
    """Whether the samples call for a slope, by every rule a slope must pass."""
    found, after = audit.found, audit.after
    if found.line is None or after is None:
        return False
    wide = found.spread_is_wide or found.span >= threshold("span_for_reslope")
    enough = audit.n_trials >= threshold("trials_for_reslope")
    enough = enough and audit.n >= threshold("samples_for_line")
    gain = judged_gain(audit).interval(season.confidence)
    differs = isfinite(gain.low) and not gain.holds(1.0)
    tilt = found.line.tilt.interval(season.confidence)
    leans = isfinite(tilt.low) and not tilt.holds(0.0)
    better = after.rmsep_line < after.rmsep_offset
    return bool(enough and wide and differs and leans and better)
