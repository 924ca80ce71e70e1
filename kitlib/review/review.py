"""A season's curves reviewed one by one, each knowing what the others tell.

Why the curves performed as they did, and what the next season should do.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import combinations
from math import isfinite, nan
from pathlib import Path

import numpy as np
import pandas as pd

from kitlib.curves.audit import CurveAudit
from kitlib.intake.pairs import curve_register
from kitlib.review.check_samples import (
    CheckChart,
    SetupChart,
    base_of,
    check_chart,
    pooled_scatter,
)
from kitlib.review.history import (
    EarlierSeason,
    OffsetHistory,
    curve_history,
    read_earlier,
    season_setting,
    sensor_history,
)
from kitlib.review.parallel import Comparison, compare_curves
from kitlib.review.plan import (
    HOURS,
    Costs,
    CurvePlan,
    along_moisture,
    benchtop_sd,
    curve_plan,
    error_sd,
    scatter_of,
    sources_of,
)
from kitlib.review.setup import CurveSetup, curve_setup
from kitlib.review.setup_runs import (
    Repeatability,
    checks_of,
    loaded_offset,
    repeated_runs,
    repeats_of,
    setup_chart_of,
)
from kitlib.review.sources import ErrorSources
from kitlib.season.season import SeasonAudit

# Half-width of a bias's interval worth planning for, as a share of the allowed
# bias: an unbiased curve is then shown to be one with room to spare (own choice).
WANTED_SHARE = 0.5


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveCondition:
    """How a curve was set up and whether it held; unknown parts are None or say why.

    Attributes
    ----------
    curve, crop : str
    audit : CurveAudit or None
        None where no sample speaks for it.
    setup : CurveSetup
    chart : CheckChart or None
        Of its check samples against their own first days.
    setup_chart : SetupChart or None
        Of its check samples against the set-up runs.
    """

    curve: str
    crop: str
    audit: CurveAudit | None
    setup: CurveSetup
    chart: CheckChart | None
    setup_chart: SetupChart | None


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveReview(CurveCondition):
    """All that explains one curve; parts that are not known are None or say why.

    Attributes
    ----------
    sources : ErrorSources or None
    plan : CurvePlan
    history : OffsetHistory
    """

    sources: ErrorSources | None
    plan: CurvePlan
    history: OffsetHistory


class SeasonCurves:
    """The season's curves, each with what must be known of the others.

    Attributes
    ----------
    order : list of str
        Curves of the register, in order of crop and name.
    repeats : dict of Repeatability
        By sensor, over all of its curves.
    """

    def __init__(self, season: SeasonAudit, past=(), costs: Costs = HOURS, wanted=None):
        self.season, self.past, self.costs, self.wanted = season, past, costs, wanted
        self._own_sources: dict[str, ErrorSources | None] = {}
        self._conditions: dict[str, CurveCondition] = {}
        self.level = season.settings.confidence
        self.register = curve_register(season.tables["curves"].frame)
        by_crop = self.register.reset_index().sort_values(["crop_key", "curve"])
        self.order = list(by_crop["curve"])
        self.setup = self._by_curve("setup_runs")
        self.check_runs = self._by_curve("check_runs")
        plots = season.pairing.plots
        self.plots = {c: plots[plots["curve"] == c] for c in self.order}
        self.runs = {
            c: repeated_runs(self.setup[c], self.check_runs[c]) for c in self.order
        }
        self.repeats = self._repeats_by_sensor()
        pairs = season.pairing.pairs
        pairs = pairs[pairs["used"]]
        self.pairs = pairs.assign(along=along_moisture(pairs, season.corrections))
        self.checks = {c: self._checks(c) for c in self.order}

    @cached_property
    def charts(self) -> dict[str, CheckChart]:
        """Control charts of the curves with check runs, their scatter pooled."""
        bases = {c: base_of(found) for c, found in self.checks.items() if found}
        sd, df = pooled_scatter(list(bases.values()))
        return {
            c: check_chart(self.checks[c], base, sd, df, self.level)
            for c, base in bases.items()
        }

    @cached_property
    def crop_sources(self) -> dict[str, ErrorSources | None]:
        """What the errors of each crop's curves are made of."""
        crops = self.pairs.loc[~self.pairs["parallel"], "crop"].unique()
        return {str(crop): self._sources_of_crop(crop) for crop in sorted(crops)}

    def _by_curve(self, table: str) -> dict[str, pd.DataFrame]:
        """Return each curve's rows of an optional table."""
        frame = self.season.tables[table].frame
        return {c: frame[frame["curve"] == c] for c in self.order}

    def _repeats_by_sensor(self) -> dict[str, Repeatability]:
        """Return the repeatability of each sensor over all of its curves."""
        found = {}
        for sensor, curves in self.register.groupby("sensor").groups.items():
            runs = [self.runs[c].assign(curve=c) for c in curves]
            runs = pd.concat(runs, ignore_index=True)
            runs["repeats"] = runs["curve"] + "\0" + runs["repeats"]
            found[str(sensor)] = repeats_of(runs)
        return found

    def sd_run(self, curve: str) -> float:
        """Return the SD of a run: the curve's own, else its sensor's."""
        own, sensor = repeats_of(self.runs[curve]), self.register.at[curve, "sensor"]
        shared = self.repeats.get(sensor) if isinstance(sensor, str) else None
        return own.sd if own.df or shared is None else shared.sd

    def _sources_of_crop(self, crop: str) -> ErrorSources | None:
        """Return what the errors of a crop's curves are made of."""
        pairs = self.pairs[(self.pairs["crop"] == crop) & ~self.pairs["parallel"]]
        sds = [self.sd_run(c) for c in pairs["curve"].unique()]
        known = [sd for sd in sds if isfinite(sd)]
        sd_run = float(np.sqrt(np.mean(np.square(known)))) if known else nan
        return sources_of(pairs, sd_run, curves=True)

    def _sources(self, curve: str) -> ErrorSources | None:
        """Return what the errors of a curve are made of."""
        if curve not in self._own_sources:
            pairs = self.pairs[self.pairs["curve"] == curve]
            self._own_sources[curve] = sources_of(pairs, self.sd_run(curve))
        return self._own_sources[curve]

    def _checks(self, curve: str):
        """Return a curve's check runs day by day."""
        loaded = loaded_offset(self.register.loc[curve])
        return checks_of(
            self.setup[curve], self.check_runs[curve], self.plots[curve], loaded
        )

    def condition(self, curve: str) -> CurveCondition:
        """Return how one curve was set up and whether it held, always the same one."""
        if curve not in self._conditions:
            self._conditions[curve] = self._condition(curve)
        return self._conditions[curve]

    def _condition(self, curve: str) -> CurveCondition:
        """Return how one curve was set up and whether it held."""
        register, audit = self.register.loc[curve], self.season.audits.get(curve)
        crop, setup = register["crop_key"], self.setup[curve]
        sources = self._sources(curve) or self.crop_sources.get(crop)
        found = curve_setup(
            register,
            setup,
            self.plots[curve],
            audit,
            repeats_of(self.runs[curve]),
            error_sd(sources),
            self.sd_run(curve),
            self.season.settings,
        )
        return CurveCondition(
            curve=curve,
            crop=crop,
            audit=audit,
            setup=found,
            chart=self.charts.get(curve),
            setup_chart=setup_chart_of(
                self.checks[curve], setup, found.settings.loaded, self.level
            ),
        )

    def review(self, curve: str) -> CurveReview:
        """Return all that explains one curve."""
        found = self.condition(curve)
        crop, audit, own = found.crop, found.audit, self._sources(curve)
        pairs = self.pairs[self.pairs["curve"] == curve]
        shared = self.crop_sources.get(crop)
        scatter = scatter_of(crop, pairs, own, shared, self._benchtop_sd(crop))
        wanted = self.wanted or (WANTED_SHARE * audit.allowed_bias if audit else nan)
        return CurveReview(
            **vars(found),
            sources=own,
            plan=curve_plan(scatter, self.costs, wanted, self.level),
            history=curve_history(
                curve,
                self.season.settings.name,
                found.setup.settings.by_season,
                self.past,
                _day(self.register.loc[curve]),
            ),
        )

    def _benchtop_sd(self, crop: str) -> float:
        """Return the SD of a benchtop mean's own error on a crop."""
        served = (self.pairs["crop"] == crop) & ~self.pairs["parallel"]
        return benchtop_sd(self.pairs[served])

    def sensor_histories(self) -> dict[str, OffsetHistory]:
        """Return what earlier seasons say of each sensor's change."""
        sensor_of = self.register["sensor"].dropna().to_dict()
        beside = self.register.index[self.register["parallel_of"].notna()]
        found = {}
        for sensor in sorted(set(sensor_of.values())):
            own = [c for c in self.order if sensor_of.get(c) == sensor]
            audits = [self.season.audits.get(c) for c in own if c not in beside]
            now = [season_setting(0.0, audit.bias) for audit in audits if audit]
            found[sensor] = sensor_history(
                sensor, self.season.settings.name, now, self.past, sensor_of, beside
            )
        return found


def _day(register: pd.Series) -> str:
    """Return the day a curve was built, empty if not known."""
    built = register["built_on"]
    return built.strftime("%Y-%m-%d") if pd.notna(built) else ""


@dataclass(frozen=True, kw_only=True, eq=False)
class SeasonReview:
    """A season explained.

    Attributes
    ----------
    season : SeasonAudit
    curves : dict of CurveReview
        Every curve of the register, in order of crop and name.
    parallel : tuple of Comparison
        Curves recorded on the same plots, pair by pair.
    crop_sources : dict of ErrorSources
        By crop, over the curves that served plots.
    repeats_by_sensor : dict of Repeatability
    sensor_histories : dict of OffsetHistory
        By sensor; none without earlier seasons.
    earlier : tuple of EarlierSeason
    unread : tuple of str
        Why an earlier season's folder was not used.
    costs : Costs
    """

    season: SeasonAudit
    curves: dict[str, CurveReview]
    parallel: tuple[Comparison, ...]
    crop_sources: dict[str, ErrorSources]
    repeats_by_sensor: dict[str, Repeatability]
    sensor_histories: dict[str, OffsetHistory]
    earlier: tuple[EarlierSeason, ...]
    unread: tuple[str, ...]
    costs: Costs


def review_season(
    season: SeasonAudit,
    earlier: Sequence[str | Path] = (),
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
    settings = season.settings
    if costs is None:
        costs = Costs(**settings.costs.model_dump()) if settings.costs else HOURS
    wanted_half_width = wanted_half_width or settings.wanted_half_width
    past, unread = _earlier(settings.name, earlier)
    curves = SeasonCurves(season, past, costs, wanted_half_width)
    return SeasonReview(
        season=season,
        curves={curve: curves.review(curve) for curve in curves.order},
        parallel=tuple(_parallel(season)),
        crop_sources={c: s for c, s in curves.crop_sources.items() if s},
        repeats_by_sensor=curves.repeats,
        sensor_histories=curves.sensor_histories() if past else {},
        earlier=tuple(past),
        unread=tuple(unread),
        costs=costs,
    )


def _earlier(name: str, folders) -> tuple[list[EarlierSeason], list[str]]:
    """Return the earlier seasons that can be read, and why others are not used."""
    past, unread = [], []
    for folder in folders:
        found, why = read_earlier(folder)
        if found is not None and found.name == name:
            found, why = None, f"{found.name} is this very season"
        if found is None:
            unread.append(why)
        else:
            past.append(found)
    return past, unread


def _parallel(season: SeasonAudit):
    """Yield how each two curves recorded on the same plots compare."""
    pairs = season.pairing.pairs
    pairs = pairs[pairs["used"]]
    by_curve = {
        c: p.set_index(["trial", "plot", "sample"]) for c, p in pairs.groupby("curve")
    }
    beside = set(pairs.loc[pairs["parallel"], "curve"])
    for first, second in combinations(sorted(by_curve), 2):
        if not beside & {first, second}:
            continue  # two curves' own plots have no sample in common
        one, other = by_curve[first], by_curve[second]
        shared = one.index.intersection(other.index)
        if len(shared) > 1:
            one, other = one.loc[shared], other.loc[shared]
            yield compare_curves(
                first,
                second,
                one["error"],
                other["error"],
                one["reference_pct"],
                shared.get_level_values("trial"),
                season.settings.confidence,
            )
