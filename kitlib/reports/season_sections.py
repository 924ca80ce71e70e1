"""The season: its tables as CSV files hold them, and its report."""

from math import isfinite, nan

import pandas as pd

from kitlib.curves.advice import ACTIONS, KEEP, RESLOPE, UNRESOLVED
from kitlib.intake.pairs import Pairing
from kitlib.reports.blocks import (
    ACT,
    CALM,
    OPEN,
    Answer,
    Block,
    Facts,
    Heading,
    Paragraph,
    Picture,
    Report,
    SideBySide,
    Table,
)
from kitlib.reports.curve_sections import (
    ACTION_IN_WORDS,
    curve_section,
    findings_of,
    line_in_words,
    load_in_words,
)
from kitlib.reports.figures import draw_season
from kitlib.reports.typeset import (
    cautions,
    how_to_read,
    method_and_sources,
    provenance,
)
from kitlib.review.review import SeasonReview, review_findings, review_tables
from kitlib.season.season import SeasonAudit, TrialOutcome, curves_table
from kitlib.trials.consequences import NOT_TESTED
from kitlib.trials.ranks import BORDERLINE
from kitlib.words.findings import Finding, findings_table
from kitlib.words.terms import (
    NOT_KNOWN,
    columns_of,
    counted,
    declarations,
    listed,
    show,
    show_span,
)


def bands_table(season: SeasonAudit) -> pd.DataFrame:
    """Return the mean error of every curve's 2-point bands."""
    parts = [
        audit.bands.assign(crop=audit.crop, curve=curve)
        for curve, audit in season.audits.items()
    ]
    if not parts:
        return pd.DataFrame(columns=list(columns_of("bands")))
    return pd.concat(parts, ignore_index=True)[list(columns_of("bands"))]


def effects_table(season: SeasonAudit) -> pd.DataFrame:
    """Return how far each curve's error moves with each condition."""
    rows = []
    for curve, audit in season.audits.items():
        for effect in audit.effects:
            low, high = effect.change.interval(season.settings.confidence)
            cells = [audit.crop, curve, effect.name, effect.unit, effect.low]
            cells += [effect.high, effect.change.value, low, high, effect.change.df]
            cells += [effect.change.method or effect.change.remark, effect.q_value]
            rows.append(cells)
    return pd.DataFrame(rows, columns=list(columns_of("effects")))


def pooling_table(season: SeasonAudit) -> pd.DataFrame:
    """Return each curve's offset beside its crop's and beside its shrunken self."""
    level, rows = season.settings.confidence, []
    for curve, estimate in season.shrunken.items():
        audit = season.audits[curve]
        pooled = season.pooled[audit.crop]
        cells = [audit.crop, curve, -audit.bias.value, audit.bias.se]
        cells += [estimate.value, *estimate.interval(level)]
        cells += [estimate.method or estimate.remark]
        cells += [pooled.mean.value, *pooled.mean.interval(level)]
        cells += [*pooled.new_curve.interval(level), pooled.sd_between, pooled.remark]
        rows.append(cells)
    return pd.DataFrame(rows, columns=list(columns_of("pooling")))


def entries_table(season: SeasonAudit) -> pd.DataFrame:
    """Return every trial's entries before and after; yields in kg/ha."""
    parts = [outcome.entries for outcome in season.outcomes.values()]
    if not parts:
        return pd.DataFrame(columns=list(columns_of("entries")))
    return pd.concat(parts, ignore_index=True)[list(columns_of("entries"))]


def trials_table(season: SeasonAudit) -> pd.DataFrame:
    """Return what the correction does to each trial, those that change first."""
    rows = [_trial_row(name, found) for name, found in season.outcomes.items()]
    table = pd.DataFrame(rows, columns=list(columns_of("trials")))
    order = ["newly_selected", "largest_move", "trial"]
    return table.sort_values(order, ascending=[False, False, True], ignore_index=True)


def _trial_row(name: str, found: TrialOutcome) -> dict[str, object]:
    """Return one trial's numbers under their column names."""
    ranks, entries = found.ranks, found.entries
    before, after = found.yield_before_kg_ha, found.yield_after_kg_ha
    crossing = nan
    if ranks is not None and found.selection.word != NOT_TESTED:
        crossing = int(ranks.entered.sum())
    return {
        "trial": name,
        "crop": found.crop,
        "curves": ", ".join(found.curves),
        "n_entries": int(entries["rank_before"].notna().sum()),
        "selected": found.count,
        "newly_selected": crossing,
        "largest_move": ranks.largest_move if ranks else nan,
        "kendall_tau": ranks.kendall_tau if ranks else nan,
        "borderline": int((entries["verdict"] == BORDERLINE).sum()),
        "yield_before": before,
        "yield_after": after,
        "change_pct": 100 * (after / before - 1),
        "n_samples": found.own.n,
        "error_here": found.own.mean.value,
        "error_predicted": found.own.predicted.value,
        "error_predicted_se": found.own.predicted.se,
        "yield_added": found.own.yield_added.value,
        "unevenness": found.unevenness,
        "verdict": found.selection.word.removeprefix("selection "),
    }


def reference_table(season: SeasonAudit) -> pd.DataFrame:
    """Return every sample's reference value with its dishes' agreement."""
    return season.reference.samples[list(columns_of("reference"))]


def plots_table(season: SeasonAudit) -> pd.DataFrame:
    """Return every plot with both moistures and both yields."""
    return season.plots.reset_index(names="row_in_file")[list(columns_of("plots"))]


def season_tables(season: SeasonAudit, review: SeasonReview) -> dict[str, pd.DataFrame]:
    """Return every table of the output folder, by the name of its CSV file."""
    findings = season.findings + review_findings(review)
    told = set(findings)
    for outcome in season.outcomes.values():
        findings += [f for f in outcome.findings if f not in told]
    return {
        "curves": curves_table(season),
        "bands": bands_table(season),
        "effects": effects_table(season),
        "pairs": season.pairing.pairs,
        "left_out": season.pairing.left_out,
        "row_counts": season.pairing.counts,
        "findings": findings_table(findings),
        "reference": reference_table(season),
        "repeatability": season.reference.repeatability,
        "bridge": season.bridge,
        "test_weight": season.test_weight,
        "pooling": pooling_table(season),
        "entries": entries_table(season),
        "trials": trials_table(season),
        **review_tables(review),
        "columns": declarations(),
    }


# Pages of evidence; the curves of a larger season stand in curves.csv.
MOST_CURVES = 40
# Curves in the picture of all, those to be changed first.
MOST_DRAWN = 30


def season_report(season: SeasonAudit) -> Report:
    """Return the season's report without a block: they are added as they are shown."""
    settings = season.settings
    return Report(
        kind="Season report",
        title=settings.name,
        subtitle="How the combines' moisture curves performed against the air-oven",
        date=settings.report_date,
        facts=[
            ("Harvest year", str(settings.year) if settings.year else NOT_KNOWN),
            ("Crops", listed(crops_of(season)) or NOT_KNOWN),
            ("Curves audited", str(len(season.audits))),
            ("Trials", str(len(season.trials))),
            ("Plots", f"{len(season.plots):,}"),
        ],
    )


def crops_of(season: SeasonAudit) -> list[str]:
    """Return the crops that curves were audited for."""
    return sorted({audit.crop for audit in season.audits.values()})


# ---- the first page: what to load --------------------------------------------------


def season_answer(season: SeasonAudit) -> list[Block]:
    """Return what is to be done with the curves: an answer, facts, one table."""
    blocks: list[Block] = [_headline(season), _facts(season)]
    if season.audits:
        blocks += [
            Heading("What to load next season"),
            settings_table(season),
            season_picture(season),
        ]
    return [*blocks, *_trials_to_examine(season)]


def _headline(season: SeasonAudit) -> Answer:
    """Return how many curves call for a change, and which."""
    n = len(season.audits)
    if not n:
        why = "No sample chosen blind to the reading could be paired with a plot."
        return Answer("Nothing could be audited", why, "", OPEN)
    by_action = {
        action: [c for c, advice in season.advice.items() if advice.action == action]
        for action in ACTIONS
    }
    said = [
        f"{ACTION_IN_WORDS[action]}: {listed(curves)}"
        for action, curves in by_action.items()
        if curves
    ]
    sentence = "; ".join(said)
    change = n - len(by_action[KEEP]) - len(by_action[UNRESOLVED])
    word = f"{change} of {counted(n, 'curve')} should be changed"
    tone = ACT if change else OPEN if by_action[UNRESOLVED] else CALM
    if not change:
        word = "No curve need be changed"
        if by_action[UNRESOLVED]:
            word += f", {len(by_action[UNRESOLVED])} not settled"
    return Answer(word, f"{sentence[0].upper()}{sentence[1:]}.", "", tone)


def _facts(season: SeasonAudit) -> Facts:
    """Return what the season's errors did, in four numbers."""
    pairs, trials = season.pairing.pairs, trials_table(season)
    used = pairs[pairs["used"] & ~pairs["parallel"]]
    changing = trials[trials["verdict"] == "changes"]
    tested = int(trials["newly_selected"].notna().sum())
    moved = int(changing["newly_selected"].sum())
    low, high = trials["change_pct"].min(), trials["change_pct"].max()
    dishes = season.pairing.counts.set_index("table")["used"].get("oven", 0)
    return Facts(
        [
            (
                "Samples by air-oven",
                f"{used['sample'].nunique():,}",
                f"{counted(int(dishes), 'dish', 'dishes')}",
            ),
            (
                "Selections that change",
                f"{len(changing)} of {counted(tested, 'trial')}",
                f"{counted(moved, 'entry', 'entries')} newly selected",
            ),
            (
                "Trial mean yields move by",
                f"{show_span(low, high, 1, sign=True)} %"
                if isfinite(low)
                else NOT_KNOWN,
                "with corrected moisture",
            ),
            (
                "Trials not tested",
                str(len(trials) - tested),
                "no corrected moisture" if tested < len(trials) else "",
            ),
        ]
    )


def settings_table(season: SeasonAudit) -> Table:
    """Return what to load for each curve: the table to tear off."""
    rows = []
    for row in curves_table(season).to_dict("records"):
        advice = season.advice.get(row["curve"])
        load = load_in_words(advice) if advice else "as now"
        basis = f"{row['n']} / {row['n_trials']}"
        action = f"{row['action']}: {row['open_question'] or ''}".removesuffix(": ")
        rows.append({**row, "action": action, "load": load, "basis": basis})
    names = ["curve", "crop", "sensor", "action", "offset_loaded", "load"]
    names += ["bias", "bias_low", "bias_high", "basis"]
    table = pd.DataFrame(rows)[names]
    if table["sensor"].isna().all():
        table = table.drop(columns="sensor")
    lines = [line_in_words(a) for a in season.advice.values() if a.action == RESLOPE]
    said = f" A line is {listed(lines)}." if lines else ""
    return Table(
        "Settings for next season.",
        table,
        "report: settings",
        note="An offset is added to every reading. Bias is sensor minus air-oven, with "
        f"its {season.settings.confidence:.0%} interval.{said}",
        most=len(table),
    )


def season_picture(season: SeasonAudit) -> Picture:
    """Return the bias of every curve against what is allowed."""
    curves = curves_table(season)
    curves = curves[curves["bias"].notna()]
    to_change_first = curves.sort_values("action", key=lambda a: a == KEEP)
    drawn = curves.loc[to_change_first.index[:MOST_DRAWN].sort_values()]
    hidden = len(curves) - len(drawn)
    more = f" {counted(hidden, 'more curve')} in curves.csv." if hidden else ""
    said = [
        f"{row['curve']} {show(row['bias'], 2, True)}, {row['action']}"
        for row in drawn.to_dict("records")
    ]
    return Picture(
        draw_season(drawn),
        f"Bias of each curve with its {season.settings.confidence:.0%} interval.{more}",
        f"Bias in points of moisture: {listed(said, most=40)}.",
    )


def _trials_to_examine(season: SeasonAudit) -> list[Block]:
    """Return the trials whose selection changes or could not be tested."""
    trials = trials_table(season)
    changing = trials[trials["verdict"] == "changes"]
    untested = list(trials.loc[trials["newly_selected"].isna(), "trial"])
    said = "In no trial tested would other entries be selected."
    if len(changing):
        said = f"With corrected moisture {counted(len(changing), 'trial')} would have "
        said += "other entries selected."
    if untested:
        said += f" Not tested, for want of a corrected moisture: {listed(untested)}."
    blocks: list[Block] = [Heading("Which trials to re-examine"), Paragraph(said)]
    if len(changing):
        caption = "Trials whose selection changes."
        blocks.append(_trial_rows(caption, changing, most=8))
    return blocks


# ---- the second page: what the errors did to each trial -----------------------------


def season_trials(season: SeasonAudit) -> list[Block]:
    """Return what the errors did to every trial."""
    return [
        Heading("What the errors did to each trial", new_page=True),
        _trial_rows("All trials, those that change most first.", trials_table(season)),
    ]


def _trial_rows(caption: str, trials: pd.DataFrame, most: int = 60) -> Table:
    """Return trials with their selection, ranks and yields before and after."""
    names = ["trial", "crop", "curves", "n_entries", "selected", "newly_selected"]
    names += ["largest_move", "borderline", "change_pct", "verdict"]
    return Table(
        caption,
        trials[names],
        "trials",
        most=most,
        whole="trials.csv",
        note="Borderline: chance of selection between 10 and 90 %.",
    )


# ---- the curves, and how all this was found ------------------------------------------


def season_curves(season: SeasonAudit) -> list[Block]:
    """Return a page for each curve."""
    curves = list(season.audits)[:MOST_CURVES]
    blocks = [block for curve in curves for block in curve_section(season, curve)]
    more = len(season.audits) - len(curves)
    if more:
        said = (
            f"{counted(more, 'more curve')} in curves.csv, bands.csv and effects.csv."
        )
        blocks.append(Paragraph(said, small=True))
    return blocks


def season_accounts(season: SeasonAudit, findings: list[Finding]) -> list[Block]:
    """Return what was found in the tables, how good the reference is, and all rows."""
    of_curves = set(season.audits)
    others = [found for found in findings if found.curve not in of_curves]
    return [
        Heading("Findings on the season"),
        *findings_of(others, 6),
        *reference_section(season),
        *account_of_rows(season.pairing),
    ]


def reference_section(season: SeasonAudit) -> list[Block]:
    """Return how well the reference itself is known, and the benchtop's bridge."""
    level = season.settings.confidence
    blocks: list[Block] = [Heading("The air-oven and the benchtop meters")]
    if len(season.reference.repeatability):
        blocks.append(
            Table(
                "Agreement between duplicate dishes.",
                season.reference.repeatability,
                "repeatability",
                note="Covers drying and weighing only, not sampling or storage.",
            )
        )
    if len(season.bridge):
        names = ["crop", "meter", "n", "n_trials", "bias", "bias_low", "bias_high"]
        blocks.append(
            Table(
                f"Benchtop meters against the air-oven, {level:.0%} intervals.",
                season.bridge[[*names, "sep", "slope"]],
                "bridge",
                note="Bias is benchtop minus air-oven. Samples without an oven result "
                "enter a curve's bias only through this comparison.",
            )
        )
    if len(season.test_weight):
        names = ["crop", "chamber_config", "n", "n_trials", "bias_kg_hl"]
        names += ["bias_low_kg_hl", "bias_high_kg_hl", "sep_kg_hl", "bias_lb_bu"]
        blocks.append(
            Table(
                f"Test weight, combine against benchtop, {level:.0%} intervals.",
                season.test_weight[names],
                "test_weight",
                note="Bias is combine minus benchtop. The moisture reading depends on "
                "the test weight.",
            )
        )
    return blocks if len(blocks) > 1 else []


def account_of_rows(pairing: Pairing) -> list[Block]:
    """Return that every row was used or left out, and for what reasons."""
    left = pairing.left_out
    heading = Heading("Every row accounted for")
    counts = Table("Rows read, used and left out.", pairing.counts, "row_counts")
    if left.empty:
        return [heading, counts, Paragraph("No row was left out.")]
    by_reason = left.groupby(["table", "code"], as_index=False).agg(
        rows=("row", "size"), reason=("reason", "first")
    )
    why = Table(
        "Why rows were left out.",
        by_reason[["table", "rows", "reason"]],
        "report: left out",
        note="Each row is listed in left_out.csv.",
    )
    return [heading, SideBySide(counts, why)]


def season_method(season: SeasonAudit) -> list[Block]:
    """Return how to read the report, its method and sources, and its provenance."""
    return [
        *how_to_read(),
        *method_and_sources(season.settings, crops_of(season)),
        cautions(at_work=True),
        *provenance(season.inputs, season.settings.seed),
    ]
