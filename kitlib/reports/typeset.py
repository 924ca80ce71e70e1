"""From a report's blocks to a PDF, and what every report says of its method."""

import json
from collections.abc import Sequence
from datetime import UTC, date, datetime, time
from functools import cache
from importlib.resources import files
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import typst

from kitlib.intake.files import code_hash, versions, write_bytes
from kitlib.intake.settings import Season
from kitlib.reports.blocks import (
    Block,
    Caution,
    Heading,
    Items,
    Paragraph,
    Picture,
    Report,
    Table,
    every_block,
)
from kitlib.reports.drawing import FONT, FONT_FOLDER, as_printed
from kitlib.words.findings import KitError
from kitlib.words.limits import FROM_MEMORY, STANDARD_MOISTURE
from kitlib.words.terms import columns_of, crop_key, declarations, listed, show

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


CAUTIONS = (
    "For audit and research only. This report is not a verification of any "
    "instrument, and its numbers are not for buying, selling or settling grain: "
    "where money depends on moisture, local law and verified instruments decide.",
    "Local codes, the makers' manuals and licensed practice come before anything "
    "said here.",
)
AT_WORK = (
    "Drying ovens run at 103 to 133 °C: use heat-proof gloves, ventilate, and let "
    "dishes cool covered. Grain dust can burn and explode and harms the lungs: keep "
    "flames, sparks and hot surfaces away and wear protection when grinding.",
    "Before reaching into a combine for a sample stop the engine, remove the key and "
    "wait until nothing moves. Never enter a bin over flowing or bridged grain; entry "
    "is for trained people under local rules.",
)
SIGNS = (
    "Error is sensor minus air-oven, in points of moisture, wet basis. Bias is the "
    "mean error; the offset, −bias, is what to add to a reading. Slope and intercept "
    "regress the air-oven on the sensor: corrected = intercept + slope × reading. "
    "Some texts write the error or the regression the other way round."
)
METHOD = (
    "Samples of one trial share weather, operator and oven run, so every interval of "
    "a bias or slope is clustered by trial: CR2 standard errors with Satterthwaite "
    "degrees of freedom [1, 2]. A mixed model with Kenward–Roger degrees of freedom "
    "is kept beside it in curves.csv [3].",
    "SEP, RMSEP and the limit of the SEP (T_UE) follow ISO 12099 [4]. Performance "
    "after a correction is measured on trials that were not used to fit it.",
    "The gain is fitted by errors in variables (Deming) with the standard deviations "
    "of dishes and residuals [5].",
    "Samples picked by their readings show too large a bias or gain. Bias and gain "
    "over the harvested plots are what they would be had every plot been sampled.",
    "Offsets of curves of one crop are drawn towards each other by their own "
    "uncertainty [6].",
    "Entry means are least squares with the blocks of the trial, or random blocks "
    "(REML) where a block holds only some of the entries. Chances of selection are "
    "shares of 1,000 draws of plot error and of the uncertainty of the correction.",
)
REFERENCES = (
    "Bell, R. M., McCaffrey, D. F. (2002). Bias reduction in standard errors for "
    "linear regression with multi-stage samples. Survey Methodology 28, 169–181.",
    "Pustejovsky, J. E., Tipton, E. (2018). Small-sample methods for cluster-robust "
    "variance estimation and hypothesis testing in fixed effects models. Journal of "
    "Business & Economic Statistics 36, 672–683.",
    "Kenward, M. G., Roger, J. H. (1997). Small sample inference for fixed effects "
    "from restricted maximum likelihood. Biometrics 53, 983–997.",
    "ISO 12099, Animal feeding stuffs, cereals and milled cereal products: "
    "guidelines for the application of near infrared spectrometry.",
    "Linnet, K. (1993). Evaluation of regression procedures for methods comparison "
    "studies. Clinical Chemistry 39, 424–432.",
    "Morris, C. N. (1983). Parametric empirical Bayes inference: theory and "
    "applications. Journal of the American Statistical Association 78, 47–55.",
    "AACC Approved Method 39-01.01. Evaluation of near-infrared (NIR) instrument "
    "calibration.",
)
EXPLAINED = ["bias", "bias_over_plots", "sep", "max_sep", "slope", "gain"]
EXPLAINED += ["allowed_bias", "bias_left", "new_sample_low"]
# Clauses and editions that whoever relies on them should look up.
TO_CONFIRM = (
    "ISO 12099: edition and clause of the limit of the SEP (T_UE).",
    "Half the tolerance as the allowed bias: the usual margin in type evaluation; "
    "check the edition that applies to you, or set allowed_bias in season.toml.",
)


def cautions(at_work: bool = False) -> Caution:
    """Return what no reader may overlook; with what matters at the oven and the bin."""
    lines = CAUTIONS + AT_WORK if at_work else CAUTIONS
    return Caution("Before you use these numbers", lines)


def how_to_read() -> list[Block]:
    """Return what each number of a curve's page means, as the columns declare it."""
    curves = columns_of("curves")
    wanted = [curves[name].label for name in EXPLAINED]
    declared = declarations()
    of_curves = declared[declared["table"] == "curves"]
    rows = of_curves[of_curves["label"].isin(wanted)].assign(
        label=lambda frame: frame["label"].str.removesuffix(", low end")
    )
    return [
        Heading("How to read this"),
        Paragraph(SIGNS),
        Table(
            "The numbers of a curve, and how they are estimated.",
            rows[["label", "meaning", "estimate"]],
            "columns",
            note="columns.csv explains every column of every table in the same way.",
        ),
    ]


def method_and_sources(
    settings: Season,
    crops: list[str],
    method: Sequence[str] = METHOD,
    references: Sequence[str] = REFERENCES,
) -> list[Block]:
    """Return the method, its sources, the limits used, and what to confirm."""
    limits = [
        *(
            f"Tolerance, {crop}: {tolerance_in_words(settings, crop)}."
            for crop in crops
        ),
        "Standard moistures: "
        + "; ".join(standard_in_words(settings, crop) for crop in crops)
        + ".",
    ]
    numbered = [f"[{k}] {source}" for k, source in enumerate(references, start=1)]
    return [
        Heading("Method and sources"),
        Items(method, small=True),
        Heading("Limits used", 2),
        Items(limits, small=True),
        Heading("Sources", 2),
        Items(numbered, small=True),
        Heading("Values to confirm", 2),
        Items(_to_confirm(settings, crops), small=True),
    ]


def _to_confirm(settings: Season, crops: list[str]) -> list[str]:
    """Return the values whose edition or clause a reader should look up."""
    found = list(TO_CONFIRM)
    by_source: dict[str, list[str]] = {}
    for crop in crops:
        tolerance = settings.tolerance_of(crop)
        if tolerance.tag == FROM_MEMORY:
            by_source.setdefault(tolerance.source, []).append(crop)
    for source, of_crops in by_source.items():
        found.append(f"Tolerance of {listed(of_crops)}: edition of {source}.")
    if settings.report_date is None:
        found.append("The date of this report: set report_date in season.toml.")
    return found


def tolerance_in_words(settings: Season, crop: str) -> str:
    """Return a crop's tolerance with its source."""
    found = settings.tolerance_of(crop)
    constant = f"{found.constant:g} + " if found.constant else ""
    return (
        f"{constant}{found.fraction:g} × M, at least {found.minimum:g} points, where M "
        f"is the air-oven moisture ({found.source})"
    )


def standard_in_words(settings: Season, crop: str) -> str:
    """Return a crop's standard moisture and its source."""
    value = f"{crop} {show(settings.standard_moisture_of(crop), 1)} %"
    if crop_key(crop) in settings.standard_moisture:
        return f"{value} (set in season.toml)"
    found = STANDARD_MOISTURE.get(crop_key(crop))
    if found is None:
        return f"{crop} not known (set it in season.toml)"
    return f"{value} ({found.source})"


def provenance(
    parts: dict[str, str],
    seed: int,
    caption: str = "Read, with the start of the SHA-256",
) -> list[Block]:
    """Return what a report was made from: hashes of its parts, and versions."""
    made = ", ".join(f"{name} {number}" for name, number in versions().items())
    read = ", ".join(f"{name} {sha256[:20]}" for name, sha256 in parts.items())
    return [
        Heading("Provenance", 2),
        Paragraph(f"{caption.rstrip('.')}: {read}.", small=True),
        Paragraph(
            f"Made with {made}; software version {code_hash()[:16]}; random seed "
            f"{seed}. The manifest.json of the run holds every hash whole.",
            small=True,
        ),
    ]
