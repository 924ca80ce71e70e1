"""Blocks show themselves in a notebook: words, safe HTML, alternative text."""

import re

import pandas as pd
import pytest

from kitlib.reports import blocks
from kitlib.reports.blocks import (
    Answer,
    Caution,
    Facts,
    Findings,
    Heading,
    Items,
    Paragraph,
    Picture,
    Report,
    SideBySide,
    Table,
    aligned,
)
from kitlib.reports.drawing import DPI, blank

FRAME = pd.DataFrame(
    {
        "curve": ["A", "a longer name"],
        "n": [12, 3],
        "bias": [0.345, float("nan")],
        "bias_low": [-0.1, float("nan")],
        "bias_high": [0.7, float("nan")],
    }
)
TABLE = Table("Two curves.", FRAME, "curves", note="A note.")
PICTURE = Picture(blank(3, 2, "words"), "A caption.", "Two dots.")


def test_a_table_as_plain_text_is_a_line_a_row():
    assert TABLE.text(1).splitlines() == [
        "Table 1. Two curves.",
        "Curve  Samples  Bias (points)  Interval (points)",
        "A  12  +0.35  −0.10 to +0.70",
        "a longer name  3  not known  not known",
        "A note.",
    ]


def test_a_table_has_a_caption_and_header_cells():
    html = TABLE.html(2)
    assert "<strong>Table 2.</strong> Two curves.</caption>" in html
    assert html.count('<th scope="col"') == 4
    assert '<td style="text-align: right; white-space: nowrap">+0.35</td>' in html


def test_a_long_table_is_cut_and_says_where_the_rest_is():
    found = Table("C.", FRAME, "curves", most=1, whole="curves.csv")
    assert len(found.rows) == 1
    assert found.small_print == "1 more row in curves.csv."


def test_a_table_without_rows_says_so():
    assert Table("C.", FRAME.iloc[:0], "curves").text().endswith("None.")


def test_a_table_without_rows_is_its_headers():
    assert Table("C.", FRAME.iloc[:0], "curves").text().splitlines() == [
        "C.",
        "Curve  Samples  Bias (points)  Interval (points)",
        "None.",
    ]


def test_a_table_may_stand_in_the_units_of_the_season():
    yields = pd.DataFrame({"yield_before": [9.876]})
    found = Table("Y.", yields, "entries", units={"yield_before": ("t/ha", 2)})
    assert found.text().splitlines()[1:] == ["Yield as recorded (t/ha)", "9.88"]


def test_decimal_points_stand_in_line():
    cells = aligned(["0.5", "12", "−1.001", "not known"])
    points = {cell.index(".") - len(cell) for cell in cells if "." in cell}
    assert points == {-4}
    assert cells[3] == "not known"
    assert len(cells[1]) == len("12") + 4


@pytest.mark.parametrize(
    "block",
    [
        Heading("<script>x</script>"),
        Paragraph("<script>x</script>"),
        Items(["<script>x</script>"]),
        Answer("keep", "<script>x</script>", "<script>x</script>"),
        Facts([("<script>x</script>", "<script>x</script>", "<script>x</script>")]),
        Findings([("note", "<script>x</script>", "<script>x</script>")]),
        Caution("<script>x</script>", ["<script>x</script>"]),
        Table(
            "<script>x</script>",
            pd.DataFrame({"curve": ["<script>x</script>"]}),
            "curves",
            note="<script>x</script>",
        ),
        Picture(blank(1, 1), "<script>x</script>", "<script>x</script>"),
    ],
)
def test_nothing_in_the_data_is_markup(block):
    assert "<script>x</script>" in block.text()
    assert "<script" not in block.html() and "&lt;script&gt;" in block.html()


def test_what_cannot_be_seen_is_made_visible():
    assert Paragraph("a\x1b[2Jb\u202e").text() == "a⟨U+001B⟩[2Jb⟨U+202E⟩"


def test_a_picture_has_its_words_in_the_html():
    html = PICTURE.html(3)
    assert 'alt="Two dots."' in html
    assert "<figcaption><strong>Figure 3.</strong> A caption.</figcaption>" in html
    assert 'width="288"' in html  # 3 in at the 96 dots of a screen
    assert int.from_bytes(PICTURE.png[16:20]) == 3 * DPI


def test_a_picture_is_the_same_bytes_each_time():
    again = Picture(blank(3, 2, "words"), "A caption.", "Two dots.")
    assert again.png == PICTURE.png and again.file == PICTURE.file


def test_what_is_shown_is_numbered_and_kept(monkeypatch):
    given = []
    monkeypatch.setattr(blocks, "display", lambda data, **_: given.append(data))
    report = Report(kind="Trial report", title="Weir Bank")
    report.show(TABLE, SideBySide(PICTURE, PICTURE))
    report.show(PICTURE, TABLE)
    # Each call is one output, and the second goes on counting.
    heads = [re.findall(r"(?:Table|Figure) \d", said["text/plain"]) for said in given]
    assert heads == [["Table 1", "Figure 1", "Figure 2"], ["Figure 3", "Table 2"]]
    assert report.blocks == [TABLE, report.blocks[1], PICTURE, TABLE]
