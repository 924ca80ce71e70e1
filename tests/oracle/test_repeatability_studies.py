"""Published studies of bias and repeatability."""

import numpy as np
from pytest import approx

from kitlib.review.check_samples import repeatability
from kitlib.review.setup import ONE_SAMPLE, setup_offset


def test_bias_study_of_one_reference():
    # AIAG, Measurement Systems Analysis, 3rd edition, page 86, read second hand: one
    # part of 6.00, 15 readings; mean 6.0067, bias 0.0067. The manual takes the SD from
    # the range; with the ordinary SD, own arithmetic: SD 0.212020, standard error
    # 0.054743, t 0.121781, 95 % interval -0.110746 to 0.124079.
    readings = [5.8, 5.7, 5.9, 5.9, 6.0, 6.1, 6.0, 6.1, 6.4, 6.3, 6.0, 6.1, 6.2, 5.6]
    readings += [6.0]
    found = setup_offset([6.0] * 15, readings, ["part"] * 15)
    asked = found.setting
    assert np.mean(readings) == approx(6.0067, abs=5e-5)
    assert -asked.value == approx(0.0067, abs=5e-5)
    assert asked.se == approx(0.054743, abs=5e-7)
    assert -asked.t == approx(0.121781, abs=5e-7)
    assert asked.df == 14
    high, low = (-end for end in asked.interval())
    assert (low, high) == approx((-0.110746, 0.124079), abs=5e-7)
    assert asked.remark == ONE_SAMPLE
    assert repeatability(readings, ["part"] * 15).sd == approx(0.212020, abs=5e-7)


def test_repeatability_of_chesher_2008():
    # Chesher, Clinical Biochemist Reviews 29 Suppl 1 (2008) S23-S26, data and result
    # read second hand: 5 days of 3 runs, repeatability SD 0.023.
    runs = [2.015, 2.013, 1.963, 2.019, 2.002, 1.979, 2.025, 1.959, 2.000]
    runs += [1.972, 1.950, 1.973, 1.981, 1.956, 1.957]
    found = repeatability(runs, np.repeat([1, 2, 3, 4, 5], 3))
    assert found.sd == approx(0.023, abs=5e-4)
    # Further digits by own arithmetic.
    assert found.sd == approx(0.023454921, abs=5e-10)
    assert found.df == 10
