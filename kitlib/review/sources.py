"""Where the error of a curve comes from, and what would make its bias better known."""

from dataclasses import dataclass
from math import isfinite, nan, sqrt

import numpy as np
import pandas as pd

from kitlib.statistics.arrays import tried
from kitlib.statistics.components import variance_components

MOISTURE, SENSOR, LOCATION, TRIAL = "moisture", "sensor", "location", "trial"
SAMPLE, REPEATABILITY, REFERENCE = "sample", "repeatability", "reference"
SOURCES = (MOISTURE, SENSOR, LOCATION, TRIAL, SAMPLE, REPEATABILITY, REFERENCE)
# No part of a curve's own bias, which is told at one moisture.
NOT_OF_BIAS = (MOISTURE, SENSOR, LOCATION)
IN_WORDS = {
    MOISTURE: "what a slope would correct",
    SENSOR: "differences between sensors",
    LOCATION: "differences between locations",
    TRIAL: "differences between trials",
    SAMPLE: "the samples' own errors",
    REPEATABILITY: "the sensor's repeatability",
    REFERENCE: "the reference's error",
}
FEW_TRIALS = 5


@dataclass(frozen=True, kw_only=True)
class ErrorSources:
    """Standard deviations of the parts of an error; independent of each other.

    Attributes
    ----------
    sds : dict of float
        SD by source, in the order of `SOURCES`; a source that could not be told
        apart is not among them and is in the one named by `remark`. [% moisture]
    n, n_trials : int
    dishes : float
        Dishes of a sample behind `sds["reference"]`, on average.
    remark : str
    """

    sds: dict[str, float]
    n: int
    n_trials: int
    dishes: float
    remark: str = ""

    @property
    def variance(self) -> float:
        """Variance of a single error about the bias. [points²]."""
        return sum(sd**2 for sd in self.sds.values())

    @property
    def shares(self) -> dict[str, float]:
        """Share of each source in the variance of a single error, 0 to 1."""
        total = self.variance
        return {name: sd**2 / total for name, sd in self.sds.items() if total > 0}

    @property
    def shares_of_bias(self) -> dict[str, float]:
        """Share of each source in the variance of the bias, as it was sampled.

        Sensors and moisture are left out: the bias of a curve is that of its own
        sensor, told at one moisture. Locations count with the trials.
        """
        parts = {
            name: sd**2 / self.n
            for name, sd in self.sds.items()
            if name not in NOT_OF_BIAS
        }
        if TRIAL in parts:
            parts[TRIAL] = self.sd_trial**2 / self.n_trials
        total = sum(parts.values())
        return {name: part / total for name, part in parts.items() if total > 0}

    @property
    def sd_trial(self) -> float:
        """SD of the errors a trial shares, its location's among them; nan if unknown.

        What trials of a curve differ by. [% moisture]
        """
        if TRIAL not in self.sds:
            return nan
        return sqrt(self.sds[TRIAL] ** 2 + self.sds.get(LOCATION, 0.0) ** 2)

    @property
    def sd_own(self) -> float:
        """SD of a reading's own error, without the reference's. [% moisture]."""
        parts = (self.sds.get(SAMPLE, nan), self.sds.get(REPEATABILITY, 0.0))
        return sqrt(sum(part**2 for part in parts))

    @property
    def sd_dish(self) -> float:
        """SD of one dish, nan if not known. [% moisture]."""
        return self.sds.get(REFERENCE, nan) * sqrt(self.dishes)

    @property
    def sd_error(self) -> float:
        """SD of one sample's error about its curve. [% moisture]."""
        parts = [sd for name, sd in self.sds.items() if name not in (SENSOR, MOISTURE)]
        return sqrt(sum(sd**2 for sd in parts))


def error_sources(
    error,
    trial,
    reference_se: float = nan,
    dishes: float = nan,
    sd_run: float = nan,
    sensor=None,
    location=None,
    along=None,
) -> ErrorSources | None:
    """Return the parts the errors of a curve, or of a crop's curves, are made of.

    Estimand: SDs of independent effects of sensors, locations, trials, samples,
    runs and the reference. None where the errors do not give them.

    Parameters
    ----------
    error, trial : array_like, shape (n,)
        Errors [% moisture] and their trials.
    reference_se : float
        Standard error of a reference value: the oven's part. [% moisture]
    dishes : float
        Dishes of a sample, on average.
    sd_run : float
        SD of a run of the same grain by the same sensor. [% moisture]
    sensor, location : array_like, shape (n,), optional
        Of each sample, all known.
    along : array_like, shape (n,), optional
        The part of each error that goes with moisture, as a slope that is to be
        corrected has it; the other parts are of what is left. [% moisture]

    Notes
    -----
    Trials and sensors by restricted maximum likelihood; the variance between
    trials is parted into locations and the rest in the ratio of a second fit, of
    locations and trials. What the reference and the runs are known to add comes
    off the variance within trials, never below zero; the rest is the samples'.

    Examples
    --------
    >>> found = error_sources([1, 3, 7, 9, 4, 6], list("AABBCC"), reference_se=0.5)
    >>> {name: round(sd**2, 2) for name, sd in found.sds.items()}
    {'trial': 8.0, 'sample': 1.75, 'reference': 0.25}
    """
    error = np.asarray(error, float)
    sds, remarks = {}, []
    if along is not None and np.ptp(along) > 0:
        sds[MOISTURE] = float(np.std(along))
        error = error - np.asarray(along, float)
    fit, _ = tried(variance_components, error, trial, sensor)
    if fit is None or not isfinite(fit.sd_residual):
        return None
    remarks.append(fit.remark)
    if isfinite(fit.sd_sensor):
        sds[SENSOR] = float(fit.sd_sensor)
    if isfinite(fit.sd_trial):
        sds |= _by_location(error, trial, location, float(fit.sd_trial))
    sds |= _within(fit.sd_residual, sd_run, reference_se, remarks)
    if TRIAL in sds and fit.n_trials < FEW_TRIALS:
        remarks.append(
            f"only {fit.n_trials} trials: how much they differ is poorly known"
        )
    return ErrorSources(
        sds={name: sds[name] for name in SOURCES if name in sds},
        n=fit.n,
        n_trials=fit.n_trials,
        dishes=dishes,
        remark="; ".join(remark for remark in remarks if remark),
    )


def _by_location(error, trial, location, sd_trial: float) -> dict[str, float]:
    """Return the SD between trials, parted by location where there is one."""
    if location is None or sd_trial == 0:
        return {TRIAL: sd_trial}
    # The second grouping of the fit is the location here, in the sensors' place.
    fit, _ = tried(variance_components, error, trial, location)
    if fit is None or not (isfinite(fit.sd_sensor) and isfinite(fit.sd_trial)):
        return {TRIAL: sd_trial}
    both = fit.sd_sensor**2 + fit.sd_trial**2
    share = fit.sd_sensor**2 / both if both > 0 else 0.0
    return {
        LOCATION: float(sd_trial * sqrt(share)),
        TRIAL: float(sd_trial * sqrt(1 - share)),
    }


def _within(sd_residual, sd_run, reference_se, remarks) -> dict[str, float]:
    """Return what the scatter within trials is made of."""
    left, parts = sd_residual**2, {}
    for name, sd in ((REFERENCE, reference_se), (REPEATABILITY, sd_run)):
        if not isfinite(sd):
            remarks.append(
                f"{IN_WORDS[name]} is not known and counts with the samples'"
            )
            continue
        parts[name] = sqrt(min(sd**2, left))
        if sd**2 > left:
            remarks.append(f"{IN_WORDS[name]} explains all scatter within trials")
        left -= parts[name] ** 2
    return {SAMPLE: sqrt(max(left, 0.0)), **parts}


def sources_of(pairs: pd.DataFrame, sd_run: float, curves: bool = False):
    """Return what the errors of pairs are made of; None where they do not tell.

    `along` is the part of each error that goes with moisture, see `along_moisture`;
    `curves` takes the curve for a sensor that is not named, for a whole crop.
    """
    if pairs.empty:
        return None
    sensor = pairs["sensor"].fillna(pairs["curve"]) if curves else pairs["sensor"]
    return error_sources(
        pairs["error"],
        pairs["trial"],
        reference_se=float(np.sqrt((pairs["reference_se"] ** 2).mean(skipna=False))),
        dishes=float(pairs["n_dishes"].mean()),
        sd_run=sd_run,
        sensor=_labels(sensor),
        location=_labels(pairs["location"]),
        along=pairs["along"],
    )


def _labels(column: pd.Series):
    """Return labels to tell samples apart by, None where they do not."""
    return column if column.notna().all() and column.nunique() > 1 else None


def along_moisture(pairs: pd.DataFrame, corrections) -> pd.Series:
    """Return the part of each error that a recommended slope takes away. [points].

    About 0 on each curve's samples; 0 throughout where no slope is recommended.
    """
    along = pd.Series(0.0, index=pairs.index)
    for curve, rows in pairs.groupby("curve").groups.items():
        found = corrections.get(curve)
        if found is not None:
            readings = pairs.loc[rows, "sensor_pct"].to_numpy(float)
            along[rows] = -found.tilt * (readings - readings.mean())
    return along


def where_effort_pays(sources: ErrorSources) -> str:
    """Return one sentence on what next season should spend effort on.

    Examples
    --------
    >>> found = error_sources([1, 3, 7, 9, 4, 6], list("AABBCC"), reference_se=0.5)
    >>> where_effort_pays(found)
    'Visit more trials: 89% of the variance of the bias lies in differences between \
trials.'
    """
    shares, of_error = sources.shares_of_bias, sources.shares
    if of_error.get(MOISTURE, 0.0) == max(of_error.values(), default=1.0):
        return (
            f"Correct the slope first: {of_error[MOISTURE]:.0%} of the variance of an "
            "error goes with moisture, and no sampling takes that away."
        )
    if TRIAL not in shares:
        return (
            "Take samples in more trials, two or more in each: how much trials differ "
            "is not known, and everything else rests on it."
        )
    most = max(shares, key=lambda name: shares[name])
    said = f"{shares[most]:.0%} of the variance of the bias lies in {IN_WORDS[most]}"
    advice = {
        TRIAL: f"Visit more trials: {said}.",
        SAMPLE: f"Take more samples, spread over more trials: {said}.",
        REPEATABILITY: f"Repeat the readings, or take more samples: {said}.",
        REFERENCE: f"Dry more dishes of each sample: {said}.",
    }
    return advice[most]
