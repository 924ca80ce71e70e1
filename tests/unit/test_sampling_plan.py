"""Half-widths of a plan: against simulation, against fits, against published ones."""

from math import isnan, sqrt

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from scipy.stats import t as student_t
from simulated_pairs import simulate_pairs

from kitlib.curves.evidence import two_phase_bias
from kitlib.review.plan import (
    Scatter,
    bias_half_width,
    bias_se,
    planned_moistures,
    slope_df,
    slope_half_width,
)
from kitlib.statistics.clustered import clustered_fit, clustered_mean

SCATTER = Scatter(sd_trial=0.3, sd_own=0.45, sd_dish=0.12, sd_moisture=2.5, between=0.6)


@pytest.mark.parametrize(
    ("trials", "samples", "dishes"), [(4, 5, 1), (8, 2, 2), (6, 3, 3), (20, 1, 1)]
)
def test_bias_against_direct_simulation(rng, trials, samples, dishes):
    seasons = 600
    pairs = simulate_pairs(
        rng,
        trials=trials,
        samples_per_trial=samples,
        bias=0.2,
        sd_trial=SCATTER.sd_trial,
        sd_sample=SCATTER.sd_own,
        sd_dish=SCATTER.sd_dish,
        dishes=dishes,
        seasons=seasons,
    )
    error = pairs["sensor_pct"] - pairs["reference_pct"]
    errors = error.to_numpy().reshape(seasons, trials * samples)
    trial = np.repeat(np.arange(trials), samples)
    found = [clustered_mean(row, trial).interval() for row in errors]
    halves = np.array([(high - low) / 2 for low, high in found])
    planned = float(bias_half_width(SCATTER, trials, samples, dishes))
    rms = sqrt((halves**2).mean())
    unsure = (halves**2).std() / sqrt(seasons) / (2 * rms)
    assert rms == approx(planned, abs=4 * unsure)
    # And the planned interval covers, the plan's degrees of freedom being those of
    # CR2 with trials of one size.
    held = np.mean([interval.holds(0.2) for interval in found])
    assert held == approx(0.95, abs=4 * sqrt(0.95 * 0.05 / seasons))
    assert clustered_mean(errors[0], trial).df == approx(trials - 1)


def test_more_trials_beat_more_samples():
    # Own simulation, 90 % intervals, SD between trials 0.3 and within 0.5: 4 x 5
    # samples give 0.44, 20 x 1 0.225, 10 x 5 0.217, 6 x 5 0.31.
    one = Scatter(sd_trial=0.3, sd_own=0.5)
    halves = bias_half_width(one, [4, 20, 10, 6], [5, 1, 5, 5], 1, level=0.90)
    assert halves == approx([0.44, 0.225, 0.217, 0.31], abs=0.005)


def test_one_trial_has_no_interval():
    assert isnan(bias_half_width(SCATTER, 1, 10, 2))


@pytest.mark.parametrize("samples", [1, 4])
def test_slope_against_direct_simulation(rng, samples):
    trials, seasons = 8, 500
    share = SCATTER.between if samples > 1 else 1.0
    moisture = SCATTER.sd_moisture * planned_moistures(trials, samples, share)
    x = moisture.ravel()
    trial = np.repeat(np.arange(trials), samples)
    design = np.column_stack([np.ones_like(x), x])
    shared = rng.normal(0, SCATTER.sd_trial, (seasons, trials))[:, trial]
    within = sqrt(SCATTER.sd_own**2 + SCATTER.sd_dish**2 / 2)
    errors = shared + rng.normal(0, within, (seasons, x.size))
    fits = [clustered_fit(design, row, trial).contrast([0, 1]) for row in errors]
    slopes = np.array([fit.value for fit in fits])
    planned = float(slope_half_width(SCATTER, trials, samples, 2))
    df = slope_df(trials, samples, share)
    assert [fit.df for fit in fits[:3]] == approx([df] * 3)
    se = planned / student_t.ppf(0.975, df)
    assert slopes.std() == approx(se, rel=4 / sqrt(2 * seasons))


def test_slope_variance_is_that_of_generalised_least_squares_algebra():
    # X'VX by brute force, V of the whole season.
    trials, samples = 5, 3
    x = 2.0 * planned_moistures(trials, samples, 0.6).ravel()
    one = Scatter(sd_trial=0.3, sd_own=0.5, sd_dish=0.2, sd_moisture=2.0, between=0.6)
    same = np.kron(np.eye(trials), np.ones((samples, samples)))
    v = 0.3**2 * same + (0.5**2 + 0.2**2 / 2) * np.eye(x.size)
    bread = np.linalg.inv(np.array([[x.size, x.sum()], [x.sum(), x @ x]]))
    design = np.column_stack([np.ones_like(x), x])
    exact = sqrt((bread @ design.T @ v @ design @ bread)[1, 1])
    quantile = student_t.ppf(0.975, slope_df(trials, samples, 0.6))
    assert slope_half_width(one, trials, samples, 2) / quantile == approx(exact)


def test_planned_moistures_are_as_spread_as_said():
    found = planned_moistures(7, 4, 0.3)
    assert found.mean() == approx(0, abs=1e-12)
    assert found.var() == approx(1)
    assert found.mean(axis=1).var() == approx(0.3)


def test_slope_needs_three_trials_and_a_spread():
    assert isnan(slope_half_width(SCATTER, 2, 5, 1))
    none = Scatter(sd_trial=0.3, sd_own=0.5)
    assert np.isnan(slope_half_width(none, [5, 10], 4, 1)).all()


def test_benchtop_samples_against_direct_simulation(rng):
    # The SD of the two-phase bias over seasons is the planned standard error, although
    # both meters share errors and the benchtop meter has one of its own in each trial.
    one = Scatter(sd_trial=0.3, sd_own=0.5, sd_dish=0.1, sd_benchtop=0.25)
    trials, oven, more, dishes = 6, 3, 9, 2
    trial = np.repeat(np.arange(trials), oven + more)
    dried = np.tile(np.arange(oven + more) < oven, trials)
    found = []
    for _ in range(600):
        own, meter = rng.normal(size=(2, trial.size))
        common = rng.normal(size=trials)[trial]
        bench = 0.25 * (0.6 * own + 0.8 * meter) + 0.2 * common
        sensor = 0.3 * rng.normal(size=trials)[trial] + 0.5 * own
        dish = rng.normal(0, 0.1 / sqrt(dishes), trial.size)
        measured = {"sensor_pct": sensor, "benchtop_pct": bench, "reference_pct": dish}
        samples = pd.DataFrame({**measured, "trial": trial, "used": dried})
        found.append(two_phase_bias(samples).value)
    planned = float(bias_se(one, trials, oven, dishes, more))
    assert np.std(found) == approx(planned, rel=4 / sqrt(1200))
    assert planned < float(bias_se(one, trials, oven, dishes))


def test_a_benchtop_meter_no_better_than_the_sensor_is_no_help():
    poor = Scatter(sd_trial=0.0, sd_own=0.3, sd_benchtop=0.6)
    assert bias_se(poor, 6, 3, 1, 9) > bias_se(poor, 6, 3, 1)


def test_without_a_meter_no_benchtop_samples_are_planned():
    unmetered = Scatter(sd_trial=0.3, sd_own=0.5)
    assert isnan(bias_se(unmetered, 6, 3, 1, 9))
    assert not isnan(bias_se(unmetered, 6, 3, 1))
