"""Bands and stuck readings."""

import numpy as np
import pytest

from kitlib.curves.observations import StuckReading, stuck_readings
from kitlib.statistics.estimates import moisture_bands
from kitlib.words.findings import NotFinite


def test_bands_start_at_even_numbers():
    found = moisture_bands([9.99, 10.0, 11.99, 12.0, 17.3])
    assert found.tolist() == [8, 10, 10, 12, 16]
    assert found.dtype.kind == "i"


def test_bands_refuse_what_is_not_a_number():
    with pytest.raises(NotFinite, match=r"reference\[0\] is nan"):
        moisture_bands([np.nan])


def honest(rng, n=4_000):
    """Return readings that move, to 0.1 points."""
    return rng.normal(18, 3, n).round(1)


def test_honest_readings_are_not_stuck(rng):
    assert stuck_readings(honest(rng)) == []


def test_readings_cut_off_at_a_limit_pile_up(rng):
    wet = np.minimum(honest(rng), 22.0)
    (top,) = stuck_readings(wet)
    assert top == StuckReading(22.0, int((wet == 22.0).sum()), "at the top")
    (bottom,) = stuck_readings(np.maximum(honest(rng), 13.0))
    assert (bottom.value, bottom.where) == (13.0, "at the bottom")


def test_a_frozen_display_is_a_run(rng):
    readings = honest(rng)
    readings[1000:1009] = 17.7
    runs = stuck_readings(readings)
    assert runs == [StuckReading(17.7, 9, "in a row")]


def test_the_longest_run_comes_first(rng):
    readings = honest(rng)
    readings[1000:1009], readings[2000:2030] = 17.7, 16.2
    assert [found.count for found in stuck_readings(readings)] == [30, 9]


def test_ties_everywhere_are_not_stuck(rng):
    # Whole points: many repeats by chance, so that a longer run is asked for.
    assert stuck_readings(rng.integers(12, 17, 3_000).astype(float)) == []


def test_a_long_run_in_a_short_record_is_found():
    # The run itself must not pass for the usual share of repeats.
    readings = [14.2, 15.1, 13.9, *[16.2] * 9, 15.0, 14.4, 17.3, 16.0]
    assert stuck_readings(readings) == [StuckReading(16.2, 9, "in a row")]


def test_a_sensor_that_never_moved_is_told_once():
    assert stuck_readings([15.0] * 40) == [StuckReading(15.0, 40, "at the top")]


def test_few_readings_cannot_be_judged():
    assert stuck_readings([15.0] * 4) == []
    assert stuck_readings([]) == []


def test_stuck_readings_refuse_what_is_not_a_number():
    with pytest.raises(NotFinite, match=r"values\[1\] is inf"):
        stuck_readings([15.0, np.inf])
