"""Equivalence and its sentence."""

import pytest

from kitlib.statistics.agreement import equivalence
from kitlib.words.estimates import Estimate, not_known

# t(9; 0.95) = 1.8331: the 90 % interval of these is value -/+ 0.18331.
NEAR = Estimate(value=0.1, se=0.1, df=9)
FAR = Estimate(value=0.9, se=0.1, df=9)


def test_inside_the_margin():
    found = equivalence(NEAR, 0.29)
    assert found.shown and not found.beyond
    assert found.sentence.endswith("lies inside ±0.29: equivalence is shown")


def test_reaching_beyond_the_margin():
    found = equivalence(NEAR, 0.28)
    assert not found.shown and not found.beyond
    assert "reaches beyond ±0.28: equivalence is not shown" in found.sentence


def test_beyond_the_margin_on_either_side():
    for value in (0.9, -0.9):
        found = equivalence(Estimate(value=value, se=0.1, df=9), 0.5)
        assert found.beyond and not found.shown
        assert "lies outside ±0.50: equivalence is not shown" in found.sentence


def test_level_is_one_minus_alpha_of_each_side():
    found = equivalence(NEAR, 0.5, level=0.975)
    assert found.interval == NEAR.interval(0.95)
    assert found.sentence.startswith("the 95 % interval of the bias")


def test_a_bias_without_interval_is_never_equivalent():
    alone = Estimate(value=0.01, remark="got 1 trial(s)")
    found = equivalence(alone, 5.0)
    assert not found.shown and not found.beyond
    assert found.sentence == "equivalence cannot be judged: got 1 trial(s)"
    assert not equivalence(not_known("no samples"), 5.0).shown


@pytest.mark.parametrize("margin", [0.0, -0.4, float("nan")])
def test_a_margin_must_be_positive(margin):
    with pytest.raises(ValueError, match="expected more than 0"):
        equivalence(FAR, margin)


@pytest.mark.parametrize("level", [0.5, 1.0, 95])
def test_a_level_is_a_share(level):
    with pytest.raises(ValueError, match=r"expected 0\.5 to 1"):
        equivalence(FAR, 0.5, level)
