"""How a curve was set up: what its runs give for the offset, and what may be wrong.

Every cause of a wrong offset is sized in points of moisture from the season's own
numbers where they tell; where nothing was recorded it says so.
"""

from dataclasses import dataclass
from functools import cached_property
from math import isfinite, nan, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import norm
from scipy.stats import t as student_t

from kitlib.curves.audit import CurveAudit
from kitlib.intake.settings import Season
from kitlib.review import check_samples as control
from kitlib.review.comparisons import difference, leaves_out_zero, season_setting
from kitlib.statistics.estimates import Estimate, not_known, tried
from kitlib.statistics.lines import gain
from kitlib.words.terms import counted, csv_rows, listed, show, show_span

IN_ANOTHER = "harvested in another"  # how the effect of a configuration is named
OVER_SAMPLES, OVER_RUNS = "t over samples", "t over runs"
ROUNDING = 1e-9  # an error below this is that of decimal numbers in binary
ONE_SAMPLE = "one sample only: how samples differ is not in this interval"


class SetupOffset(NamedTuple):
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

    Estimand: minus the mean error of the curve without offset, over samples like those
    it was set up with, drawn at random; `sd_reference` is that of a known value.
    """
    if not len(known):
        return SetupOffset(not_known("no set-up runs"), {}, n_samples=0, n_runs=0)
    bare = np.asarray(readings, float) - offset_in_readings
    given = pd.Series(np.asarray(known, float) - bare)
    by_sample = given.groupby(np.asarray(sample), sort=False)
    means = by_sample.mean()
    values, how, why = means, OVER_SAMPLES, ""
    if len(means) == 1:  # its runs are all there is to tell a scatter by
        values, how, why = given, OVER_RUNS, ONE_SAMPLE
    df, se = len(values) - 1, float(values.std()) / sqrt(len(values))
    setting = Estimate(value=means.mean(), se=se, df=df, method=how, remark=why)
    if not se >= ROUNDING:
        why = "no scatter, so no error is known" if df else "one run has no spread"
        setting = Estimate(value=means.mean(), remark=why)
    variance = float(means.var())
    # A sample's mean keeps of a run's variance 1 / runs.
    share = float((1 / by_sample.size()).mean())
    run = control.repeatability(given, sample).sd ** 2 * share
    shares = [part / variance if variance else nan for part in (run, sd_reference**2)]
    left = max(1 - sum(share for share in shares if isfinite(share)), 0.0)
    shares.append(left if variance > 0 else nan)
    return SetupOffset(
        setting=setting,
        parts=dict(zip(("runs", "reference", "samples"), shares, strict=True)),
        n_samples=len(means),
        n_runs=len(given),
    )


@dataclass(frozen=True, kw_only=True, eq=False)
class CurveReview:
    """How one curve was set up and whether it held, beside what the season says."""

    register: pd.Series  # its row of the table of curves
    runs: pd.DataFrame  # of its known samples at set-up
    plots: pd.DataFrame  # those it served
    audit: CurveAudit | None  # None where no sample speaks for it
    repeats: control.Repeatability
    sd_error: float  # SD of one sample's error about the curve
    sd_run: float  # of one run of the same grain, from its own runs or its sensor's
    season: Season
    # Of its check samples against their own first days; and the line of its set-up
    # runs, with the first day check samples left it. None without check runs.
    chart: control.CheckChart | None = None
    setup_line: control.SetupLine | None = None
    first_off_line: pd.Timestamp | None = None

    @property
    def curve(self) -> str:
        """Its name."""
        return str(self.register.name)

    @cached_property
    def causes(self) -> dict[str, "Found"]:
        """What can have put its offset wrong, by code, the largest first."""
        found = {}
        for code, cause in CAUSES.items():
            one = Found(UNRECORDED, "no set-up runs are recorded")
            # The scale alone is told by the register, without any run.
            if len(self.known) or code == "setup-weighing":
                one = _JUDGES[code](self) or Found(UNRECORDED, cause.unrecorded)
            basis = one.basis or cause.basis
            found[code] = one._replace(basis=basis if isfinite(one.size) else "")
        sizes = {code: np.nan_to_num(one.size, nan=-1) for code, one in found.items()}
        return {code: found[code] for code in sorted(found, key=lambda c: -sizes[c])}

    @property
    def is_out(self) -> bool:
        """Whether its check samples left their limits or drifted."""
        if self.chart is None:
            return False
        out = any(day is not None for day in self.chart.first_out.values())
        return out or leaves_out_zero(self.chart.drift, self.season.confidence)

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
    def offset(self) -> SetupOffset:
        """What the runs say of the offset, those of them whose own offset is known."""
        in_readings = control.offsets_in(self.known, self.loaded)
        used = self.known[np.isfinite(in_readings)]
        known = used["known_pct"], used["sensor_pct"], used["sample"]
        told = in_readings[np.isfinite(in_readings)]
        sd = self.audit.reference_se if self.audit else nan
        return setup_offset(*known, told, sd)

    @property
    def by_season(self) -> Estimate:
        """Offset this season's samples call for. [% moisture]."""
        if self.audit is None:
            return not_known("no sample of this season for the curve")
        return season_setting(self.loaded, self.audit.bias)

    @property
    def misloaded(self) -> Estimate:
        """Offset loaded, less the one from the set-up runs. [% moisture]."""
        return season_setting(self.loaded, self.offset.setting)

    @property
    def moved(self) -> Estimate:
        """Offset from the season, less the one from the set-up runs. [% moisture]."""
        return difference(self.by_season, self.offset.setting)

    @property
    def read_before_loading(self) -> bool:
        """Whether the runs look as if read before the offset was loaded."""
        # They do where, with the offset taken to be in the readings, they give another
        # one than was loaded, and the one loaded if it was not.
        told = self.runs.get(control.IN_FORCE, pd.Series(dtype=float)).notna().any()
        if told or not self.offset.n_runs or not abs(self.loaded) > 0:
            return False
        ends = self.offset.setting.interval(self.season.confidence)
        unloaded = ends.shifted(-self.loaded)
        return not ends.holds(self.loaded) and unloaded.holds(self.loaded)

    @property
    def not_held(self) -> bool:
        """Whether the season shows that another offset was due than set-up gave."""
        moved = leaves_out_zero(self.moved, self.season.confidence)
        return moved and not self.read_before_loading

    @property
    def half_widths(self) -> tuple[float, float]:
        """Half-widths of an offset from so many samples. [% moisture]."""
        # At best, the SD of a sample's error taken as known from the season; and as the
        # samples by themselves give it, in root mean square. nan where not defined.
        n = self.offset.n_samples
        share = (1 + self.season.confidence) / 2
        df = [np.inf, n - 1 if n > 1 else nan]
        best, own = student_t.ppf(share, df) * self.sd_error / sqrt(n or nan)
        return float(best), float(own)

    @property
    def error_elsewhere(self) -> Estimate:
        """Error of samples in another configuration less that of the rest. [points]."""
        effects = self.audit.effects if self.audit else ()
        found = (of.change for of in effects if of.name.startswith(IN_ANOTHER))
        return next(found, not_known("no sample was taken in both"))

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


# ---- what can have put the offset wrong ----------------------------------------------

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


CAUSES = {
    row.pop("code"): Cause(**row) for row in csv_rows("kitlib.review", "causes.csv")
}


def _judged(doubtful: bool, said: str, size: float = nan, basis: str = "") -> Found:
    """Return a cause that is either in doubt or in order."""
    return Found(DOUBTFUL if doubtful else SOUND, said, size, basis)


def _tilt(setup: CurveReview) -> float:
    """Return the change of the error for each point of moisture, by the season."""
    return setup.audit.gain.value - 1 if setup.audit else nan


def _tail(setup: CurveReview) -> float:
    """Return how many SDs the half-width of an interval is."""
    return float(norm.ppf((1 + setup.season.confidence) / 2))


def _unrecorded(runs, told) -> str:
    """Say for how many runs a value is not recorded; empty if for none."""
    lacking = len(runs) - len(told)
    return f"; not recorded for {counted(lacking, 'run')}" if lacking else ""


def _by_shift(setup: CurveReview, doubted: pd.Series, said: str) -> Found:
    """Return a cause sized by what the offset would be without the runs doubted."""
    runs = setup.known
    trusted = ~doubted.reindex(runs.index, fill_value=False)
    if trusted.all():
        return Found(SOUND, said, 0.0, "no such run")
    bare = runs["sensor_pct"] - control.offsets_in(runs, setup.loaded)
    error = bare - runs["known_pct"]
    whole = error.groupby(runs["sample"]).mean().mean()
    rest = error[trusted].groupby(runs["sample"]).mean().mean()
    return Found(DOUBTFUL, said, float(abs(whole - rest)))


def _misloaded(setup: CurveReview) -> Found | None:
    wrong, given = setup.misloaded, setup.offset.setting
    if setup.read_before_loading or not wrong.known:
        return None
    level, size = setup.season.confidence, abs(wrong.value)
    said = f"{show(setup.loaded, sign=True)} was loaded, the set-up runs give "
    said += f"{show(given.value, sign=True)}"
    ends = given.interval(level)
    said += f" ({show_span(*ends, sign=True)})" if isfinite(ends.low) else ""
    off = leaves_out_zero(wrong, level) and size > setup.season.setting_step / 2
    return _judged(off, said, size)


def _chance(setup: CurveReview) -> Found:
    n = setup.known["sample"].nunique()
    size, basis = setup.half_widths[0], ""
    if not isfinite(size) and setup.offset.n_runs:
        ends = setup.offset.setting.interval(setup.season.confidence)
        size, basis = (ends.high - ends.low) / 2, "scatter of the known samples"
    allowed = setup.audit.allowed_bias if setup.audit else nan
    said = counted(n, "known sample")
    if size > allowed:
        said += f", which fix the offset to ±{show(size)} points; allowed are "
        said += f"±{show(allowed)}"
    few = n < setup.season.setup.samples
    return _judged(few or size > allowed, said, size, basis)


def _range(setup: CurveReview) -> Found:
    known, limits = setup.known["known_pct"], setup.season.setup
    low, high = float(known.min()), float(known.max())
    said, size = f"known samples {show_span(low, high, 1)} %", nan
    harvested = setup.plots["sensor_pct"].dropna()
    outside = (harvested < low) | (harvested > high)
    if len(harvested):
        said += f", {int(outside.sum())} of {len(harvested)} plots outside"
        by_sample = known.groupby(setup.known["sample"]).mean()
        size = abs(_tilt(setup) * (float(harvested.mean()) - float(by_sample.mean())))
    thin = high - low < limits.span_wanted or outside.mean() > limits.outside_share
    verdict = DOUBTFUL if high - low < limits.span else THIN if thin else SOUND
    return Found(verdict, said, size)


def _start(setup: CurveReview) -> Found:
    # The table is in the order of the file; runs without a time keep it.
    first = setup.known.sort_values("run_at", kind="stable").iloc[0]
    said = f"started at {show(first['known_pct'], 1)} % (sample {first['sample']})"
    standard = setup.season.standard_moisture_of(setup.register["crop"])
    if not isfinite(standard):
        return Found(UNRECORDED, f"{said}; the standard moisture is not known")
    away = abs(first["known_pct"] - standard)
    said += f", {show(away, 1)} points from the standard {standard:g} %"
    far = away > setup.season.setup.from_standard
    return _judged(far, said, abs(_tilt(setup)) * away)


def _temperature(setup: CurveReview) -> Found | None:
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
    return _judged(off > 0, said, abs(rate * colder), basis)


def _wetted(setup: CurveReview) -> Found | None:
    told = setup.known["water_added"].dropna().astype(bool)
    if told.empty:
        return None
    samples = setup.known["sample"]
    wetted = samples.loc[told.index[told]].nunique()
    said = f"water added to {wetted} of {samples.nunique()} samples"
    return _by_shift(setup, told, said + _unrecorded(samples, told))


def _fill(setup: CurveReview) -> Found | None:
    mass, least = setup.known["grain_mass_kg"].dropna(), setup.season.setup.grain_kg
    if mass.empty:
        return None
    light = mass < least
    said = f"{show_span(mass.min(), mass.max())} kg; {int(light.sum())} of {len(mass)} "
    said += f"runs under {least:g} kg{_unrecorded(setup.known, mass)}"
    return _by_shift(setup, light, said)


def _repeats(setup: CurveReview) -> Found:
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
    return Found(verdict, said, _tail(setup) * setup.sd_run * share)


def _reference(setup: CurveReview) -> Found | None:
    audit, n = setup.audit, setup.known["sample"].nunique()
    if audit is None or not isfinite(audit.reference_se):
        return None
    size = _tail(setup) * audit.reference_se / sqrt(n)
    said = f"oven results of {counted(n, 'sample')}, standard error "
    said += f"{show(audit.reference_se)} each"
    return _judged(size > audit.reference_limit, said, size)


def _chamber(setup: CurveReview) -> Found | None:
    told = setup.known["chamber_config"].dropna()
    own = setup.register.get("chamber_config")
    if told.empty:
        return None
    said = f"run in {listed(sorted(told.unique()))}"
    if pd.isna(own):
        said += "; the register names no chamber configuration"
        return _judged(told.nunique() > 1, said)
    other = told != own
    said += f"; the register says {own}" if other.any() else ""
    found = _by_shift(setup, other, said)
    if found.verdict == DOUBTFUL and not isfinite(found.size):
        change, basis = setup.error_elsewhere.value, "this season's samples in both"
        return Found(DOUBTFUL, said, abs(change), basis)
    return found


def _weighing(setup: CurveReview) -> Found:
    checked, runs = setup.register.get(SCALE), setup.known
    weights = int(runs["lab_test_weight_kg_hl"].notna().sum())
    verdict, scale = UNRECORDED, "whether the plot scale was checked is not recorded"
    if pd.notna(checked) and not checked:
        verdict, scale = DOUBTFUL, "the plot scale was not checked before set-up"
    elif pd.notna(checked):
        scale = "plot scale checked"
        verdict = SOUND if weights == len(runs) else UNRECORDED
    lab = f"lab test weight recorded for {weights} of {counted(len(runs), 'run')}"
    return Found(verdict, f"{scale}; {lab}")


# Each is named after its cause.
_ALL = [_misloaded, _chance, _range, _start, _temperature, _wetted, _fill]
_ALL += [_repeats, _reference, _chamber, _weighing]
_JUDGES = {f"setup{judge.__name__.replace('_', '-')}": judge for judge in _ALL}
