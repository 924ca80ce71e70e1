"""Dishes to reference values, by hand."""

import numpy as np
import pandas as pd
import pytest
from pytest import approx

from kitlib.intake.checks import read_tables
from kitlib.intake.reference import (
    benchtop_means,
    compare_labs,
    dish_moisture,
    lab_findings,
    pooled_sd,
    reference_values,
    two_stage_moisture,
)
from kitlib.intake.schema import empty_table
from kitlib.intake.settings import read_season


def dishes(**cells):
    frame = pd.DataFrame({"sample": ["s"], **{k: [v] for k, v in cells.items()}})
    return frame.reindex(columns=empty_table("oven").columns)


@pytest.mark.parametrize(
    ("first", "second", "total"),
    # Own arithmetic on the mass balance M = A + (100 - A) B / 100.
    [(8.0, 12.0, 19.04), (12.5, 10.0, 21.25), (0.0, 14.2, 14.2)],
)
def test_two_stages_add_up(first, second, total):
    assert two_stage_moisture(first, second) == approx(total, abs=5e-5)


def test_two_stage_equals_the_conditioned_form_of_iso_712():
    # w = [1 - (m1 m3) / (m0 m2)] 100 (ISO 712, from memory; the algebra checks):
    # m0 5.000, m1 4.400, m2 100.0, m3 92.0 give 19.04.
    found = dish_moisture(
        dishes(
            tare_g=0.0, wet_g=5.0, dry_g=4.4, prestage_wet_g=100.0, prestage_dry_g=92.0
        )
    )
    assert found.iloc[0] == approx(100 * (1 - 4.4 * 92.0 / (5.0 * 100.0)))
    assert found.iloc[0] == approx(19.04, abs=5e-5)


def test_weights_win_over_a_given_moisture():
    found = dish_moisture(dishes(tare_g=20.0, wet_g=30.0, dry_g=28.5, moisture_pct=9.0))
    assert found.iloc[0] == approx(15.0)


def test_a_given_moisture_stands_where_a_weight_is_missing():
    found = dish_moisture(dishes(tare_g=20.0, wet_g=30.0, moisture_pct=9.0))
    assert found.iloc[0] == 9.0


def test_pooled_sd_of_duplicates_is_the_root_of_half_the_mean_squared_difference():
    # Sum d² / (2 n): differences 0.2, 0.1, 0.3.
    values = [10.0, 10.2, 12.0, 12.1, 14.0, 14.3]
    sd, df = pooled_sd(values, [1, 1, 2, 2, 3, 3])
    assert sd == approx(np.sqrt((0.04 + 0.01 + 0.09) / 6))
    assert df == 3


def test_repeatability_of_chesher_2008():
    # Chesher, Clin Biochem Rev 29 Suppl 1 (2008) S23: Sr 0.023 (5 days × 3).
    days = [
        (2.015, 2.013, 1.963),
        (2.019, 2.002, 1.979),
        (2.025, 1.959, 2.000),
        (1.972, 1.950, 1.973),
        (1.981, 1.956, 1.957),
    ]
    sd, df = pooled_sd(np.ravel(days), np.repeat(range(5), 3))
    assert sd == approx(0.023, abs=0.0005)
    assert df == 10


def reference_of(season):
    settings = read_season(season.folder)
    tables = read_tables(season.folder, settings)
    return reference_values(tables["oven"], tables["plots"].frame, settings)


def test_reference_is_the_mean_of_the_dishes_with_its_standard_error(season):
    samples = reference_of(season).samples.set_index("sample")
    # Ranges 0.1, 0, 0.1, 0.1, 0.1: pooled SD sqrt(0.04 / 10) = 0.0632.
    assert samples.at["s1", "reference_pct"] == approx(13.95)
    assert samples.at["s1", "reference_se"] == approx(np.sqrt(0.004 / 2))


def test_dishes_further_apart_than_the_method_allows_are_found_and_kept(season):
    season.replace("oven.csv", "28.61", "28.57")  # 14.3 against 14.0; limit 0.15
    found = reference_of(season)
    assert [f.code for f in found.findings] == ["dishes-disagree"]
    assert found.samples["dishes_disagree"].sum() == 1
    assert len(found.samples) == 5


def test_a_forgotten_tare_is_no_tare_of_0(season):
    oven = pd.read_csv(season.folder / "oven.csv", dtype=str)
    oven.loc[:1, "tare_g"] = "0"  # both dishes of the first sample
    oven.to_csv(season.folder / "oven.csv", index=False)
    found = reference_of(season)
    [told] = [f for f in found.findings if f.code == "out-of-range"]
    assert told.message.startswith("the tare is 0, though other dishes have one: 2 ")
    assert len(found.samples) == 4
    # All 0: the lab may have weighed the grain alone, and nothing is left out here.
    oven["tare_g"] = "0"
    oven.to_csv(season.folder / "oven.csv", index=False)
    assert len(reference_of(season).samples) == 5


def test_weights_that_give_more_water_than_grain_holds_are_set_aside(season):
    oven = pd.read_csv(season.folder / "oven.csv")
    oven.loc[:1, "wet_g"] *= 10  # both dishes of the first sample: they agree
    oven.to_csv(season.folder / "oven.csv", index=False)
    found = reference_of(season)
    [told] = [f for f in found.findings if f.code == "out-of-range"]
    assert told.message.startswith("the weights give more than 60 % moisture")
    assert told.rows == (2, 3) and len(found.samples) == 4


def test_a_sample_that_was_not_dried_is_no_fault(season):
    oven = pd.read_csv(season.folder / "oven.csv", dtype=str)
    oven.loc[:1, ["tare_g", "wet_g", "dry_g"]] = ""  # listed, but never dried
    oven.loc[2, "dry_g"] = ""  # dried, but a weight is lost
    oven.to_csv(season.folder / "oven.csv", index=False)
    told = {f.code: (f.severity, f.rows) for f in reference_of(season).findings}
    assert told["no-result"] == ("warning", (2, 3))
    assert told["cell-empty"] == ("fault", (4,))
    skip = 'name = "a"\n[files.oven]\nskip_rows_where = { wet_g = [""] }'
    season.write("season.toml", skip)
    told = [f.code for f in reference_of(season).findings]
    assert told == ["cell-empty", "one-dish"]


def test_the_limit_itself_is_allowed(season):
    season.replace("oven.csv", "28.61", "28.585")  # 14.15 against 14.00
    assert reference_of(season).findings == []


def test_a_lab_that_dries_one_dish_each_is_taken_as_it_is(season):
    lines = season.text("oven.csv").splitlines()
    season.write("oven.csv", "\n".join([lines[0], *lines[1::2]]))
    found = reference_of(season)
    assert len(found.samples) == 5
    assert found.samples["reference_se"].isna().all()


def test_two_dishes_can_be_asked_for(season):
    lines = season.text("oven.csv").splitlines()
    season.write("oven.csv", "\n".join([lines[0], *lines[1::2]]))
    season.write("season.toml", season.text("season.toml") + "minimum_dishes = 2\n")
    found = reference_of(season)
    assert found.samples.empty
    assert len(found.left_out[0]) == 5


def test_benchtop_readings_are_averaged_by_sample_and_meter():
    readings = empty_table("benchtop").reindex(range(4))
    readings = readings.assign(
        sample="s",
        trial="T",
        plot="1",
        meter=list("AABB"),
        moisture_pct=[14.0, 14.2, 15.0, np.nan],
    )
    means = benchtop_means(readings)
    assert means["benchtop_pct"].tolist() == approx([14.1, 15.0])
    assert means["n_readings"].tolist() == [2, 1]


def lab_pairs(rng, difference, n_trials=8, benchtop=True):
    """Two curves; every second trial was dried by lab B, which reads higher."""
    frame = pd.DataFrame(
        [(c, f"{c}{t}", "AB"[t % 2]) for c in "XY" for t in range(n_trials)] * 6,
        columns=["curve", "trial", "lab"],
    )
    moisture = rng.uniform(14, 26, len(frame))
    trials = frame["trial"].unique()
    level = frame["trial"].map(
        dict(zip(trials, rng.normal(0, 0.1, len(trials)), strict=True))
    )
    return frame.assign(
        reference_pct=moisture + difference * (frame["lab"] == "B"),
        sensor_pct=0.9 * moisture + level + rng.normal(0, 0.3, len(frame)),
        benchtop_pct=moisture + rng.normal(0, 0.3, len(frame)) if benchtop else np.nan,
        error=lambda f: f["sensor_pct"] - f["reference_pct"],
        basis="oven",
        parallel=False,
        used=True,
        meter="M",
        crop="maize",
        method="S352.2",
    )


@pytest.mark.parametrize("benchtop", [True, False])
def test_a_lab_that_reads_higher_is_found_with_its_size(rng, benchtop):
    (found,) = compare_labs(lab_pairs(rng, 0.4, benchtop=benchtop))
    assert (found.name, found.main) == ("B", "A")
    assert 0 < found.low < 0.4 < found.high
    assert found.through == ("benchtop" if benchtop else "sensor")
    # Half of each curve's samples are lab B's, whose errors are too low by it.
    assert found.moves["X"] == approx(found.points.value / 2)
    assert found.opens("X", 0.1)
    assert not found.opens("X", 0.5)


def test_labs_are_not_said_to_differ_more_often_than_chance_allows(rng):
    draws = [compare_labs(lab_pairs(rng, 0.0, benchtop=False))[0] for _ in range(60)]
    told = sum(found.low > 0 or found.high < 0 for found in draws)
    assert told <= 7  # 60 draws at 5 %: more than 7 in 1.5 % of trials of this test


def test_labs_that_share_no_curve_are_not_compared(rng):
    pairs = lab_pairs(rng, 0.4, benchtop=False)
    pairs["lab"] = pairs["curve"].map({"X": "A", "Y": "B"})
    (found,) = compare_labs(pairs)
    assert not found.points.known
    assert not found.opens("Y", 0.1)
    said = lab_findings([found], empty_table("oven"), 0.1)
    assert [f.code for f in said] == ["labs-apart"]


def test_one_lab_is_compared_with_nobody(rng):
    assert compare_labs(lab_pairs(rng, 0.0).assign(lab="A")) == ()


def oven_findings(season, old, new):
    """Return what is found when a piece of the oven table is another."""
    season.write("oven.csv", season.text("oven.csv").replace(old, new))
    return {found.code: found for found in reference_of(season).findings}


@pytest.mark.parametrize(
    "other", ["EN ISO 712:2009", "iso 712", "DIN EN ISO 712-1:2024", "ISO712"]
)
def test_one_method_under_two_names_is_one_method(season, other):
    season.replace("oven.csv", "s1,T1,001,ISO 712-1", f"s1,T1,001,{other}", count=2)
    found = reference_of(season)
    assert found.findings == []
    assert set(found.samples["method"]) == {"ISO 712-1"}


def test_the_two_procedures_of_iso_6540_are_two_methods(season):
    found = oven_findings(season, "ISO 712-1", "ISO 6540 reference")
    assert found == {}
    season.replace(
        "oven.csv", "s1,T1,001,ISO 6540 reference", "s1,T1,001,ISO 6540 38 h"
    )
    found = {f.code for f in reference_of(season).findings}
    assert "methods-mixed" in found


def test_the_routine_procedure_of_iso_6540_is_not_for_meters(season):
    found = oven_findings(season, "ISO 712-1", "ISO 6540:2021 routine")
    assert "not suitable for checking" in found["method-unsuitable"].message


def test_iso_6540_alone_leaves_its_procedure_open(season):
    assert "method-unclear" in oven_findings(season, "ISO 712-1", "ISO 6540")


def test_a_sample_of_one_dish_has_no_limit_where_the_user_set_the_methods(season):
    season.replace("oven.csv", "s1,T1,001,ISO 712-1,21,31,29.60\n", "")
    own = 'minimum_dishes = 1\n[repeatability]\n"ISO 712-1" = 0.2'
    season.append("season.toml", own)
    limits = reference_of(season).samples.set_index("sample")["range_limit"]
    assert np.isnan(limits["s1"]) and limits["s2"] == 0.2


def with_columns(season, head, cells):
    """Add columns to the oven table, the cells to its first row only."""
    lines = season.text("oven.csv").splitlines()
    empty = "," * cells.count(",")
    rows = [f"{lines[1]},{cells}", *(f"{line},{empty}" for line in lines[2:])]
    season.write("oven.csv", "\n".join([f"{lines[0]},{head}", *rows]) + "\n")
    return {found.code: found for found in reference_of(season).findings}


# 30 g wet, 28.61 g dry, tare 20 g: 13.9 % by weight.
@pytest.mark.parametrize(
    ("given", "told"), [(13.9, False), (14.1, False), (15.9, True)]
)
def test_weights_against_a_moisture_given_beside_them(season, given, told):
    found = with_columns(season, "moisture_pct", str(given))
    assert ("weights-contradict" in found) == told


def test_weights_less_than_the_tare_in_nearly_all_dishes_look_net_of_the_dish(season):
    oven = pd.read_csv(season.folder / "oven.csv")
    net = oven.assign(wet_g=oven["wet_g"] - oven["tare_g"])
    net["dry_g"] -= oven["tare_g"]
    net.to_csv(season.folder / "oven.csv", index=False)
    [told] = reference_of(season).findings
    assert told.code == "weights-net" and "tare_g = 0" in told.remedy
    # As the remedy says: the tare under another name, which is not mapped.
    net = net.rename(columns={"tare_g": "pan"})
    net.to_csv(season.folder / "oven.csv", index=False)
    season.append("season.toml", "[files.oven]\nfixed = { tare_g = 0 }")
    assert reference_of(season).samples["reference_pct"].iloc[0] == approx(13.95)


def test_one_dish_below_its_tare_is_a_slip(season):
    season.replace("oven.csv", "20,30,28.61", "20,3.0,2.861")
    assert "weights-net" not in {f.code for f in reference_of(season).findings}


def test_net_weights_on_foil_pans_are_told_by_the_moisture_beside_them(season):
    oven = pd.read_csv(season.folder / "oven.csv")
    given = 100 * (oven["wet_g"] - oven["dry_g"]) / (oven["wet_g"] - oven["tare_g"])
    wet, dry = (oven[c] - oven["tare_g"] for c in ("wet_g", "dry_g"))
    tare = oven["tare_g"] / 20
    foil = oven.assign(tare_g=tare, wet_g=wet, dry_g=dry, moisture_pct=given.round(2))
    foil.to_csv(season.folder / "oven.csv", index=False)
    found = {f.code: f for f in reference_of(season).findings}["weights-contradict"]
    assert len(found.rows) == 10 and "tare_g = 0" in found.remedy
    assert "agree if the weights are net of the dish" in found.message


def test_dishes_of_one_sample_from_two_labs_are_told(season):
    oven = pd.read_csv(season.folder / "oven.csv", dtype=str)
    oven["lab"] = ["North", "South", *["North"] * 8]
    oven.to_csv(season.folder / "oven.csv", index=False)
    [found] = [f for f in reference_of(season).findings if f.code == "sample-two-labs"]
    assert "s1 (North and South)" in found.message and found.rows == (2, 3)


# Form FGIS-923 allows 0.5 g between the weighings of a sample's bag.
@pytest.mark.parametrize(
    ("opened", "told"), [(499.5, False), (499.4, True), (500.6, True)]
)
def test_a_sample_that_lost_mass_before_it_was_opened(season, opened, told):
    found = with_columns(season, "sealed_mass_g,opened_mass_g", f"500.0,{opened}")
    assert ("mass-lost" in found) == told


def test_the_references_uncertainty_stands_beside_a_third_of_the_tolerance(season):
    (row,) = reference_of(season).uncertainty.itertuples()
    # Pooled SD 0.0632 of two dishes each; wheat 0.04 × 15 %, so the floor 0.7 holds.
    assert row.reference_se == approx(np.sqrt(0.004 / 2))
    assert row.third_of_tolerance == approx(0.7 / 3)


def test_a_reference_too_uncertain_for_the_tolerance_is_told(season):
    # One pair of dishes 1.0 point apart: pooled SD sqrt((1 + 3 × 0.01) / 10) = 0.32,
    # of two dishes 0.227; two such pairs: 0.318. A third of 0.7 is 0.233.
    season.replace("oven.csv", "28.41", "28.32")
    assert {f.code for f in reference_of(season).findings} == {"dishes-disagree"}
    season.replace("oven.csv", "28.61", "28.50")
    found = {f.code: f for f in reference_of(season).findings}
    assert "art. 21" in found["reference-coarse"].message
