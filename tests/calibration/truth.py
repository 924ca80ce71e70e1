"""What is true of a scenario: the value each interval is after."""

from dataclasses import dataclass

import numpy as np
import pandas as pd

from calibration.scenarios import Scenario
from calibration.seasons import (
    PLOTS_A_TRIAL,
    chosen,
    harvest,
    weigh,
    with_own_sensors,
)
from kitlib.statistics.lines import MOST_POINTS, passing_bablok

PLOTS_DRAWN = 500_000
BAND = 2.0


@dataclass(frozen=True, kw_only=True, eq=False)
class Truth:
    """Population values of a scenario.

    Attributes
    ----------
    bias : float
        Mean error of samples like these; analytic where they are taken at random.
    total_sd : float
        SD of their errors, the reference's included.
    slope, mean_sensor, mean_reference : float
        Best straight prediction of the reference from the reading.
    robust_slope : float
        Slope by Passing and Bablok; it takes every pair, so of 1 in 50 plots only.
    gain, per_degree : float
        As the scenario says.
    bend : float
        Coefficient of the squared reference in the best parabola of the errors.
    log_spread : float
        Growth of the logarithm of the absolute errors about their line, per point.
    by_reference : Series
        Mean error of samples by 2-point band.
    moments : ndarray, shape (3, 3)
        Mean products of 1, reading and error (true moisture taken off) in plots
        of new trials.
    """

    bias: float
    total_sd: float
    slope: float
    mean_sensor: float
    mean_reference: float
    robust_slope: float
    gain: float
    per_degree: float
    bend: float
    log_spread: float
    by_reference: pd.Series
    moments: np.ndarray

    def line_bias(self, anchor: float) -> float:
        """Return how far a reading at the anchor lies above its best prediction."""
        predicted = self.mean_reference + self.slope * (anchor - self.mean_sensor)
        return anchor - predicted

    def rmse(self, shift: float, tilt: float, pivot: float) -> float:
        """Return the RMSE in new trials of readings + shift + tilt (reading - pivot).

        Against true moisture. [% moisture]
        """
        weights = np.array([shift - tilt * pivot, tilt, 1.0])
        return float(np.sqrt(weights @ self.moments @ weights))

    @property
    def best_rmse(self) -> float:
        """RMSE of the best line there is. [% moisture]."""
        past, error = self.moments[:2, :2], self.moments[:2, 2]
        return float(np.sqrt(self.moments[2, 2] - error @ np.linalg.solve(past, error)))


def truth_of(scenario: Scenario, seed: int, plots: int = PLOTS_DRAWN) -> Truth:
    """Return what is true of a scenario, by a simulation of so many plots."""
    rng = np.random.default_rng([seed, 99])
    at_random = scenario.choice == "random"
    size = 1 if at_random else PLOTS_A_TRIAL
    trials = plots // size
    drawn = harvest(with_own_sensors(scenario, trials), np.full(trials, size), rng)
    samples = drawn if at_random else chosen(scenario, drawn)
    reference, _ = weigh(scenario, samples.true_pct, rng)
    sensor = samples.sensor_pct
    error = sensor - reference
    spread = np.cov(sensor, reference)
    pairs = sensor[: plots // 50], reference[: plots // 50]
    products = np.stack([np.ones(drawn.error.size), drawn.sensor_pct, drawn.error])
    return Truth(
        bias=scenario.bias + scenario.wild_share * scenario.wild_size
        if at_random
        else float(error.mean()),
        total_sd=float(error.std()),
        slope=float(spread[0, 1] / spread[0, 0]),
        mean_sensor=float(sensor.mean()),
        mean_reference=float(reference.mean()),
        robust_slope=_robust_slope(*pairs),
        gain=scenario.gain,
        per_degree=scenario.per_degree,
        bend=float(np.polyfit(reference - reference.mean(), error, 2)[0]),
        log_spread=_log_spread(reference, error),
        by_reference=band_means(reference, error),
        moments=products @ products.T / products.shape[1],
    )


def _robust_slope(sensor, reference) -> float:
    """Return the Passing-Bablok slope, the mean over as many pairs as it takes."""
    parts = range(0, sensor.size - MOST_POINTS + 1, MOST_POINTS)
    slopes = [
        passing_bablok(sensor[k : k + MOST_POINTS], reference[k : k + MOST_POINTS])
        for k in parts
    ]
    return float(np.mean([line.slope for line in slopes]))


def band_means(moisture, error) -> pd.Series:
    """Return the mean error of each band of moisture, by its lower end."""
    return pd.Series(error).groupby(np.floor(moisture / BAND) * BAND).mean()


def _log_spread(reference, error) -> float:
    """Return the slope of a log-linear fit to the absolute errors about their line."""
    away = reference - reference.mean()
    design = np.stack([np.ones_like(away), away])
    tilt, start = np.polyfit(away, error, 1)
    size = np.abs(error - start - tilt * away)
    growth = np.array([np.log(size.mean()), 0.0])
    for _ in range(15):
        step = np.linalg.solve(
            design @ design.T, design @ (size / np.exp(growth @ design) - 1)
        )
        growth = growth + step
    return float(growth[1])
