"""Passing-Bablok: identities, ties, verticals, and input that gives no line."""

import numpy as np
import pytest
from pytest import approx
from scipy.stats import t as student_t

from kitlib.statistics.lines import passing_bablok
from kitlib.words.findings import NoSpread, NotFinite, TooFewSamples

READING = np.array([12.1, 13.4, 14.8, 16.9, 18.2, 19.7, 21.0, 23.3])
OVEN = np.array([12.0, 13.6, 14.5, 16.6, 18.4, 19.2, 20.5, 23.0])


def by_definition(x, y):
    """Return all slopes, sorted, those of 0/0 and -1 left out, and K."""
    slopes = []
    for i in range(len(x)):
        for j in range(i + 1, len(x)):
            across, rise = round(x[j] - x[i], 9), round(y[j] - y[i], 9)
            if (across, rise) != (0, 0) and rise != -across:
                slopes.append(rise / across if across else np.inf)
    return np.sort(slopes), int(np.sum(np.array(slopes) < -1))


def test_shifted_median_by_definition(rng):
    x = rng.normal(18, 1.0, 40).round(1)
    y = (x + rng.normal(0, 0.9, 40)).round(1)  # many ties, slopes of -1 and below
    slopes, shift = by_definition(x, y)
    n = len(slopes)
    assert shift > 0
    middle = slopes[[(n - 1) // 2 + shift, n // 2 + shift]].mean()
    line = passing_bablok(x, y)
    assert line.n_pairs == n
    assert line.slope == approx(middle, abs=1e-11)
    assert line.intercept == approx(np.median(y - middle * x), abs=1e-9)


def test_swapping_the_methods_gives_the_reciprocal():
    # 28 slopes: the mean of two has no exact reciprocal, so one sample is left out.
    there = passing_bablok(READING[1:], OVEN[1:])
    back = passing_bablok(OVEN[1:], READING[1:])
    assert there.n_pairs == 21
    assert there.slope * back.slope == approx(1, abs=1e-10)
    low, high = there.slope_interval
    assert back.slope_interval == approx((1 / high, 1 / low), abs=1e-10)


def test_order_of_rows_never_matters(rng):
    order = rng.permutation(8)
    there = passing_bablok(READING, OVEN)
    back = passing_bablok(READING[order], OVEN[order])
    assert (back.slope, back.intercept) == approx((there.slope, there.intercept))
    assert back.slope_interval == approx(there.slope_interval)


def test_adding_an_offset_moves_the_intercept_alone():
    there, moved = passing_bablok(READING, OVEN), passing_bablok(READING, OVEN + 2)
    assert moved.slope == approx(there.slope, abs=1e-10)
    assert moved.intercept == approx(there.intercept + 2, abs=1e-9)


def test_a_perfect_line_is_found_with_a_wild_sample_in_it():
    wild = OVEN.copy()
    wild[3] = 40.0
    line = passing_bablok(OVEN, 0.5 + 1.25 * wild)
    assert (line.slope, line.intercept) == approx((1.25, 0.5), abs=1e-10)


def test_verticals_and_slopes_of_minus_one():
    # Pairs 1-2 vertical, 3-4 of slope -1 (dropped), 1-5 the same sample (dropped).
    x = np.array([12.0, 12.0, 15.0, 15.5, 12.0, 18.0])
    y = np.array([12.1, 12.4, 15.5, 15.0, 12.1, 18.2])
    slopes, shift = by_definition(x, y)
    line = passing_bablok(x, y)
    assert line.n_pairs == len(slopes) == 13
    assert line.slope == approx(slopes[6 + shift], abs=1e-11)


def test_a_slope_of_minus_one_is_known_in_decimals():
    # 12.1 + 14.1 and 12.3 + 13.9 differ in the last bit.
    x, y = [12.1, 12.3, 15.0], [14.1, 13.9, 16.0]
    assert x[0] + y[0] != x[1] + y[1]
    assert passing_bablok(x, y).n_pairs == 2


def test_two_samples_give_a_line_without_interval():
    line = passing_bablok([14.0, 16.0], [14.1, 16.3])
    assert line.slope == approx(1.1, abs=1e-11)
    assert np.isnan(line.slope_interval).all()
    assert line.remark == "too few samples for an interval at this level"


def test_an_interval_may_have_no_upper_end():
    x = np.array([15.0, 15.0, 15.1, 15.1, 15.2, 15.1])
    y = np.array([14.8, 15.3, 14.9, 15.4, 15.6, 15.2])
    line = passing_bablok(x, y)
    assert np.isfinite(line.slope) and line.slope_interval.high == np.inf
    assert "no end" in line.remark


def test_methods_that_do_not_rise_together_have_no_line():
    line = passing_bablok(READING, OVEN[::-1] * 0.5)
    assert np.isnan(line.slope) and np.isnan(line.intercept)
    assert np.isnan(line.slope_interval).all()
    assert "do not rise together" in line.remark
    # All slopes are -1 and none is left.
    assert "do not rise together" in passing_bablok([1, 2, 3], [3, 2, 1]).remark


def season(rng, n_trials=8, size=5):
    """Return sensor, reference and trial, half the error variance between trials."""
    trial = np.repeat(np.arange(n_trials), size)
    true = rng.normal(18, 3, n_trials)[trial] + rng.normal(0, 1.5, trial.size)
    error = rng.normal(0, 0.35, n_trials)[trial] + rng.normal(0, 0.35, trial.size)
    return true + error, true + rng.normal(0, 0.2, trial.size), trial


def test_the_interval_by_trial_is_a_jackknife_of_the_slope(rng):
    sensor, reference, trial = season(rng)
    line = passing_bablok(sensor, reference, level=0.9, trial=trial)
    plain = passing_bablok(sensor, reference)
    assert (line.slope, line.intercept) == (plain.slope, plain.intercept)
    fits = [passing_bablok(sensor[trial != g], reference[trial != g]) for g in range(8)]
    rest = np.array([fit.slope for fit in fits])
    # The jackknife by its pseudo-values.
    half = student_t.ppf(0.95, 7) * (8 * line.slope - 7 * rest).std(ddof=1) / np.sqrt(8)
    low, high = line.slope_interval
    assert (high - low) / 2 == approx(half, rel=1e-9)
    assert (high + low) / 2 == approx(line.slope)


def test_order_of_rows_and_names_of_trials_never_matter(rng):
    sensor, reference, trial = season(rng)
    order = rng.permutation(40)
    there = passing_bablok(sensor, reference, trial=trial)
    names = np.array(list("HGFEDCBA"))[trial]
    back = passing_bablok(sensor[order], reference[order], trial=names[order])
    assert back.slope_interval == approx(there.slope_interval)


def test_intervals_by_trial_cover_where_the_published_ones_do_not(rng):
    held = []
    true = passing_bablok(*season(rng, n_trials=600)[:2]).slope
    for _ in range(200):
        sensor, reference, trial = season(rng)
        published = passing_bablok(sensor, reference)
        by_trial = passing_bablok(sensor, reference, trial=trial)
        held.append([fit.slope_interval.holds(true) for fit in (published, by_trial)])
    published, by_trial = np.mean(held, axis=0)
    assert published < 0.9 < by_trial < 0.99


def test_two_trials_give_a_line_but_no_interval(rng):
    sensor, reference, trial = season(rng)
    line = passing_bablok(sensor, reference, trial=trial % 2)
    assert line.slope > 0 and np.isnan(line.slope_interval).all()
    assert line.remark == "only 2 of the 3 trials that a jackknife needs"


def test_a_line_that_hangs_on_one_trial_has_no_interval():
    # Without trial C all readings are the same, and slopes vertical to the last bit.
    line = passing_bablok([15, 15, 17, 18], [15.0, 15.1, 17, 18], trial=list("ABCC"))
    assert line.slope > 0 and np.isnan(line.slope_interval).all()
    assert line.remark == "not defined without trial C"


def test_a_perfect_line_has_no_interval_by_trial():
    line = passing_bablok(OVEN, 0.5 + 1.25 * OVEN, trial=range(8))
    assert line.slope == approx(1.25, abs=1e-10)
    assert np.isnan(line.slope_interval).all()
    assert line.remark.startswith("no scatter is left")


def test_constant_methods_are_refused():
    with pytest.raises(NoSpread, match=r"all readings are 15"):
        passing_bablok([15.0] * 3, [14.0, 15.0, 16.0])
    with pytest.raises(NoSpread, match=r"all reference values are 15"):
        passing_bablok([14.0, 15.0, 16.0], [15.0] * 3)


def test_bad_input_is_named():
    with pytest.raises(TooFewSamples, match="passing_bablok: got n = 1"):
        passing_bablok([15.0], [14.0])
    with pytest.raises(NotFinite, match=r"passing_bablok: sensor\[1\] is inf"):
        passing_bablok([15.0, np.inf], [14.0, 15.0])


def test_three_thousand_tied_samples_are_listed_and_more_are_not(rng):
    sensor = rng.normal(18, 3, 3_000).round(1)
    reference = (sensor + rng.normal(0, 0.4, 3_000)).round(1)
    line = passing_bablok(sensor, reference)
    assert line.slope == approx(1, abs=0.01)
    assert line.slope_interval.holds(line.slope)
    more = passing_bablok(np.append(sensor, 20.0), np.append(reference, 20.1))
    assert np.isnan(more.slope) and "over 3000 samples" in more.remark
