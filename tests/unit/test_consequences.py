"""A trial's consequences: identities, layers of uncertainty, and awkward trials."""

from math import inf, nan

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.curves.audit import Correction
from kitlib.trials.consequences import (
    CHANGES,
    CORRECTION_AND_PLOT_ERROR,
    CORRECTION_ONLY,
    HOLDS,
    NOT_TESTED,
    OPEN,
    PLOT_ERROR_ONLY,
    trial_consequences,
)
from kitlib.trials.ranks import NO_VERDICT, SAFE, SIGN

ENTRIES = [f"E{i}" for i in range(1, 9)]


def line(curve="A", shift=0.0, tilt=0.0, variances=(0.0, 0.0), df=inf):
    return Correction(
        curve=curve,
        pivot=18.0,
        shift=shift,
        tilt=tilt,
        covariance=np.diag(variances),
        df=df,
    )


def season_trial(rng, entries=ENTRIES, blocks=3, **changes):
    """Return an invented trial in complete blocks, one curve."""
    n = len(entries) * blocks
    better = np.tile(np.linspace(0, 0.4, len(entries)), blocks)
    columns = {
        "trial": "T1",
        "plot": [f"{i:03d}" for i in range(n)],
        "entry": list(entries) * blocks,
        "block": np.repeat(np.arange(blocks), len(entries)),
        "curve": "A",
        "plot_mass_kg": 7 + better + rng.normal(0, 0.1, n),
        "plot_area_m2": 8.0,
        "recorded_pct": 18 + 5 * better + rng.normal(0, 0.8, n),
    }
    return pd.DataFrame(columns | changes)


def corrected(table, corrections):
    """Return the table with each plot's moisture corrected by its curve."""
    after = [
        corrections[curve].apply(reading) if curve in corrections else nan
        for curve, reading in zip(table["curve"], table["recorded_pct"], strict=True)
    ]
    return table.assign(moisture_after_pct=after, sensor_pct=table["recorded_pct"])


def consequences(table, corrections=None, **changes):
    corrections = {"A": line()} if corrections is None else corrections
    settings = {"standard_pct": 15.5, "select": 0.25, "rng": np.random.default_rng(3)}
    if "moisture_after_pct" not in table:
        table = corrected(table, corrections)
    return trial_consequences(table, corrections, **(settings | changes))


def test_a_correction_of_zero_changes_nothing(rng):
    found = consequences(season_trial(rng))
    table = found.entries
    assert table["yield_after"].tolist() == table["yield_before"].tolist()
    assert table["rank_after"].tolist() == table["rank_before"].tolist()
    assert found.ranks.kendall_tau == approx(1)
    chances = found.chances
    before = chances[PLOT_ERROR_ONLY].chance_selected.tolist()
    assert chances[CORRECTION_AND_PLOT_ERROR].chance_selected.tolist() == approx(before)
    assert found.trend.value == 0
    assert found.remarks == ()


def test_at_one_moisture_a_common_offset_keeps_the_order(rng):
    table = season_trial(rng, recorded_pct=19.0)
    found = consequences(table, {"A": line(shift=-1.5, variances=(0.04, 0), df=9)})
    ratio = found.entries["yield_after"] / found.entries["yield_before"]
    assert ratio.to_numpy() == approx(np.full(8, 82.5 / 81))
    assert found.ranks.largest_move == 0
    # The order holds in every draw of the correction.
    sure = found.chances[CORRECTION_ONLY].chance_selected
    assert sorted(sure) == [0] * 6 + [1] * 2


def test_two_layers_of_uncertainty_are_kept_apart(rng):
    table = season_trial(rng)
    sure = consequences(table, {"A": line(tilt=0.05)})
    known = sure.chances[CORRECTION_ONLY]
    assert set(known.chance_selected) == {0, 1}
    assert known.rank_low.tolist() == sure.ranks.rank_after.tolist()
    assert (sure.entries["rank_high"] > sure.entries["rank_low"]).any()
    assert sure.entries["verdict_correction"].tolist().count(SAFE) == 2
    vague = consequences(table, {"A": line(tilt=0.05, variances=(1, 0.04), df=5)})
    widths = [
        (
            each.entries["rank_high_correction"] - each.entries["rank_low_correction"]
        ).sum()
        for each in (sure, vague)
    ]
    assert widths[0] == 0 < widths[1]


def test_a_tilt_takes_from_wet_entries(rng):
    assert consequences(season_trial(rng), {"A": line(tilt=0.1)}).trend.value < 0


def test_a_curve_that_reads_wet_hides_a_winner(rng):
    curve = np.where(np.isin(ENTRIES * 3, ["E8", "E1"]), "B", "A")
    table = season_trial(rng, curve=curve)
    corrections = {"A": line(), "B": line("B", shift=-6.0)}
    found = consequences(table, corrections, checks=["E4"])
    entries = found.entries.set_index("entry")
    assert entries.loc["E8", "yield_after"] > entries.loc["E8", "yield_before"]
    assert found.served.on_one_curve == tuple(ENTRIES)
    turned = found.before.entries[found.checks["E4"] == SIGN].tolist()
    assert turned == ["E1"]


def test_the_table_has_a_row_for_every_entry(rng):
    table = season_trial(rng)
    table.loc[table["entry"] == "E3", "plot_mass_kg"] = 0.0
    found = consequences(table)
    lost = found.entries.set_index("entry").loc["E3"]
    assert found.entries["entry"].tolist() == ENTRIES
    assert lost["n_plots"] == 0
    assert pd.isna(lost["yield_before"]) and pd.isna(lost["rank_after"])
    assert lost["verdict"] == NO_VERDICT
    assert found.entries["rank_before"].max() == 7
    assert found.remarks == (
        "plots 002, 010 and 018 left out before and after: plot_mass_kg is missing or "
        "not above 0 kg",
        "no plot of entry E3 can be used",
    )


def test_plots_without_a_correction_are_left_out_on_both_sides(rng):
    table = season_trial(rng, curve=["A"] * 16 + ["B"] * 8)
    found = consequences(table)
    assert found.entries["n_plots"].tolist() == [2] * 8
    alone = consequences(table[table["curve"] == "A"])
    assert found.entries["yield_before"].tolist() == approx(
        alone.entries["yield_before"].tolist()
    )


def test_without_any_correction_yields_as_read_remain(rng):
    found = consequences(season_trial(rng), {})
    assert found.ranks is None
    assert found.entries["yield_before"].notna().all()
    assert found.entries["rank_before"].notna().all()
    assert found.entries["lsd"].notna().all()
    assert found.entries["yield_after"].isna().all()
    assert list(found.chances) == [PLOT_ERROR_ONLY]


@pytest.mark.parametrize("corrections", [{}, {"A": line(variances=(nan, nan), df=nan)}])
def test_unknown_uncertainty_gives_no_chances_after(rng, corrections):
    table = corrected(season_trial(rng), {"A": line(shift=-0.3)})
    found = consequences(table, corrections)
    assert found.entries["yield_after"].notna().all()
    assert list(found.chances) == [PLOT_ERROR_ONLY]
    assert set(found.entries["verdict"]) == {NO_VERDICT}
    assert found.remarks == (
        "how well the correction of curve A is known is not known: no chances after "
        "correction",
    )


def test_without_replication_only_the_correction_is_uncertain(rng):
    table = season_trial(rng, blocks=1)
    found = consequences(table, {"A": line(variances=(0.1, 0.01), df=9)})
    assert list(found.chances) == [CORRECTION_ONLY]
    assert found.entries["lsd"].isna().all()
    assert set(found.entries["verdict"]) == {NO_VERDICT}
    assert NO_VERDICT not in set(found.entries["verdict_correction"])
    assert found.remarks == (
        "no entry has a second plot to judge error by: no least significant difference "
        "and no chances that count plot error",
    )


def test_a_trial_with_one_entry(rng):
    found = consequences(season_trial(rng, entries=["E1"]))
    assert found.entries["rank_after"].tolist() == [1]
    assert found.chances == {}
    assert found.remarks == (
        "blocks are left out of the model: too few plots beyond one per entry to tell "
        "them from error",
        "the trial has one entry: nothing to rank or to select",
    )


def test_a_trial_with_no_usable_plot(rng):
    found = consequences(season_trial(rng, recorded_pct=100.0))
    assert found.before is None and found.ranks is None
    assert found.entries["entry"].tolist() == ENTRIES
    assert "no plot can be used: nothing is known of this trial" in found.remarks


def test_a_check_that_is_not_there_is_named(rng):
    found = consequences(season_trial(rng), checks=["E1", "K"])
    assert list(found.checks) == ["E1"]
    assert found.remarks == ("check K not in this trial: not compared with",)


def test_an_incomplete_block_trial_goes_all_the_way(rng):
    table = season_trial(rng)
    table["block"] = np.repeat(np.arange(6), 4)
    found = consequences(table, {"A": line(shift=-0.4, variances=(0.04, 0), df=8)})
    assert found.before.design == "incomplete blocks"
    assert len(found.chances) == 3
    assert found.entries["lsd"].gt(0).all()


def test_the_same_stream_of_chance_gives_the_same_table(rng):
    table = season_trial(rng)
    corrections = {"A": line(shift=-0.4, variances=(0.04, 0.001), df=8)}
    first, second = (consequences(table, corrections).entries for _ in range(2))
    pd.testing.assert_frame_equal(first, second)


def test_a_check_takes_no_rank_and_no_place(rng):
    found = consequences(season_trial(rng), checks=["E8"], select=2)
    entries = found.entries.set_index("entry")
    assert pd.isna(entries.loc["E8", "rank_after"])
    assert entries.loc["E8", "is_check"] and not entries.loc["E8", "selected_after"]
    assert entries["selected_after"].sum() == 2
    assert entries["rank_after"].max() == 7
    assert entries["chance_selected_after"].sum() == approx(2)


def near_the_line(gap, lsd_sd, shift):
    """Return a trial whose entries a and b change places when curve B is corrected."""
    base = [9.0, 7.0 + gap, 7.0, 5.0]
    noise = lsd_sd * np.array([[1, -1, 1, -1], [-1, 1, -1, 1]])
    columns = {
        "trial": "T1",
        "plot": [str(k) for k in range(8)],
        "entry": list("tabz") * 2,
        "block": [1] * 4 + [2] * 4,
        "curve": list("AABA") * 2,
        "plot_mass_kg": (np.array([base, base]) + noise).ravel(),
        "plot_area_m2": 8.0,
        "recorded_pct": 20.0,
    }
    corrections = {"A": line(), "B": line("B", shift=shift)}
    return consequences(pd.DataFrame(columns), corrections, select=2)


def test_a_pair_closer_than_its_lsd_leaves_the_selection_open():
    selection = near_the_line(0.02, 0.3, shift=-1.0).selection
    assert selection.word == OPEN
    assert (selection.entered, selection.left) == (("b",), ("a",))
    assert selection.gap < selection.lsd


def test_a_pair_told_apart_changes_the_selection():
    selection = near_the_line(0.02, 0.001, shift=-1.0).selection
    assert selection.word == CHANGES
    assert selection.gap > selection.lsd


def test_a_selection_holds_where_nothing_crosses(rng):
    found = consequences(season_trial(rng))
    assert found.selection.word == HOLDS and found.selection.open == ()
    untested = consequences(season_trial(rng), tested=False)
    assert untested.selection.word == NOT_TESTED


def test_errors_of_entries_widen_chances(rng):
    table = season_trial(rng)
    plain = consequences(table).chances[CORRECTION_ONLY].chance_selected
    wide = consequences(table, entry_sd=1.0).chances[CORRECTION_ONLY].chance_selected
    assert set(plain) == {0, 1}
    assert ((wide > 0) & (wide < 1)).any()


def test_the_input_is_left_as_it_was(rng):
    table = corrected(season_trial(rng), {"A": line()})
    kept = table.copy(deep=True)
    consequences(table)
    pd.testing.assert_frame_equal(table, kept)
