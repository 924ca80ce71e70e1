"""Trials of a season: what is kept of each, and that one does not hold the others."""

import gc
import weakref
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from scipy.stats import f as fisher_f

from kitlib.reports.blocks import Picture
from kitlib.reports.trial_sections import (
    changes_here,
    measured_here,
    to_do,
    trial_answer,
)
from kitlib.season.season import audit_season
from kitlib.words.findings import SeasonRefused
from kitlib.words.terms import show


def test_an_outcome_tells_what_the_trial_tells(season):
    audit = audit_season(season.folder)
    trials, entries, findings = audit.outcomes
    assert sorted(trials["trial"]) == audit.trials == ["T1", "T2", "T3"]
    for row in trials.itertuples():
        trial = audit.trial(row.trial)
        both = trial.consequences
        own = entries[entries["trial"] == row.trial].reset_index(drop=True)
        pd.testing.assert_frame_equal(own, both.entries[list(own)], check_dtype=False)
        assert row.curves == ", ".join(trial.curves)
        assert row.selected == trial.consequences.count
        assert row.yield_after == both.after.mean.mean()
        assert row.kendall_tau == both.ranks.kendall_tau
        told = [f for f in trial.findings if f.trial == row.trial]
        assert [f for f in findings if f.trial == row.trial] == told


def test_a_trial_nothing_can_be_corrected_in_has_an_outcome_that_says_so(season):
    season.write("plots.csv", season.text("plots.csv").replace("T3,", "T4,"))
    season.replace("plots.csv", "T4,001,E1,wheat,W", "T4,001,E1,wheat,X")
    season.replace("plots.csv", "T4,002,E2,wheat,W", "T4,002,E2,wheat,X")
    trials = audit_season(season.folder).outcomes.trials.set_index("trial")
    assert np.isnan(trials.at["T4", "newly_selected"])
    assert np.isnan(trials.at["T4", "yield_after"])


def test_only_the_last_trial_asked_for_is_held(season):
    audit = audit_season(season.folder)
    first = weakref.ref(audit.trial("T1").consequences)
    assert audit.trial("T1") is audit.trial("T1")
    assert set(audit.outcomes.trials["trial"]) == {"T1", "T2", "T3"}
    gc.collect()
    assert first() is None


def test_a_trial_has_its_own_plots_and_no_others(season):
    audit = audit_season(season.folder)
    for name in audit.trials:
        own = audit.plots[audit.plots["trial"] == name]
        pd.testing.assert_frame_equal(audit.plots_of(name), own)
        pd.testing.assert_frame_equal(audit.trial(name).plots, own)


def test_a_trial_that_is_not_there_is_named(season):
    with pytest.raises(SeasonRefused, match="there is no trial 'T9'; there are T1"):
        audit_season(season.folder).trial("T9")


def test_plots_are_not_corrected_before_they_are_asked_for(season):
    audit = audit_season(season.folder)
    assert "plots" not in vars(audit)
    assert len(audit.plots) == 10


def test_chances_of_a_trial_hold_its_own_deviation_from_the_curve(audited_demo):
    # On top of the curve's own uncertainty, squared, comes the spread of its trials.
    for curve, correction in audited_demo.corrections.items():
        wider = audited_demo.trial_corrections[curve].covariance
        spread = audited_demo.spreads[curve].sd_trial
        if np.isfinite(spread):
            added = (wider - correction.covariance)[0, 0]
            assert added == pytest.approx(spread**2, rel=1e-9, abs=1e-12)


def test_which_entry_met_which_sensor_is_counted_from_the_plots(audited_demo):
    trial = audited_demo.trial("maize-04")
    met = trial.used.groupby("entry")["curve"].nunique()
    served = trial.consequences.served
    assert set(served.on_one_curve) == set(met.index[met == 1])
    table = pd.crosstab(trial.used["entry"], trial.used["curve"]).to_numpy()
    expected = np.outer(table.sum(axis=1), table.sum(axis=0)) / table.sum()
    chi_squared = ((table - expected) ** 2 / expected).sum()
    # Two curves: V is the root of chi-squared over the number of plots.
    assert served.unevenness == pytest.approx(np.sqrt(chi_squared / table.sum()))


def test_checks_take_no_place_among_the_selected(audited_demo):
    entries = audited_demo.outcomes.entries
    checks = entries[entries["is_check"].fillna(False).astype(bool)]
    assert len(checks) > 20
    assert not checks["selected_before"].fillna(False).any()
    assert not checks["selected_after"].fillna(False).any()
    assert checks["chance_selected_after"].isna().all()


def test_who_met_which_sensor_is_said_first_where_two_served_a_trial(audited_demo):
    trial = audited_demo.trial("maize-04")
    _, facts, said = trial_answer(audited_demo, trial)
    alone, n = len(trial.consequences.served.on_one_curve), trial.used.entry.nunique()
    name, value, _ = facts.facts[0]
    assert (name, value) == ("Entries read by one sensor only", f"{alone} of {n}")
    assert said.words.startswith("2 curves served this trial: maize-S1 and maize-S2.")
    moved = show(trial.unit.of(trial.consequences.served.entry_spread))
    assert "in unequal shares" in said.words and f"{moved} t/ha" in said.words
    (_, one) = trial_answer(audited_demo, audited_demo.trial("maize-03"))
    assert "Entries read by one sensor only" not in [name for name, *_ in one.facts]


def test_a_trial_of_checks_alone_says_that_they_are_not_counted(season):
    season.append("season.toml", 'check_entries = ["E1", "E2"]')
    audit = audit_season(season.folder)
    answer, *_ = trial_answer(audit, audit.trial("T1"))
    assert "fewer than two entries with a yield besides its checks" in answer.sentence


@pytest.mark.parametrize("row", ["1234567890", "3.5", "inf"])
def test_a_mistyped_place_leaves_the_field_unmapped(audited_demo, row):
    def is_mapped(plots):
        blocks = changes_here(replace(trial, plots=plots))
        return any(isinstance(block, Picture) for block in blocks)

    trial = audited_demo.trial("maize-04")
    assert is_mapped(trial.plots)
    mistyped = [row, *trial.plots["row"].iloc[1:]]
    assert not is_mapped(trial.plots.assign(row=mistyped))


def sampling_asked_for(season, name):
    """Return the sentences of a trial's list that ask for samples."""
    _, items = to_do(season, season.trial(name))
    return [item for item in items.items if item.startswith("Sample ")]


def test_a_trial_asks_for_the_samples_it_lacks(audited_demo):
    own, entries = sampling_asked_for(audited_demo, "soybean-16")  # none was taken
    assert own.startswith("Sample this trial for the oven next time")
    assert "soybean entries in two trials each next season" in entries
    assert len(sampling_asked_for(audited_demo, "soybean-14")) == 1  # twelve were
    assert sampling_asked_for(audited_demo, "maize-05") == []  # entries are known too


def test_as_many_entries_are_asked_for_as_show_an_error_of_half_a_point(
    audited_demo, rng
):
    # The chance that F finds an SD of 0.5 between entries, by drawing mean squares.
    (asked,) = sampling_asked_for(audited_demo, "soybean-14")
    number = int(asked.split()[2])
    (curve,) = (c for c in audited_demo.audits if f"that {c} harvests" in asked)
    ratio = 1 + 2 * 0.5**2 / audited_demo.spreads[curve].sd_sample ** 2

    def chance(entries):
        between, within = rng.chisquare(entries - 1, (2, 40_000))
        needed = fisher_f.ppf(0.95, entries - 1, entries - 1)
        return np.mean(ratio * between / within > needed)

    assert chance(number - 1) < 0.81 and chance(number) > 0.79
    assert chance(number - 4) < 0.75


def test_plots_in_doubt_are_settled_before_their_yields_are_used(audited_demo):
    first, second, *_ = to_do(audited_demo, audited_demo.trial("wheat-09"))[1].items
    assert first.startswith("First settle this, for its plots (entries WH-")
    assert first.endswith("6 plots of trial wheat-09 read exactly 24 % (at the top).")
    assert second == "Use the corrected yields (trial wheat-09 in entries.csv)."


def test_yields_corrected_by_an_open_curve_are_used_for_now(audited_demo):
    first, *_ = to_do(audited_demo, audited_demo.trial("soybean-16"))[1].items
    assert first.endswith("for now: what is open on soybean-S1 may change them.")


def test_entries_of_one_plot_are_not_to_meet_two_sensors_by_whole_blocks(audited_demo):
    said = to_do(audited_demo, audited_demo.trial("maize-04"))[1].text()
    assert "Next time harvest the trial with one sensor" in said
    assert "whole blocks" not in said


def test_samples_stand_as_they_were_recorded(audited_demo):
    trial = audited_demo.trial("wheat-09")
    table = measured_here(trial)[1].frame
    pairs = trial.pairs.query("basis == 'oven' and not parallel")
    assert table["sensor_pct"].tolist() == pairs["recorded_pct"].tolist()
    difference = table["sensor_pct"] - table["reference_pct"]
    assert table["error"].tolist() == difference.tolist()
    # As page 1 has it: the mean of both curves, weighted by the plots they served.
    means = table.groupby("curve")["error"].mean()
    shares = trial.plots["curve"].value_counts(normalize=True)
    assert trial.own.mean.value == pytest.approx(float((means * shares).sum()))


def test_of_two_sensors_no_trend_with_moisture_is_told(audited_demo):
    assert audited_demo.trial("maize-04").consequences.trend is None
    assert audited_demo.trial("maize-03").consequences.trend is not None


def test_samples_stand_in_the_order_of_their_plots_numbers(season):
    for table in ("plots.csv", "oven.csv"):
        season.write(table, season.text(table).replace(",001,", ",10,"))
        season.write(table, season.text(table).replace(",002,", ",9,"))
    audit = audit_season(season.folder)
    table = measured_here(audit.trial("T1"))[1].frame
    assert table["plot"].tolist() == ["9", "10"]


def test_a_trial_that_nobody_weighed_is_not_to_go_on_with_yields(season):
    lines = season.text("plots.csv").splitlines()
    rows = [line.split(",") for line in lines]
    mass = rows[0].index("plot_mass_kg")
    for row in rows[1:]:
        row[mass] = ""
    season.write("plots.csv", "\n".join(map(",".join, rows)) + "\n")
    audit = audit_season(season.folder)
    first, *_ = to_do(audit, audit.trial("T1"))[1].items
    assert first.startswith("No yield of this trial is known")
