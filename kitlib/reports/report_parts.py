"""Tables and sentences that the trial's and the season's reports share."""

from collections.abc import Iterable
from math import isfinite

import pandas as pd

from kitlib.curves.advice import (
    KEEP,
    REBUILD,
    RESLOPE,
    SHIFT,
    UNRESOLVED,
    Recommendation,
)
from kitlib.curves.audit import CurveAudit
from kitlib.pages.blocks import (
    Block,
    Column,
    Facts,
    Findings,
    Heading,
    Paragraph,
    Table,
)
from kitlib.season.season import SeasonAudit
from kitlib.statistics.clustered import HTZ
from kitlib.words.estimates import Estimate
from kitlib.words.findings import NOTE, SEVERITIES, Finding
from kitlib.words.terms import NOT_KNOWN, POINTS, listed, show, show_span

ACTION_IN_WORDS = {
    KEEP: "keep the setting",
    SHIFT: "change the offset",
    RESLOPE: "correct with a slope",
    REBUILD: "build the curve anew",
    UNRESOLVED: "not settled by these samples",
}


def estimate_row(label: str, estimate: Estimate, level: float, decimals: int = 2):
    """Return an estimate as a table row: value, interval, df, method or why not."""
    return (
        label,
        show(estimate.value, decimals, sign="bias" in label.lower()),
        show_span(*estimate.interval(level), decimals, sign="bias" in label.lower()),
        show(estimate.df, 1) if estimate.df > 0 else "",
        estimate.method or estimate.remark,
    )


def curve_numbers(audit: CurveAudit, level: float) -> Table:
    """Return the numbers of one curve with their intervals and methods."""
    found, after = audit, audit.after
    rows = [
        estimate_row("Bias", audit.bias, level),
        estimate_row("Bias, random trial intercept", found.bias_mixed, level),
        estimate_row("Bias, benchtop samples used too", audit.two_phase, level),
    ]
    if audit.coverage is not None:
        over_plots = audit.coverage.bias
        rows.append(estimate_row("Bias over the harvested plots", over_plots, level))
    if audit.n_apart:
        rows.append(estimate_row("Bias of samples set apart", audit.apart, level))
    rows += [
        ("SEP", show(found.sep), show_span(*audit.sep_interval), "", audit.sep_method),
        _plain_row("SEP without the reference's error", found.sep_corrected),
        (
            "Error of one new sample of a new trial",
            "",
            show_span(*audit.new_sample, 2, sign=True),
            "",
            "t, between and within trials"
            if isfinite(audit.new_sample.low)
            else audit.sep_method,
        ),
        estimate_row("Prediction slope", found.slope, level, 3),
        *_line_rows(found.line, level),
        *_robust_rows(found.robust_line),
        estimate_row("Gain", found.gain, level, 3),
        *_gain_over_plots(audit.coverage, level),
        estimate_row("Bend in mid-range", found.curvature, level),
    ]
    if after is not None:
        for label, value in (
            ("RMSEP, trials left out, no change", after.rmsep_none),
            ("RMSEP, trials left out, offset", after.rmsep_offset),
            ("RMSEP, trials left out, line", after.rmsep_line),
        ):
            rows.append((label, show(value), "", "", "fit on the other trials"))
    return Table(
        caption=f"Curve {audit.curve}: what {audit.n} samples of {audit.n_trials} "
        f"trials say, with {level:.0%} intervals.",
        columns=[
            Column("Number"),
            Column("Value", number=True),
            Column("Interval", number=True),
            Column("df", number=True),
            Column("Method, or why not known"),
        ],
        rows=rows,
        note=f"Bias, SEP and RMSEP in {POINTS}; slopes in points per point. Prediction "
        "slope is air-oven on sensor; some texts regress the other way round.",
    )


def _line_rows(line, level: float) -> list[tuple[str, ...]]:
    """Return the shrunk slope and the joint verdict as rows, none without a line."""
    if line is None:
        return []
    slope, joint = show(line.shrunk_slope, 3), line.joint_test()
    inside = "outside" if joint.p_value < 1 - level else "inside"
    verdict = NOT_KNOWN if joint.remark else f"{inside} the region"
    anchor = f"No bias at {show(line.anchor, 1)} % and slope 1, jointly"
    return [
        ("Slope shrunk towards 1", slope, "", "", "slope − 1 times max(0, 1 − 1/t²)"),
        (anchor, "", verdict, "", joint.remark or HTZ),
    ]


def _gain_over_plots(cover, level: float) -> list[tuple[str, ...]]:
    """Return the gain over the harvested plots as a table row, none without plots."""
    if cover is None:
        return []
    return [estimate_row("Gain over the harvested plots", cover.gain, level, 3)]


def _robust_rows(line) -> list[tuple[str, ...]]:
    """Return the Passing–Bablok slope as a table row, none where there is no line."""
    if line is None:
        return []
    said = line.remark or line.method
    ends = show_span(*line.slope_interval, 3)
    return [("Slope by Passing–Bablok", show(line.slope, 3), ends, "", said)]


def _plain_row(label: str, estimate: Estimate):
    """Return a number without an interval as a table row."""
    said = estimate.method or estimate.remark
    return (label, show(estimate.value), "", "", said)


def band_table(audit: CurveAudit, level: float) -> Table:
    """Return the mean error of each 2-point band against its tolerance."""
    rows = [
        (
            f"{band.band_low:g} to {band.band_high:g}",
            str(band.n),
            str(band.n_trials),
            show(band.mean_error, 2, sign=True),
            show_span(band.low, band.high, 2, sign=True),
            f"±{show(band.tolerance)}",
            f"{band.share_within:.0%}",
            band.verdict,
        )
        for band in audit.bands.itertuples()
    ]
    return Table(
        caption=f"Curve {audit.curve}: mean error by moisture, {level:.0%} intervals.",
        columns=[
            Column("Band", "%"),
            Column("Samples", number=True),
            Column("Trials", number=True),
            Column("Mean error", POINTS, number=True),
            Column("Interval", POINTS, number=True),
            Column("Tolerance", POINTS, number=True),
            Column("Samples within", number=True),
            Column("Band"),
        ],
        rows=rows,
        note=f"Tolerance: {audit.tolerance}. M is the air-oven moisture.",
    )


def advice_detail(audit: CurveAudit, advice: Recommendation) -> str:
    """Return the new setting or what would settle it, as one line."""
    loaded = show(audit.register["offset_loaded"], 2, sign=True)
    if advice.action == UNRESOLVED:
        return advice.more
    if show(advice.new_setting) == NOT_KNOWN:
        return f"Offset loaded this season: {loaded}."
    chance = f"{advice.chance_within:.0%}"
    return (
        f"New setting {show(advice.new_setting, 2, sign=True)} (this season {loaded}); "
        f"chance {chance} that the bias left is within the allowed "
        f"±{show(audit.allowed_bias)}."
    )


def findings_block(findings: Iterable[Finding], most: int = 60) -> list[Block]:
    """Return the findings, most serious first; beyond `most` the notes are counted."""
    ranked = sorted(findings, key=lambda f: SEVERITIES.index(f.severity))
    if not ranked:
        return [Paragraph("Nothing else was found.")]
    lines = _finding_lines(ranked)
    blocks: list[Block] = [Findings(lines[:most])]
    if len(lines) > most:
        said = f"{len(lines) - most} more findings stand in findings.csv."
        blocks.append(Paragraph(said))
    return blocks


def _finding_lines(findings: Iterable[Finding]) -> list[tuple[str, str]]:
    """Return severities and words; what points at several tables is said once."""
    tables: dict[tuple[str, str], dict[str, None]] = {}
    for found in findings:
        of_it = tables.setdefault((found.severity, found.message), {})
        of_it |= {found.table: None} if found.table else {}
    return [
        (severity, f"{listed(of_it)}: {message}" if of_it else message)
        for (severity, message), of_it in tables.items()
    ]


def left_out_block(left_out: pd.DataFrame, most: int = 40) -> list[Block]:
    """Return the rows left out with their reasons."""
    if left_out.empty:
        return [Paragraph("No row was left out.")]
    rows = [
        (row.table, str(row.row), _or_dash(row.sample), _or_dash(row.plot), row.reason)
        for row in left_out.head(most).itertuples()
    ]
    more = len(left_out) - most
    return [
        Table(
            caption="Rows that were not used.",
            columns=[
                Column("Table"),
                Column("Row", number=True),
                Column("Sample"),
                Column("Plot"),
                Column("Why"),
            ],
            rows=rows,
            note=f"{more} more stand in left_out.csv." if more > 0 else "",
        )
    ]


def _or_dash(cell) -> str:
    """Return a cell's text, a dash where it is empty."""
    return str(cell) if isinstance(cell, str) and cell else "–"


def season_facts(season: SeasonAudit) -> list[tuple[str, str]]:
    """Return what stands beside a report's title."""
    settings = season.settings
    year = str(settings.year) if settings.year else NOT_KNOWN
    return [("Season", settings.name), ("Harvest year", year)]


def facts(pairs: Iterable[tuple[str, str]], columns: int = 4) -> Facts:
    """Return labels with their values."""
    return Facts(list(pairs), columns)


def section(title: str, blocks: Iterable[Block]) -> list[Block]:
    """Return a heading with its blocks."""
    return [Heading(title), *blocks]


def serious(findings: Iterable[Finding]) -> list[Finding]:
    """Return the findings above a note."""
    return [f for f in findings if f.severity != NOTE]
