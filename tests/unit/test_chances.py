"""Chances of selection: linear shortcuts against brute force, and known answers."""

from math import inf, sqrt

import numpy as np
import pandas as pd
import pytest
from pytest import approx
from scipy.stats import norm, t

from kitlib.curves.audit import Correction
from kitlib.trials.means import entry_means
from kitlib.trials.ranks import (
    BORDERLINE,
    OUT,
    SAFE,
    draw_correction_errors,
    draw_plot_errors,
    rank_chances,
    verdicts,
)
from kitlib.trials.yields import read_trial_plots, yield_kg_ha

STANDARD = 15.5
CORRECTIONS = {
    "A": Correction(
        curve="A",
        pivot=18.0,
        shift=-0.4,
        tilt=0.1,
        covariance=np.array([[0.04, 0.003], [0.003, 0.0009]]),
        df=8,
    ),
    "B": Correction(
        curve="B",
        pivot=16.0,
        shift=0.2,
        tilt=0.0,
        covariance=np.array([[0.01, 0.0], [0.0, 0.0]]),
        df=5,
    ),
}


def invented_plots(rng, entries=5, blocks=3):
    """Return a table of plots served by two curves, in turn."""
    n = entries * blocks
    table = pd.DataFrame(
        {
            "trial": "T",
            "plot": np.arange(n).astype(str),
            "entry": np.tile(list("abcdefgh")[:entries], blocks),
            "block": np.repeat(np.arange(blocks), entries),
            "curve": np.resize(["A", "B"], n),
            "plot_mass_kg": rng.uniform(6, 9, n),
            "plot_area_m2": rng.uniform(7.5, 8.5, n),
            "recorded_pct": rng.uniform(14, 22, n),
        }
    )
    corrected = [
        CORRECTIONS[curve].apply(reading)
        for curve, reading in zip(table["curve"], table["recorded_pct"], strict=True)
    ]
    return table.assign(moisture_after_pct=corrected, sensor_pct=table["recorded_pct"])


def test_the_linear_shortcut_is_the_whole_way_round(rng):
    # Recompute moistures, yields and least-squares means for every draw.
    table = invented_plots(rng)
    plots = read_trial_plots(table, STANDARD)
    after = entry_means(plots["after"], plots["entry"], plots["block"])
    quick = after.mean + draw_correction_errors(
        plots, after.weights, CORRECTIONS, 20, np.random.default_rng(7)
    )
    again = np.random.default_rng(7)
    errors = {name: CORRECTIONS[name].draw_errors(20, again) for name in ("A", "B")}
    for draw in range(20):
        moisture = table["moisture_after_pct"].to_numpy().copy()
        for name, (shift, tilt) in errors.items():
            served = (table["curve"] == name).to_numpy()
            above = plots["sensor"].to_numpy()[served] - CORRECTIONS[name].pivot
            moisture[served] += shift[draw] + tilt[draw] * above
        mass, area = table["plot_mass_kg"], table["plot_area_m2"]
        yields = yield_kg_ha(mass, area, moisture, STANDARD)
        slow = entry_means(yields, plots["entry"], plots["block"])
        assert quick[draw] == approx(slow.mean, rel=1e-10)


def test_plot_errors_have_the_covariance_of_the_means(rng):
    table = invented_plots(rng)
    keep = np.arange(15) != 4
    plots = read_trial_plots(table, STANDARD)[keep]
    means = entry_means(plots["after"], plots["entry"], plots["block"])
    drawn = draw_plot_errors(means, 100_000, rng)
    # t draws: covariance × df / (df − 2); 3 % is about 4 standard errors at 7 df.
    expected = means.covariance * means.df / (means.df - 2)
    diagonal = np.diag(expected)
    assert np.var(drawn, axis=0) == approx(diagonal, rel=0.03)
    scale = np.sqrt(np.outer(diagonal, diagonal))
    assert np.abs(np.cov(drawn.T) - expected).max() < 0.03 * scale.max()


def test_no_plot_error_draws_nothing(rng):
    means = entry_means([10.0, 20, 10, 20], list("abab"), [1, 1, 2, 2])
    assert draw_plot_errors(means, 10, rng) == approx(np.zeros((10, 2)), abs=1e-9)


def test_the_chance_of_two_entries_is_that_of_t(rng):
    # Entry a leads b by one SED on 2 df: it is better with the chance that t on
    # 2 df lies below 1, which is 1/2 + 1/(2√3) = 0.788675 exactly.
    means = entry_means([10.0, 12, 10 - sqrt(2), 12 - sqrt(2)], list("aabb"))
    assert means.mean[0] - means.mean[1] == approx(means.sed_of_pairs[0, 1])
    exact = 0.5 + 1 / (2 * sqrt(3))
    assert t.cdf(1, 2) == approx(exact)
    drawn = means.mean + draw_plot_errors(means, 40_000, rng)
    found = rank_chances(drawn, 1)
    # Four standard errors of a share of 40,000 draws: 0.0082.
    assert found.chance_selected[0] == approx(exact, abs=0.0082)
    assert found.chance_selected.sum() == approx(1)
    assert found.expected_rank[0] == approx(2 - exact, abs=0.0082)


def test_the_chance_through_a_correction_is_that_of_its_offset(rng):
    # Two plots of 8.45 kg on 8 m², 125 kg/ha per point; a is served by a curve whose
    # offset has SE 0.4 and leads by 25 kg/ha, 0.2 points: Φ(0.5).
    table = pd.DataFrame(
        {
            "trial": "T",
            "plot": ["1", "2"],
            "entry": ["a", "b"],
            "curve": ["A", "B"],
            "plot_mass_kg": 8.45,
            "plot_area_m2": 8.0,
            "sensor_pct": [20.0, 20.2],
            "recorded_pct": [20.0, 20.2],
            "moisture_after_pct": [20.0, 20.2],
        }
    )
    uncertain = Correction(
        curve="A",
        pivot=0,
        shift=0,
        tilt=0,
        covariance=np.diag([0.16, 0.0]),
        df=inf,
    )
    exact = Correction(
        curve="B", pivot=0, shift=0, tilt=0, covariance=np.zeros((2, 2)), df=inf
    )
    plots = read_trial_plots(table, STANDARD)
    means = entry_means(plots["after"], plots["entry"])
    drawn = means.mean + draw_correction_errors(
        plots, means.weights, {"A": uncertain, "B": exact}, 40_000, rng
    )
    found = rank_chances(drawn, 1)
    assert found.chance_selected[0] == approx(norm.cdf(0.5), abs=0.0093)


def test_ranks_over_draws_by_hand():
    drawn = np.array([[3.0, 2, 1]] * 38 + [[1.0, 2, 3]] * 2)
    found = rank_chances(drawn, 1)
    assert found.chance_selected.tolist() == approx([0.95, 0, 0.05])
    assert found.expected_rank.tolist() == approx([1.1, 2, 2.9])
    assert found.rank_low.tolist() == [1, 2, 1]
    assert found.rank_high.tolist() == [3, 2, 3]
    assert found.verdict.tolist() == [SAFE, OUT, OUT]


def test_draws_that_tie_share_the_better_rank():
    found = rank_chances(np.ones((4, 2)), 1)
    assert found.chance_selected.tolist() == approx([1, 1])


@pytest.mark.parametrize(
    ("chance", "said"),
    [(1, SAFE), (0.9, SAFE), (0.899, BORDERLINE), (0.101, BORDERLINE), (0, OUT)],
)
def test_verdicts_turn_at_the_threshold(chance, said):
    assert verdicts(chance) == said
