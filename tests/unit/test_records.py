"""Records that the readings contradict: offsets, curves exchanged, labs."""

import numpy as np
import pandas as pd
import pytest

from kitlib.curves.records import exchanged_curves, offset_contradictions
from kitlib.intake.settings import Season

SETTINGS = Season(name="test")
START = pd.Timestamp("2025-09-01 09:00")


def samples_of_one_curve(rng, trials=10, each=5):
    """Return samples whose trials follow each other by three days."""
    trial = np.repeat(np.arange(trials), each)
    moisture = rng.normal(20, 2, trials)[trial] + rng.normal(0, 1.2, trial.size)
    error = rng.normal(0, 0.2, trials)[trial] + rng.normal(0, 0.3, trial.size)
    return pd.DataFrame(
        {
            "trial": [f"T{k:02d}" for k in trial],
            "reference_pct": moisture,
            "error": error,
            "sensor_pct": moisture + error,
            "recorded_pct": moisture + error,
            "harvested_at": START + pd.to_timedelta(3 * trial, unit="D"),
        }
    )


def loaded_from_then_on(samples, truly, recorded, trials=5):
    """Return samples read with another offset from a trial on, and its record."""
    later = samples["trial"] >= f"T{trials:02d}"
    read = samples["sensor_pct"] + np.where(later, truly, 0.0)
    restated = read - np.where(later, recorded, 0.0)
    return samples.assign(
        recorded_pct=read,
        sensor_pct=restated,
        error=restated - samples["reference_pct"],
    )


def found(samples):
    return list(offset_contradictions(samples, SETTINGS))


def test_a_right_record_is_not_contradicted(rng):
    samples = samples_of_one_curve(rng)
    assert found(samples) == []
    assert found(loaded_from_then_on(samples, 0.5, 0.5)) == []


def test_an_offset_recorded_with_the_wrong_sign_is_found(rng):
    samples = loaded_from_then_on(samples_of_one_curve(rng), -0.5, 0.5)
    (one,) = found(samples)
    assert (one.question, one.code) == ("record", "offset-contradicted")
    assert "+0.50 points from 2025-09-16 on" in one.said
    assert "The opposite sign would fit" in one.said


def test_an_offset_that_was_never_loaded_is_found(rng):
    samples = loaded_from_then_on(samples_of_one_curve(rng), 0.0, 1.0)
    (one,) = found(samples)
    assert "never loaded" in one.said


def test_a_large_step_without_a_record_is_found(rng):
    samples = loaded_from_then_on(samples_of_one_curve(rng, trials=12), 1.2, 0.0, 6)
    (one,) = found(samples)
    assert one.code == "offset-unrecorded" and "step by +1.2" in one.said


def test_few_samples_contradict_nothing(rng):
    samples = samples_of_one_curve(rng, trials=3, each=2)
    assert found(loaded_from_then_on(samples, -0.5, 0.5, trials=2)) == []


def two_curves(rng, apart, exchanged=None, trials=9, each=5):
    """Return samples of two curves in every trial; in one they may be exchanged."""
    parts = []
    for name, bias in (("A", apart / 2), ("B", -apart / 2)):
        one = samples_of_one_curve(rng, trials, each)
        one = one.assign(curve=name, crop="maize", error=one["error"] + bias)
        parts.append(one)
    both = pd.concat(parts, ignore_index=True)
    other = both["curve"].map({"A": "B", "B": "A"})
    return both.assign(curve=both["curve"].where(both["trial"] != exchanged, other))


def test_curves_exchanged_in_a_trial_are_found(rng):
    exchanged = two_curves(rng, apart=1.4, exchanged="T04")
    found = dict(exchanged_curves(exchanged, SETTINGS))
    assert set(found) == {"A", "B"}
    assert "In trial T04" in found["A"].said and "look exchanged" in found["A"].said
    assert "which plots of trial T04 curve B read" in found["B"].look_up


@pytest.mark.parametrize("apart", [0.0, 0.4, 1.4])
def test_curves_that_were_not_exchanged_are_rarely_told(rng, apart):
    # Three per cent of seasons are allowed; 12 of 200 would be seen once in a hundred.
    told = [
        bool(list(exchanged_curves(two_curves(rng, apart, trials=6, each=3), SETTINGS)))
        for _ in range(40)
    ]
    assert sum(told) <= 5


def test_curves_alike_are_never_exchanged(rng):
    assert list(exchanged_curves(two_curves(rng, 0.05, "T04"), SETTINGS)) == []
