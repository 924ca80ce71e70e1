"""Bias and gain over the harvested plots, whatever the samples were picked by."""

import numpy as np
import pytest
from pytest import approx

from kitlib.statistics.agreement import beside_plots, bias_over_plots, gain_over_plots


def harvest(rng, trials=400, plots=20, gain=1.0):
    """Return readings, true moistures and trials of many plots."""
    trial = np.repeat(np.arange(trials), plots)
    true = 18 + 2.5 * rng.standard_normal(trials)[trial]
    true += 1.2 * rng.standard_normal(trial.size)
    sensor = 18 + gain * (true - 18) + 0.25 * rng.standard_normal(trials)[trial]
    return sensor + 0.45 * rng.standard_normal(trial.size), true, trial


def picked(sensor, trial, ends):
    """Return which plots are sampled: the wettest four, or two at either end."""
    order = np.lexsort([sensor, trial]).reshape(trial.max() + 1, -1)
    rows = np.hstack([order[:, :2], order[:, -2:]]) if ends else order[:, -4:]
    return rows.ravel()


def beside(sensor, true, trial, rows):
    return beside_plots(sensor[rows], true[rows], trial[rows], sensor, trial)


@pytest.mark.parametrize("ends", [True, False])
def test_what_samples_are_picked_by_does_not_move_it(rng, ends):
    sensor, true, trial = harvest(rng, gain=0.95)
    rows = picked(sensor, trial, ends)
    samples = beside(sensor, true, trial, rows)
    bias, gain = bias_over_plots(samples), gain_over_plots(samples, 0.0)
    assert abs(bias.value - np.mean(sensor - true)) < 3 * bias.se
    assert abs(gain.value - 0.95) < 3 * gain.se
    assert gain.se < 0.01 and bias.se < 0.05
    if not ends:  # the samples by themselves lie far off
        assert np.mean((sensor - true)[rows]) > np.mean(sensor - true) + 0.10


def test_all_plots_sampled_give_their_mean_error_and_their_slope(rng):
    sensor, true, trial = harvest(rng, trials=30)
    samples = beside(sensor, true, trial, np.arange(trial.size))
    assert bias_over_plots(samples).value == approx(np.mean(sensor - true))
    # Without reference error the gain is least squares of sensor on reference.
    slope = np.polyfit(true, sensor, 1)[0]
    assert gain_over_plots(samples, 0.0).value == approx(slope, rel=0.01)


def test_error_of_the_reference_is_taken_out(rng):
    sensor, true, trial = harvest(rng, trials=2000)
    reference = true + 0.8 * rng.standard_normal(true.size)
    samples = beside(sensor, reference, trial, np.arange(trial.size))
    assert gain_over_plots(samples, 0.8).value == approx(1.0, abs=0.01)
    assert gain_over_plots(samples, 0.0).value < 0.95


def test_samples_of_trials_without_readings_are_left_out():
    samples = beside_plots(
        [15.0, 16, 17], [15.0, 16, 17], list("AAB"), [15, 16, np.nan], list("AAB")
    )
    assert samples.sensor.tolist() == [15.0, 16.0]
    assert samples.away.tolist() == [-0.5, 0.5]
    assert "2 samples" in bias_over_plots(samples).remark


def test_too_little_is_not_known():
    trial = list("AABBCC")
    reading = np.array([14.0, 15, 16, 17, 18, 19])
    samples = beside_plots(reading, reading, trial, reading, trial)
    assert "4 trials" in gain_over_plots(samples, 0.1).remark
    assert "one dish" in gain_over_plots(samples, np.nan).remark


def test_readings_against_the_reference_have_no_gain(rng):
    sensor, true, trial = harvest(rng, trials=10)
    samples = beside(sensor, 36 - true, trial, np.arange(trial.size))
    assert not gain_over_plots(samples, 0.0).known
