"""The season's evidence, curve by curve."""

import numpy as np

from kitlib.pages.blocks import Block, Column, Heading, Table, Verdict
from kitlib.reports.pictures import coverage_picture, curve_pictures, drift_picture
from kitlib.reports.report_parts import (
    advice_detail,
    band_table,
    curve_numbers,
    findings_block,
    section,
)
from kitlib.season.season import SeasonAudit
from kitlib.words.terms import POINTS, show, show_span


def curve_blocks(season: SeasonAudit) -> list[Block]:
    """Return the evidence, curve by curve."""
    blocks: list[Block] = []
    level = season.settings.confidence
    for curve, audit in season.audits.items():
        advice = season.advice[curve]
        reason = advice.reason[0].upper() + advice.reason[1:]
        own = [f for f in season.findings if f.curve == curve]
        blocks += [
            Heading(f"Calibration curve {curve}, {audit.crop}"),
            Verdict(advice.action, reason, advice_detail(audit, advice)),
            curve_pictures(season, curve),
            curve_numbers(audit, level),
            band_table(audit, level),
            *_effect_table(audit, level),
        ]
        drift = drift_picture(season, curve)
        blocks += [drift] if drift else []
        if audit.coverage is not None and audit.coverage.n_plots:
            blocks.append(coverage_picture(season, curve))
        if own:
            blocks += [Heading(f"Findings on {curve}", 2), *findings_block(own)]
    return blocks


def _effect_table(audit, level: float) -> list[Block]:
    """Return what the errors move with, each effect with its interval."""
    if not audit.effects:
        return []
    rows = [
        (
            effect.name,
            f"{show_span(effect.low, effect.high, 1)} {effect.unit}".strip(),
            show(effect.change.value, 2, sign=True),
            show_span(*effect.change.interval(level), 2, sign=True),
            show(effect.q_value, 3) if np.isfinite(effect.q_value) else "–",
            effect.change.method or effect.change.remark,
        )
        for effect in audit.effects
    ]
    return [
        Table(
            caption=f"Curve {audit.curve}: what its errors move with.",
            columns=[
                Column("Condition"),
                Column("From 10 % to 90 % of the samples"),
                Column("Error moves by", POINTS, number=True),
                Column("Interval", POINTS, number=True),
                Column("q", number=True),
                Column("Method, or why not known"),
            ],
            rows=rows,
            note="Each condition alone, other conditions going along as they did. q: "
            "false discovery rate over all effects of the season.",
        )
    ]


def pooling_blocks(season: SeasonAudit) -> list[Block]:
    """Return each curve's offset beside the others of its crop."""
    if not season.shrunken:
        return []
    level, rows = season.settings.confidence, []
    for curve, estimate in season.shrunken.items():
        audit = season.audits[curve]
        rows.append(
            (
                audit.crop,
                curve,
                show(-audit.bias.value, 2, sign=True),
                show(estimate.value, 2, sign=True),
                show_span(*estimate.interval(level), 2, sign=True),
                show(season.pooled[audit.crop].sd_between),
            )
        )
    remarks = [f"{crop}: {p.remark}" for crop, p in season.pooled.items() if p.remark]
    return section(
        "Offsets beside those of the crop's other curves",
        [
            Table(
                caption="Raw offsets, and the same shrunk towards the crop's others.",
                columns=[
                    Column("Crop"),
                    Column("Curve"),
                    Column("Offset", POINTS, number=True),
                    Column("Shrunk", POINTS, number=True),
                    Column("Interval", POINTS, number=True),
                    Column("SD between curves", POINTS, number=True),
                ],
                rows=rows,
                note=". ".join(remarks) + "." if remarks else "",
            )
        ],
    )
