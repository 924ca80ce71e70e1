"""Were a trial's curves set up well, and did they hold: for its report."""

from kitlib.pages.blocks import Block, Column, Heading, Paragraph, Table
from kitlib.review.blocks import chart_pictures, check_table, offsets_table
from kitlib.review.review import CurveCondition, SeasonCurves
from kitlib.review.review_findings import condition_findings, tells_a_cause
from kitlib.review.setup_causes import DOUBTFUL, UNRECORDED
from kitlib.season.season import SeasonAudit, TrialAudit
from kitlib.words.digests import kept
from kitlib.words.findings import Finding
from kitlib.words.terms import counted, show


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

    What could have put an offset wrong at set-up is left to its table.
    """
    found = [f for one in conditions for f in condition_findings(one, season.settings)]
    return [*trial.findings, *(f for f in found if not tells_a_cause(f))]


def condition_blocks(
    season: SeasonAudit, conditions: list[CurveCondition]
) -> list[Block]:
    """Return the section on set-up and check samples of a trial's curves."""
    if not conditions:
        return []
    level, blocks = season.settings.confidence, []
    set_up = [one for one in conditions if one.setup.offset is not None]
    if set_up:
        blocks += [offsets_table(set_up, level), *(_causes(one) for one in set_up)]
    else:
        said = "No set-up run of these curves is on record, so their offsets at set-up "
        blocks.append(Paragraph(f"{said}could not be judged."))
    charted = [one for one in conditions if one.chart is not None]
    if charted:
        blocks.append(check_table(charted, level))
        blocks += chart_pictures(charted)
    else:
        said = "No check sample was run on these curves, so whether they held through "
        blocks.append(Paragraph(f"{said}the season could not be judged."))
    return [
        Heading("Were the calibration curves set up well, and did they hold?"),
        *blocks,
    ]


def _causes(one: CurveCondition) -> Table:
    """Return what could have put a curve's offset wrong, and what is not recorded."""
    told = [c for c in one.setup.causes if c.found.verdict in (DOUBTFUL, UNRECORDED)]
    rows = [
        (c.cause.title, show(c.found.size), c.found.verdict, c.found.said, c.cause.why)
        for c in told
    ]
    others = len(one.setup.causes) - len(told)
    return Table(
        caption=f"Curve {one.curve}: what could have put its offset wrong at set-up.",
        columns=[
            Column("Cause"),
            Column("Points at most", number=True),
            Column("Verdict"),
            Column("Found"),
            Column("Why it matters"),
        ],
        rows=rows,
        note=f"{counted(others, 'other cause')} looked at and not in doubt. Sources "
        "stand in setup.csv.",
    )
