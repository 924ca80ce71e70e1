"""CUSUM and EWMA: NIST/SEMATECH e-Handbook 6.3.2, and a textbook's CUSUM table."""

from math import floor, sqrt

import numpy as np
from pytest import approx

from kitlib.review.check_samples import cusum, ewma_weights

# Montgomery, Runger, Applied Statistics and Probability for Engineers, tables 16-7 and
# 16-8, read: target 99, K = 1, H = 10. The scan drops signs of the plain sum.
TEXTBOOK = [102.0, 94.8, 98.3, 98.4, 102.0, 98.5, 99.0, 97.7, 100.0, 98.1]
TEXTBOOK += [101.3, 98.7, 101.1, 98.4, 97.0, 96.7, 100.3, 101.4, 97.2, 101.0]
TEXTBOOK_HIGH = [2.0, 0, 0, 0, 2.0, 0.5, 0, 0, 0, 0]
TEXTBOOK_HIGH += [1.3, 0, 1.1, 0, 0, 0, 0.3, 1.7, 0, 1.0]
TEXTBOOK_LOW = [0, 3.2, 2.9, 2.5, 0, 0, 0, 0.3, 0, 0]
TEXTBOOK_LOW += [0, 0, 0, 0, 1.0, 2.3, 0, 0, 0.8, 0]

# e-Handbook 6.3.2.3, from memory; every entry follows from the data.
HANDBOOK = [324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525]
HANDBOOK += [325.225, 324.600, 324.625, 325.150, 328.325, 327.250, 327.825, 328.500]
HANDBOOK += [326.675, 327.775, 326.875, 328.350]
HANDBOOK_HIGH = [0, 0, 0, 0, 0.0325, 0, 0, 0, 0, 0, 0, 0, 3.0075, 4.94, 7.4475, 10.63]
HANDBOOK_HIGH += [11.9875, 14.445, 16.0025, 19.035]
HANDBOOK_LOW = [0, 0.0075, 0, 0.3325, 0, 0, 0.5575, 0.715, 0.1725, 0.255, 0.3125]
HANDBOOK_LOW += [0] * 9

# e-Handbook 6.3.2.4: formula read, data and table from memory.
SERIES = [52.0, 47.0, 53.0, 49.3, 50.1, 47.0, 51.0, 50.1, 51.2, 50.5]
SERIES += [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1]
AVERAGES = [50.6000, 49.5200, 50.5640, 50.1848, 50.1594, 49.2116, 49.7481, 49.8537]
AVERAGES += [50.2576, 50.3303, 50.1112, 49.3578, 49.5205, 50.0543, 49.3780, 49.9246]
AVERAGES += [50.7272, 51.2291, 51.9403, 51.9882]


def test_textbook_cusum():
    above, below = cusum(TEXTBOOK, target=99, slack=1)
    assert above == approx(np.array(TEXTBOOK_HIGH), abs=0.05)
    assert below == approx(np.array(TEXTBOOK_LOW), abs=0.05)
    assert max(above.max(), below.max()) <= 10


def test_handbook_cusum_signals_at_the_fourteenth_group():
    above, below = cusum(HANDBOOK, target=325, slack=0.3175)
    assert above == approx(np.array(HANDBOOK_HIGH), abs=5e-5)
    assert below == approx(np.array(HANDBOOK_LOW), abs=5e-5)
    beyond = np.maximum(above, below) > 4.1959
    assert np.flatnonzero(beyond).tolist() == list(range(13, 20))


def test_handbook_ewma_stays_in_control():
    weights = ewma_weights(len(SERIES), 0.3)
    found = 50 + weights @ (np.array(SERIES) - 50)
    assert found == approx(np.array(AVERAGES), abs=5e-5)
    # The variance of the weights settles at lambda / (2 - lambda).
    settled = 0.3 / (2 - 0.3)
    assert (weights[-1] ** 2).sum() == approx(settled, abs=1e-6)
    half = 3 * 2.0539 * sqrt(settled)
    # Printed 52.5884 and 47.4115, the second cut, not rounded.
    assert 50 + half == approx(52.5884, abs=5e-5)
    assert floor((50 - half) * 1e4) == 474115
    assert (np.abs(found - 50) < half).all()
