"""A season's curves reviewed: why they performed as they did, and what to do next.

Their tables and findings are made here; `sections` puts them into words.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from math import isfinite, nan
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.intake.pairs import curve_register
from kitlib.review.check_samples import (
    CHARTS,
    DRIFT_DAYS,
    CheckChart,
    CheckRuns,
    SetupLine,
    check_chart,
    check_runs,
    held_to_line,
    offset_at,
    pooled_scatter,
)
from kitlib.review.history import (
    OffsetHistory,
    curve_history,
    leaves_out_zero,
    read_earlier,
    season_setting,
    sensor_history,
)
from kitlib.review.parallel import NO_DIFFERENCE, Comparison, compare_all
from kitlib.review.plan import (
    HOURS,
    Costs,
    CurvePlan,
    ErrorSources,
    along_moisture,
    benchtop_sd,
    efficient,
    plan_table,
    scatter_of,
    sources_of,
    where_effort_pays,
)
from kitlib.review.setup import (
    CAUSES,
    DOUBTFUL,
    UNRECORDED,
    CurveSetup,
    Found,
    causes_of,
    offsets_in,
    repeatability,
    repeated_runs,
)
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import Estimate
from kitlib.words.digests import kept
from kitlib.words.findings import Finding
from kitlib.words.terms import columns_of, counted, listed, show, show_span

# Half-width of a bias's interval worth planning for, as a share of the allowed
# bias: an unbiased curve is then shown to be one with room to spare (our choice).
WANTED_SHARE = 0.5
# Optional tables, and what stays open without them.
OPTIONAL = {
    "setup_runs": "the offset at set-up, what could be wrong with it and the "
    "repeatability of the sensor",
    "check_runs": "whether curves held through the season",
    "readings": "which of two curves would have served better",
}
# What of the plots enters a review: more of them would make the reports of all other
# trials depend on one trial's yields.
PLOTS = ["curve", "harvested_at", "offset_in_force", "chamber_config", "sensor_pct"]
PLOTS += ["grain_temp_c"]
WITHIN = {True: "within", False: "beyond", None: ""}


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveReview:
    """How a curve was set up and whether it held; unknown parts are None or say why."""

    curve: str
    crop: str
    setup: CurveSetup
    causes: dict[str, Found]  # of a wrong offset, the largest first
    chart: CheckChart | None  # of its check samples against their own first days
    setup_line: SetupLine | None  # and the first day check samples left it
    first_off_line: pd.Timestamp | None


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonCurves:
    """The season's curves, each reviewed with what must be known of the others."""

    curves: dict[str, CurveReview]  # all of the register, in order of crop and name
    sources: dict[str, ErrorSources]  # of each curve's errors, where they tell
    crop_sources: dict[str, ErrorSources]  # by crop, over the curves that served plots
    pairs: pd.DataFrame  # samples used, with what of an error goes `along` moisture


@kept
def review_curves(season: SeasonAudit) -> SeasonCurves:
    """Return how each curve of a season was set up and whether it held."""
    register = curve_register(season.tables["curves"].frame)
    order = register.reset_index().sort_values(["crop_key", "curve"])["curve"]
    register = register.loc[order]
    setup_runs, checks, plots = (
        {curve: frame[frame["curve"] == curve] for curve in order}
        for frame in (
            season.tables["setup_runs"].frame,
            season.tables["check_runs"].frame,
            season.pairing.plots[PLOTS],
        )
    )
    used = season.pairing.pairs.query("used")
    pairs = used.assign(along=along_moisture(used, season.corrections))
    repeats, sd_run = _repeatability(register, setup_runs, checks)
    own = {c: sources_of(pairs[pairs["curve"] == c], sd_run[c]) for c in order}
    shared = _crop_sources(pairs[~pairs["parallel"]], sd_run)
    setups, days = {}, {}
    for curve, row in register.iterrows():
        sources = own[curve] or shared.get(row["crop_key"])
        setups[curve] = CurveSetup(
            register=row,
            runs=setup_runs[curve],
            plots=plots[curve],
            audit=season.audits.get(str(curve)),
            repeats=repeats[curve],
            sd_error=sources.sd_error if sources else nan,
            sd_run=sd_run[curve],
            season=season.settings,
        )
        days[curve] = _check_days(setups[curve], checks[curve])
    scatter = pooled_scatter(found for found in days.values() if found)
    return SeasonCurves(
        curves={c: _review(c, setups[c], days[c], scatter) for c in order},
        sources={curve: found for curve, found in own.items() if found},
        crop_sources=shared,
        pairs=pairs,
    )


def _repeatability(register: pd.DataFrame, setup_runs: dict, checks: dict):
    """Return the repeatability of each curve, and its SD of a run or its sensor's."""
    runs = {c: repeated_runs(setup_runs[c], checks[c]) for c in register.index}
    own = {c: repeatability(one["error"], one["repeats"]) for c, one in runs.items()}
    sd_run = {curve: found.sd for curve, found in own.items()}
    for curves in register.groupby("sensor").groups.values():
        # Samples of one name on two curves do not repeat each other.
        named = [runs[c].assign(repeats=c + "\0" + runs[c]["repeats"]) for c in curves]
        every = pd.concat(named)
        shared = repeatability(every["error"], every["repeats"]).sd
        sd_run |= {curve: shared for curve in curves if not own[curve].df}
    return own, sd_run


def _crop_sources(pairs: pd.DataFrame, sd_run: dict) -> dict[str, ErrorSources]:
    """Return what the errors of each crop's curves are made of, where they tell."""
    found = {}
    for crop, of_crop in pairs.groupby("crop"):
        known = [sd_run[curve] for curve in of_crop["curve"].unique()]
        known = [sd for sd in known if isfinite(sd)]
        mean = float(np.sqrt(np.mean(np.square(known)))) if known else nan
        sources = sources_of(of_crop, mean, curves=True)
        if sources:
            found[str(crop)] = sources
    return found


def _check_days(setup: CurveSetup, later: pd.DataFrame) -> CheckRuns | None:
    """Return a curve's check runs day by day, set-up runs of the same samples first."""
    loaded, plots = setup.loaded, setup.plots
    if later.empty or not isfinite(loaded):
        return None
    on_record = plots["harvested_at"], plots["offset_in_force"]
    by_plots = offset_at(later["run_at"], *on_record, loaded)
    early = setup.runs[setup.runs["sample"].isin(later["sample"])]
    offset = np.r_[offsets_in(early, loaded), offsets_in(later, by_plots)]
    columns = ["sample", "known_pct", "sensor_pct", "run_at", "at_setup"]
    runs = [early.assign(at_setup=True)[columns], later.assign(at_setup=False)[columns]]
    found = check_runs(pd.concat(runs, ignore_index=True), offset, loaded)
    return found if len(found.cells) else None


def _review(curve, setup: CurveSetup, checks: CheckRuns | None, scatter) -> CurveReview:
    """Return how one curve was set up and whether it held."""
    chart = line = first_off = None
    if checks is not None:
        level = setup.season.confidence
        chart = check_chart(checks, scatter[0], scatter[1], level)
        # The line is that of the set-up runs without the retained samples.
        rest = setup.runs[~setup.runs["sample"].isin(checks.cells["sample"])]
        reading = rest["sensor_pct"] - offsets_in(rest, setup.loaded) + setup.loaded
        by_sample = rest.assign(reading=reading).groupby("sample")
        means = by_sample[["known_pct", "reading"]].mean().dropna()
        known = means["known_pct"], means["reading"]
        line, first_off = held_to_line(checks, *known, level)
    return CurveReview(
        curve=curve,
        crop=setup.register["crop_key"],
        setup=setup,
        causes=causes_of(setup),
        chart=chart,
        setup_line=line,
        first_off_line=first_off,
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonReview(SeasonCurves):
    """A season explained."""

    season: SeasonAudit
    plans: dict[str, CurvePlan]  # by curve, where there is one
    histories: list[OffsetHistory]  # of every curve
    sensor_histories: list[OffsetHistory]  # of every sensor, if there is an earlier one
    parallel: list[Comparison]  # curves recorded on the same plots, pair by pair
    earlier: list[str]  # seasons used
    unread: list[str]  # why an earlier season's folder was not used
    costs: Costs


def review_season(
    season: SeasonAudit,
    earlier: Iterable[str | Path] = (),
    costs: Costs | None = None,
    wanted_half_width: float | None = None,
) -> SeasonReview:
    """Return why a season's curves performed as they did, and a plan for the next.

    Parameters
    ----------
    season : SeasonAudit
    earlier : sequence of str or Path
        Output folders of earlier seasons, the earliest first.
    costs : Costs, optional
        Of a trial visit, a sample, a dish and a benchtop reading, in one unit; by
        default the season's setting, or hours of work.
    wanted_half_width : float, optional
        Of the bias's interval, for every curve; by default the season's setting, or
        half the allowed bias. [% moisture]

    Returns
    -------
    SeasonReview
        Whatever a missing or empty table leaves open is not known, and says so.
    """
    settings, curves = season.settings, review_curves(season)
    if costs is None:
        costs = Costs(**settings.costs.model_dump()) if settings.costs else HOURS
    wanted = wanted_half_width or settings.wanted_half_width
    plans = {c: _plan(curves, one, costs, wanted) for c, one in curves.curves.items()}
    past, unread = read_earlier(settings.name, earlier)
    histories = []
    for curve, one in curves.curves.items():
        built = one.setup.register["built_on"]
        built = built.strftime("%Y-%m-%d") if pd.notna(built) else ""
        by_season = one.setup.by_season
        found = curve_history(curve, settings.name, by_season, past, built)
        histories.append(found)
    return SeasonReview(
        **vars(curves),
        season=season,
        plans={curve: plan for curve, plan in plans.items() if plan},
        histories=histories,
        sensor_histories=_sensor_histories(curves, settings.name, past),
        parallel=list(compare_all(curves.pairs, settings.confidence)),
        earlier=list(past),
        unread=unread,
        costs=costs,
    )


def _plan(
    curves: SeasonCurves, one: CurveReview, costs: Costs, wanted: float | None
) -> CurvePlan | None:
    """Return what next season's sampling of a curve can reach, None if not known."""
    pairs, audit = curves.pairs, one.setup.audit
    served = pairs[(pairs["crop"] == one.crop) & ~pairs["parallel"]]
    scatter, remark = scatter_of(
        one.crop,
        pairs[pairs["curve"] == one.curve],
        curves.sources.get(one.curve),
        curves.crop_sources.get(one.crop),
        benchtop_sd(served),
    )
    wanted = wanted or (WANTED_SHARE * audit.allowed_bias if audit else nan)
    if scatter is None or not wanted > 0:
        return None
    table = plan_table(scatter, costs, wanted, one.setup.season.confidence)
    return CurvePlan(scatter=scatter, remark=remark, table=table, wanted=wanted)


def _sensor_histories(curves: SeasonCurves, season: str, past) -> list[OffsetHistory]:
    """Return each sensor's change over the seasons; none without earlier ones."""
    registers = {c: one.setup.register for c, one in curves.curves.items()}
    sensor_of = {
        c: str(r["sensor"]) for c, r in registers.items() if pd.notna(r["sensor"])
    }
    beside = [
        c for c, register in registers.items() if pd.notna(register["parallel_of"])
    ]
    found = []
    for sensor in sorted(set(sensor_of.values())) if past else []:
        own = [c for c, of in sensor_of.items() if of == sensor and c not in beside]
        audits = [curves.curves[curve].setup.audit for curve in own]
        now = [season_setting(0.0, audit.bias) for audit in audits if audit]
        found.append(sensor_history(sensor, season, now, past, sensor_of, beside))
    return found


def review_tables(review: SeasonReview) -> dict[str, pd.DataFrame]:
    """Return every table of a season's review, by the name of its CSV file.

    Offsets, errors and half-widths in points of moisture; intervals at the season's
    level; empty where not known. Columns as columns.csv declares them.
    """
    curves = review.curves.values()
    causes = [
        {"code": code, **_of(one), **CAUSES[code]._asdict(), **found._asdict()}
        for one in curves
        for code, found in one.causes.items()
    ]
    bands = [c.bands.assign(first=c.first, second=c.second) for c in review.parallel]
    rows = {
        "setup": causes,
        "setup_offsets": [_offset_row(one) for one in curves],
        "check_runs": [_check_row(one, one.chart) for one in curves if one.chart],
        "parallel": [_parallel_row(one) for one in review.parallel],
        "parallel_bands": pd.concat(bands, ignore_index=True) if bands else [],
        "sources": list(_source_rows(review)),
        "plan": _plans(review),
        "history": list(_history_rows(review)),
    }
    return {n: pd.DataFrame(of, columns=list(columns_of(n))) for n, of in rows.items()}


def estimate_cells(name: str, estimate: Estimate, level: float) -> dict:
    """Return an estimate with its interval and df under four column names."""
    low, high = estimate.interval(level)
    ends = {f"{name}_low": low, f"{name}_high": high}
    return {name: estimate.value, **ends, f"{name}_df": estimate.df}


def _of(one: CurveReview) -> dict:
    """Return the cells that name a curve."""
    return {"crop": one.crop, "curve": one.curve}


def _offset_row(one: CurveReview) -> dict:
    """Return a curve's offset in use, from set-up and season; its repeatability."""
    setup, offset = one.setup, one.setup.offset
    level, best, own = setup.season.confidence, *setup.half_widths
    estimates = {
        "offset_at_setup": setup.at_setup,
        "offset_by_season": setup.by_season,
        "loaded_less_setup": setup.misloaded,
        "season_less_setup": setup.moved,
        "gain_by_repeats": setup.gain_by_repeats,
        "error_in_another": setup.error_elsewhere,
    }
    config, told = setup.register["chamber_config"], setup.plots["chamber_config"]
    low, high = setup.repeats.interval(level)
    row = {
        "n_samples": offset.n_samples if offset else 0,
        "n_runs": offset.n_runs if offset else 0,
        "offset_loaded": setup.loaded,
        "at_best": best,
        "by_its_own_scatter": own,
        "read_before_loading": setup.read_before_loading,
        "sd_run": setup.repeats.sd,
        "sd_run_low": low,
        "sd_run_high": high,
        "sd_run_df": setup.repeats.df,
        "plots_in_another_configuration": int((told.dropna() != config).sum())
        if pd.notna(config)
        else 0,
    }
    for name, estimate in estimates.items():
        row |= estimate_cells(name, estimate, level)
    for name, share in offset.parts.items() if offset else ():
        row[f"share_{name}"] = share
    return _of(one) | row


def _check_row(one: CurveReview, chart: CheckChart) -> dict:
    """Return what the check samples of a curve say."""
    drift = f"drift_{DRIFT_DAYS}_days"
    first_out = {f"first_out_{name.lower()}": name for name in CHARTS}
    return {
        **_of(one),
        "runs_used": chart.runs.n_runs,
        "runs_open": chart.runs.n_open,
        "days": len(chart.runs.days),
        "days_judged": len(chart.occasions),
        "sd_day_to_day": chart.sd,
        "sd_df": chart.df,
        "limit": chart.cells["limit"].max(),
        **{to: chart.first_out.get(name) or pd.NaT for to, name in first_out.items()},
        "limit_from_setup_line": one.setup_line.limit if one.setup_line else nan,
        "first_out_of_setup_line": one.first_off_line or pd.NaT,
        **estimate_cells(drift, chart.drift, one.setup.season.confidence),
        f"{drift}_samples_held": chart.drift_held.value,
        "samples_tested_again": len(chart.runs.own_change),
        "remark": chart.remark or chart.drift.remark,
    }


def _parallel_row(one: Comparison) -> dict:
    """Return how two curves recorded on the same plots compare."""
    plain = ("first", "second", "n", "n_trials", "better", "tighter", "correlation")
    row = {name: getattr(one, name) for name in plain}
    for name in ("rmsep", "sep"):
        row[f"{name}_first"], row[f"{name}_second"] = getattr(one, name)
    for name in ("rmsep_difference", "sep_difference", "pitman_morgan"):
        row |= estimate_cells(name, getattr(one, name), one.level)
    return row


def _source_rows(review: SeasonReview) -> Iterator[dict]:
    """Yield the parts of each crop's error, the curve empty, and of each curve's."""
    found = [(crop, "", of) for crop, of in review.crop_sources.items()]
    found += [(review.curves[c].crop, c, of) for c, of in review.sources.items()]
    for crop, curve, sources in found:
        for name, sd in sources.sds.items():
            yield {
                "crop": crop,
                "curve": curve,
                "source": name,
                "sd": sd,
                "share": sources.shares.get(name, nan),
                "share_of_bias": sources.shares_of_bias.get(name, nan)
                if curve
                else nan,
                "n": sources.n,
                "n_trials": sources.n_trials,
                "remark": sources.remark,
                "effort": where_effort_pays(sources) if curve else "",
            }


def _plans(review: SeasonReview) -> pd.DataFrame | None:
    """Return what plans reach for every curve, and which is the cheapest."""
    # Those no other one beats at its cost, and all of two dishes without benchtop.
    parts = []
    for curve, plan in review.plans.items():
        table = plan.table
        plain = (table["dishes"] == 2) & (table["benchtop_per_trial"] == 0)
        told = table[plain | table.index.isin(efficient(table).index)]
        crop, made = review.curves[curve].crop, plan.remark
        parts.append(
            told.assign(crop=crop, curve=curve, wanted=plan.wanted, remark=made)
        )
    return pd.concat(parts, ignore_index=True) if parts else None


def _history_rows(review: SeasonReview) -> Iterator[dict]:
    """Yield the offsets of curves and sensors over the seasons, if there are some."""
    # What was expected and the shrunken value stand in the row of this season.
    level = review.season.settings.confidence
    kinds = [("curve", history) for history in review.histories]
    kinds += [("sensor", history) for history in review.sensor_histories]
    for kind, history in kinds if review.earlier else []:
        for season, value in zip(history.seasons, history.values, strict=True):
            row = {"kind": kind, "name": history.name, "season": season}
            row |= estimate_cells("value", value, level)
            if season == history.seasons[-1]:
                for name in ("expected", "departure", "shrunken"):
                    row |= estimate_cells(name, getattr(history, name), level)
                row["within"] = WITHIN[history.within(level)]
                row["remark"] = history.remark or history.expected.remark
            yield row


def review_findings(review: SeasonReview) -> list[Finding]:
    """Return all that the review of a season found, curve by curve."""
    level, found = review.season.settings.confidence, []
    for name, part in OPTIONAL.items():
        if review.season.tables[name].frame.empty:
            said = f"there are no {name}, so {part} could not be judged."
            found.append(Finding(code="review-open", table=name, message=said))
    for why in review.unread:
        found.append(Finding(code="history-not-read", message=f"{why}."))
    for one, history in zip(review.curves.values(), review.histories, strict=True):
        found += curve_findings(one)
        if history.within(level) is False:
            said = f"curve {one.curve}: this season calls for a setting of "
            said += f"{show(history.now.value, sign=True)}; earlier seasons predict "
            said += f"{show(history.expected.value, sign=True)} "
            said += f"({show_span(*history.expected.interval(level), sign=True)})."
            found.append(Finding(code="history-departs", curve=one.curve, message=said))
    for pair in review.parallel:
        of = f"curves {pair.first} and {pair.second} on {counted(pair.n, 'sample')}"
        for code, what, better, values in (
            ("parallel-better", "RMSEP as loaded", pair.better, pair.rmsep),
            ("parallel-tighter", "SEP", pair.tighter, pair.sep),
        ):
            if better != NO_DIFFERENCE:
                said = f"{of}: {what} {show(values[0])} and {show(values[1])} points; "
                said += f"{better} is better."
                found.append(Finding(code=code, curve=better, message=said))
    return found


def curve_findings(one: CurveReview) -> list[Finding]:
    """Return what was found of a curve's set-up and of its check samples."""
    return [
        Finding(code=code, curve=one.curve, message=f"curve {one.curve}: {said}.")
        for code, said in [*_of_setup(one), *_of_checks(one)]
    ]


def tells_a_cause(found: Finding) -> bool:
    """Whether a finding is of a set-up's causes, which reports tell in a table."""
    # An offset loaded wrongly is not left to it: that is to be acted on.
    in_table = found.code in CAUSES or found.code == "setup-not-recorded"
    return in_table and found.code != "setup-misloaded"


def _of_setup(one: CurveReview) -> Iterator[tuple[str, str]]:
    """Yield what may have put the offset wrong at set-up, and whether it held."""
    setup, unrecorded = one.setup, []
    # Without an offset it is said once for the whole table, or by the table of causes.
    for code, found in one.causes.items() if setup.offset else ():
        if found.verdict == DOUBTFUL:
            size = f"it can have moved the offset by up to {show(found.size)} points"
            if not isfinite(found.size):
                size = "how far that moved the offset is not known"
            yield code, f"{found.found}; {size}. {CAUSES[code].why}"
        elif found.verdict == UNRECORDED:
            unrecorded.append(f"{CAUSES[code].cause.lower()} ({found.found})")
    if unrecorded:
        yield "setup-not-recorded", f"cannot be judged: {'; '.join(unrecorded)}"
    if setup.read_before_loading:
        yield (
            "setup-unclear",
            f"its set-up runs err by about minus the offset loaded "
            f"({show(setup.loaded, sign=True)}), as if they were read before it "
            "was loaded; the column offset_in_force in setup_runs would settle it",
        )
    elif leaves_out_zero(setup.moved, setup.season.confidence):
        way = "higher" if setup.moved.value > 0 else "lower"
        ends = show_span(*setup.moved.interval(setup.season.confidence), sign=True)
        yield (
            "offset-not-held",
            f"this season's results call for an offset {show(abs(setup.moved.value))} "
            f"points {way} than set-up gave (difference {ends})",
        )


def is_out(one: CurveReview) -> bool:
    """Whether a curve's check samples left their limits or drifted."""
    if one.chart is None:
        return False
    out = any(day is not None for day in one.chart.first_out.values())
    return out or leaves_out_zero(one.chart.drift, one.setup.season.confidence)


def _of_checks(one: CurveReview) -> Iterator[tuple[str, str]]:
    """Yield whether its check samples stayed where they were."""
    chart, level = one.chart, one.setup.season.confidence
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
