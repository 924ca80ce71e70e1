"""The prediction line: identities, anchors, and input that gives none."""

import numpy as np
import pytest
from pytest import approx
from scipy.stats import linregress

from kitlib.statistics.agreement import agreement
from kitlib.statistics.lines import prediction_line
from kitlib.words.findings import NoSpread, NotFinite, TooFewSamples


@pytest.fixture
def season(rng):
    trial = np.repeat(list("ABCDEFGH"), [1, 9, 4, 6, 2, 8, 3, 7])
    reference = rng.normal(18, 3, 40)
    return 0.4 + 1.1 * reference + rng.normal(0, 0.4, 40), reference, trial


def test_it_is_the_reference_regressed_on_the_sensor(season):
    sensor, reference, _ = season
    line, scipy = prediction_line(*season, 15.5), linregress(sensor, reference)
    assert line.slope.value == approx(scipy.slope, rel=1e-12)
    assert line.intercept.value == approx(scipy.intercept, rel=1e-10)
    least_squares = line.fit.residual_sd * np.sqrt(line.fit.unscaled[1, 1])
    assert least_squares == approx(scipy.stderr, rel=1e-10)


def test_corrected_readings_lie_on_it(season):
    sensor, reference, _ = season
    line = prediction_line(*season, 15.5)
    corrected = line.intercept.value + line.slope.value * sensor
    after = agreement(corrected, reference)
    assert after.bias == approx(0, abs=1e-12)
    assert after.sep == approx(line.fit.residual_sd * np.sqrt(38 / 39), rel=1e-12)


def test_the_mean_as_anchor_tells_the_mean_error(season):
    sensor, reference, _ = season
    line = prediction_line(*season, sensor.mean())
    assert line.bias.value == approx(agreement(sensor, reference).bias, rel=1e-12)


def test_the_anchor_moves_the_bias_not_the_line(season):
    near, far = prediction_line(*season, 15.5), prediction_line(*season, 20.5)
    assert far.slope.value == approx(near.slope.value, rel=1e-12)
    assert far.slope.se == approx(near.slope.se, rel=1e-10)
    at_far = near.fit.contrast([1.0, 20.5 - 15.5])
    assert at_far.value == approx(-far.bias.value, rel=1e-10)
    assert at_far.se == approx(far.bias.se, rel=1e-10)


def test_two_trials_give_a_line_but_no_interval():
    sensor, reference = [14.0, 15.2, 16.1, 17.3], [14.1, 15.0, 16.4, 17.0]
    line = prediction_line(sensor, reference, list("AABB"), 15.0)
    assert line.slope.known and np.isnan(line.slope.interval()).all()
    assert "only 2 trials" in line.slope.remark


def test_a_perfect_line_has_no_interval():
    reference = np.array([12.0, 14.0, 16.0, 18.0])
    line = prediction_line(reference + 0.3, reference, range(4), 15.0)
    assert (line.slope.value, line.bias.value) == approx((1, 0.3))
    assert line.fit.residual_sd == 0
    for estimate in (line.slope, line.bias):
        assert np.isnan(estimate.se) and "no scatter" in estimate.remark


def test_a_constant_sensor_is_refused():
    with pytest.raises(NoSpread, match=r"all 3 readings are 15\.2"):
        prediction_line([15.2] * 3, [14.0, 15.0, 16.0], range(3), 15.0)


def test_a_constant_reference_is_predicted_flat():
    line = prediction_line([14.0, 15.0, 16.0, 18.0], [15.0] * 4, range(4), 15.0)
    assert line.slope.value == approx(0, abs=1e-12)
    assert np.isnan(line.slope.se)  # and how well is not known: no scatter


def test_bad_input_is_named():
    with pytest.raises(TooFewSamples, match=r"prediction_line: got n = 2"):
        prediction_line([14.0, 15.0], [14.0, 15.0], ["A", "B"], 15.0)
    with pytest.raises(NotFinite, match=r"prediction_line: sensor\[2\] is inf"):
        prediction_line([14, 15, np.inf], [14, 15, 16], ["A", "B", "C"], 15.0)
    with pytest.raises(NotFinite, match=r"\[1\] is missing"):
        prediction_line([14, 15, 17], [14, 15, 16], ["A", None, "C"], 15.0)


def test_ties_everywhere_are_no_trouble(rng):
    sensor = rng.integers(14, 17, 60).astype(float)
    reference = sensor + rng.integers(-1, 2, 60)
    line = prediction_line(sensor, reference, np.arange(60) // 6, 15.0)
    assert line.slope.se > 0 and line.bias.se > 0


def test_a_million_samples(rng):
    reference = rng.normal(18, 3, 1_000_000)
    sensor = reference + rng.normal(0.3, 0.5, 1_000_000)
    line = prediction_line(sensor, reference, np.arange(1_000_000) // 10, 18.0)
    # Attenuated by 9 / (9 + 0.25): the slope that predicts, not the sensor's own.
    assert line.slope.value == approx(9 / 9.25, abs=0.001)


def test_the_shrunk_slope_keeps_what_its_doubt_leaves():
    reference, trial = np.array([12.0, 14, 16, 18, 20, 22, 24, 26]), list("ABCDABCD")
    wiggle = np.array([0.2, -0.1, 0.1, -0.2, -0.1, 0.2, -0.2, 0.1])
    line = prediction_line(0.8 * reference + wiggle, reference, trial, 16.0)
    t = line.tilt.value / line.tilt.se
    assert line.shrunk_slope == approx(1 + line.tilt.value * (1 - 1 / t**2))
    assert 1 < line.shrunk_slope < line.slope.value
    # A tilt below its own standard error is not believed at all.
    even = np.array([0.5, -0.5, -0.4, 0.4, 0.4, -0.5, -0.4, 0.5])
    flat = prediction_line(reference + even, reference, trial, 16.0)
    assert abs(flat.tilt.value) < flat.tilt.se and flat.shrunk_slope == 1.0
