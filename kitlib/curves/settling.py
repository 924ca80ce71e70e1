"""How many more samples and trials would settle what these leave open."""

from math import ceil, isfinite, sqrt

from scipy.stats import t as student_t

from kitlib.curves.audit import CurveAudit
from kitlib.intake.season import Season
from kitlib.words.terms import counted

MOST_TRIALS = 200


def what_would_settle(audit: CurveAudit, season: Season) -> str:
    """Return how many more samples and trials would settle a curve.

    Takes the SDs between and within trials as found, and as many samples a trial
    as there were; the bias as estimated. A forecast, not a promise.
    """
    parts = audit.found.components
    if parts is None or audit.n_trials < 2 or not isfinite(parts.sd_residual):
        return "Samples of at least two more trials are needed before anything is said."
    a_trial = audit.n / audit.n_trials
    sd_trial = parts.sd_trial if isfinite(parts.sd_trial) else 0.0
    spread = sqrt(sd_trial**2 + parts.sd_residual**2 / a_trial)
    bias, allowed = abs(audit.bias.value), audit.allowed_bias
    for trials in range(max(audit.n_trials, 3), MOST_TRIALS + 1):
        se = spread / sqrt(trials)
        inside = bias + student_t.ppf(0.95, trials - 1) * se <= allowed
        tail = (1 + season.confidence) / 2
        if inside or bias > student_t.ppf(tail, trials - 1) * se:
            more = max(trials - audit.n_trials, 1)
            samples = ceil(more * a_trial)
            return (
                f"About {counted(more, 'more trial')} with "
                f"{counted(samples, 'sample')} in all would settle it, if the bias is "
                "as estimated."
            )
    return (
        f"More than {MOST_TRIALS} trials would be needed: the bias lies too near the "
        "allowed bias to be called."
    )
