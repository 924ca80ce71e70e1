"""The season's report: every curve, every trial, and how the numbers came about."""

from math import isfinite
from pathlib import Path

import numpy as np

from kitlib.curves.advice import ACTIONS, KEEP, RESLOPE, SHIFT
from kitlib.intake.outputs import write_bytes
from kitlib.pages.blocks import Block, Column, Heading, Report, Table, Verdict
from kitlib.pages.typeset import typeset
from kitlib.reports.curve_evidence import curve_blocks, pooling_blocks
from kitlib.reports.method_note import (
    cautions,
    decision_thresholds,
    method_note,
    provenance,
)
from kitlib.reports.pictures import season_pictures
from kitlib.reports.report_parts import (
    facts,
    findings_block,
    season_facts,
    section,
)
from kitlib.reports.row_accounts import account_blocks, reference_blocks
from kitlib.reports.trial_report import NO_DATE
from kitlib.review.blocks import review_blocks
from kitlib.review.review import SeasonReview, review_season
from kitlib.review.review_findings import review_findings, tells_a_cause
from kitlib.season.curves_table import curves_table
from kitlib.season.season import SeasonAudit, TrialOutcome
from kitlib.trials.ranks import BORDERLINE
from kitlib.words.terms import NOT_KNOWN, counted, listed, show, show_span


def write_season_report(
    season: SeasonAudit, path: str | Path, review: SeasonReview | None = None
) -> Path:
    """Write the season's PDF, whole, and return where it is."""
    return write_bytes(Path(path), typeset(season_report(season, review)))


def season_report(season: SeasonAudit, review: SeasonReview | None = None) -> Report:
    """Return the season's report; its review is made if it is not given."""
    review = review or review_season(season)
    # Causes at set-up stand in a table of their own; findings.csv holds them one by one.
    found = season.findings + review_findings(review)
    findings = [f for f in found if not tells_a_cause(f)]
    crops = sorted({audit.crop for audit in season.audits.values()})
    blocks = [
        season_verdict(season),
        *_at_a_glance(season),
        *season_pictures(season),
        *_curve_table(season),
        *_trials(season),
        *curve_blocks(season),
        *pooling_blocks(season),
        *reference_blocks(season),
        *review_blocks(review),
        *account_blocks(season),
        *section("What was found", findings_block(findings)),
        *cautions(),
        *method_note(season, crops),
        decision_thresholds(),
        *provenance(season),
    ]
    return Report(
        kind="Season report",
        title=season.settings.name,
        subtitle="How the combine's moisture curves performed against the air-oven",
        running=season.settings.name,
        date=season.settings.report_date or NO_DATE,
        facts=[
            *season_facts(season),
            ("Crops", listed(crops) or NOT_KNOWN),
            ("Curves audited", str(len(season.audits))),
            ("Trials", str(len(season.trials))),
        ],
        blocks=blocks,
    )


def season_verdict(season: SeasonAudit) -> Verdict:
    """Return what is to be done with the curves, in one sentence."""
    if not season.audits:
        why = "no sample taken blind to the reading could be paired with a plot"
        return Verdict("nothing audited", f"Nothing can be said of any curve: {why}.")
    said = []
    for action in ACTIONS:
        curves = [c for c, advice in season.advice.items() if advice.action == action]
        if curves:
            said.append(f"{action} {listed(curves)}")
    sentence = f"Of {counted(len(season.audits), 'curve')}: {'; '.join(said)}."
    crossing = [name for name, found in season.outcomes.items() if _crossing(found)]
    detail = (
        f"With corrected moisture the selection would differ in "
        f"{len(crossing)} of {counted(len(season.trials), 'trial')}"
    )
    detail += f": {listed(crossing)}." if crossing else "."
    return Verdict("the season", sentence, detail)


def _crossing(found: TrialOutcome) -> int:
    """Return how many entries cross into the selection of a trial."""
    return int(found.ranks.entered.sum()) if found.ranks else 0


def _at_a_glance(season: SeasonAudit) -> list[Block]:
    """Return the season's counts."""
    pairs = season.pairing.pairs
    used = pairs[pairs["used"] & ~pairs["parallel"]]
    benchtop = pairs[pairs["benchtop_pct"].notna()].drop_duplicates("sample")
    return [
        facts(
            [
                ("Plots", str(len(season.plots))),
                ("Oven samples used", str(used["sample"].nunique())),
                ("Oven dishes used", str(int(_used(season, "oven")))),
                ("Benchtop samples", str(len(benchtop))),
            ]
        )
    ]


def _used(season: SeasonAudit, table: str) -> int:
    """Return how many rows of a table were used."""
    counts = season.pairing.counts.set_index("table")["used"]
    return counts[table]


def _curve_table(season: SeasonAudit) -> list[Block]:
    """Return one row per curve: what was found and what to do."""
    table = curves_table(season)
    rows = [
        (
            row.curve,
            f"{row.n} / {row.n_trials}",
            show(row.bias, 2, sign=True),
            show_span(row.bias_low, row.bias_high, 2, sign=True),
            f"±{show(row.allowed_bias)}" if row.n else "–",
            show(row.sep),
            row.action,
            show(row.offset, 2, sign=True),
            _new_setting(row),
        )
        for row in table.itertuples()
    ]
    level = f"{season.settings.confidence:.0%}"
    return [
        Heading("What to do with each calibration curve"),
        Table(
            caption=f"Curves of the season with {level} intervals clustered by trial.",
            columns=[
                Column("Curve"),
                Column("Samples / trials", number=True),
                Column("Bias", "points", number=True),
                Column("Interval", "points", number=True),
                Column("Allowed", "points", number=True),
                Column("SEP", "points", number=True),
                Column("Action"),
                Column("Offset", "points", number=True),
                Column("New setting", "points", number=True),
            ],
            rows=rows,
            note="Offset is what to add to a reading as recorded; new setting is the "
            "offset to load next season, where one number does what is recommended. "
            "Reasons follow curve by curve.",
        ),
    ]


def _new_setting(row) -> str:
    """Return the setting to load, or what stands in its place."""
    if isfinite(row.new_setting) or row.action in (KEEP, SHIFT):
        return show(row.new_setting, 2, sign=True)
    return "a line" if row.action == RESLOPE else "–"


def _trials(season: SeasonAudit) -> list[Block]:
    """Return the trials, those whose selection could move most first."""
    rows = [_trial_row(name, found) for name, found in season.outcomes.items()]
    rows.sort(key=lambda row: row[0], reverse=True)
    if not rows:
        return []
    return [
        Heading("Would the breeder have chosen differently?"),
        Table(
            caption="Trials, the one whose selection could move most first.",
            columns=[
                Column("Trial"),
                Column("Curves"),
                Column("Selected, of", number=True),
                Column("Cross the line", number=True),
                Column("Largest move", "ranks", number=True),
                Column("Kendall's tau", number=True),
                Column("Touch and go", number=True),
                Column("Yield", "% change", number=True),
            ],
            rows=[cells for _, cells in rows],
            note="Cross the line: entries selected only after correction. Touch and "
            "go: entries neither safely in nor safely out once plot error and the "
            "correction's uncertainty are counted.",
        ),
    ]


def _trial_row(name: str, found: TrialOutcome):
    """Return a trial's rank among the trials and its cells."""
    touch = int((found.entries["verdict"] == BORDERLINE).sum())
    head = (name, listed(found.curves), f"{found.count} of {len(found.entries)}")
    if found.ranks is None:
        return (-1, 0, 0.0), (*head, *[NOT_KNOWN] * 3, str(touch), "–")
    crossing, tau = _crossing(found), found.ranks.kendall_tau
    change = 100 * (found.yield_after_kg_ha / found.yield_before_kg_ha - 1)
    cells = (
        *head,
        str(crossing),
        str(found.ranks.largest_move),
        show(tau, 3),
        str(touch),
        show(change, 2, sign=True),
    )
    return (crossing, found.ranks.largest_move, 1 - np.nan_to_num(tau, nan=1.0)), cells
