"""The tables of the output folder hold what the contract names, and the truth."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.reports.season_sections import plots_table, season_tables
from kitlib.review.review import review_season
from kitlib.season.season import audit_season, curves_table
from kitlib.words.findings import KINDS
from kitlib.words.terms import columns_of

CONTRACT = """crop curve n n_trials mean_reference_pct
bias bias_low bias_high bias_se bias_df sep sep_low sep_high rmsep sep_corrected
slope slope_se slope_low slope_high intercept residual_sd allowed_bias
action offset offset_low offset_high new_setting offset_pooled q_value reason
gain gain_low gain_high"""


@pytest.fixture(scope="module")
def tables(audited_demo):
    return season_tables(audited_demo, review_season(audited_demo))


@pytest.fixture(scope="module")
def truth(demo):
    return pd.read_csv(demo / "truth.csv").set_index("curve")


def test_the_tables_of_the_contract_are_there(tables):
    names = "curves bands pairs left_out findings reference bridge pooling entries"
    assert set(names.split()) <= set(tables)


def test_every_table_has_the_columns_declared_for_it_in_that_order(tables):
    written = {name: list(table.columns) for name, table in tables.items()}
    assert written == {name: list(columns_of(name)) for name in tables}


def test_curves_hold_the_columns_of_the_contract_in_order(tables):
    assert list(tables["curves"].columns[:33]) == CONTRACT.split()


def test_entries_begin_with_the_columns_of_the_contract(tables):
    head = ["trial", "entry", "yield_before", "yield_after"]
    head += ["rank_before", "rank_after", "lsd"]
    assert list(tables["entries"].columns[: len(head)]) == head


def test_findings_have_stable_codes(tables):
    assert set(tables["findings"]["code"]) <= set(KINDS)


def test_each_curve_of_the_register_has_a_row(tables, demo):
    register = pd.read_csv(demo / "curves.csv")["curve"]
    assert sorted(tables["curves"]["curve"]) == sorted(register.unique())


def test_the_truth_lies_inside_the_intervals_as_often_as_it_should(tables, truth):
    # Seven 95 % intervals: six or seven hold the truth with a chance of 0.96.
    curves = tables["curves"].set_index("curve").join(truth["true_bias"])
    held = curves["true_bias"].between(curves["bias_low"], curves["bias_high"])
    assert held.sum() >= 6


def test_every_curve_gets_the_action_its_story_calls_for(tables, truth):
    found = tables["curves"].set_index("curve")["action"]
    assert found.to_dict() == truth["expected_action"].to_dict()


def test_error_identities_hold_in_the_table(tables):
    curves = tables["curves"]
    n = curves["n"]
    assert (curves["rmsep"] ** 2).to_numpy() == approx(
        (curves["sep"] ** 2 * (n - 1) / n + curves["bias"] ** 2).to_numpy()
    )
    assert curves["offset"].to_numpy() == approx(-curves["bias"].to_numpy())


def test_a_setting_is_the_offset_loaded_plus_the_offset(tables):
    shifted = tables["curves"][tables["curves"]["action"] == "shift"]
    exact = shifted["offset_loaded"] + shifted["offset"]
    assert (shifted["new_setting"] - exact).abs().max() <= 0.05 + 1e-9


def test_a_curves_bias_can_be_traced_to_its_pairs(tables):
    pairs = tables["pairs"][tables["pairs"]["used"]]
    by_curve = pairs.groupby("curve")["error"].mean()
    curves = tables["curves"].set_index("curve")
    assert by_curve.to_dict() == approx(curves["bias"].to_dict())


def test_yields_can_be_traced_to_mass_area_and_moisture(audited_demo):
    plots = plots_table(audited_demo)
    plots = plots[plots["crop"] == "maize"]
    by_hand = (
        plots["plot_mass_kg"]
        * (100 - plots["moisture_after_pct"])
        / (100 - audited_demo.settings.standard_moisture_of("maize"))
        / plots["plot_area_m2"]
        * 10_000
    )
    assert plots["yield_after_kg_ha"].to_numpy() == approx(
        by_hand.to_numpy(), nan_ok=True
    )


def test_plots_have_the_columns_declared_for_them(audited_demo):
    assert list(plots_table(audited_demo).columns) == list(columns_of("plots"))


def test_ranks_before_and_after_run_from_one(tables):
    entries = tables["entries"]
    assert entries.groupby("trial")["rank_after"].min().eq(1).all()


def test_a_trials_draws_do_not_depend_on_other_trials(audited_demo, demo):
    name = audited_demo.trials[3]
    first = audited_demo.trial(name).consequences.entries
    alone = audit_season(demo).trial(name).consequences.entries
    pd.testing.assert_frame_equal(first, alone)


@pytest.mark.parametrize(
    "spoil",
    [
        lambda s: (s.folder / "oven.csv").unlink(),
        lambda s: s.write("oven.csv", s.text("oven.csv").splitlines()[0] + "\n"),
        lambda s: s.write("plots.csv", s.text("plots.csv").splitlines()[0] + "\n"),
        lambda s: s.write("oven.csv", "\n".join(s.text("oven.csv").splitlines()[:3])),
    ],
    ids=["no oven table", "no dishes", "no plots", "one sample"],
)
def test_a_season_with_little_in_it_gives_every_table_and_says_what_is_open(
    season, spoil
):
    spoil(season)
    audit = audit_season(season.folder)
    found = season_tables(audit, review_season(audit))
    curve = found["curves"].iloc[0]
    assert curve["action"] == "unresolved"
    assert np.isnan(curve["new_setting"])
    assert curve["reason"]
    assert len(found["findings"])
    for name, table in found.items():
        assert list(table.columns) == list(columns_of(name))


def test_a_curve_without_a_sample_has_a_row_that_says_so(season):
    season.append("curves.csv", "V,wheat,0.1")
    table = curves_table(audit_season(season.folder)).set_index("curve")
    assert table.at["V", "n"] == 0
    assert "No sample" in table.at["V", "reason"]
    assert table.at["V", "open_question"] == ""


def test_curves_with_and_without_samples_name_their_crop_alike(season):
    season.write("plots.csv", season.text("plots.csv").replace("wheat", "Corn"))
    season.write(
        "curves.csv",
        "curve,crop,offset_loaded,built_on\nW,Corn,0.2,\n"
        "V,Corn,0.4,2025-02-01\nV,Corn,0.1,2024-02-01\n",
    )
    table = curves_table(audit_season(season.folder)).set_index("curve")
    assert table["crop"].to_dict() == {"W": "maize", "V": "maize"}
    assert table.at["V", "offset_loaded"] == 0.4
