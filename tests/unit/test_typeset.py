"""Reports become the same accessible PDF every time, whatever people's text holds."""

import re
import shutil
import subprocess
import sys
from datetime import date
from functools import cache
from io import BytesIO

import pandas as pd
import pytest
from pypdf import PdfReader
from pypdf.generic import IndirectObject

from kitlib.reports.blocks import (
    ACT,
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
)
from kitlib.reports.drawing import as_printed, blank
from kitlib.reports.typeset import NotTypeset, typeset

# Written, not obeyed: what typst, HTML, spreadsheets and terminals would act upon.
MARKUP = [
    '#eval("1+1") $x^2$ *bold* _it_ @ref <label> `raw`',
    "= not a heading",
    "- not a list",
    "{a} [b] // c /* d */ \\ ~ -- --- ...",
    "\"double\" 'single' «french»",
    "<b>&amp;</b>",
    "=SUM(A1) +1 -1 @x",
]
HASH = "3f9a0c44be1d27aa" * 4


def picture(caption="What it shows.", alt="Seen from afar, nothing."):
    return Picture(blank(3, 1, "drawn"), caption, alt)


def table(caption="Samples.", reasons=("dried twice", "lost"), note=""):
    rows = {"row": range(1, 1 + len(reasons)), "reason": reasons}
    rows = pd.DataFrame(rows, dtype=object)
    return Table(caption, rows, "left_out", note=note, most=len(reasons))


def report(*blocks, title="Weir Bank", **more):
    return Report(
        kind="Trial report",
        title=title,
        running=f"Trial {title}",
        blocks=list(blocks),
        **{"date": date(2025, 11, 14), **more},
    )


ALL_BLOCKS = (
    Answer("Shift", "The sensor read too wet.", "Load +0.30.", ACT),
    Heading("Samples"),
    Paragraph("Six plots were sampled."),
    Paragraph("Error is sensor − air-oven.", small=True),
    Facts([("Crop", "maize", "for grain"), ("Site", "Lower Weir", "")]),
    Items(["First this.", "Then that."], numbered=True),
    table(note="Two dishes each."),
    picture("Alone.", "A lone figure."),
    SideBySide(picture("Left.", "The left one."), picture("Right.", "The right one.")),
    Findings([("fault", "row 31 is wrong", "Mend it."), ("note", "all is well", "")]),
    Caution("Beware", ["of this", "and that"]),
)


@cache
def all_blocks() -> bytes:
    return typeset(report(*ALL_BLOCKS, facts=[("Season", "2025")], subtitle="Below"))


def text_of(pdf: bytes) -> str:
    """Return the PDF's text, words parted by single spaces."""
    pages = [page.extract_text() for page in PdfReader(BytesIO(pdf)).pages]
    return " ".join(" ".join(pages).split())


def tags_of(pdf: bytes) -> list[dict]:
    """Return every structure element of a tagged PDF, in reading order."""
    found, waiting = [], [PdfReader(BytesIO(pdf)).trailer["/Root"]["/StructTreeRoot"]]
    while waiting:
        node = waiting.pop(0)
        node = node.get_object() if isinstance(node, IndirectObject) else node
        if isinstance(node, list):
            waiting[:0] = node
        elif isinstance(node, dict):
            found.append(node)
            waiting[:0] = [node["/K"]] if "/K" in node else []
    return found


def test_same_report_same_bytes():
    assert typeset(report(*ALL_BLOCKS)) == typeset(report(*ALL_BLOCKS))


@pytest.mark.slow
def test_same_bytes_in_another_process():
    program = (
        "import sys; sys.path.insert(0, 'tests/unit'); import test_typeset as t; "
        "sys.stdout.buffer.write(t.all_blocks())"
    )
    outs = [
        subprocess.run(
            [sys.executable, "-c", program],
            capture_output=True,
            check=True,
            env={"PYTHONHASHSEED": seed, "TZ": zone},
        ).stdout
        for seed, zone in (("1", "UTC"), ("2", "Asia/Tokyo"))
    ]
    assert outs[0] == outs[1] == all_blocks()


def test_every_block_comes_out():
    said = text_of(all_blocks())
    for words in (
        "TRIAL REPORT",
        "14 November 2025",
        "Weir Bank",
        "Below",
        "Shift The sensor read too wet. Load +0.30.",
        "Six plots were sampled.",
        "Error is sensor − air-oven.",
        "Crop maize for grain",
        "1. First this. 2. Then that.",
        "Table 1 Samples.",
        "Row Reason 1 dried twice 2 lost",
        "Two dishes each.",
        "Figure 1 Alone.",
        "Figure 2 Left.",
        "Figure 3 Right.",
        "fault row 31 is wrong Mend it.",
        "Beware – of this – and that",
        "not for buying, selling or settling grain",
    ):
        assert words in said


def test_the_pdf_claims_archiving_and_accessibility():
    root = PdfReader(BytesIO(all_blocks())).trailer["/Root"]
    claims = root["/Metadata"].get_data().decode()
    assert "<pdfaid:part>2<" in claims
    assert "<pdfaid:conformance>A<" in claims
    assert "<pdfuaid:part>1<" in claims
    assert root["/MarkInfo"]["/Marked"]
    assert root["/Lang"] == "en-GB"


def test_no_clock_is_inside():
    about = PdfReader(BytesIO(all_blocks())).metadata
    assert about["/CreationDate"] == about["/ModDate"] == "D:20251114120000Z"
    assert about["/Title"] == "Weir Bank – Trial report"


def test_every_figure_has_its_alternative_text():
    alts = [
        tag.get("/Alt") for tag in tags_of(all_blocks()) if tag.get("/S") == "/Figure"
    ]
    assert alts == ["A lone figure.", "The left one.", "The right one."]


def test_headings_tables_and_their_heads_are_tagged():
    kinds = [tag.get("/S") for tag in tags_of(all_blocks())]
    assert kinds.count("/H1") == 1
    assert kinds.count("/Table") == 1
    assert (kinds.count("/TH"), kinds.count("/TD")) == (2, 4)


def test_a_report_without_a_date_says_so_and_names_no_season():
    pdf = typeset(report(Paragraph("Six plots."), date=None))
    assert "undated" in text_of(pdf)
    assert "/CreationDate" in PdfReader(BytesIO(pdf)).metadata  # PDF/A demands one
    assert "1970" not in text_of(pdf)


def test_all_fonts_are_inside():
    fonts = PdfReader(BytesIO(all_blocks())).pages[0]["/Resources"]["/Font"].values()
    inner = [font["/DescendantFonts"][0]["/FontDescriptor"] for font in fonts]
    names = {str(font["/FontName"]).split("+")[1] for font in inner}
    assert {"DejaVuSans", "LibertinusSerif-Regular"} <= names
    assert all({"/FontFile2", "/FontFile3"} & set(font) for font in inner)


def test_what_the_typesetter_says_is_passed_on(monkeypatch):
    broken = picture()
    monkeypatch.setitem(vars(broken), "png", b"no picture")
    with pytest.raises(NotTypeset, match=r"Trial report Weir Bank: .*image"):
        typeset(report(broken))


def test_pages_are_counted():
    long = table("Rows.", ["a reason"] * 150)
    pages = PdfReader(BytesIO(typeset(report(long)))).pages
    assert len(pages) == 3
    for k, page in enumerate(pages, start=1):
        said = page.extract_text()
        assert f"Trial Weir Bank · page {k} of 3" in said
        assert "Row Reason" in said  # the head is repeated


@pytest.mark.parametrize("text", MARKUP)
def test_text_is_never_read_as_markup(text):
    said = text_of(typeset(report(Heading(text), Paragraph(text), title=text)))
    assert said.count(" ".join(text.split())) >= 3


@pytest.mark.parametrize(
    "place",
    [
        lambda text: Answer(text, text, text),
        lambda text: Facts([(text, text, text)]),
        lambda text: Items([text]),
        lambda text: table(text, [text], text),
        lambda text: picture(text, text),
        lambda text: Findings([("note", text, text)]),
        lambda text: Caution(text, [text]),
        lambda text: Paragraph(text, small=True),
    ],
)
def test_markup_stays_text_in_every_block(place):
    text = "#x *b* @r"
    said = text_of(typeset(report(place(text), facts=[(text, text)], subtitle=text)))
    assert said.count(text) >= 3


def test_letters_the_typeface_lacks_are_named():
    said = text_of(typeset(report(Paragraph("玉米 🌽"))))
    assert "⟨U+7389 U+7C73 U+1F33D⟩" in said


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler")
@pytest.mark.parametrize("text", ["玉米 🌽", "שלום", "Ünïcödé Жито ½ ≥", "مرحبا"])
def test_all_scripts_copy_as_written(text):
    found = subprocess.run(
        ["pdftotext", "-", "-"],
        input=typeset(report(Paragraph(text))),
        capture_output=True,
        check=True,
    )
    assert text in found.stdout.decode()


@pytest.mark.parametrize(
    ("text", "seen"),
    [
        ("two\r\nlines", "two↵lines"),
        ("nul \x00", "nul ⟨U+0000⟩"),
        ("turned \u202eback", "turned ⟨U+202E⟩back"),
        ("private \ue000", "private ⟨U+E000⟩"),
        ("half \ud800", "half ⟨U+D800⟩"),
        ("none \ufffe", "none ⟨U+FFFE⟩"),
        ("mark \ufeff", "mark ⟨U+FEFF⟩"),
    ],
)
def test_what_cannot_be_seen_is_shown(text, seen):
    everywhere = table(text, [text], text)
    assert text_of(typeset(report(everywhere, title=text))).count(seen) >= 4


def test_ten_thousand_letters_are_cut_and_counted():
    long = "W" * 10_000
    pdf = typeset(report(Paragraph(long), Facts([(long, long, long)]), title=long))
    assert "(10,000 letters)" in text_of(pdf)
    assert len(PdfReader(BytesIO(pdf)).pages) == 1


def test_a_hash_of_64_letters_stays_whole_over_two_lines():
    said = text_of(typeset(report(table("Inputs.", [HASH] * 3))))
    assert said.replace(" ", "").count(HASH[:12]) >= 3
    assert "…" not in said
    assert as_printed(HASH, 160).replace("\u200b", "") == HASH


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler")
def test_long_words_stay_inside_the_page():
    word = "NORTH_" * 12
    names = ["table", "trial", "plot", "sample", "curve", "reason"]
    wide = Table("T", pd.DataFrame([[word] * 6], columns=names), "left_out")
    found = subprocess.run(
        ["pdftotext", "-bbox", "-", "-"],
        input=typeset(report(wide)),
        capture_output=True,
        check=True,
    )
    ends = [float(x) for x in re.findall(r'xMax="([0-9.]+)"', found.stdout.decode())]
    margin = 20 / 25.4 * 72
    assert len(ends) > 30
    assert max(ends) <= 595.28 - margin + 0.5
