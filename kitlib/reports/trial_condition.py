"""Were a trial's curves set up well, and did they hold: for its report."""

from kitlib.pages.blocks import Block, Heading, Paragraph
from kitlib.review.blocks import as_older
from kitlib.review.results import curve_findings, curve_tables, tells_a_cause
from kitlib.review.review import CurveReview, SeasonCurves
from kitlib.review.sections import (
    causes_table,
    chart_pictures,
    check_table,
    offsets_table,
)
from kitlib.season.season import SeasonAudit, TrialAudit
from kitlib.words.digests import kept
from kitlib.words.findings import Finding


def trial_conditions(season: SeasonAudit, trial: TrialAudit) -> list[CurveReview]:
    """Return how the curves that served a trial were set up and held."""
    found = [curve_condition(season, curve) for curve in trial.curves]
    return [condition for condition in found if condition is not None]


def curve_condition(season: SeasonAudit, curve: str) -> CurveReview | None:
    """Return how a curve was set up and held; None for one without a register."""
    curves = _season_curves(season)
    return curves.review(curve) if curve in curves.order else None


@kept
def _season_curves(season: SeasonAudit) -> SeasonCurves:
    """Return a season's curves, kept for the next trial of the same season."""
    return SeasonCurves(season)


def trial_findings(
    season: SeasonAudit, trial: TrialAudit, conditions: list[CurveReview]
) -> list[Finding]:
    """Return all that was found of a trial and of the curves that served it.

    What could have put an offset wrong at set-up is left to its table.
    """
    found = [f for one in conditions for f in curve_findings(one)]
    return [*trial.findings, *(f for f in found if not tells_a_cause(f))]


def condition_blocks(season: SeasonAudit, conditions: list[CurveReview]) -> list[Block]:
    """Return the section on set-up and check samples of a trial's curves."""
    if not conditions:
        return []
    blocks: list[Block] = []
    tables = curve_tables(conditions)
    set_up = [one for one in conditions if one.setup.offset is not None]
    if set_up:
        told = [causes_table(tables["setup"], one.curve) for one in set_up]
        blocks += as_older([offsets_table(tables["setup_offsets"]), *told])
    else:
        said = "No set-up run of these curves is on record, so their offsets at set-up "
        blocks.append(Paragraph(f"{said}could not be judged."))
    charted = [one for one in conditions if one.chart is not None]
    if charted:
        table = check_table(tables["check_runs"])
        blocks += as_older([table, *chart_pictures(charted)])
    else:
        said = "No check sample was run on these curves, so whether they held through "
        blocks.append(Paragraph(f"{said}the season could not be judged."))
    return [
        Heading("Were the calibration curves set up well, and did they hold?"),
        *blocks,
    ]
