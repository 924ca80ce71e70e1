"""A season's curves reviewed: why they performed as they did, and what to do next.

Their tables and findings are made here; `sections` puts them into words.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import partial
from math import isfinite, nan
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.intake.outputs import kept
from kitlib.intake.pairs import curve_register
from kitlib.intake.schema import SCHEMAS
from kitlib.intake.settings import CostSetting
from kitlib.reports.blocks import texts
from kitlib.review import check_samples as control
from kitlib.review import comparisons
from kitlib.review import plan as sampling
from kitlib.review.comparisons import NO_DIFFERENCE, Comparison, compare_all
from kitlib.review.setup import CAUSES, DOUBTFUL, UNRECORDED, CurveReview
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import cells_of
from kitlib.words.findings import Finding
from kitlib.words.terms import columns_of, counted, listed, show, show_span

# Half-width of a bias's interval worth planning for, as a share of the allowed
# bias: an unbiased curve is then shown to be one with room to spare (our choice).
WANTED_SHARE = 0.5
# What of the plots enters a review: more of them would make the reports of all other
# trials depend on one trial's yields.
PLOTS = ["curve", "harvested_at", "offset_in_force", "chamber_config", "sensor_pct"]
PLOTS += ["grain_temp_c"]
WITHIN = {True: "within", False: "beyond", None: ""}


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonCurves:
    """The season's curves, each reviewed with what must be known of the others."""

    curves: dict[str, CurveReview]  # all of the register, in order of crop and name
    sources: dict[str, sampling.ErrorSources]  # of each curve's errors, if they tell
    # By crop, over the curves that served plots.
    crop_sources: dict[str, sampling.ErrorSources]
    pairs: pd.DataFrame  # samples used, with what of an error goes `along` moisture


@kept
def review_curves(season: SeasonAudit) -> SeasonCurves:
    """Return how each curve of a season was set up and whether it held."""
    register = curve_register(season.tables["curves"].frame)
    order = register.reset_index().sort_values(["crop_key", "curve"])["curve"]
    named = {name: season.tables[name].frame for name in ("setup_runs", "check_runs")}
    tables = [frame[[*SCHEMAS[name]]] for name, frame in named.items()]
    setup_runs, checks, plots = (
        {curve: frame[frame["curve"] == curve] for curve in order}
        for frame in (*tables, season.pairing.plots[PLOTS])
    )
    used = season.pairing.pairs.query("used")
    pairs = used.assign(along=sampling.along_moisture(used, season.corrections))
    repeats, sd_run = _repeatability(register, control.repeated_runs(*tables))
    of_curve = {c: pairs[pairs["curve"] == c] for c in order}
    own = {c: sampling.error_sources(of_curve[c], sd_run[c]) for c in order}
    shared = _crop_sources(pairs[~pairs["parallel"]], sd_run)
    curves = {}
    for curve in order:
        row = register.loc[curve]
        sources = own[curve] or shared.get(row["crop_key"])
        curves[curve] = CurveReview(
            register=row,
            runs=setup_runs[curve],
            plots=plots[curve],
            audit=season.audits.get(curve),
            repeats=repeats[curve],
            sd_error=sources.sd_error if sources else nan,
            sd_run=sd_run[curve],
            season=season.settings,
        )
    days = {curve: _check_days(one, checks[curve]) for curve, one in curves.items()}
    scatter = control.pooled_scatter(found for found in days.values() if found)
    return SeasonCurves(
        curves={c: _charted(one, days[c], scatter) for c, one in curves.items()},
        sources={curve: found for curve, found in own.items() if found},
        crop_sources=shared,
        pairs=pairs,
    )


def _repeatability(register: pd.DataFrame, runs: pd.DataFrame) -> tuple[dict, dict]:
    """Return the repeatability of each curve, and its SD of a run or its sensor's."""
    own = dict.fromkeys(register.index, control.repeatability([], []))
    for curve, of in runs.groupby("curve"):
        own[curve] = control.repeatability(of["error"], of["repeats"])
    sd_run = {curve: found.sd for curve, found in own.items()}
    for sensor, of in runs.groupby(runs["curve"].map(register["sensor"])):
        shared = control.repeatability(of["error"], of["repeats"]).sd
        curves = register.index[register["sensor"] == sensor]
        sd_run |= {curve: shared for curve in curves if not own[curve].df}
    return own, sd_run


def _crop_sources(pairs: pd.DataFrame, sd_run: dict) -> dict:
    """Return what the errors of each crop's curves are made of, where they tell."""
    # A curve whose sensor is not named stands for a sensor of its own.
    pairs, found = pairs.assign(sensor=pairs["sensor"].fillna(pairs["curve"])), {}
    for crop, of_crop in pairs.groupby("crop"):
        # In root mean square over the curves whose own is known.
        known = pd.Series([sd_run[curve] for curve in of_crop["curve"].unique()])
        rms = float((known**2).mean() ** 0.5)
        found[str(crop)] = sampling.error_sources(of_crop, rms)
    return {crop: sources for crop, sources in found.items() if sources}


def _check_days(one: CurveReview, later: pd.DataFrame) -> control.CheckRuns | None:
    """Return a curve's check runs day by day, set-up runs of the same samples first."""
    loaded, plots = one.loaded, one.plots
    if later.empty or not isfinite(loaded):
        return None
    on_record = plots["harvested_at"], plots["offset_in_force"]
    by_plots = control.offset_at(later["run_at"], *on_record, loaded)
    early = one.runs[one.runs["sample"].isin(later["sample"])]
    offset = [control.offsets_in(early, loaded), control.offsets_in(later, by_plots)]
    runs = [early.assign(at_setup=True), later.assign(at_setup=False)]
    every = pd.concat(runs, ignore_index=True)
    found = control.check_runs(every, np.concatenate(offset), loaded)
    return found if len(found.cells) else None


def _charted(one: CurveReview, checks: control.CheckRuns | None, scatter):
    """Return a curve with the charts of its check samples, if there are some."""
    if checks is None:
        return one
    level, (sd, df) = one.season.confidence, scatter
    # The line is that of the set-up runs without the retained samples.
    rest = one.runs[~one.runs["sample"].isin(checks.cells["sample"])]
    bare = rest["sensor_pct"] - control.offsets_in(rest, one.loaded)
    by_sample = rest.assign(reading=bare + one.loaded).groupby("sample")
    means = by_sample[["known_pct", "reading"]].mean().dropna()
    known = means["known_pct"], means["reading"]
    line, first_off = control.held_to_line(checks, *known, level)
    chart = control.check_chart(checks, sd, df, level)
    return replace(one, chart=chart, setup_line=line, first_off_line=first_off)


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonReview(SeasonCurves):
    """A season explained."""

    season: SeasonAudit
    plans: dict[str, sampling.CurvePlan]  # by curve, where there is one
    histories: list[comparisons.OffsetHistory]  # of every curve
    # Of every sensor, if there is an earlier season.
    sensor_histories: list[comparisons.OffsetHistory]
    parallel: list[Comparison]  # curves recorded on the same plots, pair by pair
    earlier: list[str]  # seasons used
    unread: list[str]  # why an earlier season's folder was not used
    costs: CostSetting


def review_season(
    season: SeasonAudit,
    earlier: Iterable[str | Path] = (),
    costs: CostSetting | None = None,
    wanted_half_width: float | None = None,
) -> SeasonReview:
    """Return why a season's curves performed as they did, and a plan for the next.

    Whatever a missing or empty table leaves open is not known, and says so. `earlier`
    are output folders of earlier seasons, the earliest first; `costs` those of a trial
    visit, a sample, a dish and a benchtop reading, in one unit, by default the season's
    setting, or hours of work; `wanted_half_width` is that of the bias's interval for
    every curve, by default the season's setting, or half the allowed bias. [points]
    """
    settings, curves = season.settings, review_curves(season)
    costs = costs or settings.costs or sampling.HOURS
    wanted = wanted_half_width or settings.wanted_half_width
    past, unread = comparisons.read_earlier(settings.name, earlier)
    plans, histories = {}, []
    for curve, one in curves.curves.items():
        plans[curve] = _plan(curves, one, costs, wanted)
        built = one.register["built_on"]
        built = built.strftime("%Y-%m-%d") if pd.notna(built) else ""
        called_for = settings.name, one.by_season
        histories.append(comparisons.curve_history(curve, *called_for, past, built))
    return SeasonReview(
        **vars(curves),
        season=season,
        plans={curve: plan for curve, plan in plans.items() if plan},
        histories=histories,
        sensor_histories=_sensor_histories(curves, settings.name, past) if past else [],
        parallel=list(compare_all(curves.pairs, settings.confidence)),
        earlier=list(past),
        unread=unread,
        costs=costs,
    )


def _plan(curves: SeasonCurves, one: CurveReview, costs, wanted: float | None):
    """Return what next season's sampling of a curve can reach, None if not known."""
    pairs, audit, crop = curves.pairs, one.audit, one.register["crop_key"]
    served = pairs[(pairs["crop"] == crop) & ~pairs["parallel"]]
    own, sources = pairs[pairs["curve"] == one.curve], curves.sources.get(one.curve)
    of_crop, meters = curves.crop_sources.get(crop), sampling.benchtop_sd(served)
    found = sampling.scatter_of(crop, own, sources, of_crop, meters)
    wanted = wanted or (WANTED_SHARE * audit.allowed_bias if audit else nan)
    if found is None or not wanted > 0:
        return None
    level = one.season.confidence
    table = sampling.plan_table(found[0], costs, wanted, level)
    return sampling.CurvePlan(*found, table, wanted)


def _sensor_histories(curves: SeasonCurves, season: str, past) -> list:
    """Return each sensor's change over the seasons."""
    register = pd.DataFrame([one.register for one in curves.curves.values()])
    sensor_of = {str(c): str(of) for c, of in register["sensor"].dropna().items()}
    beside = list(register.index[register["parallel_of"].notna()])
    found = []
    for sensor in sorted(set(sensor_of.values())):
        own = [c for c, of in sensor_of.items() if of == sensor and c not in beside]
        audits = [curves.curves[curve].audit for curve in own]
        now = [comparisons.season_setting(0.0, audit.bias) for audit in audits if audit]
        of = comparisons.sensor_history(sensor, season, now, past, sensor_of, beside)
        found.append(of)
    return found


# ---- the tables ----------------------------------------------------------------------


@kept
def review_tables(review: SeasonReview) -> dict[str, pd.DataFrame]:
    """Return every table of a season's review, by the name of its CSV file.

    Offsets, errors and half-widths in points of moisture; intervals at the season's
    level; empty where not known. Columns as columns.csv declares them.
    """
    level, curves = review.season.settings.confidence, review.curves.values()
    causes = [
        {"code": code, **CAUSES[code]._asdict(), **found._asdict()} | _of(one)
        for one in curves
        for code, found in one.causes.items()
    ]
    rows = {
        "setup": causes,
        "setup_offsets": [_offset_row(one) for one in curves],
        "check_runs": [_check_row(one, one.chart) for one in curves if one.chart],
        "parallel": [vars(one) for one in review.parallel],
        "sources": list(_source_rows(review)),
        "history": list(_history_rows(review)),
    }
    tables: dict = {n: [cells_of(row, level) for row in of] for n, of in rows.items()}
    bands = [c.bands.assign(first=c.first, second=c.second) for c in review.parallel]
    plans = [
        plan.told.assign(**_of(review.curves[curve]))
        for curve, plan in review.plans.items()
    ]
    for name, parts in {"parallel_bands": bands, "plan": plans}.items():
        tables[name] = pd.concat(parts, ignore_index=True) if parts else []
    return {n: pd.DataFrame(t, columns=list(columns_of(n))) for n, t in tables.items()}


def _of(one: CurveReview) -> dict:
    """Return the cells that name a curve."""
    return {"crop": one.register["crop_key"], "curve": one.curve}


def _offset_row(one: CurveReview) -> dict:
    """Return a curve's offset in use, from set-up and season; its repeatability."""
    best, own = one.half_widths
    low, high = one.repeats.interval(one.season.confidence)
    config, told = one.register["chamber_config"], one.plots["chamber_config"]
    elsewhere = int((told.dropna() != config).sum()) if pd.notna(config) else 0
    return {
        **_of(one),
        **one.offset._asdict(),
        **{f"share_{name}": share for name, share in one.offset.parts.items()},
        "offset_loaded": one.loaded,
        "offset_at_setup": one.offset.setting,
        "offset_by_season": one.by_season,
        "loaded_less_setup": one.misloaded,
        "season_less_setup": one.moved,
        "at_best": best,
        "by_its_own_scatter": own,
        "read_before_loading": one.read_before_loading,
        "sd_run": one.repeats.sd,
        "sd_run_low": low,
        "sd_run_high": high,
        "sd_run_df": one.repeats.df,
        "gain_by_repeats": one.gain_by_repeats,
        "plots_in_another_configuration": elsewhere,
        "error_in_another": one.error_elsewhere,
    }


def _check_row(one: CurveReview, chart: control.CheckChart) -> dict:
    """Return what the check samples of a curve say."""
    drift, out = f"drift_{control.DRIFT_DAYS}_days", chart.first_out
    first = {f"first_out_{n.lower()}": out.get(n) or pd.NaT for n in control.CHARTS}
    return {
        **_of(one),
        **first,
        "runs_used": chart.runs.n_runs,
        "runs_open": chart.runs.n_open,
        "days": chart.runs.cells["day"].nunique(),
        "days_judged": len(chart.occasions),
        "sd_day_to_day": chart.sd,
        "sd_df": chart.df,
        "limit": chart.cells["limit"].max(),
        "limit_from_setup_line": one.setup_line.limit if one.setup_line else nan,
        "first_out_of_setup_line": one.first_off_line or pd.NaT,
        drift: chart.drift,
        f"{drift}_samples_held": chart.drift_held.value,
        "samples_tested_again": len(chart.runs.own_change),
        "remark": chart.remark or chart.drift.remark,
    }


def _source_rows(review: SeasonReview) -> Iterator[dict]:
    """Yield the parts of each crop's error, the curve empty, and of each curve's."""
    crops, curves = review.crop_sources.items(), review.sources.items()
    found = [({"crop": crop, "curve": ""}, sources) for crop, sources in crops]
    found += [(_of(review.curves[curve]), sources) for curve, sources in curves]
    for names, sources in found:
        shares, of_bias, about = sources.shares, {}, vars(sources) | names
        if curve := names["curve"]:
            of_bias = sources.shares_of_bias
            slope = review.season.advice[curve].asks_for_slope
            about["effort"] = sampling.where_effort_pays(sources, slope)
        for name, sd in sources.sds.items():
            share = {"share": shares.get(name), "share_of_bias": of_bias.get(name)}
            yield {"effort": "", **about, "source": name, "sd": sd, **share}


def _history_rows(review: SeasonReview) -> Iterator[dict]:
    """Yield the offsets of curves and sensors over the seasons, if there are some."""
    level = review.season.settings.confidence
    kinds = [("curve", history) for history in review.histories]
    kinds += [("sensor", history) for history in review.sensor_histories]
    for kind, history in kinds if review.earlier else []:
        about = {"kind": kind, "name": history.name}
        *earlier, now = zip(history.seasons, history.values, strict=True)
        for season, value in earlier:
            yield {**about, "season": season, "value": value}
        # What was expected and the shrunken value stand in the row of this season.
        about |= vars(history) | {"within": WITHIN[history.within(level)]}
        about["remark"] = history.remark or history.expected.remark
        yield {**about, "season": now[0], "value": now[1]}


# ---- the findings --------------------------------------------------------------------


signed, span = partial(show, sign=True), partial(show_span, sign=True)


def _finding(code: str, curve: str = "", table: str = "", **values: object) -> Finding:
    """Return a finding, its sentence as `sentences.toml` has it."""
    sentence = texts()["review"]["findings"]["cause" if code in CAUSES else code]
    said = sentence.format(curve=curve, table=table, **values)
    return Finding(code=code, curve=curve, table=table, message=said)


def review_findings(review: SeasonReview) -> list[Finding]:
    """Return all that the review of a season found, curve by curve."""
    level, tables = review.season.settings.confidence, review.season.tables
    optional = texts()["review"]["optional"]
    lacking = [name for name in optional if tables[name].frame.empty]
    found = [_finding("review-open", "", name, part=optional[name]) for name in lacking]
    found += [_finding("history-not-read", why=why) for why in review.unread]
    for one, history in zip(review.curves.values(), review.histories, strict=True):
        found += curve_findings(one)
        if history.within(level) is False:
            ends = span(*history.expected.interval(level))
            now, then = signed(history.values[-1].value), signed(history.expected.value)
            said = {"now": now, "expected": then, "ends": ends}
            found.append(_finding("history-departs", one.curve, **said))
    for pair in review.parallel:
        for code, better, first, second in (
            ("parallel-better", pair.better, pair.rmsep_first, pair.rmsep_second),
            ("parallel-tighter", pair.tighter, pair.sep_first, pair.sep_second),
        ):
            if better != NO_DIFFERENCE:
                said = {"first": show(first), "second": show(second)}
                said["n"] = counted(pair.n, "sample")
                found.append(_finding(code, better, pair=pair, **said))
    return found


def curve_findings(one: CurveReview) -> list[Finding]:
    """Return what was found of a curve's set-up and of its check samples."""
    found = [*_of_setup(one), *(_of_checks(one, one.chart) if one.chart else ())]
    return [_finding(code, one.curve, **said) for code, said in found]


def tells_a_cause(found: Finding) -> bool:
    """Whether a finding is of a set-up's causes, which reports tell in a table."""
    # An offset loaded wrongly is not left to it: that is to be acted on.
    in_table = found.code in CAUSES or found.code == "setup-not-recorded"
    return in_table and found.code != "setup-misloaded"


def _of_setup(one: CurveReview) -> Iterator[tuple[str, dict]]:
    """Yield what may have put the offset wrong at set-up, and whether it held."""
    unrecorded = []
    # Without an offset it is said once for the whole table, or by the table of causes.
    for code, found in one.causes.items() if one.offset.n_runs else ():
        if found.verdict == DOUBTFUL:
            size = f"it can have moved the offset by up to {show(found.size)} points"
            if not isfinite(found.size):
                size = "how far that moved the offset is not known"
            yield code, {"found": found.found, "size": size, "why": CAUSES[code].why}
        elif found.verdict == UNRECORDED:
            unrecorded.append(f"{CAUSES[code].cause.lower()} ({found.found})")
    if unrecorded:
        yield "setup-not-recorded", {"unrecorded": "; ".join(unrecorded)}
    if one.read_before_loading:
        yield "setup-unclear", {"loaded": signed(one.loaded)}
    elif one.not_held:
        said = {"way": "higher" if one.moved.value > 0 else "lower"}
        said["ends"] = span(*one.moved.interval(one.season.confidence))
        yield "offset-not-held", {**said, "by": show(abs(one.moved.value))}


def _of_checks(one: CurveReview, chart: control.CheckChart) -> Iterator:
    """Yield whether its check samples stayed where they were."""
    if chart.remark:
        yield "check-not-judged", {"why": chart.remark}
    out = chart.first_out.items()
    days = [f"{day:%Y-%m-%d} by {name}" for name, day in out if day is not None]
    if days:
        yield "check-out-of-limits", {"days": listed(days)}
    if comparisons.leaves_out_zero(chart.drift, one.season.confidence):
        ends = span(*chart.drift.interval(one.season.confidence))
        said = {"by": signed(chart.drift.value), "days": control.DRIFT_DAYS}
        yield "check-drifts", {**said, "ends": ends}
    for sample, change in chart.runs.own_change.items():
        yield "check-sample-changed", {"sample": sample, "by": signed(change)}
