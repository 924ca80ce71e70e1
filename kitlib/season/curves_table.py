"""One row per curve: what was found, how well it is known, what to do."""

from math import nan

import pandas as pd

from kitlib.curves.advice import UNRESOLVED, Recommendation
from kitlib.curves.audit import CurveAudit
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import not_known
from kitlib.words.terms import columns_of

NO_SAMPLE = "No sample taken blind to the reading speaks for it."
SERVED_NONE = not_known("it served no plots by itself")


def curves_table(season: SeasonAudit) -> pd.DataFrame:
    """Return one row per curve, those without a sample included and saying so.

    Columns: those `columns.csv` declares; errors and offsets in points of moisture,
    intervals at the season's level, empty where not known.
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
    table = pd.DataFrame(rows, columns=list(columns_of("curves")))
    return table.astype({"built_on": "datetime64[us]"})


def _curve_row(audit: CurveAudit, advice: Recommendation, season: SeasonAudit) -> dict:
    """Return one curve's numbers under their column names."""
    return {
        **_bias_cells(audit, season.settings.confidence),
        **_line_cells(audit, season.settings.confidence),
        **_spread_cells(audit, season.settings.confidence),
        **_advice_cells(audit, advice, season.settings.confidence),
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
    bias, mixed, cover = audit.bias, audit.bias_mixed, audit.coverage
    return {
        "crop": audit.crop,
        "curve": audit.curve,
        "n": audit.n,
        "n_trials": audit.n_trials,
        "mean_reference_pct": audit.mean_reference,
        **_ends("bias", bias, level),
        "bias_se": bias.se,
        "bias_df": bias.df,
        "bias_method": bias.method or bias.remark,
        **_ends("bias_mixed", mixed, level),
        "bias_mixed_df": mixed.df,
        **_ends("bias_two_phase", audit.two_phase, level),
        **_ends("bias_over_plots", cover.bias if cover else SERVED_NONE, level),
        **_ends("gain_over_plots", cover.gain if cover else SERVED_NONE, level),
        "n_apart": audit.n_apart,
        "mean_error_apart": audit.apart.value,
    }


def _line_cells(audit: CurveAudit, level: float) -> dict:
    """Return what is known of a curve's slope and bend."""
    found, line = audit, audit.line
    cells = {
        **_ends("slope", found.slope, level),
        "slope_se": found.slope.se,
        "slope_df": found.slope.df,
        "slope_shrunk": found.line.shrunk_slope if found.line else nan,
        **_ends("gain", found.gain, level),
        **_ends("gain_within", found.gain_by_trials.within, level),
        **_ends("gain_between", found.gain_by_trials.between, level),
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
    found, limits, parts = audit, audit.limits, audit.components
    return {
        "sep": found.sep,
        "sep_low": audit.sep_interval.low,
        "sep_high": audit.sep_interval.high,
        "sep_method": audit.sep_method,
        "new_sample_low": audit.new_sample.low,
        "new_sample_high": audit.new_sample.high,
        "rmsep": found.agreement.rmsep if found.agreement else nan,
        "sep_corrected": found.sep_corrected.value,
        "rpd": found.rpd,
        "rer": found.rer,
        "spread_ratio": found.spread.ratio if found.spread else nan,
        "sd_between_trials": parts.sd_trial if parts else nan,
        "sd_within_trials": parts.sd_residual if parts else nan,
        "limit_of_agreement_low": limits.lower.value if limits else nan,
        "limit_of_agreement_high": limits.upper.value if limits else nan,
        "concordance": found.concordance,
        "reference_se": found.reference_se,
        "reference_limit": found.reference_limit,
        "max_sep": audit.max_sep,
        "max_sep_source": audit.max_sep_source,
    }


def _advice_cells(audit: CurveAudit, advice: Recommendation, level: float) -> dict:
    """Return what is recommended for a curve."""
    return {
        "allowed_bias": audit.allowed_bias,
        "action": advice.action,
        "open_question": advice.open_question,
        "offset": advice.offset,
        "offset_low": advice.interval.low,
        "offset_high": advice.interval.high,
        "offset_loaded": audit.register["offset_loaded"],
        "sensor": audit.register["sensor"],
        "built_on": audit.register["built_on"],
        "new_setting": advice.new_setting,
        "reason": advice.reason,
        "rmsep_before_left_out": advice.rmsep_before,
        "rmsep_after_left_out": advice.rmsep_after,
        **_ends("bias_left", advice.bias_left, level),
        "chance_within_allowed": advice.chance_within,
        "what_would_settle": advice.more,
    }
