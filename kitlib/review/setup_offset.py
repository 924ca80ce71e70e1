"""The offset the set-up runs ask for, and how near such an offset could have been."""

from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np
from scipy.stats import norm
from scipy.stats import t as student_t

from kitlib.review.repeatability import Repeatability, repeatability
from kitlib.statistics.arrays import cluster_codes, finite_array, sums_by_cluster
from kitlib.words.errors import TooFewSamples
from kitlib.words.estimates import Estimate

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
