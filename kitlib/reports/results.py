"""The audit as tables: what stands in the CSV files, column by column."""

from math import nan

import pandas as pd

from kitlib.review.review import SeasonReview, review_findings, review_tables
from kitlib.season.curves_table import curves_table
from kitlib.season.season import SeasonAudit, TrialOutcome
from kitlib.trials.consequences import NOT_TESTED
from kitlib.trials.ranks import BORDERLINE
from kitlib.words.findings import findings_table
from kitlib.words.terms import columns_of, declarations


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
