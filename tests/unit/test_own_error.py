"""A trial's own error: between its samples and what the season says."""

from math import sqrt
from types import SimpleNamespace

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.curves.audit import Correction
from kitlib.statistics.estimates import Estimate
from kitlib.trials.moisture_errors import TrialSpread, for_one_trial, own_error

FLAT = Correction(
    curve="A", pivot=20, shift=-0.4, tilt=0, covariance=np.diag([0.01, 0]), df=8
)
SPREAD = TrialSpread(sd_trial=0.3, sd_sample=0.6)


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
    unknown = TrialSpread(sd_trial=float("nan"), sd_sample=0.6)
    own = found([0.6, 0.8], spread=unknown)
    assert np.isnan(own.predicted.se)
    assert for_one_trial(FLAT, unknown) is FLAT


@pytest.mark.parametrize("sd", [0.0, 0.3])
def test_one_trial_lies_off_the_curve_by_its_own_deviation(sd):
    wider = for_one_trial(FLAT, TrialSpread(sd_trial=sd, sd_sample=0.5))
    assert wider.covariance[0, 0] == approx(0.01 + sd**2)
    assert wider.shift == FLAT.shift
