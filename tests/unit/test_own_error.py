"""A trial's own error: between its samples and what the season says."""

from dataclasses import replace
from math import sqrt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.curves.audit import Correction
from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.estimates import Estimate
from kitlib.statistics.reml import variance_components
from kitlib.trials.moisture_errors import (
    TrialSpread,
    for_one_trial,
    own_error,
    spread_about,
)

FLAT = Correction(
    curve="A", pivot=20, shift=-0.4, tilt=0, covariance=np.diag([0.01, 0]), df=8
)
SPREAD = TrialSpread(sd_trial=0.3, sd_sample=0.6, n_within=40)


def found(error, restated=0.0, spread=SPREAD):
    """Return the own error of a trial on curve A, whose bias is 0.4 ± 0.1."""
    plots = pd.DataFrame(
        {
            "curve": ["A"] * 10,
            "sensor_pct": 20.0,
            "recorded_pct": 20.0 + restated,
            "plot_mass_kg": 8.45,
            "plot_area_m2": 8.0,
        }
    )
    pairs = pd.DataFrame(
        {
            "curve": ["A"] * len(error),
            "recorded_pct": 20.0 + restated,
            "reference_pct": 20.0 - np.asarray(error, float),
            "error": np.asarray(error, float),
        }
    )
    audit = SimpleNamespace(bias=Estimate(value=0.4, se=0.1, df=8))
    return own_error(plots, pairs, 15.5, {"A": audit}, {"A": FLAT}, {"A": spread})


def test_the_prediction_lies_between_samples_and_season_by_hand():
    # Four samples with mean 0.8: 0.09 / (0.09 + 0.36 / 4) = 1/2, so half way to 0.4.
    own = found([0.6, 0.8, 0.8, 1.0])
    assert own.predicted.value == approx(0.6)
    # (1/2)² · 0.01 + 1/2 · 0.09
    assert own.predicted.se == approx(sqrt(0.0025 + 0.045))
    # Welch and Satterthwaite: 0.0475² / (0.0025² / 8 + 0.045² / 40)
    assert own.predicted.df == approx(43.8906, abs=0.0001)
    # 8.45 kg on 8 m² at 15.5 %: 125 kg/ha a point, and too wet is stated too low.
    assert own.yield_added.value == approx(-75)
    assert own.mean.value == approx(0.8)
    assert own.mean.se == approx(sqrt(0.08 / 3 / 4))
    assert own.mean.df == 3


def test_without_a_sample_the_season_speaks_for_the_trial():
    own = found([])
    assert not own.mean.known
    assert own.predicted.value == approx(0.4)
    assert own.predicted.se == approx(sqrt(0.01 + 0.09))


def test_readings_as_recorded_are_what_yields_were_stated_by():
    own = found([0.6, 0.8, 0.8, 1.0], restated=0.5)
    assert own.mean.value == approx(1.3)
    assert own.predicted.value == approx(1.1)


def test_an_unknown_spread_is_not_taken_for_none():
    unknown = SPREAD._replace(sd_trial=float("nan"))
    own = found([0.6, 0.8], spread=unknown)
    assert np.isnan(own.predicted.se)
    assert for_one_trial(FLAT, unknown) is FLAT


@pytest.mark.parametrize("sd", [0.0, 0.3])
def test_one_trial_lies_off_the_curve_by_its_own_deviation(sd):
    wider = for_one_trial(FLAT, SPREAD._replace(sd_trial=sd))
    assert wider.covariance[0, 0] == approx(0.01 + sd**2)
    assert wider.shift == FLAT.shift


def scattered(rng, sd_trial, trials=3, n=8):
    """Return a curve whose trials scatter with an SD, of samples with one of 0.5."""
    trial = np.repeat(np.arange(trials), n)
    error = rng.normal(0, sd_trial, trials)[trial] + rng.normal(0, 0.5, trial.size)
    reference = rng.uniform(12, 30, trial.size)
    samples = SimpleNamespace(
        sensor=reference + error, reference=reference, trial=trial, n=trial.size
    )
    return SimpleNamespace(samples=samples, n_trials=trials)


@pytest.mark.slow
def test_few_trials_that_look_alike_are_not_taken_to_be_alike(rng):
    left_as_it_is = replace(FLAT, shift=0.0)
    spreads = [
        spread_about(left_as_it_is, scattered(rng, sd_trial=0.2)) for _ in range(200)
    ]
    reml = [
        variance_components(c.samples.sensor - c.samples.reference, c.samples.trial)
        for c in (scattered(rng, sd_trial=0.2) for _ in range(200))
    ]
    assert np.mean([found.sd_trial == 0 for found in reml]) > 0.25
    assert min(spread.sd_trial for spread in spreads) > 0.02
    assert 0.2 <= np.median([spread.sd_trial for spread in spreads]) < 0.4


def test_of_many_trials_the_spread_is_that_of_reml(rng):
    curve = scattered(rng, sd_trial=0.6, trials=60)
    error = curve.samples.sensor - curve.samples.reference
    spread = spread_about(replace(FLAT, shift=0.0), curve)
    reml = variance_components(error, curve.samples.trial)
    assert spread.sd_trial == approx(reml.sd_trial, rel=0.02)
    assert spread.sd_sample == approx(reml.sd_residual, rel=0.002)


@pytest.mark.slow
@pytest.mark.parametrize("sd_trial", [0.1, 0.3])
def test_predictions_hold_a_trial_s_error_as_often_as_they_say(rng, sd_trial):
    """Four trials of six samples: the season's mean, and the trial's own samples."""
    held = []
    for _ in range(300):
        curve = scattered(rng, sd_trial, trials=4, n=6)
        samples = curve.samples
        error, trial = samples.sensor - samples.reference, samples.trial
        bias = clustered_mean(error, trial)
        spread = spread_about(replace(FLAT, shift=-bias.value), curve)
        truth = rng.normal(0, sd_trial)
        own = truth + rng.normal(0, 0.5, 5)
        audit = SimpleNamespace(bias=bias)
        correction = replace(FLAT, shift=-bias.value)
        plots = pd.DataFrame(
            {
                "curve": ["A"],
                "sensor_pct": 20.0,
                "recorded_pct": 20.0,
                "plot_mass_kg": 8.45,
                "plot_area_m2": 8.0,
            }
        )
        pairs = pd.DataFrame(
            {"curve": "A", "recorded_pct": 20.0, "reference_pct": 20.0 - own}
        ).assign(error=own)
        found = own_error(
            plots, pairs, 15.5, {"A": audit}, {"A": correction}, {"A": spread}
        )
        ends = found.predicted.interval(0.95)
        held.append(ends.low <= truth <= ends.high)
    assert np.mean(held) > 0.93
