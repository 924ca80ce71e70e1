"""What season.toml may say, and what it may not."""

import pytest

from kitlib.intake.checks import read_tables
from kitlib.intake.settings import read_season
from kitlib.words.findings import SeasonRefused


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("standard_moisture = 0.155", "expected a heading"),
        ("[standard_moisture]\nmaize = 0.155", "0.155 is a fraction"),
        ("[columns.ovn]\na = 'b'", "columns.ovn"),
        ("[columns.oven]\nmoist = 'b'", "columns.oven.moist is no column"),
        ("x = " + "[" * 50_000, "nested too deeply|not readable"),
        ("#" * 2_000_000, "1 MB"),
        ("[files.plots]\nencoding = 'zz'", "such as utf-8"),
        ("[files.plots]\nencoding = 'hex'", "such as utf-8"),
        ("[files.plots]\nseparator = '§'", "separator"),
        ("[files.plots]\nseparator = '\"'", "separator"),
        ("[files.plots]\ndates = 'day'", "expected a form"),
    ],
)
def test_settings_that_cannot_be_are_refused_in_words(season, text, said):
    season.write("season.toml", f'name = "a"\n{text}')
    with pytest.raises(SeasonRefused, match=said):
        read_season(season.folder)


def test_a_value_fixed_under_a_former_header_is_used(season):
    line = "[files.curves]\nfixed = { load_cells_verified = true }"
    season.append("season.toml", line)
    curves = read_tables(season.folder, read_season(season.folder))["curves"].frame
    assert curves["scale_checked"].tolist() == [True]


def test_rows_are_skipped_by_a_column_under_its_former_header(season):
    season.replace("curves.csv", "offset_loaded", "offset_loaded,load_cells_verified")
    season.replace("curves.csv", "0.2", "0.2,yes")
    season.append("curves.csv", "V,wheat,0.1,no")
    line = "[files.curves]\nskip_rows_where = { load_cells_verified = ['no'] }"
    season.append("season.toml", line)
    curves = read_tables(season.folder, read_season(season.folder))["curves"].frame
    assert curves["curve"].tolist() == ["W"]
