"""What the notebook on the season's curves shows: evidence and advice as tables."""

from math import nan

import pandas as pd

from kitlib.curves.evidence import BAND_COLUMNS
from kitlib.pages.blocks import Block, Heading, Paragraph, Table
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
from kitlib.reports.pictures import curve_pictures
from kitlib.reports.report_parts import curve_numbers
from kitlib.reports.results import bands_table, effects_table, pooling_table
from kitlib.season.curves_table import curves_table
from kitlib.season.season import SeasonAudit
from kitlib.words.terms import (
    BIAS,
    CROP,
    CURVE,
    GAIN,
    OFFSET,
    POINTS,
    REFERENCE,
    SEP,
    SLOPE,
    Term,
    counted,
)

# Curves whose pictures the notebook holds; the season's report holds all.
MOST_CURVES = 24

_OF_CURVE = words(CROP), words(CURVE)
_SAMPLES, _TRIALS = count("n", "Samples"), count("n_trials", "Trials")
_METHOD = text("method", "Method, or why not known")


def curve_rows(season: SeasonAudit) -> Table:
    """Return what is to be done with each curve."""
    return tabulate(
        "Curves of the season, intervals clustered by trial.",
        curves_table(season),
        *_OF_CURVE,
        _SAMPLES,
        _TRIALS,
        number(BIAS, sign=True),
        interval("bias"),
        points("allowed_bias", "Allowed, ±"),
        number(SEP),
        text("action", "Action"),
        number(OFFSET, sign=True),
        points("offset_loaded", "Loaded this season", sign=True),
        points("new_setting", "New setting", sign=True),
        note="Error is sensor − air-oven; offset is what to add to a reading.",
        whole="curves.csv",
    )


def reasons(season: SeasonAudit) -> Table:
    """Return why each action is recommended, and what would settle an open one."""
    return tabulate(
        "Reasons.",
        curves_table(season),
        words(CURVE),
        text("action", "Action"),
        text("reason", "Reason"),
        text("what_would_settle", "What would settle it"),
        whole="curves.csv",
    )


def curve_evidence(season: SeasonAudit) -> list[Block]:
    """Return each curve's samples in two figures above its numbers."""
    blocks: list[Block] = []
    for curve, audit in list(season.audits.items())[:MOST_CURVES]:
        blocks.append(
            Heading(f"Calibration curve {curve}: {season.advice[curve].action}")
        )
        blocks.append(curve_pictures(season, curve))
        blocks.append(curve_numbers(audit, season.settings.confidence))
    more = len(season.audits) - MOST_CURVES
    if more > 0:
        blocks.append(Paragraph(f"{counted(more, 'more curve')} in the season's PDF."))
    return blocks


def band_rows(season: SeasonAudit) -> Table:
    """Return the mean error of every curve's moisture bands."""
    bands = bands_table(season).reindex(columns=["crop", "curve", *BAND_COLUMNS])
    return tabulate(
        "Mean error by 2-point band of moisture.",
        bands.rename(columns={"low": "mean_error_low", "high": "mean_error_high"}),
        *_OF_CURVE,
        span(Term("band", REFERENCE.unit, "Band", 0)),
        _SAMPLES,
        _TRIALS,
        points("mean_error", "Mean error", sign=True),
        interval("mean_error"),
        points("tolerance", "Tolerance, ±"),
        number(Term("share_within", "%", "Samples within", 0), scale=100),
        text("verdict", "Band"),
        whole="bands.csv",
        most=80,
    )


def slope_rows(season: SeasonAudit) -> Table:
    """Return the prediction slope that corrects and the gain that judges."""
    return tabulate(
        "Slopes, their intervals clustered by trial.",
        curves_table(season),
        *_OF_CURVE,
        number(SLOPE),
        interval("slope", 3, unit=""),
        number(GAIN),
        interval("gain", 3, unit=""),
        points("curvature", "Bend in mid-range", sign=True),
        interval("curvature"),
        number(Term("anchor_pct", REFERENCE.unit, "Anchor", 1)),
        points("bias_at_anchor", "Bias at the anchor", sign=True),
        note="Prediction slope is air-oven on sensor, below 1 even for a perfect "
        "sensor; some texts regress the other way round. Gain is the sensor's own "
        "slope, errors in both allowed for.",
        whole="curves.csv",
    )


def left_out_rows(season: SeasonAudit) -> Table:
    """Return how each correction performs on trials that had no part in it."""
    rows = [
        {
            "crop": audit.crop,
            "curve": curve,
            "none": after.rmsep_none if (after := audit.after) else nan,
            "offset": after.rmsep_offset if after else nan,
            "line": after.rmsep_line if after else nan,
            "action": season.advice[curve].action,
            "method": audit.after_remark,
        }
        for curve, audit in season.audits.items()
    ]
    columns = ["crop", "curve", "none", "offset", "line", "action", "method"]
    return tabulate(
        "RMSEP on trials left out, each corrected by what the others say.",
        pd.DataFrame(rows, columns=columns),
        *_OF_CURVE,
        points("none", "No change"),
        points("offset", "Offset"),
        points("line", "Offset and slope"),
        text("action", "Action"),
        text("method", "Why not known"),
        whole="curves.csv",
    )


def pooled_rows(season: SeasonAudit) -> Table:
    """Return each curve's offset beside those of its crop's other curves."""
    return tabulate(
        "Offsets, and the same shrunk towards those of the crop's other curves.",
        pooling_table(season),
        *_OF_CURVE,
        number(OFFSET, sign=True),
        points("offset_pooled", "Shrunk", sign=True),
        interval("offset_pooled"),
        points("sd_between_curves", "SD between curves"),
        span(Term("new_curve", POINTS, "Interval of a new curve"), sign=True),
        _METHOD,
        text("remark", "Remark"),
        note="A new curve: one more like these.",
        whole="pooling.csv",
    )


def effect_rows(season: SeasonAudit) -> Table:
    """Return what the errors of each curve move with."""
    effects = effects_table(season)
    return tabulate(
        "How far the error moves as a condition goes through its season's range.",
        effects.rename(columns={"from": "range_low", "to": "range_high"}),
        *_OF_CURVE,
        text("condition", "Condition"),
        span(Term("range", "", "10 % to 90 % of the samples", 1)),
        text("unit", "Unit"),
        points("change", "Error moves by", sign=True),
        interval("change"),
        number(Term("q_value", "", "q", 3)),
        _METHOD,
        note="Each condition alone, the others going along as they did. q: false "
        "discovery rate over all effects of the season.",
        whole="effects.csv",
        most=80,
    )
