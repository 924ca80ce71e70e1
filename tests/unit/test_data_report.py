"""The data report: their rows, their headers, what to do."""

import pypdf
from pytest import fixture

from kitlib.reports.blocks import Heading, Table
from kitlib.runs.before_audit import check_season, data_report
from kitlib.runs.cli import main


@fixture
def foreign(season):
    """The small season with a word for a reading, under the crew's own headers."""
    season.replace("plots.csv", "sensor_pct", "Moist %")
    season.replace("plots.csv", "15.1", "wet")
    season.replace("oven.csv", "28.53", "31.53")
    mapping = '[columns.plots]\nsensor_pct = "Moist %"\n'
    season.write("season.toml", season.text("season.toml") + mapping)
    return season


def test_rows_are_shown_as_the_file_has_them(foreign):
    report = data_report(*check_season(foreign.folder))
    tables = [block for block in report.blocks if isinstance(block, Table)]
    (words,) = [t for t in tables if "wet" in str(t.rows)]
    heads = [column.head for column, _ in words.columns]
    assert heads == ["Row", "trial", "plot", "entry", "curve", "Moist %"]
    assert words.rows[0] == ("3", "T1", "002", "E2", "W", "wet")


def test_each_owner_has_a_part_of_its_own(foreign):
    report = data_report(*check_season(foreign.folder))
    heads = [b.words for b in report.blocks if isinstance(b, Heading) and b.level == 1]
    assert heads == ["For the laboratory", "For the field crew"]


def test_every_problem_has_its_remedy(foreign):
    checked = check_season(foreign.folder)
    told = "\n".join(block.text() for block in data_report(*checked).blocks)
    problems = [f for f in checked.findings if f.severity != "note"]
    assert problems
    assert all(found.remedy in told for found in problems)


def test_a_header_takes_no_plain_word_out_of_a_sentence(foreign):
    head, *rows = foreign.text("plots.csv").splitlines()
    named = [f"{head.replace('plot,', 'Parzelle,')},Reihe", *(f"{r},1" for r in rows)]
    foreign.write("plots.csv", "\n".join([*named, ""]))
    mapping = 'plot = "Parzelle"\nrow = "Reihe"\n'
    foreign.write("season.toml", foreign.text("season.toml") + mapping)
    report = data_report(*check_season(foreign.folder))
    told = "\n".join(block.text() for block in report.blocks)
    assert "row 3: Moist % (sensor_pct) is 'wet'" in told
    assert "(row)" not in told and "(plot)" not in told


def test_the_command_writes_it(foreign, tmp_path, capsys):
    assert main(["check", str(foreign.folder), "--pdf", str(tmp_path / "d.pdf")]) == 1
    text = pypdf.PdfReader(tmp_path / "d.pdf").pages[0].extract_text()
    assert "Moist % (sensor_pct) is 'wet'" in text
    assert "d.pdf" in capsys.readouterr().err


def test_a_season_without_problems_says_so(season):
    report = data_report(*check_season(season.folder))
    assert "No problems found" in report.blocks[0].text()
