"""The audit as tables: what stands in the CSV files, column by column."""

from math import nan

import pandas as pd

from kitlib.audit import CurveAudit
from kitlib.findings import findings_table
from kitlib.recommend import UNRESOLVED, Recommendation
from kitlib.season_audit import SeasonAudit

NO_SAMPLE = "No sample taken blind to the reading speaks for it."

CURVE_COLUMNS = [
    "crop",
    "curve",
    "n",
    "n_trials",
    "mean_reference_pct",
    "bias",
    "bias_low",
    "bias_high",
    "bias_se",
    "bias_df",
    "sep",
    "sep_low",
    "sep_high",
    "rmsep",
    "sep_corrected",
    "slope",
    "slope_se",
    "slope_low",
    "slope_high",
    "intercept",
    "residual_sd",
    "allowed_bias",
    "action",
    "offset",
    "offset_low",
    "offset_high",
    "new_setting",
    "offset_pooled",
    "q_value",
    "reason",
    "gain",
    "gain_low",
    "gain_high",
    "bias_method",
    "bias_mixed",
    "bias_mixed_low",
    "bias_mixed_high",
    "bias_mixed_df",
    "bias_two_phase",
    "bias_two_phase_low",
    "bias_two_phase_high",
    "bias_reweighted",
    "slope_df",
    "anchor_pct",
    "bias_at_anchor",
    "rpd",
    "rer",
    "curvature",
    "curvature_low",
    "curvature_high",
    "spread_ratio",
    "sd_between_trials",
    "sd_within_trials",
    "limit_of_agreement_low",
    "limit_of_agreement_high",
    "new_sample_low",
    "new_sample_high",
    "slope_passing_bablok",
    "slope_passing_bablok_low",
    "slope_passing_bablok_high",
    "concordance",
    "reference_se",
    "max_sep",
    "max_sep_source",
    "sep_method",
    "rmsep_before_left_out",
    "rmsep_after_left_out",
    "chance_within_allowed",
    "offset_loaded",
    "n_apart",
    "mean_error_apart",
    "what_would_settle",
]


def curves_table(season: SeasonAudit) -> pd.DataFrame:
    """Return one row per curve, those without a sample included and saying so.

    Columns: `CURVE_COLUMNS`; errors and offsets in points of moisture, intervals
    at the season's level, empty where not known.
    """
    rows = [
        _curve_row(audit, season.advice[curve], season)
        for curve, audit in season.audits.items()
    ]
    register = season.tables["curves"].frame.drop_duplicates("curve", keep="last")
    for row in register.sort_values(["crop", "curve"]).itertuples():
        if row.curve not in season.audits:
            rows.append(
                {
                    "crop": row.crop,
                    "curve": row.curve,
                    "n": 0,
                    "n_trials": 0,
                    "action": UNRESOLVED,
                    "reason": NO_SAMPLE,
                    "offset_loaded": row.offset_loaded,
                }
            )
    return pd.DataFrame(rows, columns=CURVE_COLUMNS)


def _curve_row(audit: CurveAudit, advice: Recommendation, season: SeasonAudit) -> dict:
    """Return one curve's numbers under their column names."""
    return {
        **_bias_cells(audit, season.settings.confidence),
        **_line_cells(audit, season.settings.confidence),
        **_spread_cells(audit, season.settings.confidence),
        **_advice_cells(audit, advice),
        "offset_pooled": _value(season.shrunken.get(audit.curve)),
        "q_value": audit.q_value,
    }


def _value(estimate) -> float:
    """Return an estimate's value, nan where there is none."""
    return estimate.value if estimate is not None else nan


def _ends(name: str, estimate, level: float) -> dict:
    """Return an estimate with the ends of its interval under three column names."""
    low, high = estimate.interval(level)
    return {name: estimate.value, f"{name}_low": low, f"{name}_high": high}


def _bias_cells(audit: CurveAudit, level: float) -> dict:
    """Return what is known of a curve's bias."""
    bias, mixed, cover = audit.bias, audit.found.bias_mixed, audit.coverage
    return {
        "crop": audit.crop,
        "curve": audit.curve,
        "n": audit.n,
        "n_trials": audit.n_trials,
        "mean_reference_pct": audit.found.mean_reference,
        **_ends("bias", bias, level),
        "bias_se": bias.se,
        "bias_df": bias.df,
        "bias_method": bias.method or bias.remark,
        **_ends("bias_mixed", mixed, level),
        "bias_mixed_df": mixed.df,
        **_ends("bias_two_phase", audit.two_phase, level),
        "bias_reweighted": cover.reweighted.value if cover else nan,
        "n_apart": audit.n_apart,
        "mean_error_apart": audit.apart.value,
    }


def _line_cells(audit: CurveAudit, level: float) -> dict:
    """Return what is known of a curve's slope and bend."""
    found, line = audit.found, audit.found.line
    cells = {
        **_ends("slope", found.slope, level),
        "slope_se": found.slope.se,
        "slope_df": found.slope.df,
        **_ends("gain", found.gain, level),
        **_ends("curvature", found.curvature, level),
        "anchor_pct": found.anchor,
    }
    robust = found.robust_line
    if robust is not None:
        low, high = robust.slope_interval
        cells |= {
            "slope_passing_bablok": robust.slope,
            "slope_passing_bablok_low": low,
            "slope_passing_bablok_high": high,
        }
    if line is not None:
        cells |= {
            "intercept": line.intercept.value,
            "residual_sd": line.residual_sd,
            "bias_at_anchor": line.bias.value,
        }
    return cells


def _spread_cells(audit: CurveAudit, level: float) -> dict:
    """Return what is known of the scatter of a curve's errors."""
    found, limits, parts = audit.found, audit.found.limits, audit.found.components
    return {
        "sep": found.sep,
        "sep_low": audit.sep_interval.low,
        "sep_high": audit.sep_interval.high,
        "sep_method": audit.sep_method,
        "new_sample_low": audit.new_sample.low,
        "new_sample_high": audit.new_sample.high,
        "rmsep": found.agreement.rmsep if found.agreement else nan,
        "sep_corrected": found.sep_corrected.value,
        "rpd": found.rpd.value,
        "rer": found.rer.value,
        "spread_ratio": found.spread.ratio if found.spread else nan,
        "sd_between_trials": parts.sd_trial if parts else nan,
        "sd_within_trials": parts.sd_residual if parts else nan,
        "limit_of_agreement_low": limits.lower.value if limits else nan,
        "limit_of_agreement_high": limits.upper.value if limits else nan,
        "concordance": found.concordance.value if found.concordance else nan,
        "reference_se": found.reference_se,
        "max_sep": audit.max_sep,
        "max_sep_source": audit.max_sep_source,
    }


def _advice_cells(audit: CurveAudit, advice: Recommendation) -> dict:
    """Return what is recommended for a curve."""
    return {
        "allowed_bias": audit.allowed_bias,
        "action": advice.action,
        "offset": advice.offset,
        "offset_low": advice.interval.low,
        "offset_high": advice.interval.high,
        "offset_loaded": audit.register["offset_loaded"],
        "new_setting": advice.new_setting,
        "reason": advice.reason,
        "rmsep_before_left_out": advice.rmsep_before,
        "rmsep_after_left_out": advice.rmsep_after,
        "chance_within_allowed": advice.chance_within,
        "what_would_settle": advice.more,
    }


def bands_table(season: SeasonAudit) -> pd.DataFrame:
    """Return the mean error of every curve's 2-point bands."""
    parts = [
        audit.bands.assign(crop=audit.crop, curve=curve)
        for curve, audit in season.audits.items()
    ]
    if not parts:
        return pd.DataFrame(columns=["crop", "curve"])
    bands = pd.concat(parts, ignore_index=True)
    return bands[["crop", "curve", *bands.columns.drop(["crop", "curve"])]]


EFFECT_COLUMNS = ["crop", "curve", "condition", "unit", "from", "to", "change"]
EFFECT_COLUMNS += ["change_low", "change_high", "change_df", "method", "q_value"]


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
    return pd.DataFrame(rows, columns=EFFECT_COLUMNS)


POOLING_COLUMNS = ["crop", "curve", "offset", "offset_se", "offset_pooled"]
POOLING_COLUMNS += ["offset_pooled_low", "offset_pooled_high", "method"]
POOLING_COLUMNS += ["crop_mean", "crop_mean_low", "crop_mean_high"]
POOLING_COLUMNS += ["new_curve_low", "new_curve_high", "sd_between_curves", "remark"]


def pooling_table(season: SeasonAudit) -> pd.DataFrame:
    """Return each curve's offset beside its crop's and beside its shrunken self."""
    level, rows = season.settings.confidence, []
    for curve, estimate in season.shrunken.items():
        audit = season.audits[curve]
        pooled = season.pooled[audit.crop]
        cells = [audit.crop, curve, -audit.bias.value, audit.bias.se]
        cells += [estimate.value, *estimate.interval(level), estimate.method]
        cells += [pooled.mean.value, *pooled.mean.interval(level)]
        cells += [*pooled.new_curve.interval(level), pooled.sd_between, pooled.remark]
        rows.append(cells)
    return pd.DataFrame(rows, columns=POOLING_COLUMNS)


ENTRY_COLUMNS = ["trial", "entry", "yield_before", "yield_after", "rank_before"]
ENTRY_COLUMNS += ["rank_after", "lsd"]


def entries_table(season: SeasonAudit) -> pd.DataFrame:
    """Return every trial's entries before and after; yields in kg/ha."""
    parts = [season.trial(name).consequences.entries for name in season.trials]
    if not parts:
        return pd.DataFrame(columns=ENTRY_COLUMNS)
    entries = pd.concat(parts, ignore_index=True)
    return entries[[*ENTRY_COLUMNS, *entries.columns.drop(ENTRY_COLUMNS)]]


def reference_table(season: SeasonAudit) -> pd.DataFrame:
    """Return every sample's reference value with its dishes' agreement."""
    samples = season.reference.samples
    order = ["sample", "trial", "plot", "crop", "method", "n_dishes", "reference_pct"]
    order += ["reference_se", "range_pct", "range_limit", "dishes_disagree"]
    return samples[[*order, *samples.columns.drop(order)]]


PLOT_COLUMNS = ["trial", "plot", "entry", "block", "row", "range", "location", "crop"]
PLOT_COLUMNS += ["curve", "sensor", "chamber_config", "harvested_at", "recorded_pct"]
PLOT_COLUMNS += ["offset_in_force", "sensor_pct", "moisture_after_pct"]
PLOT_COLUMNS += ["plot_mass_kg", "plot_area_m2", "yield_before_kg_ha"]
PLOT_COLUMNS += ["yield_after_kg_ha", "reference_pct", "yield_reference_kg_ha"]
PLOT_COLUMNS += ["unusable", "outside_audit"]


def plots_table(season: SeasonAudit) -> pd.DataFrame:
    """Return every plot with both moistures and both yields."""
    return season.plots[PLOT_COLUMNS].reset_index(names="row_in_file")


def season_tables(season: SeasonAudit) -> dict[str, pd.DataFrame]:
    """Return every table of the output folder, by the name of its CSV file."""
    findings = list(season.findings)
    for name in season.trials:
        own = [f for f in season.trial(name).findings if f.trial == name]
        findings += [f for f in own if f not in findings]
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
    }
