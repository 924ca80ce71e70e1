"""The season's report: every curve, every trial, and how the numbers came about."""

from pathlib import Path

import numpy as np

from kitlib.blocks import Block, Column, Heading, Paragraph, Report, Table, Verdict
from kitlib.chances import TOUCH_AND_GO
from kitlib.method_note import cautions, decision_thresholds, method_note, provenance
from kitlib.outputs import write_bytes
from kitlib.pictures import coverage_picture, curve_pictures, season_pictures
from kitlib.recommend import ACTIONS
from kitlib.report_parts import (
    advice_detail,
    band_table,
    curve_numbers,
    facts,
    findings_block,
    season_facts,
    section,
)
from kitlib.results import curves_table
from kitlib.season_audit import SeasonAudit
from kitlib.terms import NOT_KNOWN, POINTS, counted, listed, show, show_span
from kitlib.trial_report import NO_DATE
from kitlib.typeset import typeset


def write_season_report(season: SeasonAudit, path: str | Path) -> Path:
    """Write the season's PDF, whole, and return where it is."""
    return write_bytes(Path(path), typeset(season_report(season)))


def season_report(season: SeasonAudit) -> Report:
    """Return the season's report."""
    crops = sorted({audit.crop for audit in season.audits.values()})
    blocks = [
        season_verdict(season),
        *_at_a_glance(season),
        *season_pictures(season),
        *_curve_table(season),
        *_trials(season),
        *_each_curve(season),
        *_pooled(season),
        *_reference(season),
        *_rows(season),
        *section("What was found", findings_block(season.findings)),
        *cautions(),
        *method_note(season, crops),
        decision_thresholds(),
        *provenance(season),
    ]
    return Report(
        kind="Season report",
        title=season.settings.name,
        subtitle="How the combine's moisture curves performed against the air-oven",
        running=season.settings.name,
        date=season.settings.report_date or NO_DATE,
        facts=[
            *season_facts(season),
            ("Crops", listed(crops) or NOT_KNOWN),
            ("Curves audited", str(len(season.audits))),
            ("Trials", str(len(season.trials))),
        ],
        blocks=blocks,
    )


def season_verdict(season: SeasonAudit) -> Verdict:
    """Return what is to be done with the curves, in one sentence."""
    if not season.audits:
        why = "no sample taken blind to the reading could be paired with a plot"
        return Verdict("nothing audited", f"Nothing can be said of any curve: {why}.")
    said = []
    for action in ACTIONS:
        curves = [c for c, advice in season.advice.items() if advice.action == action]
        if curves:
            said.append(f"{action} {listed(curves)}")
    sentence = f"Of {counted(len(season.audits), 'curve')}: {'; '.join(said)}."
    crossing = [name for name in season.trials if _crossing(season, name)]
    detail = (
        f"With corrected moisture the selection would differ in "
        f"{len(crossing)} of {counted(len(season.trials), 'trial')}"
    )
    detail += f": {listed(crossing)}." if crossing else "."
    return Verdict("the season", sentence, detail)


def _crossing(season: SeasonAudit, name: str) -> int:
    """Return how many entries cross into the selection of a trial."""
    both = season.trial(name).consequences.comparison
    return int(both.ranks.entered.sum()) if both else 0


def _at_a_glance(season: SeasonAudit) -> list[Block]:
    """Return the season's counts."""
    pairs = season.pairing.pairs
    used = pairs[pairs["used"] & ~pairs["parallel"]]
    benchtop = pairs[pairs["benchtop_pct"].notna()].drop_duplicates("sample")
    return [
        facts(
            [
                ("Plots", str(len(season.plots))),
                ("Oven samples used", str(used["sample"].nunique())),
                ("Oven dishes used", str(int(_used(season, "oven")))),
                ("Benchtop samples", str(len(benchtop))),
            ]
        )
    ]


def _used(season: SeasonAudit, table: str) -> int:
    """Return how many rows of a table were used."""
    counts = season.pairing.counts.set_index("table")["used"]
    return counts[table]


def _curve_table(season: SeasonAudit) -> list[Block]:
    """Return one row per curve: what was found and what to do."""
    table = curves_table(season)
    rows = [
        (
            row.curve,
            f"{row.n} / {row.n_trials}",
            show(row.bias, 2, sign=True),
            show_span(row.bias_low, row.bias_high, 2, sign=True),
            f"±{show(row.allowed_bias)}" if row.n else "–",
            show(row.sep),
            row.action,
            show(row.offset, 2, sign=True),
            show(row.new_setting, 2, sign=True),
        )
        for row in table.itertuples()
    ]
    level = f"{season.settings.confidence:.0%}"
    return [
        Heading("What to do with each curve"),
        Table(
            caption=f"Curves of the season with {level} intervals clustered by trial.",
            columns=[
                Column("Curve"),
                Column("Samples / trials", number=True),
                Column("Bias", "points", number=True),
                Column("Interval", "points", number=True),
                Column("Allowed", "points", number=True),
                Column("SEP", "points", number=True),
                Column("Action"),
                Column("Offset", "points", number=True),
                Column("New setting", "points", number=True),
            ],
            rows=rows,
            note="Offset is what to add to a reading as recorded; new setting is the "
            "offset to load next season, where one number does. Reasons follow curve "
            "by curve.",
        ),
    ]


def _trials(season: SeasonAudit) -> list[Block]:
    """Return the trials, those whose selection could move most first."""
    rows = [_trial_row(season, name) for name in season.trials]
    rows.sort(key=lambda row: row[0], reverse=True)
    if not rows:
        return []
    return [
        Heading("Would the breeder have chosen differently?"),
        Table(
            caption="Trials, the one whose selection could move most first.",
            columns=[
                Column("Trial"),
                Column("Curves"),
                Column("Selected, of", number=True),
                Column("Cross the line", number=True),
                Column("Largest move", "ranks", number=True),
                Column("Kendall's tau", number=True),
                Column("Touch and go", number=True),
                Column("Yield", "% change", number=True),
            ],
            rows=[cells for _, cells in rows],
            note="Cross the line: entries selected only after correction. Touch and "
            "go: entries neither safely in nor safely out once plot error and the "
            "correction's uncertainty are counted.",
        ),
    ]


def _trial_row(season: SeasonAudit, name: str):
    """Return a trial's rank among the trials and its cells."""
    trial = season.trial(name)
    found, both = trial.consequences, trial.consequences.comparison
    touch = int((found.entries["verdict"] == TOUCH_AND_GO).sum())
    head = (name, listed(trial.curves), f"{found.count} of {len(found.entries)}")
    if both is None:
        return (-1, 0, 0.0), (*head, *[NOT_KNOWN] * 3, str(touch), "–")
    crossing, tau = int(both.ranks.entered.sum()), both.ranks.kendall_tau
    change = 100 * (both.after.mean.mean() / both.before.mean.mean() - 1)
    cells = (
        *head,
        str(crossing),
        str(both.ranks.largest_move),
        show(tau, 3),
        str(touch),
        show(change, 2, sign=True),
    )
    return (crossing, both.ranks.largest_move, 1 - np.nan_to_num(tau, nan=1.0)), cells


def _each_curve(season: SeasonAudit) -> list[Block]:
    """Return the evidence, curve by curve."""
    blocks: list[Block] = []
    level = season.settings.confidence
    for curve, audit in season.audits.items():
        advice = season.advice[curve]
        reason = advice.reason[0].upper() + advice.reason[1:]
        own = [f for f in season.findings if f.curve == curve]
        blocks += [
            Heading(f"Curve {curve}, {audit.crop}"),
            Verdict(advice.action, reason, advice_detail(audit, advice)),
            curve_pictures(season, curve),
            curve_numbers(audit, level),
            band_table(audit, level),
            *_effect_table(audit, level),
        ]
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


def _pooled(season: SeasonAudit) -> list[Block]:
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


def _reference(season: SeasonAudit) -> list[Block]:
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
            Column("Chamber set-up"),
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
        "bushel of 2150.42 in³, 7 CFR 810.102). The moisture curve leans on it.",
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


def _rows(season: SeasonAudit) -> list[Block]:
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
