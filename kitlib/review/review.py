"""A season's curves reviewed: why they performed as they did, and what to do next."""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from math import isfinite, nan
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit
from kitlib.intake.pairs import curve_register
from kitlib.review.check_samples import (
    CheckChart,
    CheckRuns,
    check_chart,
    check_runs,
    held_to_line,
    offset_at,
    pooled_scatter,
)
from kitlib.review.control_charts import SetupLine
from kitlib.review.history import (
    EarlierSeason,
    OffsetHistory,
    curve_history,
    read_all_earlier,
    season_setting,
    sensor_history,
)
from kitlib.review.parallel import Comparison, compare_all
from kitlib.review.plan import (
    HOURS,
    Costs,
    CurvePlan,
    benchtop_sd,
    plan_table,
    scatter_of,
)
from kitlib.review.setup import (
    CurveSetup,
    Repeatability,
    offsets_in,
    repeatability,
    repeated_runs,
)
from kitlib.review.setup_causes import Found, causes_of
from kitlib.review.sources import ErrorSources, along_moisture, sources_of
from kitlib.season.season import SeasonAudit

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
