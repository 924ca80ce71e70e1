"""How a curve was set up: what its runs give for the offset, and what may be wrong.

Every cause of a wrong offset is sized in points of moisture from the season's own
numbers where they tell; where nothing was recorded it says so.
"""

import csv
from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from importlib.resources import files
from math import isfinite, nan, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import chi2, norm
from scipy.stats import t as student_t

from kitlib.curves.audit import CurveAudit
from kitlib.intake.reference import pooled_sd
from kitlib.intake.settings import Season
from kitlib.review.history import difference, leaves_out_zero, season_setting
from kitlib.statistics.estimates import (
    NO_INTERVAL,
    Estimate,
    Interval,
    not_known,
    tried,
)
from kitlib.statistics.lines import gain
from kitlib.words.terms import counted, listed, show, show_span

# Optional column of set-up and check runs: the offset each reading includes.
IN_FORCE = "offset_in_force"
IN_ANOTHER = "harvested in another"  # how the effect of a configuration is named
OVER_SAMPLES, OVER_RUNS = "t over samples", "t over runs"
ROUNDING = 1e-9  # an error below this is that of decimal numbers in binary
ONE_SAMPLE = "one sample only: how samples differ is not in this interval"


class Repeatability(NamedTuple):
    """SD of a reading of the same grain by the same sensor. [% moisture].

    Within samples, pooled; nan where no sample was run twice. `df` is the number of
    runs beyond the first of each sample.
    """

    sd: float
    df: int

    def interval(self, level: float = 0.95) -> Interval:
        """Return the chi-squared interval of the SD, for normal errors."""
        if not self.df:
            return NO_INTERVAL
        tails = chi2.ppf([(1 + level) / 2, (1 - level) / 2], self.df)
        low, high = self.sd * np.sqrt(self.df / tails)
        return Interval(float(low), float(high))


def repeatability(readings, sample) -> Repeatability:
    """Return the SD of repeated runs about the mean of their sample.

    Estimand: the SD of a single reading of grain that stays the same, the sensor
    filled anew each time; neither the error a sample keeps from run to run nor that of
    the oven is in it. Errors do as well as readings: what a sample's runs have in
    common drops out. ISO 5725-2, 7.4: the pooled within-cell SD (from memory).
    """
    return Repeatability(*pooled_sd(readings, sample))


def offsets_in(runs: pd.DataFrame, default) -> np.ndarray:
    """Return the offset in each reading: as recorded, or `default`. [% moisture]."""
    default = np.broadcast_to(np.asarray(default, float), len(runs))
    if IN_FORCE not in runs:
        return default.copy()
    told = pd.to_numeric(runs[IN_FORCE], errors="coerce").to_numpy(float)
    return np.where(np.isfinite(told), told, default)


def repeated_runs(setup: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Return the error of each run of a curve, and a label that repeats share."""
    days = checks["run_at"].dt.strftime(" on %Y-%m-%d")
    runs = pd.concat(
        [
            setup.assign(repeats=setup["sample"].astype(object)),
            checks.assign(repeats=(checks["sample"] + days).astype(object)),
        ]
    ).dropna(subset=["known_pct", "sensor_pct", "repeats"])
    error = runs["sensor_pct"] - runs["known_pct"] - offsets_in(runs, 0.0)
    return pd.DataFrame({"error": error, "repeats": runs["repeats"]})


@dataclass(frozen=True, kw_only=True)
class SetupOffset:
    """What the runs of known samples say of a curve's offset."""

    # Offset the curve should have been loaded with, from a reading without any:
    # known - reading, every sample counting alike. [% moisture]
    setting: Estimate
    # Share of its variance from runs, reference and samples themselves; a source that
    # is not known (nan) is in what is left to the samples.
    parts: dict[str, float]
    n_samples: int
    n_runs: int


def setup_offset(
    known, readings, sample, offset_in_readings=0.0, sd_reference: float = nan
) -> SetupOffset:
    """Return the offset that the runs of known samples give.

    Estimand: minus the mean error of the curve without offset, over samples like
    those it was set up with. Samples are taken as a random draw, and independent;
    `sd_reference` is the SD of a known value about its sample's true moisture.
    """
    bare = np.asarray(readings, float) - offset_in_readings
    given = pd.Series(np.asarray(known, float) - bare)
    by_sample = given.groupby(np.asarray(sample), sort=False)
    means, counts = by_sample.mean().to_numpy(), by_sample.size()
    variance = float(means.var(ddof=1)) if means.size > 1 else nan
    # A sample's mean keeps of a run's variance 1 / runs.
    run = repeatability(given, sample).sd ** 2 * float((1 / counts).mean())
    shares = [part / variance if variance else nan for part in (run, sd_reference**2)]
    left = max(1 - sum(share for share in shares if isfinite(share)), 0.0)
    return SetupOffset(
        setting=_mean_of_samples(means, given.to_numpy()),
        parts={
            "runs": shares[0],
            "reference": shares[1],
            "samples": left if variance > 0 else nan,
        },
        n_samples=means.size,
        n_runs=given.size,
    )


def _mean_of_samples(means: np.ndarray, given: np.ndarray) -> Estimate:
    """Return the mean over samples; of one sample over its runs, saying so."""
    values, method, remark = means, OVER_SAMPLES, ""
    if means.size == 1:
        values, method, remark = given, OVER_RUNS, ONE_SAMPLE
    value, n = float(means.mean()), values.size
    if n < 2:
        return Estimate(value=value, remark="one run has no spread")
    se = float(values.std(ddof=1)) / sqrt(n)
    if se < ROUNDING:
        return Estimate(value=value, remark="no scatter, so no error is known")
    return Estimate(value=value, se=se, df=n - 1, method=method, remark=remark)


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveSetup:
    """All that is known of one curve's set-up; what is not known says why."""

    register: pd.Series  # its row of the register
    runs: pd.DataFrame  # its set-up runs
    plots: pd.DataFrame  # that it served
    audit: CurveAudit | None  # what the season says of it; None without a sample
    repeats: Repeatability  # of its runs
    sd_error: float  # SD of one sample's error about the curve, from the season
    sd_run: float  # SD of a run, its own or its sensor's [% moisture]
    season: Season  # the settings

    @property
    def loaded(self) -> float:
        """Offset loaded, nan where several were and which is not known. [points]."""
        register = self.register
        return nan if register["offset_mixed"] else float(register["offset_loaded"])

    @cached_property
    def known(self) -> pd.DataFrame:
        """Runs with both a known moisture and a reading."""
        return self.runs.dropna(subset=["known_pct", "sensor_pct"])

    @cached_property
    def offset(self) -> SetupOffset | None:
        """What the runs say of the offset; None without a run whose own is known."""
        in_readings = offsets_in(self.known, self.loaded)
        told = np.isfinite(in_readings)
        used = self.known[told]
        if used.empty:
            return None
        return setup_offset(
            used["known_pct"],
            used["sensor_pct"],
            used["sample"],
            in_readings[told],
            self.audit.reference_se if self.audit else nan,
        )

    @property
    def at_setup(self) -> Estimate:
        """Offset from the set-up runs. [% moisture]."""
        return self.offset.setting if self.offset else not_known("no set-up runs")

    @property
    def by_season(self) -> Estimate:
        """Offset this season's samples call for. [% moisture]."""
        if self.audit is None:
            return not_known("no sample of this season for the curve")
        return season_setting(self.loaded, self.audit.bias)

    @property
    def misloaded(self) -> Estimate:
        """Offset loaded, less the one from the set-up runs. [% moisture]."""
        return season_setting(self.loaded, self.at_setup)

    @property
    def moved(self) -> Estimate:
        """Offset from the season, less the one from the set-up runs. [% moisture]."""
        return difference(self.by_season, self.at_setup)

    @property
    def read_before_loading(self) -> bool:
        """Whether the runs look as if read before the offset was loaded."""
        # They do where, with the offset taken to be in the readings, they give another
        # one than was loaded, and the one loaded if it was not.
        told = IN_FORCE in self.runs and self.runs[IN_FORCE].notna().any()
        if told or self.offset is None or not abs(self.loaded) > 0:
            return False
        ends = self.at_setup.interval(self.season.confidence)
        unloaded = ends.shifted(-self.loaded)
        return not ends.holds(self.loaded) and unloaded.holds(self.loaded)

    @property
    def half_widths(self) -> tuple[float, float]:
        """Half-widths of an offset from so many samples. [% moisture]."""
        # At best, the SD of a sample's error taken as known from the season; and as the
        # samples by themselves give it, in root mean square. nan where not defined.
        n = self.offset.n_samples if self.offset else 0
        share = (1 + self.season.confidence) / 2
        df = [np.inf, n - 1 if n > 1 else nan]
        best, own = student_t.ppf(share, df) * self.sd_error / sqrt(n or nan)
        return float(best), float(own)

    @property
    def error_elsewhere(self) -> Estimate:
        """Error of samples in another configuration less that of the rest. [points]."""
        for effect in self.audit.effects if self.audit else ():
            if effect.name.startswith(IN_ANOTHER):
                return effect.change
        return not_known("no sample was taken in both")

    @cached_property
    def gain_by_repeats(self) -> Estimate:
        """Gain with the repeatability as the sensor's whole error."""
        found = self.audit
        if found is None or not self.repeats.sd > 0:
            return not_known("no sample was run twice: repeatability not known")
        if not isfinite(found.reference_se):
            return not_known("the error of the reference is not known: one dish each")
        samples, errors = found.samples, (self.repeats.sd, found.reference_se)
        readings = samples.sensor, samples.reference
        line, why = tried(gain, *readings, *errors, samples.trial)
        return line if line is not None else not_known(why)


# Points per °C that moisture meters for maize leave uncorrected, the upper end of
# 0.04 to 0.09. Of use where the season shows no rate of its own.
METER_RATE = 0.09
METER_RATE_SOURCE = "Paulsen, Hill and Dixon 1984"
# How a cause fared.
SOUND, THIN, DOUBTFUL = "in order", "could be better", "doubtful"
UNRECORDED = "not recorded"
# The register's column that says whether the plot scale was checked before set-up.
SCALE = "scale_checked"


class Found(NamedTuple):
    """What was found of one cause on one curve."""

    verdict: str
    found: str
    size: float = nan  # how far it can have moved the offset; nan: nothing tells
    basis: str = ""  # what that was computed from; left out, as the cause says


class Cause(NamedTuple):
    """Something that puts an offset wrong at set-up, why, and who asks for care."""

    cause: str
    why: str
    basis: str  # what its size is computed from, unless its judge says otherwise
    unrecorded: str  # what is said where the judge returns None
    source: str


with files("kitlib.review").joinpath("causes.csv").open(encoding="utf-8") as _file:
    CAUSES = {row.pop("code"): Cause(**row) for row in csv.DictReader(_file)}


def causes_of(setup: CurveSetup) -> dict[str, Found]:
    """Return what was found of every cause by its code, the largest first."""
    found = {}
    for code, cause in CAUSES.items():
        one = Found(UNRECORDED, "no set-up runs are recorded")
        # The scale alone is told by the register, without any run.
        if len(setup.known) or code == "setup-weighing":
            one = _JUDGES[code](setup) or Found(UNRECORDED, cause.unrecorded)
        basis = one.basis or cause.basis
        found[code] = one._replace(basis=basis if isfinite(one.size) else "")
    by_size = sorted(found.items(), key=lambda of: -np.nan_to_num(of[1].size, nan=-1))
    return dict(by_size)


def _tilt(setup: CurveSetup) -> float:
    """Return the change of the error for each point of moisture, by the season."""
    return setup.audit.gain.value - 1 if setup.audit else nan


def _tail(setup: CurveSetup) -> float:
    """Return how many SDs the half-width of an interval is."""
    return float(norm.ppf((1 + setup.season.confidence) / 2))


def _unrecorded(runs, told) -> str:
    """Say for how many runs a value is not recorded; empty if for none."""
    lacking = len(runs) - len(told)
    return f"; not recorded for {counted(lacking, 'run')}" if lacking else ""


def _by_shift(setup: CurveSetup, doubted: pd.Series, said: str) -> Found:
    """Return a cause sized by what the offset would be without the runs doubted."""
    runs = setup.known
    trusted = ~doubted.reindex(runs.index, fill_value=False)
    if trusted.all():
        return Found(SOUND, said, 0.0, "no such run")
    error = runs["sensor_pct"] - offsets_in(runs, setup.loaded) - runs["known_pct"]
    whole = error.groupby(runs["sample"]).mean().mean()
    rest = error[trusted].groupby(runs["sample"]).mean().mean()
    return Found(DOUBTFUL, said, float(abs(whole - rest)))


def _typed(setup: CurveSetup) -> Found | None:
    wrong, given = setup.misloaded, setup.at_setup
    if setup.read_before_loading or not wrong.known:
        return None
    level = setup.season.confidence
    off = leaves_out_zero(wrong, level)
    off = off and abs(wrong.value) > setup.season.setting_step / 2
    said = f"{show(setup.loaded, sign=True)} was loaded, the set-up runs give "
    said += f"{show(given.value, sign=True)}"
    ends = given.interval(level)
    said += f" ({show_span(*ends, sign=True)})" if isfinite(ends.low) else ""
    return Found(DOUBTFUL if off else SOUND, said, abs(wrong.value))


def _chance(setup: CurveSetup) -> Found:
    n = setup.known["sample"].nunique()
    size, basis = setup.half_widths[0], ""
    if not isfinite(size) and setup.offset is not None:
        ends = setup.at_setup.interval(setup.season.confidence)
        size, basis = (ends.high - ends.low) / 2, "scatter of the known samples"
    allowed = setup.audit.allowed_bias if setup.audit else nan
    said = counted(n, "known sample")
    if size > allowed:
        said += f", which fix the offset to ±{show(size)} points; allowed are "
        said += f"±{show(allowed)}"
    doubtful = n < setup.season.setup.samples or size > allowed
    return Found(DOUBTFUL if doubtful else SOUND, said, size, basis)


def _range(setup: CurveSetup) -> Found:
    known, limits = setup.known["known_pct"], setup.season.setup
    low, high = float(known.min()), float(known.max())
    said = f"known samples {show_span(low, high, 1)} %"
    harvested = setup.plots["sensor_pct"].dropna()
    outside = (harvested < low) | (harvested > high)
    size = nan
    if len(harvested):
        said += f", {int(outside.sum())} of {len(harvested)} plots outside"
        by_sample = known.groupby(setup.known["sample"]).mean()
        size = abs(_tilt(setup) * (float(harvested.mean()) - float(by_sample.mean())))
    thin = high - low < limits.span_wanted or outside.mean() > limits.outside_share
    verdict = DOUBTFUL if high - low < limits.span else THIN if thin else SOUND
    return Found(verdict, said, size)


def _start(setup: CurveSetup) -> Found:
    # The table is in the order of the file; runs without a time keep it.
    first = setup.known.sort_values("run_at", kind="stable").iloc[0]
    said = f"begun at {show(first['known_pct'], 1)} % (sample {first['sample']})"
    standard = setup.season.standard_moisture_of(setup.register["crop"])
    if not isfinite(standard):
        return Found(UNRECORDED, f"{said}; the standard moisture is not known")
    away = abs(first["known_pct"] - standard)
    said += f", {show(away, 1)} points from the standard {standard:g} %"
    verdict = DOUBTFUL if away > setup.season.setup.from_standard else SOUND
    return Found(verdict, said, abs(_tilt(setup)) * away)


def _temperature(setup: CurveSetup) -> Found | None:
    runs, most = setup.known, setup.season.setup.from_air_c
    apart = (runs["grain_temp_c"] - runs["air_temp_c"]).dropna()
    if apart.empty:
        return None
    off = int((apart.abs() > most).sum())
    said = f"grain {show_span(apart.min(), apart.max(), 1, sign=True)} °C from the "
    said += f"air; {off} of {len(apart)} runs over {most:g} °C"
    said += _unrecorded(runs, apart)
    colder = float(apart.mean())
    harvest = float(setup.plots["grain_temp_c"].mean())
    if isfinite(harvest):
        colder = float(runs["grain_temp_c"].mean()) - harvest
        warmer = "warmer" if colder > 0 else "colder"
        said += f"; on average {show(abs(colder), 1)} °C {warmer} than at harvest"
    rate, source = METER_RATE, METER_RATE_SOURCE
    for effect in setup.audit.effects if setup.audit else ():
        if effect.unit == "°C" and effect.change.known and effect.high > effect.low:
            rate = effect.change.value / (effect.high - effect.low)
            source = "this season's samples"
            break
    basis = f"{show(rate, 3)} points per °C ({source})"
    return Found(DOUBTFUL if off else SOUND, said, abs(rate * colder), basis)


def _wetted(setup: CurveSetup) -> Found | None:
    told = setup.known["water_added"].dropna().astype(bool)
    if told.empty:
        return None
    samples = setup.known["sample"]
    wetted = samples.loc[told.index[told]].nunique()
    said = f"water added to {wetted} of {samples.nunique()} samples"
    said += _unrecorded(setup.known, told)
    return _by_shift(setup, told, said)


def _fill(setup: CurveSetup) -> Found | None:
    mass, least = setup.known["grain_mass_kg"].dropna(), setup.season.setup.grain_kg
    if mass.empty:
        return None
    light = mass < least
    said = f"{show_span(mass.min(), mass.max())} kg; {int(light.sum())} of {len(mass)} "
    said += f"runs under {least:g} kg{_unrecorded(setup.known, mass)}"
    return _by_shift(setup, light, said)


def _fillings(setup: CurveSetup) -> Found:
    often, limits = setup.known.groupby("sample").size(), setup.season.setup
    fewest = int(often.min())  # the sample filled least often counts
    said = f"{show_span(fewest, int(often.max()), 0)} fillings of a sample"
    if fewest == often.max():
        said = f"{counted(fewest, 'filling')} of each sample"
    short = int((often < limits.runs).sum())
    if 0 < short < len(often):
        said += f"; {short} of {len(often)} filled fewer than {limits.runs} times"
    verdict = DOUBTFUL if short else THIN if fewest < limits.runs_wanted else SOUND
    share = sqrt(float((1 / often).mean()) / len(often))
    size = _tail(setup) * setup.sd_run * share
    return Found(verdict, said, size)


def _reference(setup: CurveSetup) -> Found | None:
    audit, n = setup.audit, setup.known["sample"].nunique()
    if audit is None or not isfinite(audit.reference_se):
        return None
    size = _tail(setup) * audit.reference_se / sqrt(n)
    off = size > audit.tolerance.at(audit.mean_reference) / 3
    said = f"oven results of {counted(n, 'sample')}, standard error "
    said += f"{show(audit.reference_se)} each"
    return Found(DOUBTFUL if off else SOUND, said, size)


def _chamber(setup: CurveSetup) -> Found | None:
    told = setup.known["chamber_config"].dropna()
    own = setup.register.get("chamber_config")
    if told.empty:
        return None
    said = f"run in {listed(sorted(told.unique()))}"
    if pd.isna(own):
        said += "; the register names no chamber configuration"
        return Found(DOUBTFUL if told.nunique() > 1 else SOUND, said)
    other = told != own
    said += f"; the register says {own}" if other.any() else ""
    found = _by_shift(setup, other, said)
    if found.verdict == DOUBTFUL and not isfinite(found.size):
        change, basis = setup.error_elsewhere.value, "this season's samples in both"
        return Found(DOUBTFUL, said, abs(change), basis)
    return found


def _weighing(setup: CurveSetup) -> Found:
    checked, runs = setup.register.get(SCALE), setup.known
    weights = int(runs["lab_test_weight_kg_hl"].notna().sum())
    lab = f"lab test weight recorded for {weights} of {counted(len(runs), 'run')}"
    if checked is None or pd.isna(checked):
        said = f"whether the plot scale was checked is not recorded; {lab}"
        return Found(UNRECORDED, said)
    if not bool(checked):
        said = f"the plot scale was not checked before set-up; {lab}"
        return Found(DOUBTFUL, said)
    verdict = SOUND if weights == len(runs) else UNRECORDED
    return Found(verdict, f"plot scale checked; {lab}")


_JUDGES: dict[str, Callable[[CurveSetup], Found | None]] = {
    "setup-misloaded": _typed,
    "setup-chance": _chance,
    "setup-range": _range,
    "setup-start": _start,
    "setup-temperature": _temperature,
    "setup-wetted": _wetted,
    "setup-fill": _fill,
    "setup-repeats": _fillings,
    "setup-reference": _reference,
    "setup-chamber": _chamber,
    "setup-weighing": _weighing,
}
