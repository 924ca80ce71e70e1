"""The season: its tables as the CSV files hold them, and the blocks of its report."""

from dataclasses import replace
from math import isfinite

import pandas as pd

from kitlib.curves.advice import ACTIONS, KEEP, REBUILD, RESLOPE, SHIFT, UNRESOLVED
from kitlib.intake.pairs import Pairing
from kitlib.reports import blocks as page
from kitlib.reports import curve_sections as of_curve
from kitlib.reports import typeset
from kitlib.reports.figures import draw_season
from kitlib.review.review import SeasonReview, review_findings, review_tables
from kitlib.season.season import SeasonAudit, curves_table
from kitlib.words import terms
from kitlib.words.findings import Finding, findings_table
from kitlib.words.terms import NOT_KNOWN, counted, listed, show, show_span

# Pages of evidence; the curves of a larger season stand in curves.csv.
MOST_CURVES = 40
# Curves in the picture of all, those to be changed first.
MOST_DRAWN = 30


# ---- the tables ---------------------------------------------------------------------


def season_tables(season: SeasonAudit, review: SeasonReview) -> dict[str, pd.DataFrame]:
    """Return every table of the output folder, by the name of its CSV file."""
    findings = season.findings + review_findings(review)
    told = set(findings)
    findings += [f for f in season.outcomes.findings if f not in told]
    bands = [a.bands.assign(crop=a.crop, curve=c) for c, a in season.audits.items()]
    return {
        "curves": curves_table(season),
        "bands": terms.stacked("bands", bands),
        "effects": terms.declared_table("effects", _effects(season)),
        "pairs": season.pairing.pairs,
        "left_out": season.pairing.left_out,
        "row_counts": season.pairing.counts,
        "findings": findings_table(findings),
        "reference": season.reference.samples[list(terms.columns_of("reference"))],
        "repeatability": season.reference.repeatability,
        "bridge": season.bridge,
        "test_weight": season.test_weight,
        "pooling": terms.declared_table("pooling", _pooling(season)),
        "entries": season.outcomes.entries,
        "trials": season.outcomes.trials,
        **review_tables(review),
        "columns": terms.declarations(),
    }


def plots_table(season: SeasonAudit) -> pd.DataFrame:
    """Return every plot with both moistures and both yields."""
    columns = list(terms.columns_of("plots"))
    return season.plots.reset_index(names="row_in_file")[columns]


def _effects(season: SeasonAudit) -> list[list]:
    """Return how far each curve's error moves with each condition."""
    rows, level = [], season.settings.confidence
    for curve, audit in season.audits.items():
        for effect in audit.effects:
            change = effect.change
            cells = [audit.crop, curve, effect.name, effect.unit, effect.low]
            cells += [effect.high, change.value, *change.interval(level), change.df]
            rows.append([*cells, change.method or change.remark, effect.q_value])
    return rows


def _pooling(season: SeasonAudit) -> list[list]:
    """Return each curve's offset beside its crop's and beside its shrunken self."""
    level, rows = season.settings.confidence, []
    for curve, estimate in season.shrunken.items():
        audit = season.audits[curve]
        pooled = season.pooled[audit.crop]
        cells = [audit.crop, curve, -audit.bias.value, audit.bias.se, estimate.value]
        cells += [*estimate.interval(level), estimate.method or estimate.remark]
        cells += [pooled.mean.value, *pooled.mean.interval(level)]
        cells += [*pooled.new_curve.interval(level), pooled.sd_between, pooled.remark]
        rows.append(cells)
    return rows


# ---- the two pages that answer ------------------------------------------------------


def season_report(season: SeasonAudit) -> page.Report:
    """Return the season's report without a block: they are added as they are shown."""
    settings = season.settings
    return page.Report(
        kind="Season report",
        title=settings.name,
        subtitle="How the combines' moisture curves performed against the air-oven",
        date=settings.report_date,
        facts=[
            ("Harvest year", str(settings.year) if settings.year else NOT_KNOWN),
            ("Crops", listed(_crops(season)) or NOT_KNOWN),
            ("Curves audited", str(len(season.audits))),
            ("Trials", str(len(season.trials))),
            ("Plots", f"{len(season.plots):,}"),
        ],
    )


def _crops(season: SeasonAudit) -> list[str]:
    """Return the crops that curves were audited for."""
    return sorted({audit.crop for audit in season.audits.values()})


def season_answer(season: SeasonAudit) -> list[page.Block]:
    """Return what is to be done with the curves, and which trials to look at again."""
    trials = season.outcomes.trials
    blocks: list[page.Block] = [_headline(season), _facts(season, trials)]
    if season.audits:
        heading = page.Heading("What to load next season")
        blocks += [heading, settings_table(season), _picture(season)]
    changing = trials[trials["verdict"] == "changes"]
    close = trials[(trials["verdict"] == "open") & (trials["newly_selected"] > 0)]
    untested = trials[trials["newly_selected"].isna()]
    unsure = trials[(trials["verdict"] == "open") & (trials["newly_selected"] == 0)]
    n, tested = counted(len(changing), "trial"), len(untested) < len(trials)
    key = "change" if len(changing) else "same" if tested else "none"
    said = [page.say(f"trials.{key}", n=n)]
    # Where they are named, the table of all trials does not seem to say otherwise.
    for key, of_them in {"close": close, "open": unsure, "untested": untested}.items():
        names = listed(of_them["trial"])
        said += [page.say(f"trials.{key}", trials=names)] if names else []
    heading = page.Heading("Which trials to re-examine")
    return [*blocks, heading, page.Paragraph(" ".join(said))]


def _headline(season: SeasonAudit) -> page.Answer:
    """Return how many curves call for a change, and which."""
    if not season.audits:
        why = "No sample chosen blind to the reading could be paired with a plot."
        return page.Answer("Nothing could be audited", why)
    said, actions = [], [advice.action for advice in season.advice.values()]
    for action in (action for action in ACTIONS if action in actions):
        curves = [c for c, advice in season.advice.items() if advice.action == action]
        said.append(f"{of_curve.ACTION_IN_WORDS[action]}: {listed(curves)}")
    n, unsettled = len(actions), actions.count(UNRESOLVED)
    change = n - actions.count(KEEP) - unsettled
    word = f"{change} of {counted(n, 'curve')} should be changed"
    if not change:
        word = "No curve need be changed"
        word += f", {unsettled} not settled" if unsettled else ""
    tone = page.ACT if change else page.OPEN if unsettled else page.CALM
    reason = "; ".join(said)
    return page.Answer(word, f"{reason[0].upper()}{reason[1:]}.", tone=tone)


def _facts(season: SeasonAudit, trials: pd.DataFrame) -> page.Facts:
    """Return what the season's errors did, in four numbers."""
    pairs, counts = season.pairing.pairs, season.pairing.counts
    dishes = int(counts.set_index("table")["used"].get("oven", 0))
    changing = trials.loc[trials["verdict"] == "changes", "newly_selected"]
    tested = int(trials["newly_selected"].notna().sum())
    span = show_span(trials["change_pct"].min(), trials["change_pct"].max(), 1, True)
    values = {
        "samples": pairs.loc[pairs["used"] & ~pairs["parallel"], "sample"].nunique(),
        "dishes": counted(dishes, "dish", "dishes"),
        "changing": len(changing),
        "tested": counted(tested, "trial"),
        "moved": counted(int(changing.sum()), "entry", "entries"),
        "within": f"{trials['newly_selected'].sum() - changing.sum():.0f}",
        "span": span if span == NOT_KNOWN else f"{span} %",
        "untested": len(trials) - tested,
        "why": "no yield at corrected moisture" if tested < len(trials) else "",
    }
    names = "samples", "changing", "yields", "untested"
    return page.Facts([page.say_all(f"facts.{name}", **values) for name in names])


def settings_table(season: SeasonAudit) -> page.Table:
    """Return what to load for each curve: the table to tear off."""
    rows, lines = [], []
    for row in curves_table(season).to_dict("records"):
        advice, load = season.advice.get(row["curve"]), "as now"
        if advice and isfinite(advice.new_setting):
            load = show(advice.new_setting, 2, sign=True)
        elif advice and advice.action == RESLOPE:
            load = "a line"
            lines.append(of_curve.line_in_words(season, row["curve"]))
        elif advice and advice.action == REBUILD:
            load = "new curve"
        elif advice and advice.action == SHIFT:  # from an offset that is not known
            load = f"{show(advice.offset, sign=True)} more"
        basis = f"{row['n']} / {row['n_trials']}"
        action = f"{row['action']}: {row['open_question'] or ''}".removesuffix(": ")
        rows.append({**row, "action": action, "load": load, "basis": basis})
    table = terms.declared_table("report: settings", rows)
    if table["sensor"].isna().all():
        table = table.drop(columns="sensor")
    said = f" Line of {listed(lines)}." if lines else ""
    level = season.settings.confidence
    return page.table_of("settings", table, level=level, lines=said)


def _picture(season: SeasonAudit) -> page.Picture:
    """Return the bias of every curve against what is allowed."""
    curves = curves_table(season)
    curves = curves[curves["bias"].notna()]
    to_change_first = curves.sort_values("action", key=lambda a: a == KEEP)
    drawn = curves.loc[to_change_first.index[:MOST_DRAWN].sort_values()]
    hidden = len(curves) - len(drawn)
    more = f" {counted(hidden, 'more curve')} in curves.csv." if hidden else ""
    biases = drawn[["curve", "bias", "action"]].itertuples(index=False)
    said = listed((f"{c} {show(b, 2, True)}, {action}" for c, b, action in biases), 40)
    figure, level = draw_season(drawn), season.settings.confidence
    return page.picture_of("curves", figure, level=level, more=more, biases=said)


# ---- the curves, and how all this was found -----------------------------------------


def season_curves(season: SeasonAudit) -> list[page.Block]:
    """Return a page for each curve."""
    shown, more = list(season.audits)[:MOST_CURVES], len(season.audits) - MOST_CURVES
    blocks = [b for curve in shown for b in of_curve.curve_section(season, curve)]
    if more > 0:
        others = counted(more, "more curve")
        said = f"{others} in curves.csv, bands.csv and effects.csv."
        blocks.append(page.Paragraph(said, small=True))
    return blocks


def season_findings(
    season: SeasonAudit, findings: list[Finding], report: page.Report
) -> list[page.Block]:
    """Return what was found in the tables; a curve's own stands on its page.

    The accounts of rows and reference follow, and more findings are shown, as far as
    the report's first two pages, which answer, have room for them.
    """
    others = [found for found in findings if found.curve not in season.audits]
    heading, accounts = page.Heading("Findings on the season"), list[page.Block]()

    def blocks(most: int, *more: page.Block) -> list[page.Block]:
        return [heading, *of_curve.findings_of(others, most), *accounts, *more]

    def fits(longer: list[page.Block]) -> bool:
        return typeset.page_count(replace(report, blocks=report.blocks + longer)) <= 2

    for account in _accounts(season):
        accounts += account if fits(blocks(6, *account)) else []
    return blocks(next((most for most in (12, 9) if fits(blocks(most))), 6))


def season_accounts(season: SeasonAudit, report: page.Report) -> list[page.Block]:
    """Return the accounts of rows and reference that the report does not hold yet."""
    told = _headings(report.blocks)
    return [b for a in _accounts(season) if not told & _headings(a) for b in a]


def _headings(blocks: list[page.Block]) -> set[str]:
    """Return the words of all headings among blocks."""
    return {block.words for block in blocks if isinstance(block, page.Heading)}


def _accounts(season: SeasonAudit) -> list[list[page.Block]]:
    """Return what became of rows, and how good oven, benchtop and test weight are."""
    oven, level = season.reference, season.settings.confidence
    dishes = page.table_of("repeatability", oven.repeatability)
    good_enough = page.table_of("uncertainty", oven.uncertainty)
    coarse = oven.uncertainty.query("reference_se > third_of_tolerance")["crop"]
    key = "coarse" if len(coarse) else "fine" if len(oven.uncertainty) else "unknown"
    said = page.Paragraph(page.say(f"reference.{key}", crops=listed(coarse.unique())))
    tables: list[page.Block] = [said, page.SideBySide(dishes, good_enough)]
    tables = tables if len(oven.repeatability) else []
    for name in ("bridge", "test_weight"):
        rows = getattr(season, name)
        tables += [page.table_of(name, rows, level=level)] if len(rows) else []
    heading = [page.Heading("Is the reference good enough?")] if tables else []
    return [account_of_rows(season.pairing), [*heading, *tables]]


def account_of_rows(pairing: Pairing) -> list[page.Block]:
    """Return that every row was used or left out, and for what reasons."""
    heading = page.Heading("Every row accounted for")
    counts, left = page.table_of("row_counts", pairing.counts), pairing.left_out
    if left.empty:
        return [heading, counts, page.Paragraph("No row was left out.")]
    # Of alike reasons the first is told, the others are counted.
    first = ("reason", lambda reasons: listed(reasons.unique(), most=1))
    by_code = left.groupby(["table", "code"], as_index=False)
    by_reason = by_code.agg(rows=("row", "size"), reason=first)
    return [heading, page.SideBySide(counts, page.table_of("left_out", by_reason))]


def season_method(season: SeasonAudit) -> list[page.Block]:
    """Return how to read the report, its method and sources, and its provenance."""
    return [
        *typeset.how_to_read(),
        *typeset.method_and_sources(season.settings, _crops(season), "season"),
        typeset.cautions(at_work=True),
        *typeset.provenance(season.inputs, season.settings.seed),
    ]
