"""A season's curves reviewed: why they performed as they did, and what to do next."""

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import isfinite, nan
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit
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
    EarlierSeason,
    OffsetHistory,
    curve_history,
    read_all_earlier,
    season_setting,
    sensor_history,
)
from kitlib.review.parallel import NO_DIFFERENCE, Comparison, compare_all
from kitlib.review.plan import (
    HOURS,
    SOURCES,
    Costs,
    CurvePlan,
    ErrorSources,
    along_moisture,
    benchtop_sd,
    plan_table,
    scatter_of,
    sources_of,
    where_effort_pays,
    worth_telling,
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


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveReview:
    """How a curve was set up and whether it held; unknown parts are None or say why.

    Attributes
    ----------
    curve, crop : str
    setup : CurveSetup
    causes : dict of Found
        What could have put its offset wrong, the largest first.
    chart : CheckChart or None
        Of its check samples against their own first days.
    setup_line : SetupLine or None
        The set-up runs' line, and the first day check samples left it.
    first_off_line : Timestamp or None
    """

    curve: str
    crop: str
    setup: CurveSetup
    causes: dict[str, Found]
    chart: CheckChart | None
    setup_line: SetupLine | None
    first_off_line: pd.Timestamp | None

    @property
    def audit(self) -> CurveAudit | None:
        """Its audit; None where the season has no sample of it."""
        return self.setup.audit


class SeasonCurves:
    """The season's curves, each with what must be known of the others.

    Attributes
    ----------
    order : list of str
        Curves of the register, in order of crop and name.
    repeats : dict of Repeatability
        By sensor, over all of its curves.
    """

    def __init__(self, season: SeasonAudit) -> None:
        self.season, self.level = season, season.settings.confidence
        self.register = curve_register(season.tables["curves"].frame)
        by_crop = self.register.reset_index().sort_values(["crop_key", "curve"])
        self.order = list(by_crop["curve"])
        self.setup_runs = self._by_curve(season.tables["setup_runs"].frame)
        self.check_runs = self._by_curve(season.tables["check_runs"].frame)
        self.plots = self._by_curve(season.pairing.plots)
        self.runs = {
            c: repeated_runs(self.setup_runs[c], self.check_runs[c]) for c in self.order
        }
        self.repeats = self._repeats_by_sensor()
        used = season.pairing.pairs.query("used")
        self.pairs = used.assign(along=along_moisture(used, season.corrections))
        self._reviews: dict[str, CurveReview] = {}
        self._sources: dict[str, ErrorSources | None] = {}

    def _by_curve(self, frame: pd.DataFrame) -> dict[str, pd.DataFrame]:
        """Return each curve's rows of a table."""
        return {c: frame[frame["curve"] == c] for c in self.order}

    def _repeats_by_sensor(self) -> dict[str, Repeatability]:
        """Return the repeatability of each sensor over all of its curves."""
        found = {}
        for sensor, curves in self.register.groupby("sensor").groups.items():
            runs = pd.concat([self.runs[c].assign(curve=c) for c in curves])
            label = runs["curve"] + "\0" + runs["repeats"]
            found[str(sensor)] = repeatability(runs["error"], label)
        return found

    def _own_repeats(self, curve: str) -> Repeatability:
        """Return the repeatability of one curve's runs."""
        return repeatability(self.runs[curve]["error"], self.runs[curve]["repeats"])

    def sd_run(self, curve: str) -> float:
        """Return the SD of a run: the curve's own, else its sensor's."""
        own, sensor = self._own_repeats(curve), self.register.at[curve, "sensor"]
        shared = self.repeats.get(sensor) if isinstance(sensor, str) else None
        return own.sd if own.df or shared is None else shared.sd

    @cached_property
    def crop_sources(self) -> dict[str, ErrorSources]:
        """What the errors of each crop's curves are made of, where they tell."""
        found = {}
        for crop, pairs in self.pairs[~self.pairs["parallel"]].groupby("crop"):
            known = [self.sd_run(c) for c in pairs["curve"].unique()]
            known = [sd for sd in known if isfinite(sd)]
            sd_run = float(np.sqrt(np.mean(np.square(known)))) if known else nan
            found[str(crop)] = sources_of(pairs, sd_run, curves=True)
        return {crop: sources for crop, sources in found.items() if sources}

    def sources(self, curve: str) -> ErrorSources | None:
        """Return what the errors of a curve are made of."""
        if curve not in self._sources:
            pairs = self.pairs[self.pairs["curve"] == curve]
            self._sources[curve] = sources_of(pairs, self.sd_run(curve))
        return self._sources[curve]

    @cached_property
    def checks(self) -> dict[str, CheckRuns]:
        """Check runs of the curves with some, day by day."""
        found = {c: self._checks(c) for c in self.order}
        return {c: checks for c, checks in found.items() if checks is not None}

    def _checks(self, curve: str) -> CheckRuns | None:
        """Return a curve's check runs, set-up runs of the same samples first."""
        checks, setup = self.check_runs[curve], self.setup_runs[curve]
        loaded = self.setup(curve).loaded
        if checks.empty or not isfinite(loaded):
            return None
        plots = self.plots[curve]
        by_plots = offset_at(
            checks["run_at"], plots["harvested_at"], plots["offset_in_force"], loaded
        )
        early = setup[setup["sample"].isin(checks["sample"])]
        columns = ["sample", "known_pct", "sensor_pct", "run_at"]
        runs = pd.concat(
            [
                early[columns].assign(at_setup=True),
                checks[columns].assign(at_setup=False),
            ],
            ignore_index=True,
        )
        offset = np.r_[offsets_in(early, loaded), offsets_in(checks, by_plots)]
        found = check_runs(runs, offset, loaded)
        return found if len(found.cells) else None

    def _line(self, curve: str):
        """Return the set-up runs' line without the retained samples themselves."""
        checks = self.checks.get(curve)
        if checks is None:
            return None, None
        loaded, setup = self.setup(curve).loaded, self.setup_runs[curve]
        rest = setup[~setup["sample"].isin(checks.cells["sample"])]
        reading = rest["sensor_pct"] - offsets_in(rest, loaded) + loaded
        by_sample = rest.assign(reading=reading).groupby("sample")
        means = by_sample[["known_pct", "reading"]].mean().dropna()
        return held_to_line(checks, means["known_pct"], means["reading"], self.level)

    def setup(self, curve: str) -> CurveSetup:
        """Return how one curve was set up."""
        register = self.register.loc[[curve]].iloc[0]
        crop = str(register["crop_key"])
        sources = self.sources(curve) or self.crop_sources.get(crop)
        return CurveSetup(
            register=register,
            runs=self.setup_runs[curve],
            plots=self.plots[curve],
            audit=self.season.audits.get(curve),
            repeats=self._own_repeats(curve),
            sd_error=sources.sd_error if sources else nan,
            sd_run=self.sd_run(curve),
            season=self.season.settings,
        )

    def review(self, curve: str) -> CurveReview:
        """Return how one curve was set up and whether it held, always the same one."""
        if curve not in self._reviews:
            setup, checks = self.setup(curve), self.checks.get(curve)
            line, first_off = self._line(curve)
            scatter = pooled_scatter(self.checks.values())
            self._reviews[curve] = CurveReview(
                curve=curve,
                crop=setup.register["crop_key"],
                setup=setup,
                causes=causes_of(setup),
                chart=check_chart(checks, *scatter, self.level) if checks else None,
                setup_line=line,
                first_off_line=first_off,
            )
        return self._reviews[curve]

    def plan(self, curve: str, costs: Costs, wanted: float | None) -> CurvePlan | None:
        """Return what next season's sampling of a curve can reach, and its cost.

        None where how much trials and samples differ is not known.
        """
        crop, audit = self.review(curve).crop, self.review(curve).audit
        served = self.pairs[(self.pairs["crop"] == crop) & ~self.pairs["parallel"]]
        scatter, remark = scatter_of(
            crop,
            self.pairs[self.pairs["curve"] == curve],
            self.sources(curve),
            self.crop_sources.get(crop),
            benchtop_sd(served),
        )
        wanted = wanted or (WANTED_SHARE * audit.allowed_bias if audit else nan)
        if scatter is None or not wanted > 0:
            return None
        table = plan_table(scatter, costs, wanted, self.level)
        return CurvePlan(scatter=scatter, remark=remark, table=table, wanted=wanted)

    def history(self, curve: str, past: Sequence[EarlierSeason]) -> OffsetHistory:
        """Return a curve's offset over the seasons."""
        setup = self.review(curve).setup
        built = setup.register["built_on"]
        built = built.strftime("%Y-%m-%d") if pd.notna(built) else ""
        name = self.season.settings.name
        return curve_history(curve, name, setup.by_season, past, built)

    def sensor_histories(self, past: Sequence[EarlierSeason]) -> list[OffsetHistory]:
        """Return each sensor's change over the seasons; none without earlier ones."""
        known = self.register["sensor"].dropna()
        sensor_of = {str(curve): str(sensor) for curve, sensor in known.items()}
        beside = self.register.index[self.register["parallel_of"].notna()]
        found = []
        for sensor in sorted(set(sensor_of.values())) if past else []:
            own = [c for c in self.order if sensor_of.get(c) == sensor]
            audits = [self.season.audits.get(c) for c in own if c not in beside]
            now = [season_setting(0.0, audit.bias) for audit in audits if audit]
            name = self.season.settings.name
            found.append(sensor_history(sensor, name, now, past, sensor_of, beside))
        return found


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonReview:
    """A season explained.

    Attributes
    ----------
    season : SeasonAudit
    curves : dict of CurveReview
        Every curve of the register, in order of crop and name.
    sources : dict of ErrorSources
        By curve, where its errors tell what they are made of.
    plans : dict of CurvePlan
        By curve, where there is one.
    histories, sensor_histories : list of OffsetHistory
        Of every curve, and of every sensor where there are earlier seasons.
    parallel : list of Comparison
        Curves recorded on the same plots, pair by pair.
    crop_sources : dict of ErrorSources
        By crop, over the curves that served plots.
    repeats_by_sensor : dict of Repeatability
    earlier : list of EarlierSeason
    unread : list of str
        Why an earlier season's folder was not used.
    costs : Costs
    """

    season: SeasonAudit
    curves: dict[str, CurveReview]
    sources: dict[str, ErrorSources]
    plans: dict[str, CurvePlan]
    histories: list[OffsetHistory]
    sensor_histories: list[OffsetHistory]
    parallel: list[Comparison]
    crop_sources: dict[str, ErrorSources]
    repeats_by_sensor: dict[str, Repeatability]
    earlier: list[EarlierSeason]
    unread: list[str]
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
    past, unread = read_all_earlier(settings.name, earlier)
    sources = {c: curves.sources(c) for c in curves.order}
    plans = {c: curves.plan(c, costs, wanted) for c in curves.order}
    return SeasonReview(
        season=season,
        curves={c: curves.review(c) for c in curves.order},
        sources={c: found for c, found in sources.items() if found},
        plans={c: plan for c, plan in plans.items() if plan},
        histories=[curves.history(c, past) for c in curves.order],
        sensor_histories=curves.sensor_histories(past),
        parallel=list(compare_all(curves.pairs, curves.level)),
        crop_sources=curves.crop_sources,
        repeats_by_sensor=curves.repeats,
        earlier=past,
        unread=unread,
        costs=costs,
    )


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
