"""No sentence of the advice contradicts its table: many curves are audited and read."""

import re
from functools import cache

import numpy as np
import pytest
from curves import audit_of
from simulated_pairs import simulate_pairs

from kitlib.curves.advice import (
    KEEP,
    REBUILD,
    RESLOPE,
    SHIFT,
    UNRESOLVED,
    bands_beyond,
    plots_agree,
    recommend,
    slope_lacks,
)
from kitlib.statistics.agreement import shown_within
from kitlib.words.terms import show, show_span

pytestmark = pytest.mark.slow
NUMBERS = re.compile(
    r"The bias, ([+−]\d+\.\d\d) points \(95% interval (.+?); (\d+) samples? in "
    r"(\d+) trials?\)"
)


@cache
def audited():
    """Return curves of many truths, each with its advice."""
    rng, found = np.random.default_rng(2025), []
    for _ in range(150):
        pairs = simulate_pairs(
            rng,
            trials=int(rng.choice([2, 3, 4, 6, 8, 12])),
            samples_per_trial=int(rng.choice([2, 4, 7])),
            bias=float(rng.choice([0.0, 0.15, 0.3, 0.5, -0.8])),
            gain=float(rng.choice([1.0, 1.0, 0.93, 0.85])),
            moisture_sd_between=float(rng.choice([1.0, 4.0])),
            sd_trial=float(rng.choice([0.05, 0.2])),
            sd_sample=float(rng.choice([0.15, 0.3, 0.9])),
            sd_dish=0.05,
        )
        names = ("sensor_pct", "reference_pct", "trial")
        audit = audit_of(*(pairs[name] for name in names))
        found.append((audit, recommend(audit)))
    return found


def advised(*actions):
    """Return the curves so advised; a test of none of them would test nothing."""
    found = [each for each in audited() if each[1].action in actions]
    assert found
    return found


def test_the_numbers_of_a_sentence_are_those_of_the_table():
    read = 0
    for audit, advice in audited():
        for bias, span, n, trials in NUMBERS.findall(advice.reason):
            read += 1
            assert bias == show(audit.bias.value, sign=True)
            assert span == show_span(*audit.bias.interval(), 2, True)
            assert (int(n), int(trials)) == (audit.n, audit.n_trials)
    assert read > 40


def test_within_is_said_where_it_is_shown_and_nowhere_else():
    for audit, advice in audited():
        within = shown_within(audit.bias, audit.allowed_bias)
        if "is shown to be within" in advice.reason:
            assert within
        if "not shown to be within" in advice.reason:
            assert not within
        if "is significant" in advice.reason:
            assert not audit.bias.interval().holds(0.0)
        if "is not significant" in advice.reason:
            assert audit.bias.interval().holds(0.0)


def test_what_is_kept_is_within_has_no_slope_and_no_band_beyond():
    for audit, advice in advised(KEEP):
        assert "shown to be within" in advice.reason
        assert not bands_beyond(audit.bands) and slope_lacks(audit) is None
        assert advice.new_setting == audit.register["offset_loaded"]
        small = "too small to matter" in advice.reason
        assert small == (not audit.bias.interval().holds(0.0))


def test_what_is_shifted_is_biased_and_told_what_is_left():
    for audit, advice in advised(SHIFT):
        assert plots_agree(audit) and "is significant" in advice.reason
        assert f"add {show(-audit.bias.value, sign=True)} points" in advice.reason
        left = audit.bias.value + advice.new_setting - audit.register["offset_loaded"]
        assert f"the bias left is {show(left, sign=True)} points" in advice.reason


def test_a_slope_is_advised_or_open_where_it_is_clear():
    for audit, advice in advised(RESLOPE):
        assert slope_lacks(audit) == [] and "corrected = " in advice.reason
    for audit, advice in advised(UNRESOLVED):
        if advice.open_question == "slope":
            assert slope_lacks(audit) and "but a slope needs" in advice.reason


def test_what_is_rebuilt_says_why_and_what_it_is_corrected_by():
    for audit, advice in advised(REBUILD):
        said = advice.reason
        if "SEP" in said:
            assert audit.sep > audit.max_sep[0] and show(audit.max_sep[0]) in said
        by = {"none": "left as they are", "offset": "by the offset", "line": "the line"}
        assert by[audit.best_correction] in said


def test_what_is_open_says_what_would_settle_it():
    for _, advice in advised(UNRESOLVED):
        assert advice.open_question and advice.more
        assert np.isnan(advice.new_setting)


def test_the_chance_is_a_chance_and_its_interval_that_of_the_bias_left():
    for audit, advice in audited():
        assert np.isnan(advice.chance_within) or 0 <= advice.chance_within <= 1
        if np.isfinite(advice.new_setting):
            half = audit.bias.interval().high - audit.bias.value
            ends = advice.bias_left.interval()
            assert ends.high - advice.bias_left.value == pytest.approx(half)
