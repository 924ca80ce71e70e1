"""What the notebook on the season's rows shows: tables and pictures of the join."""

import pandas as pd

from kitlib.intake.pairs import OVEN
from kitlib.pages.blocks import Block, Table
from kitlib.pages.tabulate import (
    count,
    interval,
    number,
    points,
    span,
    tabulate,
    text,
    words,
)
from kitlib.reports.pictures import coverage_picture
from kitlib.reports.results import reference_table
from kitlib.season.season import SeasonAudit
from kitlib.words.findings import Finding
from kitlib.words.terms import (
    BENCHTOP,
    BIAS,
    CROP,
    CURVE,
    ENTRY,
    ERROR,
    PLOT,
    POINTS,
    REFERENCE,
    SAMPLE,
    SENSOR,
    SEP,
    SLOPE,
    TRIAL,
    Term,
)

MOST_CURVES, FEW_ROWS = 24, 12
_OF_CURVE = words(CROP), words(CURVE)
_SAMPLES, _TRIALS = count("n", "Samples"), count("n_trials", "Trials")


def rows_read(season: SeasonAudit) -> Table:
    """Return how many rows of each table were read, used and left out."""
    return tabulate(
        "Rows read are rows used and rows left out.",
        season.pairing.counts,
        text("table", "Table"),
        count("read", "Read"),
        count("used", "Used"),
        count("left_out", "Left out"),
    )


def of_tables(season: SeasonAudit) -> list[Finding]:
    """Return the findings on the rows of the tables."""
    return [found for found in season.findings if found.table]


def dish_agreement(season: SeasonAudit) -> Table:
    """Return how far the dishes of one sample lie apart, by oven method."""
    limit = season.settings.repeatability_of
    spread = season.reference.repeatability
    return tabulate(
        "How far the dishes of one sample lie apart.",
        spread.assign(limit=[limit(method) for method in spread["method"]]),
        text("method", "Oven method"),
        count("n_samples", "Samples with dishes repeated"),
        count("df", "df"),
        number(Term("sd_dish", POINTS, "SD of a dish", 3)),
        points("limit", "Range allowed, two dishes"),
        note="The SD holds drying and weighing; how a sample was taken and kept is not "
        "in it.",
    )


def dishes_apart(season: SeasonAudit) -> Table:
    """Return the samples whose dishes differ by more than their method allows."""
    samples = reference_table(season)
    return tabulate(
        "Samples whose dishes differ by more than their method allows.",
        samples[samples["dishes_disagree"]],
        words(SAMPLE),
        words(TRIAL),
        words(PLOT),
        text("method", "Oven method"),
        count("n_dishes", "Dishes"),
        number(REFERENCE),
        points("range_pct", "Range of the dishes"),
        points("range_limit", "Range allowed"),
        whole="reference.csv",
    )


def meter_samples(season: SeasonAudit) -> Table:
    """Return how many samples each benchtop meter measured, and their mean."""
    pairs = season.pairing.pairs
    read = pairs[pairs["benchtop_pct"].notna()].drop_duplicates("sample")
    oven = read["reference_pct"].notna()
    by_meter = read.assign(oven=oven).groupby(["crop", "meter"], as_index=False)
    return tabulate(
        "Samples measured by benchtop meters.",
        by_meter.agg(
            n=("sample", "size"),
            with_oven=("oven", "sum"),
            n_trials=("trial", "nunique"),
            benchtop_pct=("benchtop_pct", "mean"),
        ),
        words(CROP),
        text("meter", "Meter"),
        _SAMPLES,
        count("with_oven", "With an oven result"),
        _TRIALS,
        number(Term(BENCHTOP.name, BENCHTOP.unit, "Mean reading")),
    )


def bridge_rows(season: SeasonAudit) -> Table:
    """Return each benchtop meter's own bias and slope against the oven."""
    return tabulate(
        "Benchtop meters against the air-oven.",
        season.bridge,
        words(CROP),
        text("meter", "Meter"),
        _SAMPLES,
        _TRIALS,
        number(BIAS, sign=True),
        interval("bias"),
        number(SEP),
        number(SLOPE),
        interval("slope", 3, unit=""),
        note="Bias is benchtop − air-oven; slope is air-oven on benchtop.",
    )


def pair_counts(season: SeasonAudit) -> Table:
    """Return how many samples each curve has, and for what they serve."""
    pairs = season.pairing.pairs
    kinds = pairs.assign(
        apart=(pairs["basis"] == OVEN) & ~pairs["used"],
        bench=pairs["basis"] != OVEN,
    )
    by_curve = kinds.groupby(["crop", "curve"], as_index=False)
    return tabulate(
        "Samples of each curve.",
        by_curve.agg(
            n_trials=("trial", "nunique"),
            used=("used", "sum"),
            apart=("apart", "sum"),
            bench=("bench", "sum"),
        ),
        *_OF_CURVE,
        _TRIALS,
        count("used", "Oven, counted"),
        count("apart", "Oven, shown apart"),
        count("bench", "Benchtop only"),
        note="Samples taken because they looked odd are shown apart: they do not tell "
        "how the curve reads on the rest.",
    )


_PAIR = [words(SAMPLE), words(TRIAL), words(PLOT), words(ENTRY), words(CURVE)]
_PAIR += [number(SENSOR), number(REFERENCE), number(BENCHTOP), number(ERROR, sign=True)]


def pair_rows(season: SeasonAudit) -> Table:
    """Return the first pairs that the oven measured."""
    pairs = season.pairing.pairs
    caption = "Samples with an oven result beside the reading of their plot."
    rows = pairs[pairs["basis"] == OVEN]
    return tabulate(caption, rows, *_PAIR, most=FEW_ROWS, whole="pairs.csv")


def coverage_rows(season: SeasonAudit) -> Table:
    """Return how each curve's samples cover the plots it served."""
    rows = [
        {
            "crop": audit.crop,
            "curve": curve,
            "n_plots": cover.n_plots,
            "n": audit.n,
            "sampled_low": cover.low,
            "sampled_high": cover.high,
            "outside": 100 * cover.share_outside,
            "bias": audit.bias.value,
            "over_plots": cover.bias.value,
        }
        for curve, audit in season.audits.items()
        if (cover := audit.coverage) is not None
    ]
    columns = ["crop", "curve", "n_plots", "n", "sampled_low", "sampled_high"]
    columns += ["outside", "bias", "over_plots"]
    return tabulate(
        "Readings of the samples against those of the plots each curve served.",
        pd.DataFrame(rows, columns=columns),
        *_OF_CURVE,
        count("n_plots", "Plots"),
        _SAMPLES,
        span(Term("sampled", SENSOR.unit, "Readings sampled", 1)),
        number(Term("outside", "% of plots", "Drier or wetter than any", 0)),
        number(BIAS, sign=True),
        points("over_plots", "Bias over the plots' moistures", sign=True),
    )


def coverage_pictures(season: SeasonAudit) -> list[Block]:
    """Return the plots' and the samples' readings of every curve that served plots."""
    curves = [c for c, audit in season.audits.items() if audit.coverage is not None]
    return [coverage_picture(season, curve) for curve in curves[:MOST_CURVES]]
