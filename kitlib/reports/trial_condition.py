"""Were a trial's curves set up well, and did they hold: for its report."""

from kitlib.pages.blocks import Block, Column, Heading, Paragraph, Table
from kitlib.review.blocks import chart_pictures, check_table, offsets_table
from kitlib.review.review import CurveCondition, SeasonCurves
from kitlib.review.review_findings import condition_findings, tells_a_rule
from kitlib.review.setup import LESS, MET
from kitlib.season.season import SeasonAudit, TrialAudit
from kitlib.words.digests import kept
from kitlib.words.findings import Finding
from kitlib.words.terms import counted


def trial_conditions(season: SeasonAudit, trial: TrialAudit) -> list[CurveCondition]:
    """Return how the curves that served a trial were set up and held."""
    found = [curve_condition(season, curve) for curve in trial.curves]
    return [condition for condition in found if condition is not None]


def curve_condition(season: SeasonAudit, curve: str) -> CurveCondition | None:
    """Return how a curve was set up and held; None for one without a register."""
    curves = _season_curves(season)
    return curves.condition(curve) if curve in curves.order else None


@kept
def _season_curves(season: SeasonAudit) -> SeasonCurves:
    """Return a season's curves, kept for the next trial of the same season."""
    return SeasonCurves(season)


def trial_findings(
    season: SeasonAudit, trial: TrialAudit, conditions: list[CurveCondition]
) -> list[Finding]:
    """Return all that was found of a trial and of the curves that served it.

    Rules of set-up that were not met are left to their table.
    """
    found = [f for one in conditions for f in condition_findings(one, season.settings)]
    return [*trial.findings, *(f for f in found if not tells_a_rule(f))]


def condition_blocks(
    season: SeasonAudit, conditions: list[CurveCondition]
) -> list[Block]:
    """Return the section on set-up and check samples of a trial's curves."""
    if not conditions:
        return []
    level, blocks = season.settings.confidence, []
    set_up = [one for one in conditions if one.setup.offset is not None]
    if set_up:
        blocks += [offsets_table(set_up, level), *(_rules(one) for one in set_up)]
    else:
        said = "No set-up run of these curves is on record, so set-up practice and the "
        blocks.append(Paragraph(f"{said}offset at set-up could not be judged."))
    charted = [one for one in conditions if one.chart is not None]
    if charted:
        blocks.append(check_table(charted, level))
        blocks += chart_pictures(charted)
    else:
        said = "No check sample was run on these curves, so whether they held through "
        blocks.append(Paragraph(f"{said}the season could not be judged."))
    return [Heading("Was the curve set up well, and did it hold?"), *blocks]


def _rules(one: CurveCondition) -> Table:
    """Return the rules of set-up practice that a curve did not meet, or left open."""
    checks = one.setup.checks
    missed = [check for check in checks if check.verdict not in (MET, LESS)]
    rows = [(c.rule.asks, c.verdict, c.found, c.rule.why) for c in missed]
    met = f"{len(checks) - len(missed)} of {counted(len(checks), 'rule')}"
    return Table(
        caption=f"Curve {one.curve}: what good practice asks of a set-up and was not "
        "met or not recorded.",
        columns=[
            Column("Asked for"),
            Column("Verdict"),
            Column("Found"),
            Column("Why it matters"),
        ],
        rows=rows,
        note=f"Common practice, no source. Met: {met}.",
    )
