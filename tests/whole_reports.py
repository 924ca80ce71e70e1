"""The reports as the notebooks on curves and on a trial put them together."""

from io import BytesIO

from pypdf import PdfReader

from kitlib.reports import blocks as page
from kitlib.reports import season_sections as sections
from kitlib.reports import trial_sections as of_trial
from kitlib.reports.typeset import typeset
from kitlib.review.review import review_findings, review_season
from kitlib.review.sections import review_sections


def season_report(audit):
    """Return the whole report of a season."""
    review, report = review_season(audit), sections.season_report(audit)
    report.blocks += sections.season_answer(audit)
    report.blocks.append(page.table_of("trials", audit.outcomes.trials))
    findings = audit.findings + review_findings(review)
    report.blocks += sections.season_findings(audit, findings, report)
    report.blocks += sections.season_curves(audit)
    report.blocks += review_sections(review)
    report.blocks += sections.season_accounts(audit, report)
    report.blocks += sections.season_method(audit)
    return report


def trial_report(audit, name):
    """Return the whole report of a trial, as its notebook typesets it."""
    trial = audit.trial(name)
    report = of_trial.trial_report(audit, trial)
    report.blocks += [
        *of_trial.trial_answer(audit, trial),
        *of_trial.rank_chart(trial),
        *of_trial.to_do(audit, trial),
        *of_trial.measured_here(trial),
        *of_trial.found_here(audit, trial),
        *of_trial.entry_rows(trial),
        *of_trial.curves_here(audit, trial),
        *of_trial.changes_here(trial),
        *of_trial.how_made(audit, trial),
    ]
    return report


def pages_of(report) -> list[str]:
    """Return the text of each page of a report, words parted by single spaces."""
    pages = PdfReader(BytesIO(typeset(report))).pages
    return [" ".join(page.extract_text().split()) for page in pages]
