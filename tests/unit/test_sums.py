"""Six sums per trial give what the samples themselves give."""

import numpy as np
import pytest
from pytest import approx
from scipy.stats import linregress

from kitlib.statistics.agreement import agreement
from kitlib.statistics.sums import jackknife, trial_sums
from kitlib.words.findings import NotFinite, TooFewSamples


@pytest.fixture
def season(rng):
    """Return 41 samples of seven trials of unequal size."""
    trial = np.repeat(list("GBADFEC"), [1, 9, 4, 6, 2, 12, 7])
    reference = rng.normal(18, 3, trial.size)
    sensor = 0.4 + 1.05 * reference + rng.normal(0, 0.5, trial.size)
    return sensor, reference, trial


def assert_same_statistics(sums, sensor, reference):
    found, line = agreement(sensor, reference), linregress(sensor, reference)
    assert sums.n == found.n
    assert sums.bias == approx(found.bias, rel=1e-12)
    assert sums.sep == approx(found.sep, rel=1e-12)
    assert sums.rmsep == approx(found.rmsep, rel=1e-12)
    assert sums.mean_reference == approx(reference.mean(), rel=1e-12)
    assert sums.slope == approx(line.slope, rel=1e-12)


def test_all_samples(season):
    sensor, reference, _ = season
    assert_same_statistics(trial_sums(*season).total, sensor, reference)


def test_each_trial_left_out(season):
    sensor, reference, trial = season
    sums = trial_sums(*season)
    for i, name in enumerate(sums.trials):
        rest = trial != name
        one = type(sums.total)(table=sums.without_each.table[i], centre=sums.centre)
        assert_same_statistics(one, sensor[rest], reference[rest])


def test_order_of_rows_never_matters(season, rng):
    order = rng.permutation(41)
    there = trial_sums(*season)
    back = trial_sums(*(values[order] for values in season))
    assert back.trials == there.trials == tuple("ABCDEFG")
    assert back.table == approx(there.table)


def test_far_from_zero_nothing_is_lost(season):
    sensor, reference, trial = season
    near = trial_sums(sensor, reference, trial).total
    far = trial_sums(sensor + 1e7, reference + 1e7, trial).total
    assert far.sep == approx(near.sep, rel=1e-7)
    assert far.slope == approx(near.slope, rel=1e-7)


def test_a_constant_sensor_has_no_slope():
    total = trial_sums([15.0] * 4, [14.1, 15.2, 15.7, 16.3], list("AABB")).total
    assert np.isnan(total.slope)
    assert total.sep > 0


def test_a_constant_error_has_an_sep_of_zero():
    reference = np.array([14.1, 15.2, 15.7, 16.3])
    sums = trial_sums(reference + 0.3, reference, list("AABB"))
    assert sums.total.sep == 0
    assert sums.total.bias == approx(0.3)
    assert sums.total.slope == approx(1)


def test_bad_input_is_named():
    with pytest.raises(TooFewSamples, match="at least 2"):
        trial_sums([15.0], [14.0], ["A"])
    with pytest.raises(NotFinite, match=r"reference\[1\] is inf"):
        trial_sums([15.0, 16.0], [14.0, np.inf], ["A", "B"])
    with pytest.raises(NotFinite, match=r"trial\[1\] is missing"):
        trial_sums([15.0, 16.0], [14.0, 15.0], ["A", None])


def test_jackknife_of_the_mean_of_like_trials_is_its_standard_error():
    # One sample a trial: the jackknife of a mean is SD / sqrt(n), exactly.
    error = np.array([0.1, 0.4, -0.2, 0.3, 0.6])
    found = jackknife(trial_sums(15 + error, [15.0] * 5, range(5)), lambda s: s.bias)
    assert found.value == approx(error.mean())
    assert found.se == approx(error.std(ddof=1) / np.sqrt(5))
    assert found.df == 4


def test_jackknife_of_two_trials_has_no_interval():
    sums = trial_sums([15.1, 15.4], [15.0, 15.0], ["A", "B"])
    found = jackknife(sums, lambda s: s.bias)
    assert found.value == approx(0.25)
    assert np.isnan(found.interval()).all()
    assert "only 2 of the 3 trials" in found.remark


def test_jackknife_names_the_trial_it_cannot_do_without():
    # Only trial B has readings that differ.
    sums = trial_sums([15, 15, 15, 16], [15.0, 15.1, 15.2, 15.9], list("ACBB"))
    found = jackknife(sums, lambda s: s.slope)
    assert found.known and np.isnan(found.se)
    assert found.remark == "not defined without trial B"


def test_jackknife_without_scatter_has_no_interval():
    sums = trial_sums([15.1, 16.1, 17.1], [15.0, 16.0, 17.0], list("ABC"))
    found = jackknife(sums, lambda s: s.bias)
    assert np.isnan(found.se) and "no scatter" in found.remark


def test_jackknife_of_what_is_not_defined_is_not_known():
    sums = trial_sums([15.0] * 3, [15.0, 16.0, 17.0], list("ABC"))
    assert not jackknife(sums, lambda s: s.slope).known
