"""The season's report as the notebook on curves puts it together."""

from io import BytesIO

from pypdf import PdfReader

from kitlib.reports import season_sections as sections
from kitlib.reports.typeset import typeset
from kitlib.review.review import review_findings, review_season
from kitlib.review.sections import review_sections


def season_report(audit):
    """Return the whole report of a season."""
    review, report = review_season(audit), sections.season_report(audit)
    report.blocks += sections.season_answer(audit)
    report.blocks += sections.season_trials(audit)
    report.blocks += sections.season_curves(audit)
    report.blocks += review_sections(review)
    findings = audit.findings + review_findings(review)
    report.blocks += sections.season_accounts(audit, findings)
    report.blocks += sections.season_method(audit)
    return report


def pages_of(report) -> list[str]:
    """Return the text of each page of a report, words parted by single spaces."""
    pages = PdfReader(BytesIO(typeset(report))).pages
    return [" ".join(page.extract_text().split()) for page in pages]
