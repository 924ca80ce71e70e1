"""Columns in another unit or form than was said, each planted in a good table."""

import numpy as np
import pandas as pd
import pytest
from real_trials import plots_of, read_trials

from kitlib.intake.foreign import named_unit
from kitlib.intake.schema import OUR_UNITS, SCHEMAS, CheckedTable, Source, empty_table
from kitlib.intake.units import doubtful_units, in_two_units

LB = 2.2046226


def tables(**frames) -> dict[str, CheckedTable]:
    """Return every table, the given ones filled."""
    found = {name: CheckedTable(empty_table(name)) for name in SCHEMAS}
    for name, frame in frames.items():
        found[name].frame = empty_table(name).reindex(frame.index).assign(**frame)
    return found


@pytest.fixture(scope="module")
def plots():
    """The plots of one real year, ten trials."""
    trials = read_trials()
    return plots_of(trials[trials["year"] == 2003]).reset_index(drop=True)


def samples(plots, every=10):
    taken = plots.iloc[::every]
    dish = {"tare_g": 20.0, "wet_g": 30.0, "dry_g": 30 - taken["sensor_pct"] / 10}
    keys = taken[["trial", "plot"]].assign(sample=taken["trial"] + taken["plot"])
    return keys.assign(method="S352.2", **dish)


def doubts(**frames):
    return [f for f in doubtful_units(tables(**frames)) if f.code == "unit-doubtful"]


@pytest.mark.parametrize(
    ("header", "quantity", "unit"),
    [
        ("Grain Wt (lb)", "mass", "lb"),
        ("Harvest weight, lbs.", "mass", "lb"),
        ("Erntemasse [kg]", "mass", "kg"),
        ("Weight_g", "mass", "g"),
        ("Yield mass", "mass", ""),
        ("TW lb/bu", "test_weight", "lb_bu"),
        ("Test Wt (lbs per bu)", "test_weight", "lb_bu"),
        ("hl-Gewicht kg/hl", "test_weight", "kg_hl"),
        ("Pan tare (mg)", "mass", "mg"),
        ("Plot area sq ft", "area", "ft2"),
        ("AREA_FT2", "area", "ft2"),
        ("Parzellenfläche m²", "area", "m2"),
        ("Acres", "area", "ac"),
        ("Grain temp °F", "temperature", "f"),
        ("Moisture, dry basis", "moisture", "dry_basis"),
        ("Moisture % d.b.", "moisture", "dry_basis"),
        ("Moisture %", "moisture", ""),
    ],
)
def test_a_header_names_its_unit(header, quantity, unit):
    assert named_unit(header, quantity) == unit


@pytest.mark.parametrize("said_in", ["headers", "units_row"])
def test_a_header_or_units_row_against_the_unit_said_is_always_told(plots, said_in):
    mine = {"headers": {"plot_mass_kg": "Grain Wt"}, "units_row": {}}
    mine[said_in] = {"plot_mass_kg": "Grain Wt (lb)"}
    season = tables(plots=plots)
    season["plots"].sources.append(
        Source(
            name="combine.csv",
            headers=mine["headers"],
            units_row=mine["units_row"],
            units=OUR_UNITS,
        )
    )
    (found,) = doubtful_units(season)
    assert "names lb, but plot_mass_kg is read as kg" in found.message
    assert 'mass = "lb" under [units.plots]' in found.remedy


def test_real_trials_as_they_are_give_no_unit_alarm(plots):
    assert doubts(plots=plots, oven=samples(plots)) == []


def test_trials_in_lb_are_named_in_one_line(plots):
    heavy = plots["trial"].isin(["2003BA", "2003CA"])
    plots = plots.assign(plot_mass_kg=plots["plot_mass_kg"] * np.where(heavy, LB, 1))
    (found,) = doubts(plots=plots)
    assert "2003BA" in found.message
    assert "2003CA" in found.message
    assert "lb are taken for kg" in found.remedy
    assert len(found.rows) == heavy.sum()


@pytest.mark.parametrize("share", [0.2, 0.5])
def test_lb_and_kg_mixed_within_a_trial_are_told(plots, rng, share):
    own = plots["trial"] == "2003WE"
    heavy = own & (rng.random(len(plots)) < share)
    plots = plots.assign(plot_mass_kg=plots["plot_mass_kg"] * np.where(heavy, LB, 1))
    # With half of its plots in lb its median may be told of as well.
    (found,) = [f for f in doubts(plots=plots) if "within a trial" in f.message]
    assert "2003WE" in found.message
    assert set(found.rows) == set(plots.index[heavy])


def test_one_unit_is_not_taken_for_two(rng):
    values = pd.Series(rng.normal(9, 0.25, 80))
    entries = pd.Series(np.repeat(np.arange(20), 4).astype(str))
    assert not in_two_units(values, entries).any()


def test_fractions_are_told(plots):
    (found,) = doubts(plots=plots.assign(sensor_pct=plots["sensor_pct"] / 100))
    assert "fractions" in found.message
    assert 'moisture = "fraction" under [units.plots]' in found.remedy


def test_fractions_of_one_trial_are_told_with_its_name(plots):
    trial = plots["trial"].iloc[0]
    scale = plots["trial"].map(lambda name: 100 if name == trial else 1)
    found = doubts(plots=plots.assign(sensor_pct=plots["sensor_pct"] / scale))
    [told] = [f for f in found if "look like fractions" in f.message]
    assert f"of trial {trial}; these look like fractions" in told.message
    assert "[[files.plots]]" in told.remedy
    assert set(told.rows) == set(plots.index[plots["trial"] == trial])


def test_a_trial_drier_than_any_grain_is_told(plots):
    found = doubts(plots=plots.assign(sensor_pct=plots["sensor_pct"] / 10))
    assert any("no grain is harvested below 4 %" in f.message for f in found)


@pytest.mark.parametrize(
    ("spoil", "hint"),
    [
        # The tare never written down: the dish counts as grain.
        (lambda o: o.assign(tare_g=0.0), "all tares are 0"),
        # Net weights beside their tare: it is taken off twice.
        (
            lambda o: o.assign(wet_g=10.0, tare_g=4.0, dry_g=o["dry_g"] - 20),
            "tare is taken off already",
        ),
        # Only what was left for the second stage of drying.
        (lambda o: o.assign(dry_g=29.5), "two stages"),
    ],
)
def test_what_no_calibration_explains_is_told_with_its_likely_cause(plots, spoil, hint):
    plots = plots[plots["trial"].isin(["2003DU", "2003SL", "2003WE"])]
    found = doubts(plots=plots, oven=spoil(samples(plots)))
    assert {f.table for f in found} == {"plots", "oven"}
    assert all(hint in f.remedy for f in found)


def test_test_weights_in_lb_bu_are_told(plots):
    light = plots.assign(test_weight_kg_hl=plots["test_weight_kg_hl"] / 1.287186)
    (found,) = doubts(plots=light)
    assert "lb/bu" in found.message


def test_temperatures_in_fahrenheit_are_told(plots):
    (found,) = doubts(plots=plots.assign(grain_temp_c=75.0))
    assert "°F" in found.message


def test_plots_that_all_weigh_the_same_are_told(plots):
    same = plots["plot_mass_kg"].where(plots["trial"] != "2003BA", 12.0)
    (found,) = doubts(plots=plots.assign(plot_mass_kg=same))
    assert "all plots weigh the same in trial 2003BA" in found.message
