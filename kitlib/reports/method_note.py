"""What every report says of its methods, its sources and its limits."""

from kitlib.intake.outputs import code_hash, versions
from kitlib.pages.blocks import (
    Block,
    Caution,
    Column,
    Heading,
    Paragraph,
    Sources,
    Table,
)
from kitlib.season.season import SeasonAudit
from kitlib.words.limits import STANDARD_MOISTURE, THRESHOLDS
from kitlib.words.terms import crop_key, show

CAUTIONS = (
    "For audit and research only. This report is not a verification of any "
    "instrument, and its numbers are not for buying, selling or settling grain: "
    "where money depends on moisture, local law and verified instruments decide.",
    "Drying ovens run at 103 to 133 °C: use heat-proof gloves, ventilate, and let "
    "dishes cool covered. Grain dust can burn and explode and harms the lungs: keep "
    "flames, sparks and hot surfaces away and wear protection when grinding.",
    "Before reaching into a combine for a sample stop the engine, remove the key and "
    "wait until nothing moves. Never enter a bin over flowing or bridged grain; entry "
    "is for trained people under local rules.",
    "Local codes, the makers' manuals and licensed practice come before anything "
    "said here.",
)

SIGNS = (
    "Error is sensor minus air-oven in points of moisture, wet basis; bias is the mean "
    "error, and the offset, −bias, is what to add to a reading. Slope and intercept "
    "regress the air-oven on the sensor, so that corrected = intercept + slope × "
    "reading; some texts write the error or the regression the other way round."
)

STATISTICS = (
    (
        "Bias",
        "mean error over trials like these, a random draw; CR2 error by trial with "
        "Satterthwaite degrees of freedom; beside it a random trial intercept with "
        "Kenward–Roger",
    ),
    (
        "SEP",
        "standard deviation of the errors about the bias, n − 1; RMSEP keeps the bias. "
        "Its interval is for new trials: Graybill and Wang's high end, a low end by "
        "jackknife over trials. What the reference's own error adds is taken out where "
        "dishes were repeated",
    ),
    (
        "Slope",
        "prediction slope: the best straight prediction of the air-oven from readings "
        "that spread as these do; CR2 by trial, anchored at the standard moisture",
    ),
    (
        "Gain",
        "the sensor's own slope on the true moisture, by errors in variables (Deming) "
        "with the SD of the dishes and of the residuals; CR2 by trial",
    ),
    (
        "Over the harvested plots",
        "bias and gain as they would be had every plot of the sampled trials been a "
        "sample, from the readings of all plots: samples picked by their readings "
        "show too large a bias or gain by themselves",
    ),
    (
        "After correction",
        "every figure of performance after an offset or a line is of trials left out "
        "of its fit",
    ),
    (
        "Allowed bias",
        "half the tolerance at the curve's mean moisture, unless set; equivalence is "
        "shown where the 90% interval of the bias lies inside it",
    ),
    (
        "Entry means",
        "least squares with the trial's blocks, or random blocks (REML) where blocks "
        "hold a part of the entries; the model stands under each table",
    ),
    (
        "Chance of selection",
        "share of 1,000 draws of the plots' errors and of the correction, from their "
        "sampling distributions, in which an entry is among those selected",
    ),
)

REFERENCES = (
    (
        "AACC Approved Method 39-01.01: bias, slope, at least 11 samples",
        "first page read",
    ),
    ("ISO 12099: SEP, RMSEP, Tb and TUE", "from memory"),
    ("Bell and McCaffrey, Survey Methodology 28 (2002) 169", "method"),
    ("Pustejovsky and Tipton, J. Bus. Econ. Stat. 36 (2018) 672", "method"),
    ("Kenward and Roger, Biometrics 53 (1997) 983", "method"),
    ("Linnet, Clinical Chemistry 39 (1993) 424: Deming regression", "from memory"),
    ("Bland and Altman, Lancet 327 (1986) 307: limits of agreement", "data read"),
    ("Morris, J. Am. Stat. Assoc. 78 (1983) 47: shrunken offsets", "from memory"),
)


def cautions() -> list[Block]:
    """Return the cautions every report carries."""
    return [Caution("Before you use these numbers", CAUTIONS)]


def method_note(season: SeasonAudit, crops: list[str]) -> list[Block]:
    """Return how the numbers were made, with the sources of every limit used."""
    settings = season.settings
    columns = [Column("Number"), Column("What it is and how it was estimated")]
    limits = [
        (f"Tolerance, {crop}: {_tolerance_in_words(settings, crop)}", tag)
        for crop in crops
        for tag in [settings.tolerance_of(crop).tag]
    ]
    standards = [standard_in_words(settings, crop) for crop in crops]
    return [
        Heading("Method note"),
        Paragraph(SIGNS),
        Table(
            caption="How each number is estimated.", columns=columns, rows=STATISTICS
        ),
        Sources([*limits, *standards, *REFERENCES]),
    ]


def _tolerance_in_words(settings, crop: str) -> str:
    """Return a crop's tolerance with its source, without the tag."""
    found = settings.tolerance_of(crop)
    constant = f"{found.constant:g} + " if found.constant else ""
    return (
        f"{constant}{found.fraction:g} × M, at least {found.minimum:g} points "
        f"({found.source})"
    )


def standard_in_words(settings, crop: str) -> tuple[str, str]:
    """Return a crop's standard moisture and its source, with the tag."""
    value = show(settings.standard_moisture_of(crop), 1)
    if crop_key(crop) in settings.standard_moisture:
        return f"Standard moisture, {crop}: {value} % (season.toml)", "set by the user"
    found = STANDARD_MOISTURE.get(crop_key(crop))
    if found is None:
        return f"Standard moisture, {crop}: not known", "set it in season.toml"
    return f"Standard moisture, {crop}: {value} % ({found.source})", found.tag


def decision_thresholds() -> Table:
    """Return the numbers the decisions rest on, each with its reason."""
    return Table(
        caption="Numbers the decisions rest on.",
        columns=[Column("Rule"), Column("Value", number=True), Column("Reason")],
        rows=[
            (limit.title, f"{limit.value:g}", limit.reason)
            for limit in THRESHOLDS.values()
        ],
    )


def provenance(season: SeasonAudit) -> list[Block]:
    """Return what the report was made from: input hashes and versions."""
    return [
        Heading("Provenance"),
        Table(
            caption="Files read, with their SHA-256.",
            columns=[Column("File"), Column("SHA-256")],
            rows=list(season.inputs.items()),
        ),
        made_with(season),
    ]


def made_with(season: SeasonAudit) -> Paragraph:
    """Return the versions a report was made with."""
    found = ", ".join(f"{name} {number}" for name, number in versions().items())
    return Paragraph(
        f"Made with {found}; code {code_hash()[:16]}; seed {season.settings.seed}."
    )
