"""How one curve was set up: what its runs give for the offset, and how well."""

from dataclasses import dataclass, replace
from functools import cached_property
from math import isfinite, nan, sqrt

import numpy as np
import pandas as pd
from scipy.stats import chi2, norm
from scipy.stats import t as student_t

from kitlib.curves.audit import CurveAudit
from kitlib.intake.settings import Season, SetupLimits
from kitlib.review.history import difference, season_setting
from kitlib.statistics.arrays import cluster_codes, finite_array, sums_by_cluster, tried
from kitlib.statistics.lines import gain
from kitlib.words.errors import TooFewSamples
from kitlib.words.estimates import NO_INTERVAL, Estimate, Interval, not_known

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
