"""What a plan is made from: a curve's own scatter or its crop's, slopes taken off."""

from math import isnan, nan, sqrt

import numpy as np
import pandas as pd
from pytest import approx

from kitlib.curves.audit import Correction
from kitlib.review.plan import (
    OWN,
    ErrorSources,
    along_moisture,
    benchtop_sd,
    error_sources,
    scatter_of,
)


def sources(n_trials=8, trial=0.3, **more):
    sds = {"trial": trial, "sample": 0.5, "reference": 0.1} | more
    return ErrorSources(sds=sds, n=40, n_trials=n_trials, dishes=2)


PAIRS = pd.DataFrame(
    {
        "trial": ["A", "A", "B", "B"],
        "curve": "one",
        "sensor": "S1",
        "location": "X",
        "sensor_pct": [14.0, 16.0, 20.0, 22.0],
        "reference_pct": [14.0, 16.0, 20.0, 22.0],
        "reference_se": 0.1,
        "n_dishes": 2,
        "error": [0.1, 0.3, 0.2, 0.0],
        "along": 0.0,
        "meter": "M",
        "benchtop_pct": [14.2, 16.4, 20.3, 22.1],
    }
)


def test_own_components_from_enough_trials_on():
    own, shared = sources(), sources(n_trials=20, trial=0.9)
    found, remark = scatter_of("maize", PAIRS, own, shared, 0.25)
    assert remark == OWN
    assert (found.sd_trial, found.sd_own, found.sd_benchtop) == (0.3, 0.5, 0.25)
    assert found.sd_dish == approx(0.1 * sqrt(2))
    # Moistures 14, 16, 20, 22: variance 10, of which 9 between trials.
    assert found.sd_moisture == approx(sqrt(10))
    assert found.between == approx(0.9)


def test_few_trials_borrow_from_the_crop_and_say_so():
    own, shared = sources(n_trials=3), sources(n_trials=20, trial=0.9)
    found, remark = scatter_of("maize", PAIRS, own, shared, nan)
    assert found.sd_trial == 0.9
    assert "all maize curves" in remark
    alone, remark = scatter_of("maize", PAIRS, own, None, nan)
    assert alone.sd_trial == 0.3 and remark == OWN


def test_no_components_no_plan():
    unknown = ErrorSources(sds={"sample": 0.5}, n=4, n_trials=4, dishes=nan)
    for own in (None, unknown):
        assert scatter_of("maize", PAIRS, own, None, nan) is None
    assert scatter_of("maize", PAIRS.iloc[:0], sources(), None, nan) is None


def test_optimistic_plans_say_so():
    assert "optimistic" in scatter_of("maize", PAIRS, sources(trial=0.0), None, nan)[1]


def test_an_unknown_dish_costs_nothing_to_repeat_and_is_said():
    own = ErrorSources(sds={"trial": 0.3, "sample": 0.5}, n=40, n_trials=8, dishes=nan)
    found, remark = scatter_of("maize", PAIRS, own, None, nan)
    assert found.sd_dish == 0 and "dish's error is not known" in remark


def test_a_slope_to_be_corrected_is_taken_off_the_errors():
    zero = np.zeros((2, 2))
    slope = Correction(
        curve="one", pivot=15.0, shift=0.2, tilt=-0.1, covariance=zero, df=5
    )
    along = along_moisture(PAIRS, {"one": slope})
    assert along.to_numpy() == approx(0.1 * np.array([-4, -2, 2, 4]))
    assert along_moisture(PAIRS, {}).to_numpy() == approx(np.zeros(4))
    flat = error_sources(PAIRS.assign(error=along, along=0.0), nan)
    bent = error_sources(PAIRS.assign(error=along + PAIRS["error"], along=along), nan)
    assert "moisture" not in flat.sds
    assert bent.sds["moisture"] == approx(along.std(ddof=0))
    plain = error_sources(PAIRS, nan)
    assert bent.sds["sample"] == approx(plain.sds["sample"])


def test_error_of_one_sample_leaves_sensor_and_moisture_out():
    found = sources(sensor=2.0, moisture=3.0)
    assert found.sd_error == approx(sqrt(0.3**2 + 0.5**2 + 0.1**2))


def test_benchtop_error_is_within_trials_and_without_the_ovens():
    # Errors 0.2, 0.4 and 0.3, 0.1: squares within 0.02 + 0.02 on 2 df, less 0.01.
    assert benchtop_sd(PAIRS) == approx(sqrt(0.02 - 0.01))
    assert isnan(benchtop_sd(PAIRS.assign(benchtop_pct=np.nan)))
    assert isnan(benchtop_sd(PAIRS.iloc[[0, 2]]))
    assert error_sources(PAIRS.iloc[:0], nan) is None
