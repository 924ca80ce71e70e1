"""How one curve was set up: what its runs give for the offset, and how well."""

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property
from math import isfinite, nan, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import chi2, norm
from scipy.stats import t as student_t

from kitlib.curves.audit import CurveAudit
from kitlib.intake.settings import Season, SetupLimits
from kitlib.review.history import difference, season_setting
from kitlib.statistics.estimates import (
    NO_INTERVAL,
    Estimate,
    Interval,
    cluster_codes,
    finite_array,
    not_known,
    sums_by_cluster,
    tried,
)
from kitlib.statistics.lines import gain
from kitlib.words.findings import TooFewSamples
from kitlib.words.terms import counted, listed, show, show_span

# Optional column of set-up and check runs: the offset each reading includes.
IN_FORCE = "offset_in_force"
IN_ANOTHER = "harvested in another"  # how the effect of a configuration is named
OVER_SAMPLES, OVER_RUNS = "t over samples", "t over runs"
ROUNDING = 1e-9  # an error below this is that of decimal numbers in binary
ONE_SAMPLE = "one sample only: how samples differ is not in this interval"


@dataclass(frozen=True, kw_only=True)
class Repeatability:
    """Standard deviation of a reading of the same grain by the same sensor.

    Attributes
    ----------
    sd : float
        Within samples, pooled; nan where no sample was run twice. [% moisture]
    df : int
        Runs beyond the first of each sample.
    n_samples : int
        Samples run more than once.
    """

    sd: float
    df: int
    n_samples: int

    @property
    def limit(self) -> float:
        """Difference two runs exceed once in twenty times, 2.8 SD. [% moisture]."""
        return 2.8 * self.sd

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
    filled anew each time. It includes neither the error a sample keeps from run to
    run nor that of the oven.

    Parameters
    ----------
    readings : array_like, shape (n,)
        Readings, or errors: a known value common to a sample drops out. [%]
    sample : array_like, shape (n,)
        Label of the sample; of sample and day where only runs of one day count.

    Raises
    ------
    NotFinite
        If a value or a label is missing.

    References
    ----------
    .. [1] ISO 5725-2, 7.4: the pooled within-cell SD (from memory).

    Examples
    --------
    >>> found = repeatability([15.1, 15.3, 20.0, 20.2, 25.0], list("AABBC"))
    >>> print(f"{found.sd:.3f} with {found.df} degrees of freedom")
    0.141 with 2 degrees of freedom
    """
    readings = finite_array("repeatability: readings", readings)
    if readings.size == 0:
        return Repeatability(sd=nan, df=0, n_samples=0)
    codes, n_samples = cluster_codes("repeatability: sample", sample, readings.size)
    counts = np.bincount(codes, minlength=n_samples)
    means = sums_by_cluster(codes, n_samples, readings) / counts
    df = readings.size - n_samples
    squares = float(((readings - means[codes]) ** 2).sum())
    sd = sqrt(squares / df) if df else nan
    return Repeatability(sd=sd, df=int(df), n_samples=int((counts > 1).sum()))


def offsets_in(runs: pd.DataFrame, default) -> np.ndarray:
    """Return the offset in each reading: as recorded, or `default`. [% moisture]."""
    default = np.broadcast_to(np.asarray(default, float), len(runs))
    if IN_FORCE not in runs:
        return default.copy()
    told = pd.to_numeric(runs[IN_FORCE], errors="coerce").to_numpy(float)
    return np.where(np.isfinite(told), told, default)


def whole_runs(runs: pd.DataFrame) -> pd.DataFrame:
    """Return the runs with both a known moisture and a reading."""
    return runs[runs[["known_pct", "sensor_pct"]].notna().all(axis=1)]


def repeated_runs(setup: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Return the errors of a curve's runs with a label for those that repeat another.

    Set-up runs repeat within a sample, check runs within a sample and day. Columns
    error, repeats.
    """
    setup, checks = whole_runs(setup), whole_runs(checks)
    checks = checks[checks["run_at"].notna()]
    days = checks["run_at"].dt.strftime(" on %Y-%m-%d")
    labels = pd.concat([setup["sample"].astype(str), checks["sample"] + days])
    runs = pd.concat([setup, checks])
    error = runs["sensor_pct"] - runs["known_pct"] - offsets_in(runs, 0.0)
    table = pd.DataFrame({"error": error, "repeats": labels.astype(object)})
    return table.reset_index(drop=True)


@dataclass(frozen=True, kw_only=True)
class SetupOffset:
    """What the runs of known samples say of a curve's offset.

    Attributes
    ----------
    setting : Estimate
        Offset the curve should have been loaded with, from a reading without any:
        known - reading, every sample counting alike. [% moisture]
    runs : Repeatability
        SD of a run about its sample.
    sd_means : float
        SD of the samples' mean errors; nan with one sample. [% moisture]
    sd_reference : float
        SD of a known value about the sample's moisture; nan if not known.
    n_samples, n_runs : int
    mean_share : float
        Mean over the samples of 1 / runs: what a mean keeps of a run's variance.
    """

    setting: Estimate
    runs: Repeatability
    sd_means: float
    sd_reference: float
    n_samples: int
    n_runs: int
    mean_share: float

    @property
    def parts(self) -> dict[str, float]:
        """Share of the offset's variance from runs, reference and samples themselves.

        A source that is not known (nan) is in what is left to the samples.
        """
        total = self.sd_means**2
        run = self.runs.sd**2 * self.mean_share / total if total else nan
        reference = self.sd_reference**2 / total if total else nan
        left = 1 - sum(part for part in (run, reference) if isfinite(part))
        own = max(left, 0.0) if total > 0 else nan
        return {"runs": run, "reference": reference, "samples": own}


def setup_offset(
    known, readings, sample, offset_in_readings=0.0, sd_reference: float = nan
) -> SetupOffset:
    """Return the offset that the runs of known samples give.

    Estimand: minus the mean error of the curve without offset, over samples like
    those it was set up with. Samples are taken as a random draw, and independent.

    Parameters
    ----------
    known, readings : array_like, shape (n,), n >= 1
        Known moisture and reading of each run. [% moisture, wet basis]
    sample : array_like, shape (n,)
        Label of the sample of each run.
    offset_in_readings : float or array_like, shape (n,)
        Offset that was loaded when the readings were taken. [% moisture]
    sd_reference : float
        SD of a known value about the sample's true moisture. [% moisture]

    Raises
    ------
    TooFewSamples
        If there is no run.
    NotFinite
        If a value is missing.

    Examples
    --------
    >>> found = setup_offset([14.0, 20.0], [14.1, 20.5], ["dry", "wet"], 0.2)
    >>> print(f"{found.setting.value:.2f}, standard error {found.setting.se:.2f}")
    -0.10, standard error 0.20
    """
    known = finite_array("setup_offset: known", known)
    bare = finite_array("setup_offset: readings", readings) - offset_in_readings
    if known.size == 0:
        raise TooFewSamples("setup_offset: got no run; needs at least one.")
    given = known - bare
    codes, n_samples = cluster_codes("setup_offset: sample", sample, known.size)
    counts = np.bincount(codes, minlength=n_samples)
    means = sums_by_cluster(codes, n_samples, given) / counts
    return SetupOffset(
        setting=_mean_of_samples(means, given),
        runs=repeatability(given, codes),
        sd_means=float(means.std(ddof=1)) if n_samples > 1 else nan,
        sd_reference=sd_reference,
        n_samples=n_samples,
        n_runs=known.size,
        mean_share=float(np.mean(1 / counts)),
    )


def _mean_of_samples(means, given) -> Estimate:
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
    """All that is known of one curve's set-up; what is not known says why.

    Attributes
    ----------
    register : Series
        Its row of the register.
    runs, plots : DataFrame
        Its set-up runs and the plots it served.
    audit : CurveAudit or None
        What the season says of it; None where it has no sample.
    repeats : Repeatability
        Of its runs.
    sd_error, sd_run : float
        SD of one sample's error about the curve, from the season, and of a run, its
        own or its sensor's. [% moisture]
    season : Season
        The settings.
    """

    register: pd.Series
    runs: pd.DataFrame
    plots: pd.DataFrame
    audit: CurveAudit | None
    repeats: Repeatability
    sd_error: float
    sd_run: float
    season: Season

    @property
    def level(self) -> float:
        """Confidence level of the intervals."""
        return self.season.confidence

    @property
    def limits(self) -> SetupLimits:
        """From which numbers on what was done is in doubt."""
        return self.season.setup

    @property
    def loaded(self) -> float:
        """Offset loaded, nan where several were and which is not known. [points]."""
        register = self.register
        return nan if register["offset_mixed"] else float(register["offset_loaded"])

    @cached_property
    def known(self) -> pd.DataFrame:
        """Runs with both a known moisture and a reading."""
        return whole_runs(self.runs)

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
        if not isfinite(self.loaded):
            return not_known("the offset loaded is not known")
        return replace(self.at_setup, value=self.loaded - self.at_setup.value)

    @property
    def moved(self) -> Estimate:
        """Offset from the season, less the one from the set-up runs. [% moisture]."""
        return difference(self.by_season, self.at_setup)

    @property
    def read_before_loading(self) -> bool:
        """Whether the runs look as if read before the offset was loaded.

        They do where, with the offset taken to be in the readings, they give another
        one than was loaded, and the one loaded if it was not.
        """
        told = IN_FORCE in self.runs and self.runs[IN_FORCE].notna().any()
        if told or self.offset is None or not abs(self.loaded) > 0:
            return False
        ends = self.at_setup.interval(self.level)
        return not ends.holds(self.loaded) and ends.shifted(-self.loaded).holds(
            self.loaded
        )

    @property
    def at_best(self) -> float:
        """Half-width an offset from so many samples can have. [% moisture].

        With the SD of a sample's error taken as known, from the season.
        """
        if self.offset is None:
            return nan
        tail = float(norm.ppf((1 + self.level) / 2))
        return tail * self.sd_error / sqrt(self.offset.n_samples)

    @property
    def claimed(self) -> float:
        """Half-width so many samples by themselves give. [% moisture].

        Their SD being estimated from them; in root mean square. nan with one sample.
        """
        if self.offset is None or self.offset.n_samples < 2:
            return nan
        n = self.offset.n_samples
        tail = float(student_t.ppf((1 + self.level) / 2, n - 1))
        return tail * self.sd_error / sqrt(n)

    @property
    def plots_elsewhere(self) -> int:
        """Plots harvested in another chamber configuration than the curve's."""
        own, told = self.register["chamber_config"], self.plots["chamber_config"]
        return int((told.notna() & (told != own)).sum()) if pd.notna(own) else 0

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
        if self.audit is None or not self.repeats.sd > 0:
            return not_known("no sample was run twice: repeatability not known")
        found = self.audit
        if not isfinite(found.reference_se):
            return not_known("the error of the reference is not known: one dish each")
        samples = found.samples
        errors = self.repeats.sd, found.reference_se
        line, why = tried(
            gain, samples.sensor, samples.reference, *errors, samples.trial
        )
        return line if line is not None else not_known(why)


USUAL = "usual practice"
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
    """What was found of one cause on one curve.

    `verdict` is in order, could be better, doubtful, or not recorded; `size` is how
    far the cause can have moved the offset, nan where nothing tells [% moisture], and
    `basis` what that was computed from.
    """

    verdict: str
    said: str
    size: float = nan
    basis: str = ""


class Cause(NamedTuple):
    """Something that puts an offset wrong at set-up, why, and who asks for care.

    `judge` takes a `CurveSetup` with at least one known run.
    """

    title: str
    why: str
    source: str
    judge: Callable[[CurveSetup], Found]


def causes_of(setup: CurveSetup) -> dict[str, Found]:
    """Return what was found of every cause by its code, the largest first.

    Those without a size stand last.
    """
    nothing = Found(UNRECORDED, "no set-up runs are recorded")
    found = {
        # The scale alone is told by the register, without any run.
        code: cause.judge(setup) if len(setup.known) or code == WEIGHING else nothing
        for code, cause in CAUSES.items()
    }
    return dict(
        sorted(found.items(), key=lambda one: -np.nan_to_num(one[1].size, nan=-1))
    )


def in_words(code: str, found: Found) -> str:
    """Return what was found, what it can have done to the offset, and how."""
    size = f"it can have moved the offset by up to {show(found.size)} points"
    if not isfinite(found.size):
        size = "how far that moved the offset is not known"
    return f"{found.said}; {size}. {CAUSES[code].why}"


def _tilt(setup: CurveSetup) -> float:
    """Return the change of the error for each point of moisture, by the season."""
    return setup.audit.gain.value - 1 if setup.audit else nan


def _tail(level: float) -> float:
    """Return how many SDs the half-width of an interval is."""
    return float(norm.ppf((1 + level) / 2))


def _shift(setup: CurveSetup, trusted: pd.Series) -> float:
    """Return how far the runs not trusted move the offset, nan if none is left."""
    runs = setup.known
    error = runs["sensor_pct"] - offsets_in(runs, setup.loaded) - runs["known_pct"]
    whole = error.groupby(runs["sample"]).mean().mean()
    rest = error[trusted].groupby(runs["sample"]).mean().mean()
    return float(abs(whole - rest))


def _typed(setup: CurveSetup) -> Found:
    """Compare the offset loaded with the one the runs give."""
    wrong = setup.misloaded
    if setup.read_before_loading or not wrong.known:
        said = "what offset the set-up readings include is not recorded"
        return Found(UNRECORDED, said)
    ends = wrong.interval(setup.level)
    off = isfinite(ends.low) and not ends.holds(0.0)
    off = off and abs(wrong.value) > setup.season.setting_step / 2
    given = setup.at_setup
    said = f"{show(setup.loaded, sign=True)} was loaded, the set-up runs give "
    said += f"{show(given.value, sign=True)}"
    if isfinite(ends.low):
        said += f" ({show_span(*given.interval(setup.level), sign=True)})"
    return Found(
        DOUBTFUL if off else SOUND,
        said,
        abs(wrong.value),
        "offset loaded less the one from set-up",
    )


def _chance(setup: CurveSetup) -> Found:
    """Judge how well an offset from so many samples can be known."""
    n = setup.known["sample"].nunique()
    said = counted(n, "known sample")
    size, basis = nan, ""
    if isfinite(setup.at_best):
        size, basis = setup.at_best, "scatter of this season's samples"
    elif setup.offset is not None:
        ends = setup.at_setup.interval(setup.level)
        size, basis = (ends.high - ends.low) / 2, "scatter of the known samples"
    allowed = setup.audit.allowed_bias if setup.audit else nan
    if size > allowed:
        said += f", which fix the offset to ±{show(size)} points; allowed are "
        said += f"±{show(allowed)}"
    doubtful = n < setup.limits.samples or size > allowed
    return Found(DOUBTFUL if doubtful else SOUND, said, size, basis)


def _fillings(setup: CurveSetup) -> Found:
    """Judge how often the chamber was filled with each sample; the fewest count."""
    often = setup.known.groupby("sample").size()
    limits, fewest = setup.limits, int(often.min())
    said = f"{show_span(fewest, int(often.max()), 0)} fillings of a sample"
    if fewest == often.max():
        said = f"{counted(fewest, 'filling')} of each sample"
    short = int((often < limits.runs).sum())
    if 0 < short < len(often):
        said += f"; {short} of {len(often)} filled fewer than {limits.runs} times"
    verdict = THIN if fewest < limits.runs_wanted else SOUND
    size = (
        _tail(setup.level) * setup.sd_run * sqrt(float((1 / often).mean()) / len(often))
    )
    return Found(
        DOUBTFUL if short else verdict,
        said,
        size,
        "SD of repeated runs" if isfinite(size) else "",
    )


def _range(setup: CurveSetup) -> Found:
    """Compare the moistures of the known samples with those harvested."""
    known, limits = setup.known["known_pct"], setup.limits
    low, high = float(known.min()), float(known.max())
    said = f"known samples {show_span(low, high, 1)} %"
    harvested = setup.plots["sensor_pct"].dropna()
    outside = (harvested < low) | (harvested > high)
    size = nan
    if len(harvested):
        said += f", {int(outside.sum())} of {len(harvested)} plots outside"
        by_sample = setup.known.groupby("sample")["known_pct"].mean()
        size = abs(_tilt(setup) * (float(harvested.mean()) - float(by_sample.mean())))
    thin = high - low < limits.span_wanted or outside.mean() > limits.outside_share
    return Found(
        DOUBTFUL if high - low < limits.span else THIN if thin else SOUND,
        said,
        size,
        "this season's slope times the distance of the mean moistures"
        if isfinite(size)
        else "",
    )


def _start(setup: CurveSetup) -> Found:
    """Judge how far from the standard moisture the set-up began."""
    # The table is in the order of the file; runs without a time keep it.
    first = setup.known.sort_values("run_at", kind="stable").iloc[0]
    said = f"begun at {show(first['known_pct'], 1)} % (sample {first['sample']})"
    standard = setup.season.standard_moisture_of(setup.register["crop"])
    if not isfinite(standard):
        said += "; the standard moisture is not known"
        return Found(UNRECORDED, said)
    away = abs(first["known_pct"] - standard)
    size = abs(_tilt(setup)) * away
    return Found(
        DOUBTFUL if away > setup.limits.from_standard else SOUND,
        f"{said}, {show(away, 1)} points from the standard {standard:g} %",
        size,
        "this season's slope times that distance" if isfinite(size) else "",
    )


def _temperature(setup: CurveSetup) -> Found:
    """Judge the grain's temperature against the air's, and against the harvest's."""
    runs = setup.known
    apart = (runs["grain_temp_c"] - runs["air_temp_c"]).dropna()
    if apart.empty:
        said = "grain and air temperature are not recorded"
        return Found(UNRECORDED, said)
    off = int((apart.abs() > setup.limits.from_air_c).sum())
    said = f"grain {show_span(apart.min(), apart.max(), 1, sign=True)} °C from the "
    said += f"air; {off} of {len(apart)} runs over {setup.limits.from_air_c:g} °C"
    said += _unrecorded(runs, apart)
    colder = float(apart.mean())
    harvest = float(setup.plots["grain_temp_c"].mean())
    if isfinite(harvest):
        colder = float(runs["grain_temp_c"].mean()) - harvest
        warmer = "warmer" if colder > 0 else "colder"
        said += f"; on average {show(abs(colder), 1)} °C {warmer} than at harvest"
    rate, source = _temperature_rate(setup.audit)
    return Found(
        DOUBTFUL if off else SOUND,
        said,
        abs(rate * colder),
        f"{show(rate, 3)} points per °C ({source})",
    )


def _temperature_rate(audit: CurveAudit | None) -> tuple[float, str]:
    """Return the error's change per °C, and whose it is: the season's if it has one."""
    for effect in audit.effects if audit else ():
        if effect.unit == "°C" and effect.change.known and effect.high > effect.low:
            rate = effect.change.value / (effect.high - effect.low)
            return rate, "this season's samples"
    return METER_RATE, METER_RATE_SOURCE


def _fill(setup: CurveSetup) -> Found:
    """Judge how much grain the samples held."""
    mass, least = setup.known["grain_mass_kg"].dropna(), setup.limits.grain_kg
    if mass.empty:
        said = "the mass of the samples is not recorded"
        return Found(UNRECORDED, said)
    light = mass < least
    said = f"{show_span(mass.min(), mass.max())} kg; {int(light.sum())} of {len(mass)} "
    said += f"runs under {least:g} kg{_unrecorded(setup.known, mass)}"
    return _by_shift(setup, light, said, "offset without the small samples")


def _wetted(setup: CurveSetup) -> Found:
    """Judge whether water had been added to any grain."""
    told = setup.known["water_added"].dropna().astype(bool)
    if told.empty:
        said = "whether water was added is not recorded"
        return Found(UNRECORDED, said)
    wetted = setup.known.loc[told.index[told], "sample"].nunique()
    said = f"water added to {wetted} of {setup.known['sample'].nunique()} samples"
    said += _unrecorded(setup.known, told)
    return _by_shift(setup, told, said, "offset without the wetted samples")


def _by_shift(setup: CurveSetup, doubted: pd.Series, said: str, basis: str) -> Found:
    """Return a cause sized by what the offset would be without the runs doubted."""
    doubted = doubted.reindex(setup.known.index, fill_value=False)
    if not doubted.any():
        return Found(SOUND, said, 0.0, "no such run")
    size = _shift(setup, ~doubted)
    basis = basis if isfinite(size) else ""
    return Found(DOUBTFUL, said, size, basis)


def _unrecorded(runs, told) -> str:
    """Say for how many runs a value is not recorded; empty if for none."""
    lacking = len(runs) - len(told)
    return f"; not recorded for {counted(lacking, 'run')}" if lacking else ""


def _chamber(setup: CurveSetup) -> Found:
    """Compare the chamber configurations of the runs and of the register."""
    told = setup.known["chamber_config"].dropna()
    own = setup.register.get("chamber_config")
    if told.empty:
        said = "the chamber configuration of the runs is not recorded"
        return Found(UNRECORDED, said)
    said = f"run in {listed(sorted(told.unique()))}"
    if pd.isna(own):
        mixed = told.nunique() > 1
        said = f"{said}; the register names no chamber configuration"
        return Found(DOUBTFUL if mixed else SOUND, said)
    other = told != own
    if other.any():
        said = f"{said}; the register says {own}"
    found = _by_shift(setup, other, said, "offset without the other configuration")
    if found.verdict == DOUBTFUL and not isfinite(found.size):
        change = setup.error_elsewhere.value
        basis = "this season's samples in both" if isfinite(change) else ""
        return Found(DOUBTFUL, said, abs(change), basis)
    return found


def _reference(setup: CurveSetup) -> Found:
    """Judge how much of the known values' own error the offset keeps."""
    audit = setup.audit
    if audit is None or not isfinite(audit.reference_se):
        said = "the error of an oven result is not known: one dish a sample"
        return Found(UNRECORDED, said)
    n = setup.known["sample"].nunique()
    se = audit.reference_se
    size = _tail(setup.level) * se / sqrt(n)
    allowed = audit.tolerance.at(audit.mean_reference) / 3
    return Found(
        DOUBTFUL if size > allowed else SOUND,
        f"oven results of {counted(n, 'sample')}, standard error {show(se)} each",
        size,
        "standard error of this season's oven results",
    )


def _weighing(setup: CurveSetup) -> Found:
    """Judge whether the scale was checked and test weights are on record."""
    checked, runs = setup.register.get(SCALE), setup.known
    weights = int(runs["lab_test_weight_kg_hl"].notna().sum())
    said = f"lab test weight recorded for {weights} of {counted(len(runs), 'run')}"
    if checked is None or pd.isna(checked):
        said = f"whether the plot scale was checked is not recorded; {said}"
        return Found(UNRECORDED, said)
    if not bool(checked):
        said = f"the plot scale was not checked before set-up; {said}"
        return Found(DOUBTFUL, said)
    whole = weights == len(runs)
    said = f"plot scale checked; {said}"
    return Found(SOUND if whole else UNRECORDED, said)


WEIGHING = "setup-weighing"
CAUSES: dict[str, Cause] = {
    "setup-misloaded": Cause(
        title="Offset loaded is not the one found",
        why="The difference is in every reading of the season",
        source="calculated from setup_runs and the register",
        judge=_typed,
    ),
    "setup-chance": Cause(
        title="Few known samples",
        why="Each sample has an error of its own, and a mean of few keeps much of it",
        source=f"{USUAL}; AACC Approved Method 39-01.01 takes at least 11 samples to "
        "check an instrument",
        judge=_chance,
    ),
    "setup-range": Cause(
        title="Harvest at other moistures than the known samples",
        why="Where the slope is off, an offset that fits one moisture is wrong at "
        "another",
        source="SDSU Extension, 23 August 2010: three samples near 15 % and three near "
        "25 %; spans as set in [setup]",
        judge=_range,
    ),
    "setup-start": Cause(
        title="Begun away from the standard moisture",
        why="An offset entered from that grain is carried to the moistures that "
        "matter by the slope",
        source=USUAL,
        judge=_start,
    ),
    "setup-temperature": Cause(
        title="Grain temperature",
        why="What the sensor leaves uncorrected of temperature goes into the offset",
        source=f"NDSU Extension 2013: warm the sample sealed, then measure; rate: "
        f"{METER_RATE_SOURCE}",
        judge=_temperature,
    ),
    "setup-wetted": Cause(
        title="Water added to the grain",
        why="Added water sits in the outer kernel for days and reads unlike the "
        "crop's own",
        source=f"{USUAL}; PTB and DLG test conformity on fresh grain",
        judge=_wetted,
    ),
    "setup-fill": Cause(
        title="Too little grain in the chamber",
        why="A chamber less full than behind a plot senses less grain",
        source=USUAL,
        judge=_fill,
    ),
    "setup-repeats": Cause(
        title="Few fillings of a sample",
        why="The same grain reads differently each time the chamber is filled",
        source=f"{USUAL}; the Canadian Grain Commission averages three readings of a "
        "mixed sample",
        judge=_fillings,
    ),
    "setup-reference": Cause(
        title="Error of the known values",
        why="What the oven results are wrong by on average becomes part of the offset",
        source="French Order of 1 July 2010, article 21: at most a third of the "
        "permissible error",
        judge=_reference,
    ),
    "setup-chamber": Cause(
        title="Run in another chamber configuration",
        why="The same grain reads differently where the chamber holds another volume",
        source=USUAL,
        judge=_chamber,
    ),
    WEIGHING: Cause(
        title="Scale and test weight",
        why="On some sensors moisture is computed with test weight",
        source="NIST, Weights and Measures article C-012 (2013): check test weight on "
        "samples of known test weight",
        judge=_weighing,
    ),
}
