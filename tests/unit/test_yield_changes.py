"""What a correction does to yields, by moisture and by curve, on round numbers."""

from math import inf, isnan, sqrt

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.curves.audit import Correction
from kitlib.trials.means import entry_means
from kitlib.trials.ranks import served_by, yield_trend
from kitlib.trials.yields import read_trial_plots


def flat(curve, shift, se=0.1, df=10.0):
    return Correction(
        curve=curve,
        pivot=20,
        shift=shift,
        tilt=0,
        covariance=np.diag([se**2, 0]),
        df=df,
    )


def trial(curve, entry, block, shifts, moisture=20.0):
    """Return plots of 10,000 kg/ha as read, 125 kg/ha per point at 20 %."""
    table = pd.DataFrame(
        {
            "trial": "T",
            "plot": [str(i) for i in range(len(curve))],
            "entry": list(entry),
            "block": block,
            "curve": list(curve),
            "plot_mass_kg": 8.45,
            "plot_area_m2": 8.0,
            "sensor_pct": moisture,
            "recorded_pct": moisture,
        }
    )
    added = table["curve"].map(shifts)
    return read_trial_plots(
        table.assign(moisture_after_pct=table["recorded_pct"] + added), 15.5
    )


def served(plots, corrections=()):
    means = entry_means(plots["after"], plots["entry"], plots["block"])
    return served_by(plots, means.weights, {each.curve: each for each in corrections})


def test_curves_that_change_with_blocks_leave_entries_alone():
    plots = trial("AABB", "abab", [1, 1, 2, 2], {"A": 0.8, "B": 0.0})
    found = served(plots, [flat("A", 0.8), flat("B", 0.0, se=0.2)])
    assert found.curves.tolist() == ["A", "B"]
    # Curve A reads 0.8 points too dry: 0.8 × 125 = 100 kg/ha too much, SE 0.1 × 125.
    assert found.added_kg_ha == approx([100, 0])
    assert found.difference.se == approx(sqrt(12.5**2 + 25**2))
    assert found.blocks_split == 0
    assert found.entry_spread == approx(0, abs=1e-9)
    assert (found.unevenness, found.on_one_curve) == (approx(0), ())


def test_entries_on_different_curves_differ_by_their_errors():
    plots = trial("ABAB", "abab", [1, 1, 2, 2], {"A": 0.8, "B": 0.0})
    found = served(plots)
    assert found.entry_spread == approx(100)
    assert found.unevenness == approx(1)
    assert found.on_one_curve == ("a", "b")
    assert found.blocks_split == 2


def test_the_largest_difference_carries_both_uncertainties():
    plots = trial("ABC", "abc", [1, 1, 1], {"A": 0.8, "B": 0.0, "C": -0.8})
    corrections = [flat("A", 0.8), flat("B", 0), flat("C", -0.8, se=0.2, df=5)]
    difference = served(plots, corrections).difference
    assert difference.value == approx(200)
    assert difference.se == approx(sqrt(12.5**2 + 25**2))
    # Welch and Satterthwaite: (1 + 4)² / (1/10 + 16/5) in units of 12.5⁴.
    assert difference.df == approx(25 / 3.3)


def test_the_tilt_counts_from_the_pivot():
    tilted = Correction(
        curve="A", pivot=20, shift=0, tilt=0, covariance=np.diag([0, 0.01]), df=inf
    )
    shifts = {"A": 0.0, "B": 0.0}
    plots = trial("AAB", "aba", [1, 1, 2], shifts, moisture=[21.0, 23.0, 20.0])
    # On average 2 points above the pivot, 125 kg/ha a point, SE of the tilt 0.1.
    difference = served(plots, [tilted, flat("B", 0.0, se=0)]).difference
    assert difference.se == approx(25)


def test_one_curve_has_nothing_to_differ_from():
    found = served(trial("AAAA", "abab", [1, 1, 2, 2], {"A": 0.8}))
    assert found.difference.remark == "one curve served all plots"
    assert found.on_one_curve == ()
    assert isnan(found.unevenness)


def test_exactly_known_curves_differ_exactly():
    plots = trial("AB", "ab", [1, 1], {"A": 0.8, "B": 0.0})
    exact = [flat("A", 0.8, se=0, df=inf), flat("B", 0, se=0, df=inf)]
    assert served(plots, exact).difference.interval() == approx((100, 100))


def test_trend_by_hand():
    # About the mean: moisture −1, 0, 1; change −8, 2, 6 about 0: slope 7, residuals
    # −1, 2, −1, sum of squares 6 on 1 df, SE = √(6/2).
    found = yield_trend([-8, 2, 6], [15, 16, 17])
    assert (found.value, found.se, found.df) == approx((7, sqrt(3), 1))


@pytest.mark.parametrize(
    ("moisture", "why"),
    [([15, 16], "2 entries"), ([15, 15, 15], "all entries have the same moisture")],
)
def test_a_trend_that_cannot_be_told_says_why(moisture, why):
    found = yield_trend(moisture, moisture)
    assert not found.known
    assert found.remark.startswith(why)
