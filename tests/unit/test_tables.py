"""The files that people have: how season.toml reads them, and what is told of them."""

import os
import tomllib
import zipfile
from datetime import date, datetime, time, timedelta
from pathlib import Path

import openpyxl
import pandas as pd
import pytest

from kitlib.intake.checks import read_tables, table_findings
from kitlib.intake.pairs import pair_samples
from kitlib.intake.reference import reference_values
from kitlib.intake.settings import Season, read_season
from kitlib.words.findings import SeasonRefused


def settle(season, text):
    season.write("season.toml", f'name = "a"\n{text}')


def read(season):
    return read_tables(season.folder, read_season(season.folder))


def said(table, code):
    return " ".join(f.message for f in table.findings if f.code == code)


def book(season, sheets, hidden=()):
    """Write plots.xlsx in place of plots.csv."""
    made = openpyxl.Workbook()
    made.remove(made.active)
    for name, rows in sheets.items():
        sheet = made.create_sheet(name)
        for row in rows:
            sheet.append(row)
        sheet.sheet_state = "hidden" if name in hidden else "visible"
    made.save(season.folder / "plots.xlsx")
    (season.folder / "plots.csv").unlink(missing_ok=True)
    return made


def rows_of(season):
    frame = pd.read_csv(season.folder / "plots.csv", dtype={"plot": str, "block": str})
    return [list(frame), *frame.to_numpy(object).tolist()]


def test_several_sheets_and_none_named_are_refused_with_their_list(season):
    rows = rows_of(season)
    book(season, {"A": rows, "B": rows})
    with pytest.raises(SeasonRefused, match="several sheets: 'A' and 'B'"):
        read(season)


def test_a_hidden_draft_in_front_is_not_read_but_told(season):
    rows = rows_of(season)
    book(season, {"Draft": [["x"], [1]], "Harvest": rows}, hidden=["Draft"])
    table = read(season)["plots"]
    assert len(table.frame) == 10
    assert "plots.xlsx#Draft" in said(table, "file-not-read")
    assert "#Harvest" not in said(table, "file-not-read")


def test_the_only_sheet_of_a_table_is_not_told_as_unread(season):
    book(season, {"Sheet1": rows_of(season)})
    assert not said(read(season)["plots"], "file-not-read")


def test_a_workbook_is_read_once_for_all_its_sheets(season, monkeypatch):
    loads, load = [], openpyxl.load_workbook
    counting = lambda *path, **how: loads.append(path) or load(*path, **how)  # noqa: E731
    monkeypatch.setattr(openpyxl, "load_workbook", counting)
    oven = pd.read_csv(season.folder / "oven.csv", dtype=str)
    rows = rows_of(season)
    book(season, {"A": rows, "B": [list(oven), *oven.to_numpy(object).tolist()]})
    (season.folder / "oven.csv").unlink()
    files = 'plots.read = "plots.xlsx#A"\noven.read = "plots.xlsx#B"\n'
    settle(season, f"[files]\n{files}")
    assert len(read(season)["oven"].frame) == len(oven) and len(loads) == 1
    # What is written to it meanwhile is seen.
    book(season, {"A": rows[:-1], "B": [list(oven), *oven.to_numpy(object).tolist()]})
    assert len(read(season)["plots"].frame) == 9 and len(loads) == 2


def test_merged_cells_are_told_with_their_rows(season):
    rows = rows_of(season)
    made = book(season, {"A": rows})
    made["A"].merge_cells("A2:A5")
    made.save(season.folder / "plots.xlsx")
    table = read(season)["plots"]
    assert "A2:A5" in said(table, "cells-merged")
    assert len(table.frame) == 7  # three rows have no trial any more


def test_a_moisture_shown_as_percent_is_read_as_shown(season):
    rows = rows_of(season)
    at = rows[0].index("sensor_pct")
    for row in rows[1:]:
        row[at] /= 100
    made = book(season, {"A": rows})
    for row in range(2, 12):
        made["A"].cell(row, at + 1).number_format = "0.0%"
    made.save(season.folder / "plots.xlsx")
    table = read(season)["plots"]
    assert table.frame["sensor_pct"].iloc[0] == pytest.approx(14.2)
    assert "10 rows" in said(table, "cells-percent")


def test_separator_encoding_and_decimal_comma(season):
    text = season.text("plots.csv").replace(".", ",").replace("T1,", "Süd,")
    lines = [line.split(",") for line in season.text("plots.csv").splitlines()]
    text = "\n".join(";".join(c.replace(".", ",") for c in line) for line in lines)
    text = text.replace("T1", "Süd") + "\n"
    (season.folder / "plots.csv").write_bytes(text.encode("cp1252"))
    settle(season, '[files.plots]\ndecimal = ","\n')
    table = read(season)["plots"]
    assert table.frame["sensor_pct"].iloc[0] == 14.2
    assert table.frame["trial"].iloc[0] == "Süd"
    assert "semicolons" in said(table, "file-form")
    assert "cp1252" in said(table, "file-form")


def test_decimal_commas_that_were_not_told_name_the_setting(season):
    season.replace("plots.csv", "14.2", '"14,2"')
    assert 'decimal = ","' in said(read(season)["plots"], "not-a-number")


def with_times(season, times):
    lines = season.text("plots.csv").splitlines()
    rows = [f"{line},{time}" for line, time in zip(lines[1:], times, strict=True)]
    season.write("plots.csv", "\n".join([f"{lines[0]},harvested_at", *rows, ""]))


def test_a_date_of_two_readings_is_refused_until_its_form_is_told(season):
    with_times(season, ["03/04/2025 10:00"] * 10)
    assert "%d/%m/%Y" in said(read(season)["plots"], "not-a-time")
    settle(season, '[files.plots]\ndates = "%d/%m/%Y %H:%M"\n')
    times = read(season)["plots"].frame["harvested_at"]
    assert (times == pd.Timestamp(2025, 4, 3, 10)).all()


def test_a_date_that_two_told_forms_read_in_two_ways_is_no_time(season):
    with_times(season, ["03/04/2025"] + ["13/04/2025"] * 9)
    settle(season, '[files.plots]\ndates = ["%d/%m/%Y", "%m/%d/%Y"]\n')
    table = read(season)["plots"]
    assert pd.isna(table.frame["harvested_at"].iloc[0])
    assert (table.frame["harvested_at"].iloc[1:] == pd.Timestamp(2025, 4, 13)).all()
    assert "row 2: harvested_at is '03/04/2025'" in said(table, "not-a-time")


def test_rows_above_units_totals_and_blanks_are_in_the_account(season):
    lines = season.text("plots.csv").splitlines()
    foot = ["Total,,,,,,52.9,,", "", ""]
    head = ["Combine log", "", lines[0], ",,,,,%,kg,m2,"]
    season.write("plots.csv", "\n".join([*head, *lines[1:], *foot]))
    settle(
        season,
        "[files.plots]\nheader_row = 3\nunits_row = true\n"
        'skip_rows_where = { trial = ["total"] }\n',
    )
    settings = read_season(season.folder)
    tables = read_tables(season.folder, settings)
    plots = tables["plots"]
    assert plots.frame.index.tolist() == list(range(5, 15))
    assert plots.sources[0].units_row["sensor_pct"] == "%"
    reference = reference_values(tables["oven"], plots.frame, settings)
    pairing = pair_samples(tables, reference, settings)
    left = pairing.left_out[["row", "code"]].to_numpy().tolist()
    assert left == [[1, "above-headers"], [4, "units-row"], [15, "row-skipped"]]
    counts = pairing.counts.set_index("table").loc["plots"]
    assert counts.tolist() == [13, 10, 3]


def test_files_are_stacked_each_with_its_own_headers_and_units(season):
    lines = season.text("plots.csv").splitlines()
    (season.folder / "late").mkdir()
    season.write("plots.csv", "\n".join([*lines[:6], ""]))
    head = lines[0].replace("plot_mass_kg", "Weight")
    season.write("late/b.csv", "\n".join([head, *lines[6:], ""]))
    settle(
        season,
        '[[files.plots]]\nread = "plots.csv"\n'
        '[[files.plots]]\nread = "late/*.csv"\n'
        'columns.plot_mass_kg = "weight"\nunits.mass = "lb"\n',
    )
    season.replace("late/b.csv", "17.2", "wet")
    table = read(season)["plots"]
    assert len(table.frame) == 10
    assert table.frame["plot_mass_kg"].iloc[-1] == pytest.approx(6.0 * 0.45359237)
    assert "late/b.csv row 2: sensor_pct is 'wet'" in said(table, "not-a-number")


def test_dishes_side_by_side_are_one_row_each(season):
    season.write(
        "oven.csv",
        "sample,trial,plot,method,A tare,A wet,A dry,B tare,B wet,B dry\n"
        "s1,T1,001,ISO 712-1,20,30,28.61,21,31,29.60\n"
        "s2,T1,002,ISO 712-1,20,30,28.53,,,\n",
    )
    pans = [
        f'{c} = ["A {h}", "B {h}"]\n'
        for c, h in (("tare_g", "tare"), ("wet_g", "wet"), ("dry_g", "dry"))
    ]
    settle(season, "[columns.oven]\n" + "".join(pans))
    oven = read(season)["oven"]
    assert oven.frame[["sample", "dish"]].to_numpy().tolist() == [
        ["s1", "1"],
        ["s2", "1"],
        ["s1", "2"],
    ]
    assert oven.read == 3 and oven.where(oven.frame.index) == "oven.csv rows 2 and 3"


@pytest.mark.parametrize(
    ("unit", "value"), [("fraction", "0.142"), ("dry_basis", "16.5501165501165")]
)
def test_moisture_in_another_form_becomes_percent_wet_basis(season, unit, value):
    # 14.2 % of wet grain is 14.2/85.8 of the dry matter.
    season.write(
        "benchtop.csv", f"sample,trial,plot,meter,moisture_pct\ns1,T1,001,M,{value}\n"
    )
    settle(season, f'[units.benchtop]\nmoisture = "{unit}"\n')
    assert read(season)["benchtop"].frame["moisture_pct"].iloc[0] == pytest.approx(14.2)


@pytest.mark.parametrize(("mass", "per_gram"), [("mg", 1000), ("kg", 0.001)])
def test_dishes_in_another_unit_become_grams_and_plots_stay(season, mass, per_gram):
    oven = pd.read_csv(season.folder / "oven.csv", dtype={"plot": str})
    oven["tare_g"] *= per_gram
    oven.to_csv(season.folder / "oven.csv", index=False)
    settle(season, f'[units]\nmass = "lb"\n[units.oven]\nmass = "{mass}"\n')
    tables = read(season)
    assert tables["oven"].frame["tare_g"].iloc[0] == pytest.approx(20)
    pounds = tables["plots"].frame["plot_mass_kg"].iloc[0]
    assert pounds == pytest.approx(5 * 0.45359237)


def test_names_meet_without_case_and_by_alias_and_are_told_where_they_stand(season):
    season.replace("plots.csv", "T1,004", "t1,004")
    text = season.text("oven.csv").replace("T1", "Field one")
    season.write("oven.csv", text)
    settle(season, '[alias.trial]\nT1 = ["field ONE "]\n')
    tables = read(season)
    assert set(tables["plots"].frame["trial"]) == {"T1", "T2", "T3"}
    assert set(tables["oven"].frame["trial"]) == {"T1", "T2", "T3"}
    told = {
        n: [f for f in t.findings if f.code == "names-settled"]
        for n, t in tables.items()
    }
    assert {name for name, found in told.items() if found} == {"plots", "oven"}
    assert told["plots"][0].rows == (5,) and "'t1' as 'T1'" in told["plots"][0].message
    assert "4 cells" in told["oven"][0].message


def test_an_offset_is_in_force_from_its_time_on(season):
    with_times(season, ["2025-08-01"] * 5 + ["2025-08-09"] * 5)
    settle(season, '[[offsets]]\ncurve = "w"\nfrom = 2025-08-05\nvalue = 0.5\n')
    offsets = read(season)["plots"].frame["offset_in_force"]
    assert offsets.tolist() == [0.2] * 5 + [0.5] * 5


def test_offsets_beside_a_column_of_them_are_refused(season):
    lines = season.text("plots.csv").splitlines()
    rows = [lines[0] + ",offset_in_force", *(f"{line},0.2" for line in lines[1:])]
    season.write("plots.csv", "\n".join(rows))
    settle(season, '[[offsets]]\ncurve = "W"\nfrom = 2025-08-05\nvalue = 0.5\n')
    with pytest.raises(SeasonRefused, match="delete either"):
        read(season)


def test_a_reading_whose_offset_cannot_be_known_is_not_used(season):
    with_times(season, [""] + ["2025-08-01"] * 9)
    settle(season, '[[offsets]]\ncurve = "W"\nfrom = 2025-08-05\nvalue = 0.5\n')
    table = read(season)["plots"]
    assert pd.isna(table.frame["sensor_pct"].iloc[0])
    assert "1 row of a curve" in said(table, "offsets-mixed")


def test_a_quote_that_swallows_lines_is_told(season):
    season.replace("plots.csv", "5.5,10,1", '5.5,10,"1')
    season.replace("plots.csv", "16.0,4.9,10,2", '16.0,4.9,10,2"')
    table = read(season)["plots"]
    assert "row 3: block holds 5 line ends" in said(table, "quote-open")


def test_unused_files_and_settings_are_told(season):
    season.write("more.csv", "a,b\n1,2\n")
    season.write("truth.csv", "a,b\n1,2\n")
    settle(
        season,
        'ignore = "truth*"\ncheck_entries = ["E9"]\n[standard_moisture]\nmazie = 15\n'
        '[columns.benchtop]\nmeter = "M"\n',
    )
    table = read(season)["plots"]
    assert "'more.csv'" in said(table, "file-not-read")
    assert "truth" not in said(table, "file-not-read")
    unused = said(table, "setting-unused")
    for setting in ("standard_moisture.mazie", "'E9'", "[columns.benchtop]"):
        assert setting in unused


def test_a_file_not_read_is_told_though_one_of_its_name_is_read_elsewhere(season):
    (season.folder / "late").mkdir()
    season.write("late/plots.csv", season.text("plots.csv"))
    settle(season, '[files.plots]\nread = "late/plots.csv"\n')
    assert "'plots.csv'" in said(read(season)["plots"], "file-not-read")


def test_a_column_of_our_name_beside_the_one_mapped_is_told(season):
    season.replace("plots.csv", "block", "Moist")
    settle(season, '[columns.plots]\nsensor_pct = "Moist"\n')
    table = read(season)["plots"]
    assert table.frame["sensor_pct"].iloc[0] == 1.0
    assert "maps sensor_pct to 'Moist'" in said(table, "column-twice")


def test_a_header_that_is_not_there_is_said_with_those_that_are(season):
    settle(season, '[columns.plots]\nsensor_pct = "Moistur"\n')
    with pytest.raises(SeasonRefused, match=r"no header of plots.csv.*'sensor_pct'"):
        read(season)


def test_lines_that_would_map_a_missing_column_are_toml(season):
    season.replace("plots.csv", "sensor_pct", "Moist")
    with pytest.raises(SeasonRefused) as refusal:
        read(season)
    lines = [line for line in str(refusal.value).splitlines() if line[:4] == "    "]
    told = tomllib.loads("\n".join(lines))
    assert told == {"columns": {"plots": {"sensor_pct": "your header"}}}


def test_plots_that_nobody_weighed_are_told_of_and_read(season):
    lines = [line.split(",") for line in season.text("plots.csv").splitlines()]
    season.write("plots.csv", "\n".join(",".join(c[:6] + c[7:]) for c in lines))
    with pytest.raises(SeasonRefused, match=r"fixed = \{ plot_mass_kg"):
        read(season)
    # Another file of the table has the header that is mapped.
    mapped = '[columns.plots]\nplot_mass_kg = "Wt"\n'
    settle(season, f'{mapped}[[files.plots]]\nfixed = {{ plot_mass_kg = "" }}\n')
    assert read(season)["plots"].frame["plot_mass_kg"].isna().all()


def test_neither_yes_nor_no_has_a_remedy_of_its_own(season):
    curves = "curve,crop,offset_loaded,scale_checked\nW,wheat,0.2,x\n"
    season.write("curves.csv", curves)
    [found] = [f for f in read(season)["curves"].findings if f.severity == "fault"]
    assert found.code == "not-yes-or-no" and found.remedy.startswith("Write yes or no")


@pytest.mark.parametrize("pattern", ["../x.csv", "/etc/passwd", "nowhere*.csv"])
def test_what_lies_elsewhere_or_nowhere_is_refused(season, pattern):
    settle(season, f'[files.plots]\nread = "{pattern}"\n')
    with pytest.raises(SeasonRefused, match=r"not inside|no file"):
        read(season)


def test_a_file_with_its_ending_in_capitals_is_among_those_that_are_there(season):
    (season.folder / "plots.csv").rename(season.folder / "HARVEST.CSV")
    settle(season, '[files.plots]\nread = "plots*.csv"\n')
    with pytest.raises(SeasonRefused, match=r"HARVEST\.CSV"):
        read(season)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no pipes here")
def test_a_pipe_and_a_header_without_end_are_refused_at_once(season):
    (season.folder / "plots.csv").unlink()
    os.mkfifo(season.folder / "plots.csv")
    season.write("oven.csv", ",".join(f"c{n}" for n in range(100_000)) + "\n")
    with pytest.raises(SeasonRefused, match=r"(?s)no ordinary file.*100000 columns"):
        read(season)


def test_reasons_are_free_text_and_blind_by_setting(season):
    lines = season.text("oven.csv").splitlines()
    rows = [lines[0] + ",selection_reason", *(f"{x},Every 5th plot" for x in lines[1:])]
    season.write("oven.csv", "\n".join([*rows, ""]))

    def used(text):
        settle(season, text)
        settings = read_season(season.folder)
        tables = read_tables(season.folder, settings)
        reference = reference_values(tables["oven"], tables["plots"].frame, settings)
        return pair_samples(tables, reference, settings)

    assert not used("").pairs["used"].any()
    [told] = [f for f in used("").findings if f.code == "suspicious-sample"]
    assert "'Every 5th plot' 5" in told.message
    assert used('[selection]\nblind = ["every 5th PLOT"]\n').pairs["used"].all()


# ---- cells that only look as if they held something


def test_a_stale_record_of_a_sheets_size_drops_no_rows(season, tmp_path):
    book(season, {"A": rows_of(season)})
    place = season.folder / "plots.xlsx"
    with zipfile.ZipFile(place) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    sheet = parts["xl/worksheets/sheet1.xml"]
    parts["xl/worksheets/sheet1.xml"] = sheet.replace(b'ref="A1:I11"', b'ref="A1:I4"')
    assert parts["xl/worksheets/sheet1.xml"] != sheet
    with zipfile.ZipFile(place, "w") as packed:
        for name, content in parts.items():
            packed.writestr(name, content)
    assert len(read(season)["plots"].frame) == 10


def test_formulas_without_a_stored_result_are_told_with_sheet_and_cell(season):
    rows = rows_of(season)
    rows[3][5] = "=1+1"
    book(season, {"Harvest": rows})
    table = read(season)["plots"]
    assert "sheet 'Harvest': the formulas of F4" in said(table, "formula-unsaved")
    assert pd.isna(table.frame["sensor_pct"].loc[4])


@pytest.mark.parametrize("mark", ['""""', "ditto", "''", "Do."])
def test_a_ditto_mark_is_no_name(season, mark):
    season.replace("plots.csv", "T1,002", f"{mark},002")
    table = read(season)["plots"]
    assert len(table.frame) == 9
    assert "row 3: trial is" in said(table, "ditto-mark")


# ---- several sites, several files


def test_one_trial_name_at_two_sites_is_told_as_that(season):
    lines = season.text("plots.csv").splitlines()
    one = [f"{line},North" for line in lines[1:5]]
    other = [f"{line},South" for line in lines[1:5]]
    rest = [f"{line},North" for line in lines[5:]]
    rows = [f"{lines[0]},location", *one, *other, *rest]
    season.write("plots.csv", "\n".join([*rows, ""]))
    table = read(season)["plots"]
    told = said(table, "sites-share-plots")
    assert "trial T1 has 4 plot numbers at each of North and South" in told
    assert said(table, "plot-twice") == "" and len(table.frame) == 6


def test_a_fault_of_stacked_files_names_the_file_and_its_own_row(season):
    lines = season.text("plots.csv").splitlines()
    season.write("a.csv", "\n".join([*lines[:6], ""]).replace("14.2", "wet"))
    season.write("b.csv", "\n".join([lines[0], *lines[6:], ""]).replace("17.2", "dry"))
    settle(season, '[files.plots]\nread = ["a.csv", "b.csv"]\n')
    told = said(read(season)["plots"], "not-a-number")
    assert "a.csv row 2: sensor_pct is 'wet'" in told
    assert "b.csv row 2: sensor_pct is 'dry'" in told


def test_two_spellings_come_with_the_alias_that_would_join_them(season):
    season.replace("oven.csv", "T2,002", "T 2,002", count=2)
    tables = read(season)
    found = table_findings(tables, read_season(season.folder))
    [alike] = [f for f in found if f.code == "keys-alike"]
    heading, line = alike.remedy.split(" in season.toml: ")
    told = f"{heading[heading.index('[') :]}\n{line}"
    assert tomllib.loads(told) == {"alias": {"trial": {"T2": ["T 2"]}}}


def test_an_offset_is_in_force_on_further_readings_and_set_up_runs_too(season):
    with_times(season, ["2025-08-01"] * 5 + ["2025-08-09"] * 5)
    season.append("curves.csv", "W2,wheat,0.3")
    season.write(
        "readings.csv",
        "trial,plot,curve,sensor_pct\nT1,001,W2,14.0\nT3,001,W2,13.0\n",
    )
    season.write(
        "setup_runs.csv",
        "curve,sample,known_pct,sensor_pct,run_at\n"
        "W2,k1,14.0,14.1,2025-07-01\nW2,k1,14.0,14.9,2025-08-06\n",
    )
    settle(season, '[[offsets]]\ncurve = "W2"\nfrom = 2025-08-05\nvalue = 0.5\n')
    tables = read(season)
    assert tables["readings"].frame["offset_in_force"].tolist() == [0.3, 0.5]
    runs = tables["setup_runs"].frame["offset_in_force"]
    assert pd.isna(runs.iloc[0]) and runs.iloc[1] == 0.5
    settings = read_season(season.folder)
    reference = reference_values(tables["oven"], tables["plots"].frame, settings)
    pairs = pair_samples(tables, reference, settings).pairs
    further = pairs[pairs["parallel"]].set_index("trial")["sensor_pct"]
    # What was read with 0.5 on is restated to the 0.3 of the register.
    assert further.to_dict() == pytest.approx({"T1": 14.0, "T3": 12.8})


def with_day_and_clock(season, days, clocks):
    rows = rows_of(season)
    pairs = zip(rows[1:], days, clocks, strict=True)
    body = [[*row, day, clock] for row, day, clock in pairs]
    book(season, {"A": [[*rows[0], "Day", "Clock"], *body]})


@pytest.mark.parametrize(
    ("day", "clock", "dates"),
    [
        (date(2025, 8, 5), time(9, 30), ""),
        (datetime(2025, 8, 5), timedelta(hours=9, minutes=30), ""),
        ("2025-08-05", "09:30", ""),
        ("05.08.2025", "09:30", "dates = '%d.%m.%Y'"),
        ("05.08.2025", "9.30 Uhr", "dates = ['%d.%m.%Y', '%H.%M Uhr']"),
        ("8/5/2025", "9:30 AM", "dates = '%m/%d/%Y %I:%M %p'"),
    ],
)
def test_a_date_and_a_time_of_day_are_joined(season, day, clock, dates):
    with_day_and_clock(season, [day] * 10, [clock] * 10)
    how = f"[files.plots]\n{dates}\n" if dates else ""
    settle(season, f'{how}[columns.plots]\nharvested_at = ["Day", "Clock"]\n')
    times = read(season)["plots"].frame["harvested_at"]
    assert (times == pd.Timestamp("2025-08-05 09:30")).all()


def test_a_time_of_day_without_its_date_is_no_time(season):
    with_day_and_clock(season, [None, *["05.08.2025"] * 9], ["9:30"] * 10)
    how = "[files.plots]\ndates = ['%d.%m.%Y', '%H:%M']\n"
    settle(season, f'{how}[columns.plots]\nharvested_at = ["Day", "Clock"]\n')
    table = read(season)["plots"]
    assert table.frame["harvested_at"].isna().tolist() == [True] + [False] * 9
    assert said(table, "not-a-time")


def test_an_area_is_the_length_times_the_width(season):
    rows = rows_of(season)
    at = rows[0].index("plot_area_m2")
    body = [[*row[:at], *row[at + 1 :], 20.0, 4.0] for row in rows[1:]]
    body[2][-1], body[3][-1] = "wide", ""
    headers = [h for h in rows[0] if h != "plot_area_m2"]
    book(season, {"A": [[*headers, "Long", "Wide"], *body]})
    sides = '[columns.plots]\nplot_area_m2 = ["Long", "Wide"]\n'
    settle(season, f'{sides}[units.plots]\narea = "ft2"\n')
    table = read(season)["plots"]
    known = table.frame["plot_area_m2"].dropna()
    # A foot is 0.3048 m by definition: NIST Handbook 44, appendix C (from memory).
    assert known.tolist() == pytest.approx([80 * 0.3048**2] * 8)
    assert said(table, "not-a-number").startswith(
        "row 4: plot_area_m2 is 'wide'; expected"
    )
    settle(season, sides.replace('"Long"', '"Long", "trial"'))
    with pytest.raises(SeasonRefused, match="maps plot_area_m2 to a list of headers"):
        read(season)


def test_a_trial_may_be_named_by_two_columns(season):
    rows = rows_of(season)
    at = rows[0].index("trial")
    sites = ["Ames", *[" Boone"] * 8, None]
    body = [[*r, site] for r, site in zip(rows[1:], sites, strict=True)]
    body[0][at] = body[1][at] = 7.0  # as a spreadsheet holds it
    book(season, {"A": [[*rows[0], "Site"], *body]})
    settle(season, '[columns.plots]\ntrial = ["trial", "Site"]\n')
    table = read(season)["plots"]
    assert table.frame["trial"].tolist()[:3] == ["7 Ames", "7 Boone", "T1 Boone"]
    gone = pd.concat(table.left_out)
    assert gone["row"].tolist() == [11] and "trial" in gone["reason"].item()


def test_a_list_of_headers_for_what_stands_once_is_refused(season):
    settle(season, '[columns.plots]\nentry = ["entry", "crop"]\n')
    with pytest.raises(SeasonRefused, match="maps entry to a list of headers"):
        read(season)


@pytest.mark.parametrize(("start", "told"), [("T08:30:00", True), ("", False)])
def test_a_change_of_offset_on_a_day_without_times_of_day_is_told(season, start, told):
    with_times(season, ["2025-08-01"] * 5 + ["2025-08-05"] * 5)
    settle(season, f'[[offsets]]\ncurve = "W"\nfrom = 2025-08-05{start}\nvalue = 0.5\n')
    clockless = said(read(season)["plots"], "offset-clockless")
    assert bool(clockless) == told
    if told:
        assert "5 rows of curve W" in clockless and "trial T2 and T3" in clockless


def test_the_settings_that_the_readme_shows_are_settings():
    text = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    shown = [
        tomllib.loads(block.split("```")[0]) for block in text.split("```toml")[1:]
    ]
    assert len(shown) == 2
    both = [Season.model_validate({"name": "a"} | block) for block in shown]
    one, two = both[1].sources_of("plots")
    assert one.columns["plot_mass_kg"] == two.columns["plot_mass_kg"] == ["Weight"]
    assert (one.units.mass, two.units.mass) == ("kg", "lb")


def by_sample_only(season):
    """Take trial and plot out of the oven table, and give the plots the samples."""
    oven = pd.read_csv(season.folder / "oven.csv", dtype=str)
    plots = pd.read_csv(season.folder / "plots.csv", dtype=str)
    of = oven[["trial", "plot", "sample"]].drop_duplicates()
    plots.merge(of, how="left").to_csv(season.folder / "plots.csv", index=False)
    oven.drop(columns=["trial", "plot"]).to_csv(season.folder / "oven.csv", index=False)


def test_a_lab_may_name_its_samples_alone_where_the_plots_name_them(season):
    placed = read(season)["oven"].frame
    by_sample_only(season)
    oven = read(season)["oven"]
    columns = ["sample", "trial", "plot", "wet_g"]
    pd.testing.assert_frame_equal(oven.frame[columns], placed[columns])
    assert "10 rows without a plot got that of the sample" in said(
        oven, "samples-placed"
    )
    assert oven.left_out == []


def test_a_sample_of_no_plot_or_of_two_is_left_out_and_told(season):
    by_sample_only(season)
    season.replace("plots.csv", ",s1", ",s01")
    season.replace("plots.csv", ",s3", ",s4")
    oven = read(season)["oven"]
    told = said(oven, "sample-unplaced")
    assert "their sample is in the row of no plot: sample s1 and s3" in told
    assert "their sample is in the row of several plots: sample s4" in told
    left = pd.concat(oven.left_out)
    assert list(left["code"]) == ["sample-unplaced"] * 6
    assert sorted(set(oven.frame["sample"])) == ["s2", "s5"]


def test_without_samples_in_the_plots_the_lab_must_name_its_plots(season):
    by_sample_only(season)
    plots = pd.read_csv(season.folder / "plots.csv", dtype=str)
    plots.drop(columns="sample").to_csv(season.folder / "plots.csv", index=False)
    with pytest.raises(SeasonRefused, match="columns trial and plot are missing"):
        read(season)


def test_a_row_that_names_a_trial_is_not_moved_to_another(season):
    by_sample_only(season)
    oven = pd.read_csv(season.folder / "oven.csv", dtype=str)
    oven.assign(trial="T2").to_csv(season.folder / "oven.csv", index=False)
    oven = read(season)["oven"]
    assert set(oven.frame["sample"]) == {"s3", "s4"}
    assert set(pd.concat(oven.left_out)["code"]) == {"cell-empty"}


def test_a_sample_that_plots_and_lab_place_apart_is_told(season):
    plots = pd.read_csv(season.folder / "plots.csv", dtype=str)
    plots["sample"] = pd.Series({1: "s1"})
    plots.to_csv(season.folder / "plots.csv", index=False)
    settings = read_season(season.folder)
    found = table_findings(read_tables(season.folder, settings), settings)
    told = [str(f) for f in found if f.code == "sample-elsewhere"]
    assert len(told) == 2
    assert all("in the plots table and of another in the oven table" in t for t in told)
