"""From a report's blocks to a PDF, the same bytes for the same report."""

import json
from datetime import UTC, date, datetime, time
from functools import cache
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import typst

from kitlib.intake.outputs import write_bytes
from kitlib.reports.blocks import Picture, Report, every_block
from kitlib.reports.lettering import FONT, FONT_FOLDER, as_printed
from kitlib.words.errors import KitError

# Long-term archiving with the text's structure, and reading by screen readers. The
# compiler refuses what it knows to break them; no other validator has looked.
STANDARDS: Any = ["a-2a", "ua-1"]
TEMPLATE = "report.typ"
# PDF/A demands a date inside the file: one that is plainly no season's, where the page
# says "undated".
UNDATED = date(2000, 1, 1)
# Letters kept of a text in such a place; more are cut and their number said.
_LETTERS = {"rows": 320, "facts": 100, "title": 60, "running": 40}
_LETTERS |= {"label": 60, "unit": 40, "word": 40, "kind": 40}
_LETTERS_ELSEWHERE = 1500


class NotTypeset(KitError):
    """A report could not be turned into a PDF."""


def write_report(report: Report, path: str | Path) -> Path:
    """Write a report as PDF, whole or not at all, and return where it is."""
    return write_bytes(Path(path), typeset(report))


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
    >>> from kitlib.reports.blocks import Paragraph
    >>> day = date(2025, 11, 14)
    >>> pdf = typeset(Report(kind="Trial report", title="Weir Bank", date=day,
    ...                      blocks=[Paragraph("Nothing was sampled.")]))
    >>> pdf[:5]
    b'%PDF-'
    """
    pictures = [b for b in every_block(report.blocks) if isinstance(b, Picture)]
    midday = datetime.combine(report.date or UNDATED, time(12), UTC)
    with TemporaryDirectory() as folder:
        for picture in pictures:
            (Path(folder) / picture.file).write_bytes(picture.png)
        try:
            pdf: Any = compiler().compile(
                _template(),
                format="pdf",
                root=folder,
                sys_inputs={"report": json.dumps(as_json(report)), "font": FONT},
                pdf_standards=STANDARDS,
                timestamp=midday,
            )
            return pdf
        except typst.TypstError as error:
            hints = "".join(f" Hint: {hint}." for hint in error.hints)
            raise NotTypeset(
                f"{report.kind} {as_printed(report.title, 60)}: not typeset; the "
                f"typesetter says: {error.message}.{hints}"
            ) from error


def as_json(report: Report) -> dict[str, Any]:
    """Return a report as the template reads it: text made printable, parts named.

    Examples
    --------
    >>> from kitlib.reports.blocks import Heading
    >>> report = Report(kind="Season report", title="X", blocks=[Heading("Errors")])
    >>> as_json(report)["blocks"][0]["words"]
    'Errors'
    """
    parts = report.parts()
    return {
        k: _printable(v, _LETTERS.get(k, _LETTERS_ELSEWHERE)) for k, v in parts.items()
    }


def _printable(part: Any, letters: int) -> Any:
    """Return a part of a report with all its text made printable."""
    if isinstance(part, str):
        return as_printed(part, letters)
    if isinstance(part, dict):
        return {k: _printable(v, _LETTERS.get(k, letters)) for k, v in part.items()}
    if isinstance(part, list | tuple):
        return [_printable(each, letters) for each in part]
    return part


@cache
def compiler() -> typst.Compiler:
    """Return the compiler; it reads the fonts once. Its first use starts threads."""
    fonts = typst.Fonts(include_system_fonts=False, font_paths=[FONT_FOLDER])
    return typst.Compiler(font_paths=fonts)


@cache
def _template() -> bytes:
    """Return the template that is delivered with kitlib."""
    return files("kitlib.reports").joinpath(TEMPLATE).read_bytes()
