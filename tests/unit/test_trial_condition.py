"""Set-up and check samples of a trial's curves, in the trial's own report."""

import io

import pypdf
import pytest

from kitlib.pages.blocks import Paragraph, Picture, SideBySide, Table
from kitlib.pages.typeset import typeset
from kitlib.reports.trial_condition import (
    condition_blocks,
    trial_conditions,
    trial_findings,
)
from kitlib.reports.trial_report import trial_report
from kitlib.review.results import review_findings
from kitlib.review.review import review_season
from kitlib.review.setup_causes import CAUSES, DOUBTFUL, UNRECORDED
from kitlib.season.season import audit_season


def of_trial(season, name):
    trial = season.trial(name)
    return trial, trial_conditions(season, trial)


@pytest.mark.parametrize("name", ["maize-05", "wheat-11"])
def test_the_trial_is_told_what_the_season_is_told(audited_demo, name):
    trial, conditions = of_trial(audited_demo, name)
    assert tuple(one.curve for one in conditions) == trial.curves
    told = trial_findings(audited_demo, trial, conditions)
    season = review_findings(review_season(audited_demo))
    expected = [
        f
        for f in season
        if f.curve in trial.curves and f.code.startswith(("check-", "offset-"))
    ]
    assert expected and all(found in told for found in expected)
    assert {f.curve for f in told} <= {"", *trial.curves}
    assert set(trial.findings) <= set(told)


def test_every_cause_in_doubt_and_every_chart_is_shown(audited_demo):
    _, conditions = of_trial(audited_demo, "maize-05")
    blocks = condition_blocks(audited_demo, conditions)
    tables = [block for block in blocks if isinstance(block, Table)]
    assert len(tables) == 1 + len(conditions) + 1  # offsets, causes, check samples
    assert any(isinstance(block, SideBySide | Picture) for block in blocks)
    for one, table in zip(conditions, tables[1:], strict=False):
        told = [c for c, f in one.causes.items() if f.verdict in (DOUBTFUL, UNRECORDED)]
        assert [row[0] for row in table.rows] == [CAUSES[code].title for code in told]


def test_the_report_holds_the_section(audited_demo):
    pdf = typeset(trial_report(audited_demo, "wheat-11"))
    pages = pypdf.PdfReader(io.BytesIO(pdf)).pages
    text = "\n".join(page.extract_text() for page in pages)
    assert "set up well, and did they hold?" in text
    assert "Check samples of curve wheat-S2" in text


def test_without_the_tables_it_says_so(season):
    audit = audit_season(season.folder)
    _, conditions = of_trial(audit, audit.trials[0])
    said = [b.text for b in condition_blocks(audit, conditions) if type(b) is Paragraph]
    assert len(said) == 2 and all("could not be judged" in text for text in said)
