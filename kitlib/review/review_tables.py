"""The review of a season as tables: what stands in its CSV files, column by column."""

from math import nan

import pandas as pd

from kitlib.review.error_sources import SOURCES, ErrorSources, where_effort_pays
from kitlib.review.plan_costs import PLAN_COLUMNS, worth_telling
from kitlib.review.season_review import SeasonReview
from kitlib.review.setup_tables import (
    check_runs_table,
    estimate_cells,
    setup_offsets_table,
    setup_table,
)


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


PARALLEL_COLUMNS = ["first", "second", "n", "n_trials", "rmsep_first", "rmsep_second"]
PARALLEL_COLUMNS += ["rmsep_difference", "rmsep_difference_low"]
PARALLEL_COLUMNS += ["rmsep_difference_high", "rmsep_difference_df", "better"]
PARALLEL_COLUMNS += ["sep_first", "sep_second", "sep_difference", "sep_difference_low"]
PARALLEL_COLUMNS += ["sep_difference_high", "sep_difference_df", "pitman_morgan"]
PARALLEL_COLUMNS += ["pitman_morgan_low", "pitman_morgan_high", "pitman_morgan_df"]
PARALLEL_COLUMNS += ["tighter", "correlation"]


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
    return pd.DataFrame(rows, columns=PARALLEL_COLUMNS)


def parallel_bands_table(review: SeasonReview) -> pd.DataFrame:
    """Return which of two curves served better in each 2-point band."""
    parts = [c.bands.assign(first=c.first, second=c.second) for c in review.parallel]
    if not parts:
        return pd.DataFrame(columns=["first", "second"])
    bands = pd.concat(parts, ignore_index=True)
    return bands[["first", "second", *bands.columns.drop(["first", "second"])]]


SOURCE_COLUMNS = ["crop", "curve", "source", "sd", "share", "share_of_bias"]
SOURCE_COLUMNS += ["n", "n_trials", "remark", "effort"]


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
    return pd.DataFrame(rows, columns=SOURCE_COLUMNS)


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
    columns = ["crop", "curve", *PLAN_COLUMNS, "wanted", "remark"]
    if not parts:
        return pd.DataFrame(columns=columns)
    return pd.concat(parts, ignore_index=True)[columns]


HISTORY_COLUMNS = ["kind", "name", "season", "value", "value_low", "value_high"]
HISTORY_COLUMNS += ["expected", "expected_low", "expected_high", "departure"]
HISTORY_COLUMNS += ["departure_low", "departure_high", "within", "shrunken"]
HISTORY_COLUMNS += ["shrunken_low", "shrunken_high", "remark"]


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
    return pd.DataFrame(rows, columns=HISTORY_COLUMNS)
