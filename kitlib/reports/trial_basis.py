"""What a trial's report rests on: as long as it is the same, so is the report."""

from dataclasses import replace

from kitlib.intake.pairs import OVEN
from kitlib.review.review import (
    CurveReview,
    SeasonCurves,
    curve_findings,
    tells_a_cause,
)
from kitlib.season.season import SeasonAudit, TrialAudit, findings_on
from kitlib.words.digests import digest, kept
from kitlib.words.findings import Finding
from kitlib.words.terms import crop_key


def trial_basis(season: SeasonAudit, name: str) -> dict[str, str]:
    """Return the SHA-256 of all that a trial's notebook and report are made from.

    These are rows of the season's tables, joined and corrected, and what was found of
    the curves that served the trial and of its crop's entries; nothing else of the
    season enters a report.

    Parameters
    ----------
    season : SeasonAudit
    name : str
        The trial.

    Returns
    -------
    dict of str to str
        By the part, as the report names it.
    """
    plots = season.plots_of(name)
    curves = sorted(plots["curve"].dropna().unique())
    pairs, left_out = season.pairing.pairs, season.pairing.left_out
    own = pairs[pairs["trial"] == name]
    left = left_out[left_out["trial"] == name]
    findings = findings_on(season, name, curves)
    crops = sorted(plots["crop"].map(crop_key).unique())
    of_entries = [season.entry_errors.get(crop) for crop in crops]
    return {
        "settings": digest(season.settings),
        f"plots of the trial ({len(plots)})": digest(plots),
        f"samples of the trial ({len(own)})": digest(own),
        f"rows left out ({len(left)})": digest(left),
        f"findings ({len(findings)})": digest(findings),
        "entries' own errors": digest(of_entries),
        **{f"curve {curve}": curve_digest(season, curve) for curve in curves},
    }


@kept
def curve_digest(season: SeasonAudit, curve: str) -> str:
    """Return one hash of all that reports show of a curve."""
    pairs = season.pairing.pairs
    drawn = pairs[(pairs["curve"] == curve) & (pairs["basis"] == OVEN)]
    audit = season.audits.get(curve)
    if audit is not None and audit.plots is not None:
        # Of the plots it served only these enter its numbers.
        audit = replace(audit, plots=audit.plots[["trial", "sensor_pct"]])
    return digest(
        {
            "audit": audit,
            "advice": season.advice.get(curve),
            "samples": drawn,
            "condition": curve_condition(season, curve),
        }
    )


def curve_condition(season: SeasonAudit, curve: str) -> CurveReview | None:
    """Return how a curve was set up and held; None for one without a register."""
    curves = _season_curves(season)
    return curves.review(curve) if curve in curves.order else None


@kept
def _season_curves(season: SeasonAudit) -> SeasonCurves:
    """Return a season's curves, kept for the next trial of the same season."""
    return SeasonCurves(season)


def trial_findings(season: SeasonAudit, trial: TrialAudit) -> list[Finding]:
    """Return all that was found of a trial and of the curves that served it.

    What could have put an offset wrong at set-up is left to the season's report.
    """
    found = list(trial.findings)
    for curve in trial.curves:
        condition = curve_condition(season, curve)
        if condition is not None:
            of_curve = curve_findings(condition)
            found += [f for f in of_curve if not tells_a_cause(f)]
    return found
