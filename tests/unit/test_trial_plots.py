"""One trial's plots as arrays, and what is said of those that cannot be used."""

from math import nan

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.trials.yields import compared, read_trial_plots, remark_plots


def table(**changes):
    columns = {
        "trial": "T1",
        "plot": ["1", "2", "3", "4"],
        "entry": list("abab"),
        "block": [1, 1, 2, 2],
        "curve": list("AABB"),
        "plot_mass_kg": [8.45] * 4,
        "plot_area_m2": [8.0] * 4,
        "sensor_pct": [20.0] * 4,
        "recorded_pct": [20.0] * 4,
        "moisture_after_pct": [19.0] * 4,
    }
    return pd.DataFrame(columns | changes)


def test_both_yields_by_hand():
    # 8.45 kg at 15.5 % standard: 125 kg/ha per point, 10,000 kg/ha at 20 %.
    found = read_trial_plots(table(), 15.5)
    assert found.before.tolist() == approx([10_000] * 4)
    assert found.after.tolist() == approx([10_125] * 4)
    assert found.per_point.tolist() == approx([-125] * 4)


def test_good_plots_need_no_remark():
    assert remark_plots(table(), 15.5) == ()


@pytest.mark.parametrize(
    ("column", "values", "said"),
    [
        ("plot_mass_kg", [0, -1, 8, 8], "plot_mass_kg is missing or not above 0 kg"),
        ("plot_area_m2", [0, nan, 8, 8], "plot_area_m2 is missing or not above 0 m²"),
        (
            "recorded_pct",
            [100, nan, 20, 20],
            "the sensor's reading is missing or not within 0 to below 100 %",
        ),
        (
            "moisture_after_pct",
            [100, -1, 20, 20],
            "the corrected moisture is not within 0 to below",
        ),
        (
            "moisture_after_pct",
            [nan, nan, 20, 20],
            "the corrected moisture is not known",
        ),
    ],
)
def test_bad_plots_are_named_and_not_compared(column, values, said):
    plots = table(**{column: values})
    (remark,) = remark_plots(plots, 15.5)
    assert remark.startswith(f"plots 1 and 2 left out before and after: {said}")
    both = compared(read_trial_plots(plots, 15.5))
    assert both.tolist() == [False, False, True, True]


def test_without_any_correction_there_is_nothing_to_compare():
    plots = table(moisture_after_pct=[nan] * 4)
    assert remark_plots(plots, 15.5) == (
        "no plot has a corrected moisture: nothing to compare with",
    )
    assert np.isfinite(read_trial_plots(plots, 15.5).before).all()


def test_an_unknown_standard_moisture_is_said():
    assert "the standard moisture is not known: no yields" in remark_plots(table(), nan)


def test_a_trial_may_have_no_blocks():
    for plots in (table().drop(columns="block"), table(block=None)):
        assert set(read_trial_plots(plots, 15.5)["block"]) == {""}


def test_plots_of_no_block_are_a_block_of_their_own():
    plots = table(block=["1", None, "2", "2"])
    assert read_trial_plots(plots, 15.5).block.tolist() == ["1", "not given", "2", "2"]
    assert remark_plots(plots, 15.5) == (
        "plot 2 of no block: taken as a block of their own",
    )


def test_a_missing_curve_is_named_so():
    found = read_trial_plots(table(curve=["A", None, "A", "B"]), 15.5)
    assert found.curve.tolist() == ["A", "not given", "A", "B"]


def test_missing_numbers_of_nullable_columns_are_read():
    mass = pd.array([8.45, None, 8.45, 8.45], dtype="Float64")
    found = read_trial_plots(table(plot_mass_kg=mass), 15.5)
    assert np.isnan(found.before).tolist() == [False, True, False, False]


def test_a_table_of_two_trials_is_refused():
    with pytest.raises(ValueError, match="holds 2 trials; expected the plots of one"):
        read_trial_plots(table(trial=["T1", "T1", "T2", "T2"]), 15.5)
