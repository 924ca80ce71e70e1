"""What next season's sampling can reach: from the sources of the errors to a plan.

The errors of a season are parted into what trials, samples, runs and the oven add;
from those parts follows how well a plan would know a bias and a slope, and its cost.
"""

from dataclasses import dataclass
from functools import cache
from math import hypot, isfinite, nan, sqrt
from typing import NamedTuple

import numpy as np
import pandas as pd
from scipy.stats import chi2
from scipy.stats import t as student_t

from kitlib.intake.reference import pooled_sd
from kitlib.intake.settings import CostSetting
from kitlib.statistics.clustered import clustered_fit
from kitlib.statistics.estimates import tried
from kitlib.statistics.reml import variance_components
from kitlib.trials.moisture_errors import WORTH_FINDING, entries_to_sample
from kitlib.words.terms import counted, csv_rows

MOISTURE, SENSOR, LOCATION, TRIAL = "moisture", "sensor", "location", "trial"
SAMPLE, REPEATABILITY, REFERENCE = "sample", "repeatability", "reference"
# The sources of an error in words, and what next season could do about some of them.
_ROWS = csv_rows("kitlib.review", "sources.csv")
IN_WORDS = {row["source"]: row["in_words"] for row in _ROWS}
EFFORT = {row["source"]: row["effort"] for row in _ROWS if row["effort"]}
FEW_TRIALS = 5


@dataclass(frozen=True, kw_only=True)
class ErrorSources:
    """Standard deviations of the parts of an error; independent of each other."""

    # By source, in the order of `IN_WORDS`; a source that could not be told apart is
    # not among them and is in the one named by `remark`. [% moisture]
    sds: dict[str, float]
    n: int
    n_trials: int
    dishes: float  # of a sample behind `sds["reference"]`, on average
    remark: str = ""

    @property
    def shares(self) -> dict[str, float]:
        """Share of each source in the variance of a single error, 0 to 1."""
        return _shares(self.sds)

    @property
    def shares_of_bias(self) -> dict[str, float]:
        """Share of each source in the variance of the bias, as it was sampled."""
        # Sensors and moisture are left out: the bias of a curve is that of its own
        # sensor, told at one moisture. Locations count with the trials.
        ses = {s: sd / sqrt(self.n) for s, sd in self.sds.items() if s in EFFORT}
        if TRIAL in ses:
            ses[TRIAL] = self.sd_trial / sqrt(self.n_trials)
        return _shares(ses)

    @property
    def sd_trial(self) -> float:
        """SD of the errors a trial shares, its location's too; nan if unknown."""
        return hypot(self.sds.get(TRIAL, nan), self.sds.get(LOCATION, 0.0))

    @property
    def sd_own(self) -> float:
        """SD of a reading's own error, without the reference's. [% moisture]."""
        return hypot(self.sds.get(SAMPLE, nan), self.sds.get(REPEATABILITY, 0.0))

    @property
    def sd_within(self) -> float:
        """SD of samples of one trial about each other. [% moisture]."""
        return hypot(self.sd_own, self.sds.get(REFERENCE, 0.0))

    @property
    def sd_error(self) -> float:
        """SD of one sample's error about its curve. [% moisture]."""
        shared = self.sd_trial
        return hypot(self.sd_within, shared if isfinite(shared) else 0.0)


def _shares(sds: dict[str, float]) -> dict[str, float]:
    """Return the share of each part in their variance; none where that is 0."""
    total = sum(sd**2 for sd in sds.values())
    return {name: sd**2 / total for name, sd in sds.items() if total > 0}


def error_sources(pairs: pd.DataFrame, sd_run: float = nan) -> ErrorSources | None:
    """Return the parts the errors of a curve, or of a crop's curves, are made of.

    Estimand: SDs of independent effects [% moisture]; None where the errors do not give
    them. `pairs` has the error and, in `along`, what of it a slope will correct: the
    other parts are of what is left. `sd_run` is of a run of the same grain.

    Trials and sensors by restricted maximum likelihood; the variance between trials is
    parted into locations and the rest in the ratio of a second fit. What the reference
    and the runs are known to add comes off the variance within trials, never below
    zero; the rest is the samples'.
    """
    error, trial = pairs["error"] - pairs["along"], pairs["trial"]
    # Labels that are not all known, or all the same, tell no samples apart.
    sensor, location = (
        labels if labels.notna().all() and labels.nunique() > 1 else None
        for labels in (pairs["sensor"], pairs["location"])
    )
    fit, _ = tried(variance_components, error, trial, sensor)
    if fit is None or not isfinite(fit.sd_residual):
        return None
    along = {MOISTURE: float(pairs["along"].std(ddof=0))}
    sds = along if pairs["along"].nunique() > 1 else {}
    sds |= {SENSOR: fit.sd_sensor} if isfinite(fit.sd_sensor) else {}
    sds |= {TRIAL: fit.sd_trial} if isfinite(fit.sd_trial) else {}
    if location is not None and sds.get(TRIAL, 0) > 0:
        # The second grouping is the location here, in the sensors' place.
        both, _ = tried(variance_components, error, trial, location)
        parts = {LOCATION: both.sd_sensor, TRIAL: both.sd_trial} if both else {}
        total = hypot(*parts.values())
        if total > 0:
            sds |= {name: fit.sd_trial * sd / total for name, sd in parts.items()}
    remarks, left = [fit.remark], fit.sd_residual**2
    reference_se = float(np.sqrt((pairs["reference_se"] ** 2).mean(skipna=False)))
    for name, sd in ((REFERENCE, reference_se), (REPEATABILITY, sd_run)):
        if not isfinite(sd):
            said = f"{IN_WORDS[name]} is not known and counts with the samples'"
            remarks.append(said)
            continue
        sds[name] = sqrt(min(sd**2, left))
        if sd**2 > left:
            remarks.append(f"{IN_WORDS[name]} explains all scatter within trials")
        left -= sds[name] ** 2
    sds[SAMPLE] = sqrt(max(left, 0.0))
    if TRIAL in sds and fit.n_trials < FEW_TRIALS:
        said = f"only {fit.n_trials} trials: how much they differ is poorly known"
        remarks.append(said)
    return ErrorSources(
        sds={name: float(sds[name]) for name in IN_WORDS if name in sds},
        n=len(pairs),
        n_trials=fit.n_trials,
        dishes=float(pairs["n_dishes"].mean()),
        remark="; ".join(remark for remark in remarks if remark),
    )


def along_moisture(pairs: pd.DataFrame, corrections) -> pd.Series:
    """Return the part of each error that a recommended slope takes away. [points]."""
    # About 0 on each curve's samples; 0 throughout where no slope is recommended.
    tilts = {curve: correction.tilt for curve, correction in corrections.items()}
    readings = pairs["sensor_pct"]
    centres = readings.groupby(pairs["curve"]).transform("mean")
    tilt = pairs["curve"].map(tilts).astype(float).fillna(0.0)
    return -tilt * (readings - centres)


def where_effort_pays(sources: ErrorSources, slope: bool = True) -> str:
    """Return what next season should spend effort on, and the share that it lessens.

    `slope` says whether the advice asks for one.
    """
    shares, of_error = sources.shares_of_bias, sources.shares
    if of_error.get(MOISTURE, 0.0) == max(of_error.values(), default=1.0):
        said = "Correct the slope first" if slope else "Watch the slope"
        return f"{said}: {of_error[MOISTURE]:.0%} of an error's variance."
    if TRIAL not in shares:
        return "More trials, two samples or more in each: how they differ is unknown."
    most = max(shares, key=lambda name: shares[name])
    return f"{EFFORT[most]}: {shares[most]:.0%} of the bias's variance."


# ---- what a plan reaches, and what it costs ------------------------------------------

TRIALS = (*range(2, 13), 14, 16, 20, 24, 30, 40)
SAMPLES_PER_TRIAL = (1, 2, 3, 4, 5, 6, 8, 10)
DISHES = (1, 2, 3)
BENCHTOP_PER_TRIAL = (0, 5, 10)
SIZE = ["trials", "samples_per_trial", "dishes", "benchtop_per_trial"]
OWN = "the curve's own variation"


# Hours of work, our default: a visit half a day, a sample taken, bagged and
# labelled a quarter of an hour, a dish weighed twice twelve minutes.
HOURS = CostSetting(trial=4.0, sample=0.25, dish=0.2, benchtop_reading=0.1)


@dataclass(frozen=True, kw_only=True)
class Scatter:
    """The components a plan is made from. [% moisture]."""

    sd_trial: float  # SD of the error a trial shares
    sd_own: float  # of a sample's own, runs of the sensor in it, the reference's not
    sd_dish: float = 0.0  # of one dish; 0 takes the reference as free of error
    sd_benchtop: float = nan  # of a benchtop mean's own within trials; nan: no meter
    sd_moisture: float = nan  # of the samples' moistures; nan plans no slope
    between: float = 0.5  # share of the moistures' variance between trials, 0 to 1


def bias_se(scatter: Scatter, trials, samples, dishes, benchtop=0):
    """Return the standard error of the bias under a plan. [% moisture].

    Of `samples` with an oven result in each trial and `benchtop` further ones that only
    the benchtop meter reads; it reads the former too, as a bridge. Variance =
    trial² / G + own² / (G (m + k)) + benchtop² (1 / (G m) − 1 / (G (m + k))) +
    dish² / (G m d), G trials of m oven samples and k of the benchtop alone. What the
    two meters' errors share cancels, and so does a trial's error of the benchtop meter,
    as both its phases visit the same trials.
    """
    trials, oven, more = (np.asarray(a, float) for a in (trials, samples, benchtop))
    bridge = np.where(more > 0, scatter.sd_benchtop**2, 0.0)
    variance = scatter.sd_trial**2 + scatter.sd_own**2 / (oven + more)
    variance = variance + scatter.sd_dish**2 / (oven * np.asarray(dishes, float))
    variance = variance + bridge * (1 / oven - 1 / (oven + more))
    return np.sqrt(variance / trials)


def bias_half_width(
    scatter: Scatter, trials, samples, dishes, benchtop=0, level: float = 0.95
):
    """Return the half-width of the bias's interval under a plan. [% moisture].

    In root mean square over seasons: a single season's is wider or narrower by
    chance. On trials − 1 degrees of freedom, as trials are of one size.
    """
    df = np.asarray(trials, float) - 1
    se = bias_se(scatter, trials, samples, dishes, benchtop)
    return student_t.ppf((1 + level) / 2, np.where(df > 0, df, nan)) * se


def slope_half_width(scatter: Scatter, trials, samples, dishes, level: float = 0.95):
    """Return the half-width of the slope's interval under a plan. [points per point].

    Planned for is the slope of the error on moisture, clustered by trial, in root mean
    square over seasons; nan under 3 trials. Variance = (within² + m b trial²) /
    (G m V): V the variance of the moistures, b the share of it that lies between trials
    (all of it with one sample a trial).
    """
    trials, samples, dishes = np.broadcast_arrays(trials, samples, dishes)
    share = np.where(samples > 1, scatter.between, 1.0)
    within = scatter.sd_own**2 + scatter.sd_dish**2 / dishes
    variance = within + samples * share * scatter.sd_trial**2
    se = np.sqrt(variance / (trials * samples)) / scatter.sd_moisture
    plans = zip(trials.flat, samples.flat, share.flat, strict=True)
    df = [slope_df(int(g), int(m), round(float(b), 1)) for g, m, b in plans]
    return student_t.ppf((1 + level) / 2, np.reshape(df, trials.shape)) * se


@cache
def slope_df(trials: int, samples: int, between: float) -> float:
    """Return the degrees of freedom of a planned slope, moistures evenly spread."""
    # Those of Bell and McCaffrey for the design: they depend on the moistures alone.
    # nan under 3 trials.
    if trials < 3:
        return nan
    moistures = planned_moistures(trials, samples, between).ravel()
    design = np.column_stack([np.ones_like(moistures), moistures])
    any_response = np.arange(moistures.size) % 2.0  # it has no part in the df
    trial = np.repeat(np.arange(trials), samples)
    return clustered_fit(design, any_response, trial).contrast([0.0, 1.0]).df


def planned_moistures(trials: int, samples: int, between: float) -> np.ndarray:
    """Return moistures of variance 1 about 0, spread evenly, (trials, samples)."""
    centres, steps = (np.arange(n) - (n - 1) / 2 for n in (trials, samples))
    steps = steps / steps.std() if samples > 1 else steps
    centres = centres / centres.std() * sqrt(between)
    return centres[:, None] + steps * sqrt(1 - between)


def cost_of(costs: CostSetting, trials, samples, dishes, benchtop=0):
    """Return what a plan costs."""
    trials, oven, more = (np.asarray(a, float) for a in (trials, samples, benchtop))
    read = np.where(more > 0, oven + more, 0.0)
    a_trial = costs.trial + (oven + more) * costs.sample
    a_trial = a_trial + oven * dishes * costs.dish + read * costs.benchtop_reading
    return trials * a_trial


def plan_table(
    scatter: Scatter, costs: CostSetting, wanted: float, level: float = 0.95
) -> pd.DataFrame:
    """Return what each plan reaches and costs, and the cheapest that suffices."""
    # `wanted` is the half-width of the bias's interval; `cheapest` is one plan at most,
    # of equal cost the one with fewer trials.
    meters = BENCHTOP_PER_TRIAL if isfinite(scatter.sd_benchtop) else (0,)
    axes = [TRIALS, SAMPLES_PER_TRIAL, DISHES, meters]
    table = pd.MultiIndex.from_product(axes, names=SIZE).to_frame(index=False)
    trials, samples, dishes, more = table.to_numpy().T
    half = bias_half_width(scatter, trials, samples, dishes, more, level)
    table = table.assign(
        oven_samples=trials * samples,
        half_width_bias=half,
        half_width_slope=slope_half_width(scatter, trials, samples, dishes, level),
        cost=cost_of(costs, trials, samples, dishes, more),
        # A season's squared half-width is a chi-squared about the planned one.
        chance_reached=chi2.cdf((trials - 1) * (wanted / half) ** 2, trials - 1),
        reaches=half <= wanted,
        cheapest=False,
    )
    enough = table[table["reaches"]].sort_values(["cost", *SIZE])
    table.loc[enough.index[:1], "cheapest"] = True
    return table


def cheapest(table: pd.DataFrame) -> pd.Series | None:
    """Return the cheapest plan that suffices, None if none of the table does."""
    return next((row for _, row in table[table["cheapest"]].iterrows()), None)


def efficient(table: pd.DataFrame) -> pd.DataFrame:
    """Return the plans no other one beats at the same cost or less, by cost."""
    ranked = table.sort_values(["cost", "half_width_bias"], kind="stable")
    best_before = ranked["half_width_bias"].cummin().shift(fill_value=np.inf)
    return ranked[ranked["half_width_bias"] < best_before]


@dataclass(frozen=True, eq=False)
class CurvePlan:
    """What next season's sampling of a curve can reach."""

    scatter: Scatter
    remark: str  # whose components these are
    table: pd.DataFrame  # as from `plan_table`
    wanted: float  # half-width of the bias's interval that is wanted [% moisture]

    @property
    def told(self) -> pd.DataFrame:
        """Plans to be told of: no other beats them at their cost, or they are plain."""
        table, best = self.table, efficient(self.table).index
        plain = (table["dishes"] == 2) & (table["benchtop_per_trial"] == 0)
        return table[plain | table.index.isin(best)].assign(
            wanted=self.wanted, remark=self.remark
        )


def scatter_of(
    crop: str,
    pairs: pd.DataFrame,
    own: ErrorSources | None,
    shared: ErrorSources | None,
    sd_benchtop: float,
) -> tuple[Scatter, str] | None:
    """Return what a curve's plan is made from, and whose components they are."""
    # Its own from `FEW_TRIALS` trials on, else those `shared` by its crop's curves;
    # `pairs` are the curve's samples, for their moistures. None where how much trials
    # and samples differ is not known.
    used, remark = own, OWN
    enough = own and isfinite(own.sd_trial) and own.n_trials >= FEW_TRIALS
    if not enough and shared and isfinite(shared.sd_trial):
        used = shared
        remark = f"the variation of all {crop} curves, as it has few trials of its own"
    if used is None or not isfinite(used.sd_trial) or pairs.empty:
        return None
    if used.sd_trial == 0:
        remark += f"; no difference between {counted(used.n_trials, 'trial')} was "
        remark += "detected, so this plan is optimistic"
    sd_dish = used.sds.get(REFERENCE, nan) * sqrt(used.dishes)
    if not isfinite(sd_dish):
        remark += "; a dish's error is not known and counts with the samples'"
    moisture = pairs["reference_pct"]
    centres = moisture.groupby(pairs["trial"]).transform("mean")
    variance = float(moisture.var(ddof=0))
    scatter = Scatter(
        sd_trial=used.sd_trial,
        sd_own=used.sd_own,
        sd_dish=sd_dish if isfinite(sd_dish) else 0.0,
        sd_benchtop=sd_benchtop,
        sd_moisture=sqrt(variance) if variance > 0 else nan,
        between=float(centres.var(ddof=0)) / variance if variance > 0 else 1.0,
    )
    return scatter, remark


def benchtop_sd(pairs: pd.DataFrame) -> float:
    """Return the SD of a benchtop mean's own error within trials, nan if unknown."""
    # The meter against the oven, the oven's own error taken off.
    both = pairs[pairs["benchtop_pct"].notna()]
    error = both["benchtop_pct"] - both["reference_pct"]
    sd, df = pooled_sd(error, both["meter"] + "\0" + both["trial"])
    reference = float((both["reference_se"].fillna(0.0) ** 2).mean())
    return sqrt(max(sd**2 - reference, 0.0)) if df else nan


class EntriesWanted(NamedTuple):
    """How many entries of a crop to sample in two trials each, and where."""

    curve: str  # whose plots take the fewest; empty if no scatter is known
    sd_within: float  # of its samples within trials [% moisture]
    number: int | None  # None if over 500 or not known


def entries_wanted(season, crop: str) -> EntriesWanted | None:
    """Return what sampling would find the errors that go with a crop's entries.

    None where they are known: shown to be there, or to be below what is worth finding.
    The number rises steeply with the scatter of samples: 23 entries at 0.5 points, 153
    at 1.0. So it is that of the curve that scatters least, which a breeder can afford;
    trial and season reports both say this one.
    """
    found, audits = season.entry_errors.get(crop), season.audits
    if found and found.known and (found.low > 0 or found.high <= WORTH_FINDING):
        return None
    sds = {
        curve: spread.sd_sample
        for curve, spread in season.spreads.items()
        if audits[curve].crop == crop and not audits[curve].pairs["parallel"].all()
    }
    sd, curve = min(((sd, c) for c, sd in sds.items() if sd > 0), default=(nan, ""))
    return EntriesWanted(curve, sd, entries_to_sample(sd) if curve else None)
