"""Every kind of bad cell and bad row: found, named, and left out with its reason."""

import pandas as pd
import pytest

from kitlib.intake.checks import read_tables
from kitlib.intake.settings import read_season
from kitlib.words.findings import FAULT, SeasonRefused


def read(season):
    return read_tables(season.folder, read_season(season.folder))


def faults(table):
    return [(f.code, f.rows) for f in table.findings if f.severity == FAULT]


def test_a_good_season_has_no_faults(season):
    tables = read(season)
    assert [faults(table) for table in tables.values()] == [[]] * 7
    assert len(tables["plots"].frame) == 10


def test_keys_stay_text(season):
    assert read(season)["plots"].frame["plot"].iloc[0] == "001"


@pytest.mark.parametrize(
    ("old", "new", "code", "said"),
    [
        ("14.2", '"14,2"', "not-a-number", r"row 2: sensor_pct is '14,2'"),
        ("14.2", "wet", "not-a-number", r"row 2: sensor_pct is 'wet'"),
        ("14.2", "NaN", "not-a-number", r"row 2: sensor_pct is 'NaN'"),
        ("14.2", "-inf", "not-a-number", r"row 2: sensor_pct is '-inf'"),
        (
            "14.2",
            "142",
            "out-of-range",
            r"row 2: sensor_pct is 142.0; expected 0 to 100",
        ),
        ("14.2", "74.2", "out-of-range", r"74.2; expected at most 60 % moisture"),
        ("T1,001", "T1,", "cell-empty", r"row 2: plot is ''"),
        ("W,14.2", ",14.2", "cell-empty", r"row 2: curve is ''"),
        ("5.0,10,1", "5.0,10,1,9", "row-length", r"row 2 has 10 cells; expected 9"),
        ("5.0,10,1", "5.0", "row-length", r"row 2 has 7 cells; expected 9"),
    ],
)
def test_a_bad_cell_is_found_with_its_place(season, old, new, code, said):
    season.replace("plots.csv", old, new)
    table = read(season)["plots"]
    assert faults(table) == [(code, (2,))]
    assert said in table.findings[0].message


def test_all_problems_come_at_once(season):
    season.replace("plots.csv", "14.2", "wet")
    season.replace("plots.csv", "15.1", "wetter")
    season.replace("plots.csv", "5.2", "heavy")
    assert faults(read(season)["plots"]) == [
        ("not-a-number", (2, 3)),
        ("not-a-number", (4,)),
    ]


def test_bad_cells_alike_are_one_finding_with_three_examples(season):
    lines = [f"T9,{n:03},E1,wheat,W,wet,5.0,10,1" for n in range(100)]
    season.append("plots.csv", "\n".join(lines))
    found = [f for f in read(season)["plots"].findings if f.code == "not-a-number"]
    assert [len(f.rows) for f in found] == [100]
    assert "'wet' (row 12), 'wet' (row 13), 'wet' (row 14) and 97 more" in str(found[0])


def test_two_rows_of_one_plot_are_both_left_out(season):
    season.append("plots.csv", "T1,001,E1,wheat,W,14.9,5.0,10,1")
    table = read(season)["plots"]
    assert faults(table) == [("plot-twice", (2, 12))]
    assert table.read == len(table.frame) + len(pd.concat(table.left_out)) == 11


def test_a_row_repeated_to_the_letter_counts_once(season):
    season.append("plots.csv", "T1,001,E1,wheat,W,14.2,5.0,10,1")
    table = read(season)["plots"]
    assert faults(table) == [("row-twice", (12,))]
    assert len(table.frame) == 10


def test_rows_are_numbered_as_a_spreadsheet_does_after_blank_lines(season):
    season.replace("plots.csv", "T1,002", "\n\nT1,002")
    season.replace("plots.csv", "15.1", "wet")
    assert faults(read(season)["plots"]) == [("not-a-number", (5,))]


def test_windows_line_ends_and_a_byte_order_mark_change_nothing(season):
    before = read(season)["plots"].frame
    text = season.text("plots.csv").replace("\n", "\r\n")
    season.write("plots.csv", text, encoding="utf-8-sig")
    pd.testing.assert_frame_equal(read(season)["plots"].frame, before)


def test_line_ends_of_old_macs_lose_no_row(season):
    before = read(season)["plots"].frame
    season.write("plots.csv", season.text("plots.csv").replace("\n", "\r"))
    pd.testing.assert_frame_equal(read(season)["plots"].frame, before)


def test_a_byte_order_mark_changes_nothing_where_the_encoding_is_told(season):
    before = read(season)["plots"].frame
    season.write("plots.csv", season.text("plots.csv"), encoding="utf-8-sig")
    season.append("season.toml", '[files.plots]\nencoding = "utf-8"')
    pd.testing.assert_frame_equal(read(season)["plots"].frame, before)


def test_a_users_headers_and_units_are_mapped(season):
    season.replace("plots.csv", "sensor_pct", "Moist")
    before = season.text("season.toml")
    mapping = '[columns.plots]\nsensor_pct = "Moist"\n[units]\nmass = "lb"\n'
    season.write("season.toml", before + mapping)
    plots = read(season)["plots"].frame
    assert plots["sensor_pct"].iloc[0] == 14.2
    assert plots["plot_mass_kg"].iloc[0] == pytest.approx(5.0 * 0.45359237)


def test_unknown_columns_are_kept_and_listed(season):
    season.replace("plots.csv", ",block", ",Block No")
    table = read(season)["plots"]
    assert table.frame["Block No"].iloc[0] == "1"
    assert any("Block No" in f.message for f in table.findings)


@pytest.mark.parametrize(
    ("spoil", "said"),
    [
        (lambda s: s.write("oven.csv", ""), "oven: the file is empty"),
        (lambda s: (s.folder / "plots.csv").unlink(), "plots: not found"),
        (lambda s: (s.folder / "curves.csv").unlink(), "curves: not found"),
        (lambda s: s.replace("plots.csv", "sensor_pct", "x"), "sensor_pct is missing"),
        (lambda s: s.replace("plots.csv", "entry", "trial"), "two columns are headed"),
        (lambda s: s.write("plots.xlsx", "no zip"), "are both there; keep one"),
        (lambda s: s.write("season.toml", "name = "), "not readable as TOML"),
        (lambda s: s.write("season.toml", 'name="a"\nx=1'), "x is no setting"),
        (lambda s: s.write("season.toml", 'name="../a"'), "name is '../a'"),
    ],
)
def test_what_stops_an_audit_is_said_in_words(season, spoil, said):
    spoil(season)
    with pytest.raises(SeasonRefused, match=said):
        read(season)


def test_damaged_files_are_refused(season):
    (season.folder / "plots.csv").unlink()
    season.write("plots.xlsx", "this is no zip")
    (season.folder / "oven.csv").unlink()
    season.write("oven.parquet", "nor is this")
    with pytest.raises(
        SeasonRefused, match=r"(?s)as Excel.*as Parquet|as Parquet.*as Ex"
    ):
        read(season)


def test_every_stop_of_every_table_is_named_at_once(season):
    season.replace("plots.csv", "sensor_pct", "x")
    (season.folder / "curves.csv").unlink()
    with pytest.raises(SeasonRefused, match=r"2 problem\(s\)"):
        read(season)


def test_no_oven_table_is_no_refusal(season):
    (season.folder / "oven.csv").unlink()
    table = read(season)["oven"]
    assert table.frame.empty
    assert [f.code for f in table.findings] == ["no-oven"]


def test_parquet_and_excel_read_as_csv_does(season):
    before = read(season)["plots"].frame
    typed = pd.read_csv(season.folder / "plots.csv", dtype={"plot": str})
    (season.folder / "plots.csv").unlink()
    typed.to_parquet(season.folder / "plots.parquet")
    pd.testing.assert_frame_equal(read(season)["plots"].frame, before)
    (season.folder / "plots.parquet").unlink()
    typed.to_excel(season.folder / "plots.xlsx", index=False)
    pd.testing.assert_frame_equal(read(season)["plots"].frame, before)


def test_a_key_that_excel_made_a_date_is_found(season):
    typed = pd.read_csv(season.folder / "plots.csv", dtype=object)
    typed.loc[0, "plot"] = pd.Timestamp("2025-03-04")
    (season.folder / "plots.csv").unlink()
    typed.to_excel(season.folder / "plots.xlsx", index=False)
    table = read(season)["plots"]
    assert ("key-is-a-date", (2,)) in faults(table)


def test_a_decompression_bomb_is_refused_by_its_size(season, monkeypatch):
    monkeypatch.setattr("kitlib.intake.files.LARGEST_UNPACKED", 1000)
    typed = pd.read_csv(season.folder / "plots.csv", dtype=object)
    (season.folder / "plots.csv").unlink()
    typed.to_excel(season.folder / "plots.xlsx", index=False)
    with pytest.raises(SeasonRefused, match="would unfold to"):
        read(season)


def test_rows_that_only_share_what_they_must_have_are_not_repeats(season):
    # Replicate dishes may weigh the same; without a dish number they are two.
    season.write("oven.csv", "sample,trial,plot,method,moisture_pct,tare_g,wet_g,dry_g")
    for line in ("s1,T1,001,ISO 712-1,14.0,,,", "s1,T1,001,ISO 712-1,14.0,,,"):
        season.write("oven.csv", season.text("oven.csv") + "\n" + line)
    table = read(season)["oven"]
    assert len(table.frame) == 2
    assert faults(table) == []


def test_a_repeat_and_a_second_row_of_one_key_are_told_apart(season):
    season.append("plots.csv", "T1,001,E1,wheat,W,14.2,5.0,10,1")
    season.append("plots.csv", "T1,002,E2,wheat,W,15.9,5.5,10,1")
    table = read(season)["plots"]
    assert faults(table) == [("row-twice", (12,)), ("plot-twice", (3, 13))]
    assert table.read == len(table.frame) + len(pd.concat(table.left_out)) == 12
