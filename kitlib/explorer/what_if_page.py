"""A what-if as a page: what was chosen and why, and what would follow."""

from kitlib.explorer.choice_pictures import SensitivityPicture
from kitlib.explorer.explorer import CurveExplorer
from kitlib.explorer.explorer_look import Look
from kitlib.explorer.explorer_tables import (
    choice_in_words,
    figures_table,
    names_left_out,
    trial_in_words,
)
from kitlib.explorer.live_pictures import NOT_THE_AUDIT, LivePicture
from kitlib.explorer.sample_pictures import ErrorPicture
from kitlib.pages.blocks import (
    Block,
    Caution,
    Note,
    Paragraph,
    Picture,
    Report,
    SideBySide,
)
from kitlib.reports.drawing import svg_bytes
from kitlib.reports.method_note import SIGNS
from kitlib.reports.report_parts import facts, season_facts
from kitlib.reports.trial_report import NO_DATE
from kitlib.words.terms import counted, show, show_span

APART = (
    "Someone asked what another choice would do; this page shows the answer. What the "
    "audit found and advises stands in the season's report and in curves.csv, and is "
    "not changed by it.",
)


def what_if_page(
    explorer: CurveExplorer, look: Look, reason: str, number: int
) -> Report:
    """Return a what-if as a report of one page.

    Parameters
    ----------
    explorer : CurveExplorer
    look : Look
    reason : str
        Why it is put on record, in the user's own words.
    number : int
        Of its row in what_if.csv.
    """
    season, curve, choice = explorer.season, explorer.audit.curve, look.choice
    chosen = [
        ("Moisture band", f"{show_span(*choice.band, 1)} %"),
        ("Samples left out", names_left_out(explorer, look)),
        ("Standard moisture", f"{show(choice.standard_pct, 1)} %"),
        ("Selected", _selected(choice.select)),
    ]
    blocks: list[Block] = [
        Caution(NOT_THE_AUDIT, APART),
        Paragraph(f"Reason given: {reason}"),
        Paragraph(choice_in_words(explorer, look)),
        facts(chosen),
        figures_table(explorer, look),
        _pictures(explorer, look),
        Paragraph(trial_in_words(explorer, look)),
        Note(SIGNS),
    ]
    return Report(
        kind="What-if",
        title=f"What if {number}: curve {curve}",
        subtitle="What another correction would do",
        running=f"What if {number}, curve {curve}",
        date=season.settings.report_date or NO_DATE,
        facts=[*season_facts(season), ("Crop", explorer.audit.crop)],
        blocks=blocks,
    )


def _selected(select: float) -> str:
    """Return how many entries are selected, as a share or a number."""
    return f"{select:.0%} of the entries" if select < 1 else f"{select:g} entries"


def _pictures(explorer: CurveExplorer, look: Look) -> SideBySide:
    """Return the pictures that a page has room for."""
    n, found = look.outlook.n, look.outlook
    before, after = look.recorded.share_within[0], found.share_within[look.at]
    errors = _picture(
        ErrorPicture(explorer),
        look,
        "Errors over moisture, as recorded and as they would be.",
        f"Of {counted(n, 'sample')} {show(100 * before, 0)} % lie within tolerance as "
        f"recorded and {show(100 * after, 0)} % under the what-if.",
    )
    sensitivity = _picture(
        SensitivityPicture(explorer),
        look,
        "RMSEP, share within tolerance and entries newly selected over the offset.",
        f"RMSEP is {show(found.rmsep[look.at])} points in-sample at the offset chosen "
        f"and least, {show(found.rmsep.min())}, near the samples' own offset.",
    )
    return SideBySide(errors, sensitivity)


def _picture(live: LivePicture, look: Look, caption: str, alt: str) -> Picture:
    """Return a live picture of a look as it is printed."""
    live.show(look)
    return Picture(svg=svg_bytes(live.figure), caption=caption, alt=alt)
