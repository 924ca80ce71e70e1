"""Samples meet their plots, and no row goes missing on the way."""

import pytest

from kitlib.intake.checks import read_tables
from kitlib.intake.pairs import pair_samples
from kitlib.intake.reference import reference_values
from kitlib.intake.settings import read_season


def pairing(season):
    settings = read_season(season.folder)
    tables = read_tables(season.folder, settings)
    reference = reference_values(tables["oven"], tables["plots"].frame, settings)
    return pair_samples(tables, reference, settings)


def left_out(found, table="oven"):
    rows = found.left_out[found.left_out["table"] == table]
    return list(zip(rows["row"], rows["code"], strict=True))


def test_error_is_sensor_minus_oven(season):
    pairs = pairing(season).pairs.set_index("sample")
    # s1: dishes lose 1.39 and 1.40 g of 10 g; the sensor read 14.2.
    assert pairs.at["s1", "reference_pct"] == pytest.approx(13.95)
    assert pairs.at["s1", "error"] == pytest.approx(0.25)


@pytest.mark.parametrize(
    ("file", "old", "new", "code"),
    [
        ("oven.csv", "28.61", '"28,61"', "not-a-number"),
        ("oven.csv", "28.61", "30.61", "dry-heavier-than-wet"),
        ("oven.csv", "30,28.61", "20,28.61", "dry-heavier-than-wet"),
        ("oven.csv", "28.61", "19.5", "out-of-range"),
        ("oven.csv", "28.61", "", "cell-empty"),
    ],
)
def test_a_bad_dish_takes_its_single_partner_with_it(season, file, old, new, code):
    season.replace(file, old, new)
    assert left_out(pairing(season)) == [(2, code), (3, "one-dish")]


@pytest.mark.parametrize(
    ("old", "new", "code"),
    [
        ("T1,001,E1,wheat,W,14.2", "T1,001,E1,wheat,W,", "no-reading"),
        ("T1,001,E1,wheat,W,14.2", "T1,001,E1,wheat,W,x", "not-a-number"),
        ("T1,001,E1,wheat,W", "T1,001,E1,maize,W", "crop-differs"),
        ("T1,001,E1,wheat,W", "T1,001,E1,wheat,Q", "curve-unknown"),
        ("T1,001,E1", "T1,00x,E1", "plot-missing"),
        ("T1,001,E1,wheat", "T1,001,E1,", "cell-empty"),
    ],
)
def test_a_sample_without_a_usable_reading_says_why(season, old, new, code):
    season.replace("plots.csv", old, new)
    assert left_out(pairing(season)) == [(2, code), (3, code)]


def test_a_sample_weighed_before_it_was_taken(season):
    header, *rows = season.text("oven.csv").splitlines()
    times = ["2025-08-02T10:00,2025-08-01T10:00"] + ["2025-08-02,2025-08-03"] * 9
    lines = [f"{row},{time}" for row, time in zip(rows, times, strict=True)]
    season.write("oven.csv", "\n".join([header + ",sampled_at,weighed_at", *lines]))
    assert left_out(pairing(season))[0] == (2, "weighed-before-taken")


def test_one_label_on_two_plots(season):
    season.replace("oven.csv", "s2,T1,002", "s1,T1,002")
    found = pairing(season)
    assert {code for _, code in left_out(found)} == {"sample-in-two-plots", "one-dish"}
    assert "s1" not in set(found.pairs["sample"])


def test_another_method_is_not_mixed_in(season):
    season.replace("oven.csv", "T3,001,ISO 712-1", "T3,001,other oven", count=2)
    found = pairing(season)
    assert left_out(found) == [(10, "other-method"), (11, "other-method")]


def test_methods_declared_alike_are_used_together(season):
    season.replace("oven.csv", "T3,001,ISO 712-1", "T3,001,other oven", count=2)
    alike = 'methods_alike = [["ISO 712-1", "other oven"]]\n'
    season.write("season.toml", season.text("season.toml") + alike)
    assert left_out(pairing(season)) == []


def test_suspicious_samples_are_paired_but_not_used(season):
    header, *rows = season.text("oven.csv").splitlines()
    reasons = ["suspicious"] * 2 + ["random"] * 8
    lines = [f"{row},{why}" for row, why in zip(rows, reasons, strict=True)]
    season.write("oven.csv", "\n".join([header + ",selection_reason", *lines]))
    pairs = pairing(season).pairs.set_index("sample")
    assert list(pairs.index[~pairs["used"]]) == ["s1"]


def test_readings_are_restated_to_the_offset_in_the_register(season):
    lines = season.text("plots.csv").splitlines()
    lines = [lines[0] + ",offset_in_force", *(f"{line},0.2" for line in lines[1:])]
    season.write("plots.csv", "\n".join(lines).replace("10,1,0.2", "10,1,-0.3", 1))
    pairs = pairing(season).pairs.set_index("sample")
    assert pairs.at["s1", "recorded_pct"] == 14.2
    assert pairs.at["s1", "sensor_pct"] == pytest.approx(14.2 + 0.3 + 0.2)


def test_two_offsets_and_no_word_which_is_a_finding(season):
    season.append("curves.csv", "W,wheat,0.5")
    assert "offsets-mixed" in [f.code for f in pairing(season).findings]


def test_a_curve_in_parallel_gives_a_second_pair(season):
    season.append("curves.csv", "P,wheat,0")
    season.write("readings.csv", "trial,plot,curve,sensor_pct\nT1,001,P,14.0\n")
    pairs = pairing(season).pairs
    assert list(pairs.loc[pairs["sample"] == "s1", "curve"]) == ["P", "W"]


READINGS = """trial,plot,curve,sensor_pct
T1,001,W,14
T1,009,W,14
T1,002,Q,14
T1,003,W,x
"""


def test_further_readings_that_serve_nothing_are_accounted_for(season):
    season.write("readings.csv", READINGS)
    assert left_out(pairing(season), "readings") == [
        (2, "reading-twice"),
        (3, "plot-missing"),
        (4, "curve-unknown"),
        (5, "not-a-number"),
    ]


def test_every_row_read_is_used_or_left_out(season):
    season.write("readings.csv", READINGS)
    season.replace("oven.csv", "28.61", "x")
    season.replace("plots.csv", "15.1", "")
    bench = "sample,trial,plot,meter,moisture_pct\nb1,T9,9,M,14\nb2,T2,003,M,\n"
    season.write("benchtop.csv", bench + "s1,T1,001,M,14\ns1,T1,001,M,14.2\n")
    counts = pairing(season).counts.set_index("table")
    assert (counts["read"] == counts["used"] + counts["left_out"]).all()
    assert counts["read"].to_dict() == {
        "plots": 10,
        "oven": 10,
        "benchtop": 4,
        "readings": 4,
    }
    assert counts["left_out"].to_dict() == {
        "plots": 0,
        "oven": 4,
        "benchtop": 2,
        "readings": 4,
    }


def test_the_readings_of_another_meter_are_left_out_and_counted(season):
    lines = [f"{s},T1,00{s[1]},M{m},14.{m}" for s in ("s1", "s2") for m in (1, 2)]
    head = "sample,trial,plot,meter,moisture_pct"
    season.write("benchtop.csv", "\n".join([head, *lines, "s2,T1,002,M2,14.3", ""]))
    found = pairing(season)
    # Of as many readings the first meter is taken, of more that with more.
    assert left_out(found, "benchtop") == [(3, "other-meter"), (4, "other-meter")]
    counts = found.counts.set_index("table").loc["benchtop"]
    assert (counts["read"], counts["used"], counts["left_out"]) == (5, 3, 2)
