"""From a report's blocks to a PDF, the same bytes for the same report."""

import json
from dataclasses import fields, is_dataclass
from datetime import UTC, date, datetime, time
from functools import cache
from importlib.resources import files

import typst

from kitlib.pages.blocks import Report
from kitlib.reports.lettering import FONT, FONT_FOLDER, as_printed
from kitlib.words.errors import KitError

# Long-term archiving with the text's structure, and reading by screen readers. The
# compiler refuses what it knows to break them; no other validator has looked.
STANDARDS = ["a-2a", "ua-1"]
TEMPLATE = "report.typ"
# Letters kept of a text in such a place; more are cut and their number said.
_LETTERS = {"rows": 320, "pairs": 100, "facts": 100, "title": 60, "running": 40}
_LETTERS |= {"label": 60, "unit": 40, "action": 40, "kind": 40}
_LETTERS_ELSEWHERE = 1500


class NotTypeset(KitError):
    """A report could not be turned into a PDF."""


def typeset(report: Report) -> bytes:
    """Return a report as PDF/A-2a and PDF/UA-1.

    Parameters
    ----------
    report : Report
        Its date becomes the PDF's own, so no clock enters.

    Returns
    -------
    bytes
        The same for the same report, in every process.

    Raises
    ------
    NotTypeset
        If the typesetter refuses the report, with what it says.

    Examples
    --------
    >>> from kitlib.pages.blocks import Paragraph
    >>> day = date(2025, 11, 14)
    >>> blocks = [Paragraph("Nothing was sampled.")]
    >>> pdf = typeset(Report(kind="Trial report", title="Weir Bank",
    ...                      running="Trial Weir Bank", date=day, blocks=blocks))
    >>> pdf[:5]
    b'%PDF-'
    """
    words = json.dumps(as_json(report))
    midday = datetime.combine(report.date, time(12), UTC)
    try:
        return compiler().compile(
            _template(),
            format="pdf",
            sys_inputs={"report": words, "font": FONT},
            pdf_standards=STANDARDS,
            timestamp=midday,
        )
    except typst.TypstError as error:
        hints = "".join(f" Hint: {hint}." for hint in error.hints)
        raise NotTypeset(
            f"{report.kind} {as_printed(report.title, 60)}: not typeset; the "
            f"typesetter says: {error.message}.{hints}"
        ) from error


def as_json(part: object, letters: int = _LETTERS_ELSEWHERE) -> object:
    """Return a part of a report as the template reads it.

    Blocks become dictionaries that name their kind; text is made printable.

    Examples
    --------
    >>> from kitlib.pages.blocks import Heading
    >>> as_json(Heading("Errors"))
    {'kind': 'Heading', 'text': 'Errors', 'level': 1}
    """
    if isinstance(part, str):
        return as_printed(part, letters)
    if isinstance(part, bytes):
        return part.decode()
    if isinstance(part, date):
        return [part.year, part.month, part.day]
    if is_dataclass(part):
        named = {
            f.name: as_json(getattr(part, f.name), _LETTERS.get(f.name, letters))
            for f in fields(part)
        }
        return {"kind": type(part).__name__, **named}
    if hasattr(part, "__iter__"):
        return [as_json(each, letters) for each in part]
    return part


@cache
def compiler() -> typst.Compiler:
    """Return the compiler; it reads the fonts once and keeps what it worked out.

    Its first use starts threads.
    """
    fonts = typst.Fonts(include_system_fonts=False, font_paths=[FONT_FOLDER])
    return typst.Compiler(font_paths=fonts)


@cache
def _template() -> bytes:
    """Return the template that is delivered with kitlib."""
    return files("kitlib.pages").joinpath(TEMPLATE).read_bytes()
