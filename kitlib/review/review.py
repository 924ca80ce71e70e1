"""A season's curves reviewed: why they performed as they did, and what to do next.

Their tables and findings are made here; `sections` puts them into words.
"""

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
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
    Repeatability,
    causes_of,
    in_words,
    offsets_in,
    repeatability,
    repeated_runs,
)
from kitlib.season.season import SeasonAudit
from kitlib.statistics.estimates import Estimate
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


class SeasonCurves:
    """The season's curves, each with what must be known of the others."""

    def __init__(self, season: SeasonAudit) -> None:
        self.season, self.level = season, season.settings.confidence
        tables = season.tables
        self.register = curve_register(tables["curves"].frame)
        by_crop = self.register.reset_index().sort_values(["crop_key", "curve"])
        self.order = list(by_crop["curve"])
        self.setup_runs, self.check_runs, self.plots = (
            {curve: frame[frame["curve"] == curve] for curve in self.order}
            for frame in (
                tables["setup_runs"].frame,
                tables["check_runs"].frame,
                season.pairing.plots,
            )
        )
        used = season.pairing.pairs.query("used")
        self.pairs = used.assign(along=along_moisture(used, season.corrections))
        self.own_repeats, self.repeats = self._repeats()
        self._reviews: dict[str, CurveReview] = {}
        self._sources: dict[str, ErrorSources | None] = {}

    def _repeats(self) -> tuple[dict[str, Repeatability], dict[str, Repeatability]]:
        """Return the repeatability of each curve, and of each sensor over them."""
        runs, by_sensor = {}, {}
        for curve in self.order:
            own = repeated_runs(self.setup_runs[curve], self.check_runs[curve])
            # Samples of one name on two curves do not repeat each other.
            runs[curve] = own.assign(repeats=curve + "\0" + own["repeats"])
        for sensor, curves in self.register.groupby("sensor").groups.items():
            by_sensor[str(sensor)] = pd.concat([runs[curve] for curve in curves])
        own, shared = (
            {name: repeatability(one["error"], one["repeats"]) for name, one in of}
            for of in (runs.items(), by_sensor.items())
        )
        return own, shared

    def sd_run(self, curve: str) -> float:
        """Return the SD of a run: the curve's own, else its sensor's."""
        own, sensor = self.own_repeats[curve], self.register.at[curve, "sensor"]
        shared = self.repeats.get(sensor) if isinstance(sensor, str) else None
        return own.sd if own.df or shared is None else shared.sd

    @cached_property
    def crop_sources(self) -> dict[str, ErrorSources]:
        """What the errors of each crop's curves are made of, where they tell."""
        found = {}
        for crop, pairs in self.pairs[~self.pairs["parallel"]].groupby("crop"):
            known = [self.sd_run(curve) for curve in pairs["curve"].unique()]
            known = [sd for sd in known if isfinite(sd)]
            sd_run = float(np.sqrt(np.mean(np.square(known)))) if known else nan
            sources = sources_of(pairs, sd_run, curves=True)
            if sources:
                found[str(crop)] = sources
        return found

    def sources(self, curve: str) -> ErrorSources | None:
        """Return what the errors of a curve are made of."""
        if curve not in self._sources:
            pairs = self.pairs[self.pairs["curve"] == curve]
            self._sources[curve] = sources_of(pairs, self.sd_run(curve))
        return self._sources[curve]

    @cached_property
    def checks(self) -> dict[str, CheckRuns]:
        """Check runs of the curves with some, set-up runs of the same samples first."""
        found, columns = {}, ["sample", "known_pct", "sensor_pct", "run_at", "at_setup"]
        for curve in self.order:
            later, loaded = self.check_runs[curve], self.setup(curve).loaded
            if later.empty or not isfinite(loaded):
                continue
            plots, setup = self.plots[curve], self.setup_runs[curve]
            on_record = plots["harvested_at"], plots["offset_in_force"]
            by_plots = offset_at(later["run_at"], *on_record, loaded)
            early = setup[setup["sample"].isin(later["sample"])]
            runs = [early.assign(at_setup=True), later.assign(at_setup=False)]
            offset = np.r_[offsets_in(early, loaded), offsets_in(later, by_plots)]
            runs = pd.concat([one[columns] for one in runs], ignore_index=True)
            checks = check_runs(runs, offset, loaded)
            if len(checks.cells):
                found[curve] = checks
        return found

    def setup(self, curve: str) -> CurveSetup:
        """Return how one curve was set up."""
        register = self.register.loc[[curve]].iloc[0]
        sources = self.sources(curve) or self.crop_sources.get(register["crop_key"])
        return CurveSetup(
            register=register,
            runs=self.setup_runs[curve],
            plots=self.plots[curve],
            audit=self.season.audits.get(curve),
            repeats=self.own_repeats[curve],
            sd_error=sources.sd_error if sources else nan,
            sd_run=self.sd_run(curve),
            season=self.season.settings,
        )

    def review(self, curve: str) -> CurveReview:
        """Return how one curve was set up and whether it held, always the same one."""
        if curve in self._reviews:
            return self._reviews[curve]
        setup, checks = self.setup(curve), self.checks.get(curve)
        chart = line = first_off = None
        if checks is not None:
            scatter = pooled_scatter(self.checks.values())
            chart = check_chart(checks, *scatter, self.level)
            # The line is that of the set-up runs without the retained samples.
            rest = setup.runs[~setup.runs["sample"].isin(checks.cells["sample"])]
            reading = rest["sensor_pct"] - offsets_in(rest, setup.loaded) + setup.loaded
            by_sample = rest.assign(reading=reading).groupby("sample")
            means = by_sample[["known_pct", "reading"]].mean().dropna()
            known = means["known_pct"], means["reading"]
            line, first_off = held_to_line(checks, *known, self.level)
        self._reviews[curve] = CurveReview(
            curve=curve,
            crop=setup.register["crop_key"],
            setup=setup,
            causes=causes_of(setup),
            chart=chart,
            setup_line=line,
            first_off_line=first_off,
        )
        return self._reviews[curve]

    def plan(self, curve: str, costs: Costs, wanted: float | None) -> CurvePlan | None:
        """Return what next season's sampling of a curve can reach, and its cost.

        None where how much trials and samples differ is not known.
        """
        one = self.review(curve)
        served = self.pairs[(self.pairs["crop"] == one.crop) & ~self.pairs["parallel"]]
        scatter, remark = scatter_of(
            one.crop,
            self.pairs[self.pairs["curve"] == curve],
            self.sources(curve),
            self.crop_sources.get(one.crop),
            benchtop_sd(served),
        )
        audit = one.setup.audit
        wanted = wanted or (WANTED_SHARE * audit.allowed_bias if audit else nan)
        if scatter is None or not wanted > 0:
            return None
        table = plan_table(scatter, costs, wanted, self.level)
        return CurvePlan(scatter=scatter, remark=remark, table=table, wanted=wanted)

    def history(self, curve: str, past: Mapping[str, pd.DataFrame]) -> OffsetHistory:
        """Return a curve's offset over the seasons."""
        setup = self.review(curve).setup
        built = setup.register["built_on"]
        built = built.strftime("%Y-%m-%d") if pd.notna(built) else ""
        name = self.season.settings.name
        return curve_history(curve, name, setup.by_season, past, built)

    def sensor_histories(self, past: Mapping[str, pd.DataFrame]) -> list[OffsetHistory]:
        """Return each sensor's change over the seasons; none without earlier ones."""
        known = self.register["sensor"].dropna()
        sensor_of = {str(curve): str(sensor) for curve, sensor in known.items()}
        beside = self.register.index[self.register["parallel_of"].notna()]
        found, name = [], self.season.settings.name
        for sensor in sorted(set(sensor_of.values())) if past else []:
            own = [c for c in self.order if sensor_of.get(c) == sensor]
            audits = [self.season.audits.get(c) for c in own if c not in beside]
            now = [season_setting(0.0, audit.bias) for audit in audits if audit]
            found.append(sensor_history(sensor, name, now, past, sensor_of, beside))
        return found


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonReview:
    """A season explained."""

    season: SeasonAudit
    curves: dict[str, CurveReview]  # all of the register, in order of crop and name
    sources: dict[str, ErrorSources]  # by curve, where its errors tell
    crop_sources: dict[str, ErrorSources]  # by crop, over the curves that served plots
    plans: dict[str, CurvePlan]  # by curve, where there is one
    histories: list[OffsetHistory]  # of every curve
    sensor_histories: list[OffsetHistory]  # of every sensor, if there is an earlier one
    parallel: list[Comparison]  # curves recorded on the same plots, pair by pair
    repeats_by_sensor: dict[str, Repeatability]
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
    settings, curves = season.settings, SeasonCurves(season)
    if costs is None:
        costs = Costs(**settings.costs.model_dump()) if settings.costs else HOURS
    wanted = wanted_half_width or settings.wanted_half_width
    past, unread = read_earlier(settings.name, earlier)
    sources = {c: curves.sources(c) for c in curves.order}
    plans = {c: curves.plan(c, costs, wanted) for c in curves.order}
    return SeasonReview(
        season=season,
        curves={c: curves.review(c) for c in curves.order},
        sources={c: found for c, found in sources.items() if found},
        crop_sources=curves.crop_sources,
        plans={c: plan for c, plan in plans.items() if plan},
        histories=[curves.history(c, past) for c in curves.order],
        sensor_histories=curves.sensor_histories(past),
        parallel=list(compare_all(curves.pairs, curves.level)),
        repeats_by_sensor=curves.repeats,
        earlier=list(past),
        unread=unread,
        costs=costs,
    )


# ---- tables


def review_tables(review: SeasonReview) -> dict[str, pd.DataFrame]:
    """Return every table of a season's review, by the name of its CSV file.

    Offsets, errors and half-widths in points of moisture; intervals at the season's
    level; empty where not known. Columns as columns.csv declares them.
    """
    curves = review.curves.values()
    bands = [c.bands.assign(first=c.first, second=c.second) for c in review.parallel]
    rows = {
        "setup": [row for one in curves for row in _cause_rows(one)],
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


def _cause_rows(one: CurveReview) -> list[dict]:
    """Return what could have put a curve's offset wrong, the largest first."""
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
        for code, found in one.causes.items()
    ]


def _offset_row(one: CurveReview) -> dict:
    """Return a curve's offset in use, from set-up and season; its repeatability."""
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


def _check_row(one: CurveReview, chart: CheckChart) -> dict:
    """Return what the check samples of a curve say."""
    drift = f"drift_{DRIFT_DAYS}_days"
    first_out = {f"first_out_{name.lower()}": name for name in CHARTS}
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
        **{to: chart.first_out.get(name) or pd.NaT for to, name in first_out.items()},
        "limit_from_setup_line": one.setup_line.limit if one.setup_line else nan,
        "first_out_of_setup_line": one.first_off_line or pd.NaT,
        **estimate_cells(drift, chart.drift, one.setup.level),
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
    """Return what plans reach for every curve, and which is the cheapest.

    Those no other one beats at its cost, and all of two dishes without benchtop.
    """
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
    """Yield each curve's and sensor's offsets over the seasons; none without earlier.

    What was expected and the shrunken value stand in the row of this season.
    """
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


# ---- findings


def review_findings(review: SeasonReview) -> list[Finding]:
    """Return all that the review of a season found, curve by curve.

    Codes are those of `findings.KINDS`.
    """
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
    """Whether a finding is of a set-up's causes, which reports tell in a table.

    An offset loaded wrongly is not left to it: that is to be acted on.
    """
    in_table = found.code in CAUSES or found.code == "setup-not-recorded"
    return in_table and found.code != "setup-misloaded"


def _of_setup(one: CurveReview) -> Iterator[tuple[str, str]]:
    """Yield what may have put the offset wrong at set-up, and whether it held."""
    setup, unrecorded = one.setup, []
    # Without an offset it is said once for the whole table, or by the table of causes.
    for code, found in one.causes.items() if setup.offset else ():
        if found.verdict == DOUBTFUL:
            yield code, in_words(code, found)
        elif found.verdict == UNRECORDED:
            unrecorded.append(f"{CAUSES[code].title.lower()} ({found.said})")
    if unrecorded:
        yield "setup-not-recorded", f"cannot be judged: {'; '.join(unrecorded)}"
    if setup.read_before_loading:
        yield (
            "setup-unclear",
            f"its set-up runs err by about minus the offset loaded "
            f"({show(setup.loaded, sign=True)}), as if read before it was; the column "
            "offset_in_force in setup_runs would tell",
        )
    elif leaves_out_zero(setup.moved, setup.level):
        way = "higher" if setup.moved.value > 0 else "lower"
        ends = show_span(*setup.moved.interval(setup.level), sign=True)
        yield (
            "offset-not-held",
            f"this season's results call for an offset {show(abs(setup.moved.value))} "
            f"points {way} than set-up gave (difference {ends})",
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


def _of_checks(one: CurveReview) -> Iterator[tuple[str, str]]:
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
