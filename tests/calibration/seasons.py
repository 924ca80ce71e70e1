"""Seasons drawn from a scenario: readings, oven values, and what is true."""

from dataclasses import dataclass, replace

import numpy as np

from calibration.scenarios import MOISTURE_MEAN, TEMPERATURE_MEAN, Scenario

PLOTS_A_TRIAL = 20  # where samples are chosen among them
BENCH_BIAS, SD_BENCH_TRIAL, SD_BENCH = 0.4, 0.10, 0.25


@dataclass(frozen=True, kw_only=True, eq=False)
class Plots:
    """Harvested plots, arrays of one length.

    Attributes
    ----------
    trial : ndarray of int
    true_pct, sensor_pct, temperature : ndarray
    sensor_error : ndarray
        The part of the error that belongs to the plot's sensor.
    """

    trial: np.ndarray
    true_pct: np.ndarray
    sensor_pct: np.ndarray
    temperature: np.ndarray
    sensor_error: np.ndarray

    def only(self, rows) -> "Plots":
        """Return some of the plots."""
        return Plots(**{name: value[rows] for name, value in vars(self).items()})

    @property
    def error(self) -> np.ndarray:
        """Reading less true moisture. [% moisture]."""
        return self.sensor_pct - self.true_pct


@dataclass(frozen=True, kw_only=True, eq=False)
class DrawnSeason:
    """What an audit gets to see of one season, and the harvest it came from.

    Attributes
    ----------
    samples : Plots
        Plots with an oven value.
    reference_pct : ndarray
        Their oven values.
    reference_se : float
        Standard error of an oven value from its dishes; nan for one dish.
    harvest : Plots
        All plots of the trials.
    bench : Plots
        Plots the benchtop meter measured.
    bench_pct : ndarray
        Its readings.
    in_oven : ndarray of bool
        Which of them have an oven value, in the order of `samples`.
    """

    samples: Plots
    reference_pct: np.ndarray
    reference_se: float
    harvest: Plots
    bench: Plots
    bench_pct: np.ndarray
    in_oven: np.ndarray


def draw_season(scenario: Scenario, rng: np.random.Generator) -> DrawnSeason:
    """Return one season of a scenario."""
    if scenario.choice == "random":
        oven = np.array(scenario.samples)
        taken = oven + np.array(scenario.bench or [0] * len(oven))
        plots = np.maximum(taken, PLOTS_A_TRIAL)
        harvested = harvest(scenario, plots, rng)
        place = np.concatenate([np.arange(size) for size in plots])
        measured = harvested.only(place < taken[harvested.trial])
        in_oven = (place < oven[harvested.trial])[place < taken[harvested.trial]]
        samples = measured.only(in_oven)
    else:
        harvested = harvest(scenario, [PLOTS_A_TRIAL] * len(scenario.samples), rng)
        samples = measured = chosen(scenario, harvested)
        in_oven = np.ones(samples.trial.size, bool)
    reference, reference_se = weigh(scenario, samples.true_pct, rng)
    return DrawnSeason(
        samples=samples,
        reference_pct=reference,
        reference_se=reference_se,
        harvest=harvested,
        bench=measured,
        bench_pct=_benchtop(measured, rng),
        in_oven=in_oven,
    )


def draw_one_more(scenario: Scenario, rng: np.random.Generator) -> float:
    """Return the error of one sample of a trial of its own, taken as the others."""
    at_random = scenario.choice == "random"
    alone = with_own_sensors(scenario, 1)
    plots = harvest(alone, [1 if at_random else PLOTS_A_TRIAL], rng)
    samples = plots if at_random else chosen(scenario, plots)
    reference, _ = weigh(scenario, samples.true_pct, rng)
    return float(rng.choice(samples.sensor_pct - reference))


def harvest(scenario: Scenario, sizes, rng: np.random.Generator) -> Plots:
    """Return plots of so many trials, `sizes` to a trial."""
    sizes = np.asarray(sizes)
    trial = np.repeat(np.arange(sizes.size), sizes)
    between, within = rng.standard_normal(sizes.size), rng.standard_normal(trial.size)
    away = scenario.between * between[trial] + scenario.within * within
    between, within = rng.standard_normal(sizes.size), rng.standard_normal(trial.size)
    warmth = 4.0 * between[trial] + 2.0 * within
    spread = scenario.between**2 + scenario.within**2
    error = scenario.bias + (scenario.gain - 1) * away
    error += scenario.bend * (spread - away**2) / 16.0
    error += scenario.per_degree * warmth
    error += scenario.sd_trial * standard_errors(scenario.form, sizes.size, rng)[trial]
    if scenario.by_trial_moisture:
        level = np.bincount(trial, away) / np.maximum(sizes, 1)
        error += scenario.by_trial_moisture * level[trial]
    if scenario.wild_share:
        wild = rng.random(sizes.size) < scenario.wild_share
        error += scenario.wild_size * wild[trial]
    own = standard_errors(scenario.form, trial.size, rng)
    error += scenario.sd_sample * np.exp(scenario.growth * away) * own
    sensor_error = np.zeros(trial.size)
    if scenario.sensors:
        place = np.arange(trial.size) if scenario.sensors_cross else trial
        effects = scenario.sd_sensor * rng.standard_normal(scenario.sensors)
        sensor_error = effects[place % scenario.sensors]
    true_pct = MOISTURE_MEAN + away
    return Plots(
        trial=trial,
        true_pct=true_pct,
        sensor_pct=true_pct + error + sensor_error,
        temperature=TEMPERATURE_MEAN + warmth,
        sensor_error=sensor_error,
    )


def with_own_sensors(scenario: Scenario, trials: int) -> Scenario:
    """Return the scenario with a sensor of its own in each trial."""
    return replace(
        scenario, sensors=trials if scenario.sensors else 0, sensors_cross=False
    )


def standard_errors(form: str, n: int, rng: np.random.Generator) -> np.ndarray:
    """Return errors of mean 0 and SD 1."""
    if form == "heavy":
        return rng.standard_t(4, n) / np.sqrt(2.0)
    if form == "skewed":
        return rng.standard_exponential(n) - 1.0
    return rng.standard_normal(n)


def chosen(scenario: Scenario, plots: Plots) -> Plots:
    """Return the plots picked by their readings, as many in every trial."""
    order = np.lexsort([plots.sensor_pct, plots.trial]).reshape(-1, PLOTS_A_TRIAL)
    n = scenario.samples[0]
    picked = order[:, -n:]
    if scenario.choice == "extremes":
        picked = np.hstack([order[:, : n // 2], order[:, -(n - n // 2) :]])
    return plots.only(picked.ravel())


def weigh(scenario: Scenario, true_pct, rng: np.random.Generator):
    """Return oven values and their standard error as the dishes show it."""
    dishes = rng.standard_normal((scenario.dishes, true_pct.size)) * scenario.sd_dish
    reference = true_pct + dishes.mean(axis=0)
    if scenario.gross_share:
        slips = rng.random(true_pct.size) < scenario.gross_share
        up = rng.choice([-1.0, 1.0], true_pct.size)
        reference = reference + scenario.gross_size * slips * up
    if scenario.dishes == 1:
        return reference, np.nan
    pooled = np.sqrt(dishes.var(axis=0, ddof=1).mean())
    return reference, float(pooled / np.sqrt(scenario.dishes))


def _benchtop(plots: Plots, rng) -> np.ndarray:
    """Return the benchtop meter's readings of plots."""
    shared = SD_BENCH_TRIAL * rng.standard_normal(plots.trial.max() + 1)
    own = SD_BENCH * rng.standard_normal(plots.trial.size)
    return plots.true_pct + BENCH_BIAS + shared[plots.trial] + own
