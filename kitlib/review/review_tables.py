"""Set-up and check runs of a season's review as tables, column by column.

The review of a season as tables: what stands in its CSV files, column by column.
"""

from math import nan

import pandas as pd

from kitlib.review.check_samples import CUSUM, DRIFT_DAYS, EWMA, SHEWHART
from kitlib.review.plan import worth_telling
from kitlib.review.review import CurveReview, SeasonReview
from kitlib.review.sources import SOURCES, ErrorSources, where_effort_pays
from kitlib.words.estimates import Estimate
from kitlib.words.terms import columns_of


def setup_table(review: SeasonReview) -> pd.DataFrame:
    """Return what could have put each curve's offset wrong, the largest first."""
    rows = [
        {
            "crop": one.crop,
            "curve": curve,
            "code": cause.code,
            "cause": cause.cause.title,
            "verdict": cause.found.verdict,
            "size": cause.found.size,
            "basis": cause.found.basis,
            "found": cause.found.said,
            "why": cause.cause.why,
            "source": cause.cause.source,
        }
        for curve, one in review.curves.items()
        for cause in one.setup.causes
    ]
    return pd.DataFrame(rows, columns=list(columns_of("setup")))


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
    rows = [_setup_row(one, level) for one in review.curves.values()]
    return pd.DataFrame(rows, columns=list(columns_of("setup_offsets")))


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
    return pd.DataFrame(rows, columns=list(columns_of("check_runs")))


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


def review_tables(review: SeasonReview) -> dict[str, pd.DataFrame]:
    """Return every table of a season's review, by the name of its CSV file.

    Offsets, errors and half-widths in points of moisture; intervals at the season's
    level; empty where not known.
    """
    return {
        "setup": setup_table(review),
        "setup_offsets": setup_offsets_table(review),
        "check_runs": check_runs_table(review),
        "parallel": parallel_table(review),
        "parallel_bands": parallel_bands_table(review),
        "sources": sources_table(review),
        "plan": plans_table(review),
        "history": history_table(review),
    }


def parallel_table(review: SeasonReview) -> pd.DataFrame:
    """Return how each two curves recorded on the same plots compare."""
    rows = [
        {
            **{name: getattr(c, name) for name in ("first", "second", "n", "n_trials")},
            "rmsep_first": c.rmsep[0],
            "rmsep_second": c.rmsep[1],
            **estimate_cells("rmsep_difference", c.rmsep_difference, c.level),
            "better": c.better,
            "sep_first": c.sep[0],
            "sep_second": c.sep[1],
            **estimate_cells("sep_difference", c.sep_difference, c.level),
            **estimate_cells("pitman_morgan", c.pitman_morgan, c.level),
            "tighter": c.tighter,
            "correlation": c.correlation,
        }
        for c in review.parallel
    ]
    return pd.DataFrame(rows, columns=list(columns_of("parallel")))


def parallel_bands_table(review: SeasonReview) -> pd.DataFrame:
    """Return which of two curves served better in each 2-point band."""
    parts = [c.bands.assign(first=c.first, second=c.second) for c in review.parallel]
    if not parts:
        return pd.DataFrame(columns=list(columns_of("parallel_bands")))
    return pd.concat(parts, ignore_index=True)[list(columns_of("parallel_bands"))]


def sources_table(review: SeasonReview) -> pd.DataFrame:
    """Return the parts of each curve's error, and of a crop's curves together.

    `share` is of the variance of a single error, `share_of_bias` of the variance
    of the bias as it was sampled. The curve is empty where a crop is meant.
    """
    rows = []
    for crop, sources in review.crop_sources.items():
        rows += _source_rows(crop, "", sources, effort="")
    for curve, one in review.curves.items():
        if one.sources is not None:
            effort = where_effort_pays(one.sources)
            rows += _source_rows(one.crop, curve, one.sources, effort)
    return pd.DataFrame(rows, columns=list(columns_of("sources")))


def _source_rows(crop, curve, sources: ErrorSources, effort: str) -> list[dict]:
    """Return one row for each source of an error."""
    of_bias = sources.shares_of_bias if curve else {}
    return [
        {
            "crop": crop,
            "curve": curve,
            "source": name,
            "sd": sources.sds[name],
            "share": sources.shares.get(name, nan),
            "share_of_bias": of_bias.get(name, nan),
            "n": sources.n,
            "n_trials": sources.n_trials,
            "remark": sources.remark,
            "effort": effort,
        }
        for name in SOURCES
        if name in sources.sds
    ]


def plans_table(review: SeasonReview) -> pd.DataFrame:
    """Return what plans reach for every curve, and which is the cheapest.

    Those no other one beats at its cost, and all of two dishes without benchtop.
    """
    parts = [
        worth_telling(one.plan.table).assign(
            crop=one.crop, curve=curve, wanted=one.plan.wanted, remark=one.plan.remark
        )
        for curve, one in review.curves.items()
        if one.plan.table is not None
    ]
    columns = list(columns_of("plan"))
    if not parts:
        return pd.DataFrame(columns=columns)
    return pd.concat(parts, ignore_index=True)[columns]


def history_table(review: SeasonReview) -> pd.DataFrame:
    """Return each curve's and sensor's offsets over the seasons; none without earlier.

    What was expected and the shrunken value stand in the row of this season.
    """
    level, rows = review.season.settings.confidence, []
    histories = [("curve", one.history) for one in review.curves.values()]
    histories += [("sensor", found) for found in review.sensor_histories.values()]
    for kind, history in histories if review.earlier else []:
        for season, value in zip(history.seasons, history.values, strict=True):
            row = {"kind": kind, "name": history.name, "season": season}
            row |= estimate_cells("value", value, level)
            if value is history.now:
                row |= estimate_cells("expected", history.expected, level)
                row |= estimate_cells("departure", history.departure, level)
                row |= estimate_cells("shrunken", history.shrunken, level)
                within = {True: "within", False: "beyond", None: ""}
                row["within"] = within[history.within(level)]
                row["remark"] = history.remark or history.expected.remark
            rows.append(row)
    return pd.DataFrame(rows, columns=list(columns_of("history")))
