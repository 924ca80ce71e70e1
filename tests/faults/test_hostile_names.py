"""A real run of a season whose names try everything: nothing is obeyed or lost."""

import ast
import csv
import io
import json
import os
import subprocess
import unicodedata
from html.parser import HTMLParser
from pathlib import Path

import nbformat
import pytest
from conftest import SeasonFolder
from pypdf import PdfReader

from faults.good_season import bytes_of
from faults.runs import COMMAND, NAME, run
from kitlib.reports.drawing import printable

pytestmark = pytest.mark.slow  # whole runs

OUT = '../../escaped"; import os; os.system("touch PWNED") #{x}\\'
# Names that differ by case alone are one name.
TRIALS = [OUT, "Größe 😀", "Grosse 😀", unicodedata.normalize("NFD", "Größe 😀")]
LONG = "L" * 9_995 + "\u202eend😀"
ENTRIES = [
    "=cmd|' /C calc'!A0",
    '<script>alert("x")</script><img src=x onerror=alert(1)>',
    '#eval("1+1") #image("/etc/passwd") $x^2$ *b* @ref <label> `raw`',
    "two\nlines \"double\" 'single' {{braces}} {0} %s \\n ${HOME} $(touch PWNED)",
    "nul\x00nul",
    "right\u202eto left\u200b",
    LONG,
    "@SUM(1+1)",
]
CURVE = 'W\n{"a": 1} <b>bold</b> "); import os; os.system("touch PWNED'
SAMPLES = ["=1+1", "../s2", "s\x00", "</td><script>x</script>", "s5", "s6", "s7", "s8"]
FORMULA_STARTS = ("=", "+", "-", "@", "\t", "\r")


def table_of(rows) -> str:
    return bytes_of(rows).decode()


def hostile_season(folder: Path) -> SeasonFolder:
    """Write a season of four trials and eight samples under hostile names."""
    folder.mkdir()
    season = SeasonFolder(folder)
    header = "trial,plot,entry,crop,curve,sensor_pct,plot_mass_kg,plot_area_m2,remark"
    plots, oven = [header.split(",")], []
    oven.append(
        ["sample", "trial", "plot", "method", "moisture_pct", "selection_reason"]
    )
    for k, trial in enumerate(TRIALS):
        for j in range(4):
            entry = ENTRIES[(4 * k + j) % len(ENTRIES)]
            moisture = 14 + k + 0.4 * j
            kept = [trial, f"{j:03}", entry, "wheat", CURVE, f"{moisture + 0.3:.1f}"]
            plots.append([*kept, f"{5 + 0.1 * j:.1f}", "10", f"remark {entry}"])
            if j < 2:
                name = SAMPLES[2 * k + j]
                for dish in (0.0, 0.1):
                    result = f"{moisture + dish:.2f}"
                    lab = [name, trial, f"{j:03}", "ISO 712-1", result, "random"]
                    oven.append(lab)
    season.write("plots.csv", table_of(plots))
    season.write("oven.csv", table_of(oven))
    register = [["curve", "crop", "offset_loaded"], [CURVE, "wheat", "0.2"]]
    season.write("curves.csv", table_of(register))
    return season


@pytest.fixture(scope="module")
def place(tmp_path_factory):
    """Return a place with the season, a run's output and an empty folder it ran in."""
    place = tmp_path_factory.mktemp("hostile")
    season = hostile_season(place / "season")
    (place / "stood_here").mkdir()
    before = {p.name: p.read_bytes() for p in season.folder.iterdir()}
    environment = os.environ | {"HOME": str(place / "stood_here")}
    done = run(
        season.folder,
        "--out",
        place / "out",
        cwd=place / "stood_here",
        env=environment,
    )
    assert done.returncode == 0, done.stderr
    assert {p.name: p.read_bytes() for p in season.folder.iterdir()} == before
    return place


@pytest.fixture(scope="module")
def home(place):
    return place / "out" / NAME


def test_nothing_is_written_outside_and_no_code_is_run(place, home):
    assert {p.name for p in place.iterdir()} == {"season", "out", "stood_here"}
    assert [p.name for p in (place / "out").iterdir()] == [NAME]
    made = [p for p in place.rglob("*") if p.is_file()]
    assert not [p for p in made if p.name.startswith(("PWNED", "escaped"))]
    left = {p.name for p in (place / "stood_here").iterdir()}
    assert left <= {".cache", ".config", ".local", ".ipython", ".jupyter"}
    folders = {p.relative_to(home).as_posix() for p in home.rglob("*") if p.is_dir()}
    assert folders == {"trials"}


def test_every_trial_has_files_of_its_own(home):
    names = sorted(p.name for p in (home / "trials").iterdir())
    assert len(names) == 2 * len(TRIALS)
    assert len({name.casefold() for name in names}) == len(names)
    assert all(name.isascii() and len(name) < 150 for name in names)


def shown(text: str) -> str:
    """Return text without the spaces and line breaks a page puts in."""
    return "".join(text.split())


def test_every_pdf_is_readable_with_the_names_as_written(home):
    pdfs = sorted(home.rglob("*.pdf"))
    assert len(pdfs) == 1 + len(TRIALS)
    texts = {
        pdf.name: shown("".join(page.extract_text() for page in PdfReader(pdf).pages))
        for pdf in pdfs
    }
    season = texts.pop("season.pdf")
    assert shown(printable(CURVE))[:40] in season
    own = "".join(texts.values())
    for name in (*TRIALS, *ENTRIES):
        # Control and direction marks are shown by number, long names by their ends.
        whole = shown(printable(name))
        assert whole in own or whole[:30] in own, printable(name)[:60]
    assert "nul⟨U+0000⟩nul" in own
    assert "right⟨U+202E⟩to" in own
    assert "(10,000letters)" in own
    assert sum(shown(printable(OUT))[:20] in text for text in texts.values()) == 1


def test_poppler_reads_the_pdfs_too(home):
    for pdf in home.rglob("*.pdf"):
        read = subprocess.run(["pdftotext", pdf, "-"], capture_output=True, text=True)
        assert read.returncode == 0 and "not a verification" in " ".join(
            read.stdout.split()
        )
        assert read.stderr == ""


class Tags(HTMLParser):
    """Collects the tags and attributes of HTML."""

    def __init__(self):
        super().__init__()
        self.found, self.words = [], []

    def handle_starttag(self, tag, attrs):
        self.found.append((tag, dict(attrs)))

    def handle_data(self, data):
        self.words.append(data)


def test_notebooks_hold_names_as_text_and_parameters_as_literals(home):
    notebooks = sorted(home.rglob("*.ipynb"))
    assert len(notebooks) == 3 + len(TRIALS)
    trials, words = [], ""
    for path in notebooks:
        notebook = nbformat.read(path, as_version=4)
        nbformat.validate(notebook)
        for cell in notebook.cells:
            if "injected-parameters" in cell.metadata.get("tags", []):
                lines = ast.parse(cell.source).body
                given = {b.targets[0].id: ast.literal_eval(b.value) for b in lines}
                trials += [given["trial"]] if "trial" in given else []
            for output in cell.get("outputs", []):
                html = output.get("data", {}).get("text/html", "")
                tags = Tags()
                tags.feed(html)
                words += "".join(tags.words)
                for tag, attributes in tags.found:
                    assert tag not in ("script", "b", "label", "iframe"), html[:200]
                    assert not [name for name in attributes if name.startswith("on")]
                    assert attributes.get("src", "data:").startswith("data:")
    assert sorted(trials) == sorted(TRIALS)
    assert "<script>alert" in words  # shown as text


def test_tables_hold_names_as_written_and_no_formula(home):
    seen = set()
    for path in home.glob("*.csv"):
        rows = list(csv.reader(io.StringIO(path.read_text("utf-8"), newline="")))
        assert len({len(row) for row in rows}) == 1, path.name
        for cell in {cell for row in rows for cell in row}:
            try:
                float(cell)
            except ValueError:
                assert not cell.startswith(FORMULA_STARTS), (path.name, cell)
            seen.add(cell.removeprefix("'"))
    assert {*TRIALS, *ENTRIES, *SAMPLES, CURVE} <= seen


def test_names_that_look_alike_or_hold_the_unseen_are_pointed_at(home):
    text = (home / "findings.csv").read_text("utf-8")
    codes = [row[0] for row in csv.reader(io.StringIO(text, newline=""))]
    assert {"keys-alike", "key-odd", "cell-long"} <= set(codes)


def test_the_manifest_holds_and_names_no_place(place, home):
    told = json.loads((home / "manifest.json").read_text("utf-8"))
    assert str(place) not in json.dumps(told)
    assert told["failed"] == []
    words = [COMMAND, "verify", str(home), "--season", str(place / "season")]
    done = subprocess.run(words, capture_output=True, text=True)
    assert done.returncode == 0, done.stdout
