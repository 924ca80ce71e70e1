"""The review of a season as it is written: its tables, and what it finds."""

from collections.abc import Iterable, Iterator
from math import isfinite, nan

import pandas as pd

from kitlib.review.check_samples import CHARTS, DRIFT_DAYS, CheckChart
from kitlib.review.history import OffsetHistory
from kitlib.review.parallel import NO_DIFFERENCE, Comparison
from kitlib.review.plan import worth_telling
from kitlib.review.review import CurveReview, SeasonReview
from kitlib.review.setup_causes import CAUSES, DOUBTFUL, UNRECORDED, in_words
from kitlib.review.sources import SOURCES, where_effort_pays
from kitlib.words.estimates import Estimate
from kitlib.words.findings import Finding
from kitlib.words.terms import columns_of, counted, listed, show, show_span

_OPTIONAL = {
    "setup_runs": "the offset at set-up, what could be wrong with it and the "
    "repeatability of the sensor",
    "check_runs": "whether curves held through the season",
    "readings": "which of two curves would have served better",
}
WITHIN = {True: "within", False: "beyond", None: ""}


def review_tables(review: SeasonReview) -> dict[str, pd.DataFrame]:
    """Return every table of a season's review, by the name of its CSV file.

    Offsets, errors and half-widths in points of moisture; intervals at the season's
    level; empty where not known. Columns as columns.csv declares them.
    """
    makers = {
        "parallel": _parallel,
        "parallel_bands": _parallel_bands,
        "sources": _sources,
        "plan": _plans,
        "history": _histories,
    }
    others = {name: _table(name, make(review)) for name, make in makers.items()}
    return curve_tables(review.curves.values()) | others


def curve_tables(reviews: Iterable[CurveReview]) -> dict[str, pd.DataFrame]:
    """Return the tables on set-up and check samples of some curves."""
    reviews = list(reviews)
    makers = {"setup": _setup, "setup_offsets": _offsets, "check_runs": _check_runs}
    return {name: _table(name, make(reviews)) for name, make in makers.items()}


def _table(name: str, rows) -> pd.DataFrame:
    """Return rows as the table that is declared for them."""
    return pd.DataFrame(rows, columns=list(columns_of(name)))


def estimate_cells(name: str, estimate: Estimate, level: float) -> dict:
    """Return an estimate with its interval and df under four column names."""
    low, high = estimate.interval(level)
    ends = {f"{name}_low": low, f"{name}_high": high}
    return {name: estimate.value, **ends, f"{name}_df": estimate.df}


def _setup(reviews: list[CurveReview]) -> list[dict]:
    """Return what could have put each curve's offset wrong, the largest first."""
    return [
        {
            "crop": one.crop,
            "curve": one.curve,
            "code": code,
            "cause": CAUSES[code].title,
            "verdict": found.verdict,
            "size": found.size,
            "basis": found.basis,
            "found": found.said,
            "why": CAUSES[code].why,
            "source": CAUSES[code].source,
        }
        for one in reviews
        for code, found in one.causes.items()
    ]


def _offsets(reviews: list[CurveReview]) -> list[dict]:
    """Return the offset loaded, from set-up and from the season; repeatability."""
    return [_offset_row(one) for one in reviews]


def _offset_row(one: CurveReview) -> dict:
    """Return one curve's offsets under their column names."""
    setup, level, offset = one.setup, one.setup.level, one.setup.offset
    low, high = setup.repeats.interval(level)
    parts = offset.parts if offset else {}
    return {
        "crop": one.crop,
        "curve": one.curve,
        "n_samples": offset.n_samples if offset else 0,
        "n_runs": offset.n_runs if offset else 0,
        "offset_loaded": setup.loaded,
        **estimate_cells("offset_at_setup", setup.at_setup, level),
        **estimate_cells("offset_by_season", setup.by_season, level),
        **estimate_cells("loaded_less_setup", setup.misloaded, level),
        **estimate_cells("season_less_setup", setup.moved, level),
        **{f"share_{name}": share for name, share in parts.items()},
        "at_best": setup.at_best,
        "by_its_own_scatter": setup.claimed,
        "read_before_loading": setup.read_before_loading,
        "sd_run": setup.repeats.sd,
        "sd_run_low": low,
        "sd_run_high": high,
        "sd_run_df": setup.repeats.df,
        **estimate_cells("gain_by_repeats", setup.gain_by_repeats, level),
        "plots_in_another_configuration": setup.plots_elsewhere,
        **estimate_cells("error_in_another", setup.error_elsewhere, level),
    }


def _check_runs(reviews: list[CurveReview]) -> list[dict]:
    """Return what the check samples of each curve say, one row per curve with some."""
    return [_check_row(one, one.chart) for one in reviews if one.chart]


def _check_row(one: CurveReview, chart: CheckChart) -> dict:
    """Return one curve's check runs under their column names."""
    level, drift = one.setup.level, f"drift_{DRIFT_DAYS}_days"
    out = {
        f"first_out_{name.lower()}": chart.first_out.get(name) or pd.NaT
        for name in CHARTS
    }
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
        **out,
        "limit_from_setup_line": one.setup_line.limit if one.setup_line else nan,
        "first_out_of_setup_line": one.first_off_line or pd.NaT,
        **estimate_cells(drift, chart.drift, level),
        f"{drift}_samples_held": chart.drift_held.value,
        "samples_tested_again": len(chart.runs.own_change),
        "remark": chart.remark or chart.drift.remark,
    }


def _parallel(review: SeasonReview) -> list[dict]:
    """Return how each two curves recorded on the same plots compare."""
    plain = ("first", "second", "n", "n_trials", "better", "tighter", "correlation")
    estimates = ("rmsep_difference", "sep_difference", "pitman_morgan")
    rows = []
    for one in review.parallel:
        row = {name: getattr(one, name) for name in plain}
        for name in ("rmsep", "sep"):
            row[f"{name}_first"], row[f"{name}_second"] = getattr(one, name)
        for name in estimates:
            row |= estimate_cells(name, getattr(one, name), one.level)
        rows.append(row)
    return rows


def _parallel_bands(review: SeasonReview) -> pd.DataFrame | None:
    """Return which of two curves served better in each 2-point band."""
    parts = [c.bands.assign(first=c.first, second=c.second) for c in review.parallel]
    return pd.concat(parts, ignore_index=True) if parts else None


def _sources(review: SeasonReview) -> list[dict]:
    """Return the parts of each curve's error, and of a crop's curves together.

    The curve is empty where a crop is meant.
    """
    rows = []
    for crop, sources in review.crop_sources.items():
        rows += _source_rows(crop, "", sources)
    for curve, sources in review.sources.items():
        rows += _source_rows(review.curves[curve].crop, curve, sources)
    return rows


def _source_rows(crop, curve, sources) -> list[dict]:
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
            "effort": where_effort_pays(sources) if curve else "",
        }
        for name in SOURCES
        if name in sources.sds
    ]


def _plans(review: SeasonReview) -> pd.DataFrame | None:
    """Return what plans reach for every curve, and which is the cheapest.

    Those no other one beats at its cost, and all of two dishes without benchtop.
    """
    parts = [
        worth_telling(plan.table).assign(
            crop=review.curves[curve].crop,
            curve=curve,
            wanted=plan.wanted,
            remark=plan.remark,
        )
        for curve, plan in review.plans.items()
    ]
    return pd.concat(parts, ignore_index=True) if parts else None


def _histories(review: SeasonReview) -> list[dict]:
    """Return each curve's and sensor's offsets over the seasons; none without earlier.

    What was expected and the shrunken value stand in the row of this season.
    """
    if not review.earlier:
        return []
    level, rows = review.season.settings.confidence, []
    histories = [("curve", found) for found in review.histories]
    histories += [("sensor", found) for found in review.sensor_histories]
    for kind, history in histories:
        for season, value in zip(history.seasons, history.values, strict=True):
            row = {"kind": kind, "name": history.name, "season": season}
            rows.append(row | estimate_cells("value", value, level))
        for name in ("expected", "departure", "shrunken"):
            rows[-1] |= estimate_cells(name, getattr(history, name), level)
        rows[-1]["within"] = WITHIN[history.within(level)]
        rows[-1]["remark"] = history.remark or history.expected.remark
    return rows


def review_findings(review: SeasonReview) -> list[Finding]:
    """Return all that the review of a season found, curve by curve.

    Codes are those of `findings.KINDS`.
    """
    level, found = review.season.settings.confidence, []
    for name, part in _OPTIONAL.items():
        if review.season.tables[name].frame.empty:
            said = f"there are no {name}, so {part} could not be judged."
            found.append(Finding(code="review-open", table=name, message=said))
    for why in review.unread:
        found.append(Finding(code="history-not-read", message=f"{why}."))
    for one, history in zip(review.curves.values(), review.histories, strict=True):
        found += curve_findings(one)
        found += _sentences(one.curve, _history(history, level))
    return found + [f for pair in review.parallel for f in _better(pair)]


def curve_findings(one: CurveReview) -> list[Finding]:
    """Return what was found of a curve's set-up and of its check samples."""
    return _sentences(one.curve, [*_doubts(one), *_offset(one), *_checks(one)])


def tells_a_cause(found: Finding) -> bool:
    """Whether a finding is of a set-up's causes, which reports tell in a table.

    An offset loaded wrongly is not left to it: that is to be acted on.
    """
    in_table = found.code in CAUSES or found.code == "setup-not-recorded"
    return in_table and found.code != "setup-misloaded"


def _sentences(curve: str, found: Iterable[tuple[str, str]]) -> list[Finding]:
    """Return codes and phrases on a curve as findings."""
    return [
        Finding(code=code, curve=curve, message=f"curve {curve}: {said}.")
        for code, said in found
    ]


def _doubts(one: CurveReview) -> Iterator[tuple[str, str]]:
    """Yield what may have put the offset wrong at set-up, and what is not recorded."""
    if one.setup.offset is None:
        return  # said once for the whole table, or by the table of causes
    unrecorded = []
    for code, found in one.causes.items():
        if found.verdict == DOUBTFUL:
            yield code, in_words(code, found)
        elif found.verdict == UNRECORDED:
            unrecorded.append(f"{CAUSES[code].title.lower()} ({found.said})")
    if unrecorded:
        yield "setup-not-recorded", f"cannot be judged: {'; '.join(unrecorded)}"


def _offset(one: CurveReview) -> Iterator[tuple[str, str]]:
    """Yield whether the offset found at set-up held, or why nobody can say."""
    if one.setup.read_before_loading:
        yield (
            "setup-unclear",
            f"its set-up runs err by about minus the offset loaded "
            f"({show(one.setup.loaded, sign=True)}), as if read before it was; the "
            "column offset_in_force in setup_runs would tell",
        )
        return
    moved = one.setup.moved
    if leaves_out_zero(moved, one.setup.level):
        way = "higher" if moved.value > 0 else "lower"
        ends = show_span(*moved.interval(one.setup.level), sign=True)
        yield (
            "offset-not-held",
            f"this season's results call for an offset {show(abs(moved.value))} points "
            f"{way} than set-up gave (difference {ends})",
        )


def leaves_out_zero(estimate: Estimate, level: float) -> bool:
    """Whether an estimate has an interval, and 0 is not in it."""
    ends = estimate.interval(level)
    return isfinite(ends.low) and not ends.holds(0.0)


def is_out(one: CurveReview) -> bool:
    """Whether a curve's check samples left their limits or drifted."""
    if one.chart is None:
        return False
    out = any(day is not None for day in one.chart.first_out.values())
    return out or leaves_out_zero(one.chart.drift, one.setup.level)


def _checks(one: CurveReview) -> Iterator[tuple[str, str]]:
    """Yield whether its check samples stayed where they were."""
    chart, level = one.chart, one.setup.level
    if chart is None:
        return
    if chart.remark:
        yield "check-not-judged", chart.remark
    out = {name: day for name, day in chart.first_out.items() if day is not None}
    if out:
        days = [f"{day:%Y-%m-%d} by {name}" for name, day in out.items()]
        yield "check-out-of-limits", f"check samples out of limits: {listed(days)}"
    if leaves_out_zero(chart.drift, level):
        yield (
            "check-drifts",
            f"the error of its check samples moves by "
            f"{show(chart.drift.value, sign=True)} points in {DRIFT_DAYS} days "
            f"({show_span(*chart.drift.interval(level), sign=True)})",
        )
    for sample, change in chart.runs.own_change.items():
        yield (
            "check-sample-changed",
            f"check sample {sample} changed by {show(change, sign=True)} points by its "
            "oven re-test; that is taken out of its errors",
        )


def _history(history: OffsetHistory, level: float) -> Iterator[tuple[str, str]]:
    """Yield whether this season's offset departs from what was seen before."""
    if history.within(level) is False:
        ends = show_span(*history.expected.interval(level), sign=True)
        yield (
            "history-departs",
            f"this season calls for a setting of "
            f"{show(history.now.value, sign=True)}; earlier seasons predict "
            f"{show(history.expected.value, sign=True)} ({ends})",
        )


def _better(found: Comparison) -> Iterator[Finding]:
    """Yield which of two curves was shown to be better, or tighter."""
    names = f"curves {found.first} and {found.second} on {counted(found.n, 'sample')}"
    for code, what, better, values in (
        ("parallel-better", "RMSEP as loaded", found.better, found.rmsep),
        ("parallel-tighter", "SEP", found.tighter, found.sep),
    ):
        if better != NO_DIFFERENCE:
            said = f"{names}: {what} {show(values[0])} and {show(values[1])} points"
            yield Finding(
                code=code, curve=better, message=f"{said}; {better} is better."
            )
