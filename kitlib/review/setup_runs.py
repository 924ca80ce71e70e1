"""How near the readings of one and the same grain lie to each other.

Set-up and check runs of one curve, restated and made ready to be judged.

Plots harvested in another chamber configuration than their curve's own.

The offset the set-up runs ask for, and how near such an offset could have been.
"""

from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np
import pandas as pd
from scipy.stats import chi2, norm
from scipy.stats import t as student_t

from kitlib.review.check_samples import SetupChart, setup_chart
from kitlib.review.control_charts import (
    CheckRuns,
    calibration_line,
    check_runs,
    offset_at,
)
from kitlib.statistics.arrays import cluster_codes, finite_array, sums_by_cluster, tried
from kitlib.words.errors import TooFewSamples
from kitlib.words.estimates import NO_INTERVAL, Estimate, Interval


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
    filled anew each time. It holds neither the error a sample keeps from run to
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


# Optional column of set-up and check runs: the offset each reading holds.
IN_FORCE = "offset_in_force"


def loaded_offset(register: pd.Series) -> float:
    """Return the offset loaded, nan where several were and which is not known."""
    return nan if register["offset_mixed"] else float(register["offset_loaded"])


def offsets_in(runs: pd.DataFrame, default) -> np.ndarray:
    """Return the offset in each reading: as recorded, or `default`. [% moisture]."""
    default = np.broadcast_to(np.asarray(default, float), len(runs))
    if IN_FORCE not in runs:
        return default.copy()
    told = pd.to_numeric(runs[IN_FORCE], errors="coerce").to_numpy(float)
    return np.where(np.isfinite(told), told, default)


def repeated_runs(setup: pd.DataFrame, checks: pd.DataFrame) -> pd.DataFrame:
    """Return the errors of a curve's runs with a label for those that repeat another.

    Set-up runs repeat within a sample, check runs within a sample and day. Columns
    error, repeats.
    """
    parts = []
    for runs, days in ((setup, False), (checks, True)):
        whole = runs[runs[["known_pct", "sensor_pct"]].notna().all(axis=1)]
        label = whole["sample"].astype(str)
        if days:
            label = label + whole["run_at"].dt.strftime(" on %Y-%m-%d")
            whole, label = whole[label.notna()], label[label.notna()]
        error = whole["sensor_pct"] - whole["known_pct"] - offsets_in(whole, 0.0)
        parts.append(pd.DataFrame({"error": error, "repeats": label.astype(object)}))
    return pd.concat(parts, ignore_index=True)


def repeats_of(runs: pd.DataFrame) -> Repeatability:
    """Return the repeatability of runs as `repeated_runs` gives them."""
    return repeatability(runs["error"], runs["repeats"])


def checks_of(
    setup: pd.DataFrame, checks: pd.DataFrame, plots: pd.DataFrame, loaded: float
) -> CheckRuns | None:
    """Return a curve's check runs day by day, set-up runs of the same samples first.

    None where there are none.
    """
    if checks.empty or not isfinite(loaded):
        return None
    by_plots = offset_at(
        checks["run_at"], plots["harvested_at"], plots["offset_in_force"], loaded
    )
    early = setup[setup["sample"].isin(checks["sample"])]
    columns = ["sample", "known_pct", "sensor_pct", "run_at"]
    runs = pd.concat(
        [early[columns].assign(at_setup=True), checks[columns].assign(at_setup=False)],
        ignore_index=True,
    )
    offset = [offsets_in(early, loaded), offsets_in(checks, by_plots)]
    found = check_runs(runs, np.concatenate(offset), loaded)
    return found if len(found.cells) else None


def setup_chart_of(
    checks: CheckRuns | None, setup: pd.DataFrame, loaded: float, level: float
) -> SetupChart | None:
    """Return the chart of check samples against the set-up runs' line.

    The retained samples themselves are not on the line; each other counts once.
    """
    if checks is None:
        return None
    rest = setup[~setup["sample"].isin(checks.cells["sample"])]
    reading = rest["sensor_pct"] - offsets_in(rest, loaded) + loaded
    means = rest.assign(sensor_pct=reading).groupby("sample")
    means = means[["known_pct", "sensor_pct"]].mean().dropna()
    line, _ = tried(calibration_line, means["known_pct"], means["sensor_pct"])
    if line is None or not line.residual_sd > 0:
        return None
    return setup_chart(checks, line, level)


@dataclass(frozen=True, kw_only=True)
class OtherConfiguration:
    """Plots harvested in another chamber configuration than their curve's.

    Attributes
    ----------
    n_plots, n_other : int
        Plots whose configuration is recorded, and those in another one.
    configurations : tuple of str
        The others.
    change : Estimate
        Error of samples in another configuration less that of the rest, where
        there are samples of both. [% moisture]
    """

    n_plots: int
    n_other: int
    configurations: tuple[str, ...]
    change: Estimate


def other_configuration(own, at_harvest, change: Estimate) -> OtherConfiguration:
    """Return how many plots were harvested in another configuration than `own`.

    Parameters
    ----------
    own : str
        The curve's own configuration; nan if not known.
    at_harvest : array_like of str, shape (n,)
        Of each plot; nan where not known.
    change : Estimate
        How far it moves the error, not known if no sample tells.

    Examples
    --------
    >>> found = other_configuration("wide", ["wide", "narrow"], Estimate(value=0.4))
    >>> found.n_other, found.configurations
    (1, ('narrow',))
    """
    told = pd.Series(at_harvest, dtype=object).dropna()
    other = told[told != own] if pd.notna(own) else told.iloc[:0]
    return OtherConfiguration(
        n_plots=len(told),
        n_other=len(other),
        configurations=tuple(sorted(set(other))),
        change=change,
    )


OVER_SAMPLES, OVER_RUNS = "t over samples", "t over runs"
ROUNDING = 1e-9  # an error below this is that of decimal numbers in binary
ONE_SAMPLE = "one sample only: how samples differ is not in this interval"


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
    """Return the offset that the runs of known samples ask for.

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
    asked = known - bare
    codes, n_samples = cluster_codes("setup_offset: sample", sample, known.size)
    counts = np.bincount(codes, minlength=n_samples)
    means = sums_by_cluster(codes, n_samples, asked) / counts
    return SetupOffset(
        setting=_mean_of_samples(means, asked),
        runs=repeatability(asked, codes),
        sd_means=float(means.std(ddof=1)) if n_samples > 1 else nan,
        sd_reference=sd_reference,
        n_samples=n_samples,
        n_runs=known.size,
        mean_share=float(np.mean(1 / counts)),
    )


def _mean_of_samples(means, asked) -> Estimate:
    """Return the mean over samples; of one sample over its runs, saying so."""
    values, method, remark = means, OVER_SAMPLES, ""
    if means.size == 1:
        values, method, remark = asked, OVER_RUNS, ONE_SAMPLE
    value, n = float(means.mean()), values.size
    if n < 2:
        return Estimate(value=value, remark="one run has no spread")
    se = float(values.std(ddof=1)) / sqrt(n)
    if se < ROUNDING:
        return Estimate(value=value, remark="no scatter, so no error is known")
    return Estimate(value=value, se=se, df=n - 1, method=method, remark=remark)


@dataclass(frozen=True, kw_only=True)
class Reach:
    """How near to the truth an offset from n samples can be.

    Attributes
    ----------
    n_samples : int
    sd : float
        SD of the error of a sample drawn at random. [% moisture]
    at_best : float
        Half-width of the interval were that SD known. [% moisture]
    claimed : float
        Half-width that n samples by themselves give, their SD being estimated from
        them; in root mean square. nan with one sample. [% moisture]
    """

    n_samples: int
    sd: float
    at_best: float
    claimed: float


def reach_of(n_samples: int, sd: float, level: float = 0.95) -> Reach:
    """Return how near an offset from so many samples could have been.

    Parameters
    ----------
    n_samples : int
    sd : float
        SD of a sample's error about the curve's bias, such as a season shows it:
        between and within trials. [% moisture]
    level : float

    Examples
    --------
    >>> found = reach_of(3, 0.6)
    >>> print(f"at best ±{found.at_best:.2f}, from themselves ±{found.claimed:.2f}")
    at best ±0.68, from themselves ±1.49
    """
    if n_samples < 1:
        raise TooFewSamples("reach_of: got no sample; needs at least one.")
    se, tail = sd / sqrt(n_samples), (1 + level) / 2
    df = n_samples - 1
    return Reach(
        n_samples=n_samples,
        sd=sd,
        at_best=float(norm.ppf(tail)) * se,
        claimed=float(student_t.ppf(tail, df)) * se if df else nan,
    )
