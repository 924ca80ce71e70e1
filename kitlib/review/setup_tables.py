"""Set-up and check runs of a season's review as tables, column by column."""

from math import nan

import pandas as pd

from kitlib.review.check_samples import CUSUM, DRIFT_DAYS, EWMA, SHEWHART
from kitlib.review.season_curves import CurveReview
from kitlib.review.season_review import SeasonReview
from kitlib.words.estimates import Estimate

SETUP_COLUMNS = ["crop", "curve", "code", "rule", "verdict", "found", "why", "source"]


def setup_table(review: SeasonReview) -> pd.DataFrame:
    """Return how each rule of set-up practice fared, curve by curve."""
    rows = [
        {
            "crop": one.crop,
            "curve": curve,
            "code": check.code,
            "rule": check.rule.asks,
            "verdict": check.verdict,
            "found": check.found,
            "why": check.rule.why,
            "source": check.rule.source,
        }
        for curve, one in review.curves.items()
        for check in one.setup.checks
    ]
    return pd.DataFrame(rows, columns=SETUP_COLUMNS)


def estimate_cells(name: str, estimate: Estimate, level: float) -> dict:
    """Return an estimate with its interval and df under four column names."""
    low, high = estimate.interval(level)
    ends = {f"{name}_low": low, f"{name}_high": high}
    return {name: estimate.value, **ends, f"{name}_df": estimate.df}


def setup_offsets_table(review: SeasonReview) -> pd.DataFrame:
    """Return the offset loaded, as set up and as the season asks, and repeatability.

    `at_best` is the half-width an offset from so many samples could at best have
    had; `share_*` are the parts of the variance of the offset at set-up.
    """
    level = review.season.settings.confidence
    return pd.DataFrame([_setup_row(one, level) for one in review.curves.values()])


def _setup_row(one: CurveReview, level: float) -> dict:
    """Return one curve's offsets under their column names."""
    setup, settings = one.setup, one.setup.settings
    asked, reach, repeats = setup.offset, setup.reach, setup.repeats
    parts = asked.parts if asked else {}
    low, high = repeats.interval(level)
    return {
        "crop": one.crop,
        "curve": one.curve,
        "n_samples": asked.n_samples if asked else 0,
        "n_runs": asked.n_runs if asked else 0,
        "offset_loaded": settings.loaded,
        **estimate_cells("offset_at_setup", settings.at_setup, level),
        **estimate_cells("offset_by_season", settings.by_season, level),
        **estimate_cells("loaded_less_setup", settings.misloaded, level),
        **estimate_cells("season_less_setup", settings.moved, level),
        **{f"share_{name}": parts.get(name, nan) for name in ("runs", "reference")},
        "share_samples": parts.get("samples", nan),
        "at_best": reach.at_best if reach else nan,
        "by_its_own_scatter": reach.claimed if reach else nan,
        "read_before_loading": setup.looks_unloaded,
        "sd_run": repeats.sd,
        "sd_run_low": low,
        "sd_run_high": high,
        "sd_run_df": repeats.df,
        **estimate_cells("gain_by_repeats", setup.gain_by_repeats, level),
        "plots_in_another_configuration": setup.configuration.n_other,
        **estimate_cells("error_in_another", setup.configuration.change, level),
    }


def check_runs_table(review: SeasonReview) -> pd.DataFrame:
    """Return what the check samples of each curve say, one row per curve with some."""
    level = review.season.settings.confidence
    rows = [_check_row(one, level) for one in review.curves.values() if one.chart]
    columns = list(rows[0]) if rows else ["crop", "curve"]
    return pd.DataFrame(rows, columns=columns)


def _check_row(one: CurveReview, level: float) -> dict:
    """Return one curve's check runs under their column names."""
    chart, line = one.chart, one.setup_chart
    first = {name: chart.first_out.get(name) for name in (SHEWHART, EWMA, CUSUM)}
    return {
        "crop": one.crop,
        "curve": one.curve,
        "runs_used": chart.runs.n_runs,
        "runs_open": chart.runs.n_open,
        "days": len(chart.runs.days),
        "days_judged": len(chart.occasions),
        "sd_day_to_day": chart.sd,
        "sd_df": chart.df,
        "limit": chart.cells["limit"].max(),
        "first_out_shewhart": pd.to_datetime(first[SHEWHART]),
        "first_out_ewma": pd.to_datetime(first[EWMA]),
        "first_out_cusum": pd.to_datetime(first[CUSUM]),
        "limit_from_setup_line": line.limit if line else nan,
        "first_out_of_setup_line": pd.to_datetime(line.first_out if line else None),
        **estimate_cells(f"drift_{DRIFT_DAYS}_days", chart.drift, level),
        f"drift_{DRIFT_DAYS}_days_samples_held": chart.drift_held.value,
        "samples_tested_again": len(chart.runs.own_change),
        "remark": chart.remark or chart.drift.remark,
    }
