"""From a report's blocks to a PDF, and what every report says of its method."""

import json
from collections import defaultdict
from datetime import UTC, date, datetime, time
from functools import cache
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import typst

from kitlib.intake.outputs import code_hash, versions, write_bytes
from kitlib.intake.settings import Season
from kitlib.reports import blocks as page
from kitlib.reports.drawing import FONT, FONT_FOLDER, as_printed
from kitlib.words.findings import KitError
from kitlib.words.limits import FROM_MEMORY, STANDARD_MOISTURE
from kitlib.words.terms import crop_key, declarations, listed, show

# Long-term archiving with the text's structure, and reading by screen readers. The
# compiler refuses what it knows to break them; no other validator has looked.
STANDARDS: Any = ["a-2a", "ua-1"]
# PDF/A demands a date inside the file: one that is plainly no season's, where the page
# says "undated".
UNDATED = date(2000, 1, 1)
# Letters kept of a text in such a place.
_LETTERS = {"rows": 320, "longest": 320, "facts": 100, "title": 60, "running": 40}
_LETTERS |= {"label": 60, "unit": 40, "word": 40, "kind": 40}


class NotTypeset(KitError):
    """A report could not be turned into a PDF."""


def write_report(report: page.Report, path: str | Path) -> Path:
    """Write a report as PDF, whole or not at all, and return where it is."""
    return write_bytes(Path(path), typeset(report))


def typeset(report: page.Report) -> bytes:
    """Return a report as PDF/A-2a and PDF/UA-1, the same bytes for the same report.

    Its date becomes the PDF's own, so no clock enters. Raises `NotTypeset` with what
    the typesetter says where it refuses the report.
    """
    template = files("kitlib.reports").joinpath("report.typ").read_bytes()
    with TemporaryDirectory() as folder:
        for block in page.every_block(report.blocks):
            if isinstance(block, page.Picture):
                (Path(folder) / block.file).write_bytes(block.png)
        try:
            pdf: Any = _compiler().compile(
                template,
                format="pdf",
                root=folder,
                sys_inputs={"report": json.dumps(as_json(report)), "font": FONT},
                pdf_standards=STANDARDS,
                timestamp=datetime.combine(report.date or UNDATED, time(12), UTC),
            )
        except typst.TypstError as error:
            hints = "".join(f" Hint: {hint}." for hint in error.hints)
            raise NotTypeset(
                f"{report.kind} {as_printed(report.title, 60)}: not typeset; the "
                f"typesetter says: {error.message}.{hints}"
            ) from error
    return pdf


def page_count(report: page.Report) -> int:
    """Return on how many pages a report stands."""
    return typeset(report).count(b"/Type/Page/")


def as_json(part: Any, letters: int = 1500) -> Any:
    """Return a report as the template reads it: all its text made printable.

    `letters` are those kept of a text; more are cut and their number said.
    """
    if isinstance(part, page.Block | page.Report):
        return {"block": type(part).__name__, **as_json(part.parts())}
    if isinstance(part, str):
        return as_printed(part, letters)
    if isinstance(part, dict):
        return {key: as_json(v, _LETTERS.get(key, letters)) for key, v in part.items()}
    if isinstance(part, list | tuple):
        return [as_json(each, letters) for each in part]
    return part


@cache
def _compiler() -> typst.Compiler:
    """Return the compiler; it reads the fonts once. Its first use starts threads."""
    fonts = typst.Fonts(include_system_fonts=False, font_paths=[FONT_FOLDER])
    return typst.Compiler(font_paths=fonts)


# ---- what every report says ---------------------------------------------------------

SIGNS = page.texts()["every"]["signs"]
EXPLAINED = ["bias", "bias_over_plots", "sep", "max_sep", "slope", "gain"]
EXPLAINED += ["allowed_bias", "bias_left", "new_sample_low"]


def cautions(at_work: bool = False) -> page.Caution:
    """Return what no reader may overlook; with what matters at the oven and the bin."""
    every = page.texts()["every"]
    lines = every["cautions"] + (every["at_work"] if at_work else [])
    return page.Caution("Before you use these numbers", lines)


def how_to_read() -> list[page.Block]:
    """Return what each number of a curve's page means, as the columns declare it."""
    declared = declarations().query("table == 'curves' and column in @EXPLAINED")
    labels = declared["label"].str.removesuffix(", low end")
    meanings = declared["meaning"].str.replace(": low end.", ".")
    of_it = declared.assign(label=labels, meaning=meanings)
    numbers = page.table_of("numbers", of_it)
    return [page.Heading("How to read this"), page.Paragraph(SIGNS), numbers]


def method_and_sources(
    settings: Season, crops: list[str], kind: str
) -> list[page.Block]:
    """Return the method, its sources, the limits used, and what to confirm.

    The kind of report is that of `sentences.toml`, season or trial.
    """
    limits, standards, recalled = [], [], defaultdict(list)
    for crop in crops:
        found, key = settings.tolerance_of(crop), crop_key(crop)
        limits.append(page.say("every.tolerance", crop=crop, of=found))
        if found.tag == FROM_MEMORY:
            recalled[found.source].append(crop)
        set_here, known = key in settings.standard_moisture, STANDARD_MOISTURE.get(key)
        source = "set in season.toml" if set_here else known.source if known else ""
        value = f"{show(settings.standard_moisture_of(crop), 1)} % ({source})"
        value = value if source else "not known (set it in season.toml)"
        standards.append(f"{crop} {value}")
    confirm = list(page.texts()["every"]["to_confirm"])
    for source, of_crops in recalled.items():
        confirm.append(f"Tolerance of {listed(of_crops)}: edition of {source}.")
    if settings.report_date is None:
        confirm.append("The date of this report: set report_date in season.toml.")
    sources = enumerate(page.texts()[kind]["sources"], start=1)
    parts = {
        "Limits used": [*limits, f"Standard moistures: {'; '.join(standards)}."],
        "Sources": [f"[{k}] {source}" for k, source in sources],
        "Values to confirm": confirm,
    }
    method = page.Items(page.texts()[kind]["method"], small=True)
    blocks: list[page.Block] = [page.Heading("Method and sources"), method]
    for heading, lines in parts.items():
        blocks += [page.Heading(heading, 2), page.Items(lines, small=True)]
    return blocks


def provenance(parts: dict[str, str], seed: int) -> list[page.Block]:
    """Return what a report was made from: hashes of its parts, and versions."""
    values = {
        "made": ", ".join(f"{name} {number}" for name, number in versions().items()),
        "read": ", ".join(f"{name} {sha256[:20]}" for name, sha256 in parts.items()),
        "code": code_hash()[:16],
        "seed": seed,
    }
    lines = [line.format(**values) for line in page.texts()["every"]["provenance"]]
    paragraphs = [page.Paragraph(line, small=True) for line in lines]
    return [page.Heading("Provenance", 2), *paragraphs]
