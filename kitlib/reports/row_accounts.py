"""How well the reference is known, and every row accounted for."""

from kitlib.pages.blocks import Block, Column, Paragraph, Table
from kitlib.reports.report_parts import (
    section,
)
from kitlib.season.season import SeasonAudit
from kitlib.words.terms import POINTS, show, show_span


def reference_blocks(season: SeasonAudit) -> list[Block]:
    """Return how well the reference itself is known, and the benchtop's bridge."""
    spread = season.reference.repeatability
    rows = [
        (
            row.method,
            str(row.n_samples),
            str(row.df),
            show(row.sd_dish, 3),
            show(season.settings.repeatability_of(row.method), 2),
        )
        for row in spread.itertuples()
    ]
    blocks: list[Block] = []
    if rows:
        blocks.append(
            Table(
                caption="How far the dishes of one sample lie apart.",
                columns=[
                    Column("Oven method"),
                    Column("Samples with dishes repeated", number=True),
                    Column("df", number=True),
                    Column("SD of a dish", POINTS, number=True),
                    Column("Range allowed, two dishes", POINTS, number=True),
                ],
                rows=rows,
                note="SD within samples, pooled. It holds drying and weighing; how a "
                "sample was taken and kept is not in it.",
            )
        )
    bridge = season.bridge
    if len(bridge):
        blocks.append(_bridge(bridge, season.settings.confidence))
    if len(season.test_weight):
        blocks.append(_test_weight(season.test_weight, season.settings.confidence))
    return section("The reference and the benchtop meter", blocks) if blocks else []


def _test_weight(table, level: float) -> Table:
    """Return how the sensor's test weight agrees with the benchtop's."""
    return Table(
        caption=f"Test weight, sensor against benchtop, {level:.0%} intervals.",
        columns=[
            Column("Crop"),
            Column("Chamber configuration"),
            Column("Samples / trials", number=True),
            Column("Bias", "kg/hL", number=True),
            Column("Interval", "kg/hL", number=True),
            Column("SEP", "kg/hL", number=True),
            Column("Limits of agreement", "kg/hL", number=True),
            Column("Bias", "lb/bu", number=True),
        ],
        rows=[
            (
                row.crop,
                row.chamber_config,
                f"{row.n} / {row.n_trials}",
                show(row.bias_kg_hl, 2, sign=True),
                show_span(row.bias_low_kg_hl, row.bias_high_kg_hl, 2, sign=True),
                show(row.sep_kg_hl),
                show_span(row.limit_low_kg_hl, row.limit_high_kg_hl, 2, sign=True),
                show(row.bias_lb_bu, 2, sign=True),
            )
            for row in table.itertuples()
        ],
        note="Bias is sensor minus benchtop. 1 lb/bu = 1.287186 kg/hL (Winchester "
        "bushel of 2150.42 in³, 7 CFR 810.102). On some sensors moisture is computed with it.",
    )


def _bridge(bridge, level: float) -> Table:
    """Return each benchtop meter's own bias against the oven."""
    return Table(
        caption=f"Benchtop meters against the air-oven, {level:.0%} intervals.",
        columns=[
            Column("Crop"),
            Column("Meter"),
            Column("Samples / trials", number=True),
            Column("Bias", POINTS, number=True),
            Column("Interval", POINTS, number=True),
            Column("SEP", POINTS, number=True),
            Column("Slope", number=True),
        ],
        rows=[
            (
                row.crop,
                row.meter,
                f"{row.n} / {row.n_trials}",
                show(row.bias, 2, sign=True),
                show_span(row.bias_low, row.bias_high, 2, sign=True),
                show(row.sep),
                show(row.slope, 3),
            )
            for row in bridge.itertuples()
        ],
        note="Bias is benchtop minus air-oven; slope is air-oven on benchtop. A "
        "benchtop meter is a secondary standard: samples without an oven result enter "
        "a curve's bias only through this bridge.",
    )


def account_blocks(season: SeasonAudit) -> list[Block]:
    """Return that every row was used or left out, and for what reasons."""
    counts = season.pairing.counts
    left = season.pairing.left_out
    blocks: list[Block] = [
        Table(
            caption="Rows read are rows used and rows left out.",
            columns=[
                Column("Table"),
                Column("Read", number=True),
                Column("Used", number=True),
                Column("Left out", number=True),
            ],
            rows=[
                (row.table, str(row.read), str(row.used), str(row.left_out))
                for row in counts.itertuples()
            ],
        )
    ]
    if len(left):
        by_reason = left.groupby(["table", "code"]).agg(
            rows=("row", "size"), reason=("reason", "first")
        )
        blocks.append(
            Table(
                caption="Why rows were left out; each row stands in left_out.csv.",
                columns=[
                    Column("Table"),
                    Column("Rows", number=True),
                    Column("Reason, of the first"),
                ],
                rows=[
                    (table, str(row.rows), row.reason)
                    for (table, _), row in by_reason.iterrows()
                ],
            )
        )
    else:
        blocks.append(Paragraph("No row was left out."))
    return section("Every row accounted for", blocks)
