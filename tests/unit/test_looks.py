"""What a notebook shows: finished words, safe HTML, pictures with words for them."""

import numpy as np
import pandas as pd
import pytest

from kitlib.pages import looks
from kitlib.pages.blocks import (
    Column,
    Facts,
    Findings,
    Heading,
    Paragraph,
    Picture,
    SideBySide,
    Sources,
    Table,
    Verdict,
)
from kitlib.pages.looks import NOTHING, as_png, look, parts_of
from kitlib.pages.tabulate import (
    count,
    interval,
    number,
    points,
    span,
    tabulate,
    text,
    words,
)
from kitlib.reports.drawing import blank, svg_bytes
from kitlib.words.terms import BIAS, SENSOR, Term


def text_of(block):
    return "\n".join(part.text() for part in parts_of(block))


def html_of(block):
    return "".join(part.html() for part in parts_of(block))


@pytest.fixture
def shown(monkeypatch):
    """Return a function that returns the data a notebook is given for blocks."""
    given = []
    monkeypatch.setattr(looks, "display", lambda data, **_: given.append(data))

    def outputs(*blocks):
        given.clear()
        look(*blocks)
        return given

    return outputs


TABLE = Table(
    caption="Two rows.",
    columns=[Column("Name"), Column("Bias", "points", number=True)],
    rows=[("A", "+0.30"), ("a longer name", "−12.00")],
    note="A note.",
    strong=[1],
)


def test_a_table_reads_in_columns():
    assert text_of(TABLE).splitlines() == [
        "Two rows.",
        "Name           Bias (points)",
        "A                      +0.30",
        "a longer name         −12.00",
        "A note.",
    ]


def test_a_table_sets_numbers_to_the_right_and_selected_rows_in_bold():
    html = html_of(TABLE)
    assert html.count("<tr>") == 3 and html.count("<th ") == 2
    assert html.count("bold") == 2
    assert '<td style="text-align: right; white-space: nowrap">+0.30</td>' in html


def test_a_table_without_rows_says_so():
    empty = Table(caption="None.", columns=[Column("Name")], rows=[])
    assert text_of(empty).endswith(NOTHING)


@pytest.mark.parametrize(
    "block",
    [
        Heading("<script>x</script>"),
        Paragraph("<script>x</script>"),
        Verdict("keep", "<script>x</script>", "<script>x</script>"),
        Facts([("<script>x</script>", "<script>x</script>")]),
        Findings([("note", "<script>x</script>")]),
        Table(
            caption="<script>x</script>",
            columns=[Column("<script>x</script>")],
            rows=[("<script>x</script>",)],
            note="<script>x</script>",
        ),
    ],
)
def test_nothing_in_the_data_is_markup(block):
    assert "<script>x</script>" in text_of(block)
    assert "<script" not in html_of(block) and "&lt;script&gt;" in html_of(block)


def test_what_cannot_be_seen_is_made_visible():
    assert text_of(Paragraph("a\x1b[2Jb\u202e")) == "a⟨U+001B⟩[2Jb⟨U+202E⟩"


def test_nothing_is_said_to_be_nothing(shown):
    assert [data["text/plain"] for data in shown(None, [])] == [NOTHING, NOTHING]


def test_what_is_no_block_is_refused():
    with pytest.raises(TypeError, match="a Sources is no block"):
        parts_of(Sources([]))


def test_pictures_come_as_png_with_words(shown):
    one = Picture(svg=svg_bytes(blank(3, 2)), caption="A caption.", alt="Two dots.")
    picture, caption = list(shown(one))
    assert picture["text/plain"] == "Two dots."
    assert picture["image/png"][1:4] == b"PNG"
    assert caption["text/plain"] == "A caption."
    pair, *captions = shown(SideBySide(one, one))
    assert len(captions) == 2
    # 3 in at 144 dots an inch, a margin of 4 pt on both sides, 12 pt between.
    assert width_of(picture["image/png"]) == 3 * 144 + 2 * 8
    assert width_of(pair["image/png"]) == 2 * 3 * 144 + 2 * 8 + 24


def width_of(png):
    return int.from_bytes(png[16:20])


def test_a_picture_is_the_same_bytes_each_time():
    svg = svg_bytes(blank(3, 2, "words"))
    assert as_png([svg]) == as_png([svg])


# ---- tables from data frames

FRAME = pd.DataFrame(
    {
        "name": ["A", np.nan, "7"],
        "sensor_pct": [14.25, np.nan, 15.05],
        "bias": [0.345, -0.005, np.nan],
        "bias_low": [0.1, -0.2, np.nan],
        "bias_high": [0.6, 0.2, np.nan],
        "n": [3, 11, 0],
    }
)


def cells(shown):
    return list(shown.cells(FRAME))


def test_cells_are_rounded_half_up_and_missing_ones_are_not_known():
    assert cells(words(Term("name", "", "Name"))) == ["A", "", "7"]
    assert cells(text("name", "Name")) == ["A", "", "7"]
    assert cells(number(SENSOR)) == ["14.3", "not known", "15.1"]
    assert cells(number(BIAS, sign=True))[0] == "+0.35"
    assert cells(points("bias", "Bias"))[1].endswith("0.01")
    assert cells(count("n", "Samples")) == ["3", "11", "0"]
    assert cells(number(Term("bias", "%", "Bias", 0), scale=100))[0] == "35"


def test_intervals_of_differences_carry_their_sign():
    assert cells(interval("bias"))[0] == "+0.10 to +0.60"
    assert cells(interval("bias", 1, unit=""))[0] == "0.1 to 0.6"
    assert cells(span(BIAS))[2] == "not known"


def test_a_long_table_is_cut_and_says_where_the_rest_is():
    found = tabulate("C.", FRAME, count("n", "Samples"), most=2, whole="curves.csv")
    assert found.rows == [("3",), ("11",)]
    assert found.note == "1 more row in curves.csv."
    assert found.columns == [Column("Samples", "", number=True)]
