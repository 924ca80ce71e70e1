"""A trial's report holds the verdict, the evidence, the cautions and the provenance."""

import io
import re

import pypdf
import pytest
from whole_reports import trial_report

from kitlib.reports.trial_sections import trial_basis
from kitlib.reports.typeset import typeset
from kitlib.season.season import audit_season

CAUTIONS = (
    "not a verification",
    "not for buying, selling or settling grain",
    "Local codes",
)


def text_of(report) -> str:
    pages = pypdf.PdfReader(io.BytesIO(typeset(report))).pages
    text = " ".join(" ".join(page.extract_text().split()) for page in pages)
    return text.replace("\u200b", "")


@pytest.fixture(scope="module")
def trial_text(audited_demo):
    return text_of(trial_report(audited_demo, "wheat-09"))


@pytest.mark.parametrize("caution", CAUTIONS)
def test_the_report_carries_every_caution(trial_text, caution):
    assert caution in trial_text


def test_every_input_is_named_with_its_hash(audited_demo, trial_text):
    for name, digest in trial_basis(audited_demo, "wheat-09").items():
        assert name in trial_text
        assert digest[:16] in trial_text.replace(" ", "")


def test_nothing_the_kit_says_itself_is_cut_short(trial_text):
    assert not re.search(r"\(\d+ letters\)", trial_text)


def test_a_trials_report_names_its_entries(audited_demo, trial_text):
    entries = audited_demo.trial("wheat-09").consequences.entries["entry"]
    assert all(entry in trial_text for entry in entries)


def test_the_same_season_gives_the_same_bytes(audited_demo):
    report = trial_report(audited_demo, "wheat-09")
    assert typeset(report) == typeset(trial_report(audited_demo, "wheat-09"))


HOSTILE = '#let x = 1; *b* _i_ $m$ <t> "q" {j} \\u{41} =cmd|x'


def test_names_come_out_as_written_and_run_nothing(season):
    name = HOSTILE.replace('"', '""')
    season.write("plots.csv", season.text("plots.csv").replace("E1", f'"{name}"'))
    text = text_of(trial_report(audit_season(season.folder), "T1"))
    assert HOSTILE[:24] in text


@pytest.mark.slow
@pytest.mark.parametrize(
    "spoil",
    [
        lambda s: (s.folder / "oven.csv").unlink(),
        lambda s: s.write("plots.csv", s.text("plots.csv").splitlines()[0] + "\n"),
        lambda s: s.write("oven.csv", "\n".join(s.text("oven.csv").splitlines()[:3])),
        lambda s: s.replace("plots.csv", "5.0,10", "0,10"),
        lambda s: s.replace("plots.csv", "5.0,10", "5.0,-1"),
        lambda s: s.replace("plots.csv", "14.2", "100"),
    ],
    ids=["no oven", "no plots", "one sample", "no mass", "negative area", "all water"],
)
def test_a_report_comes_out_of_any_season_that_can_be_read(season, spoil):
    spoil(season)
    audit = audit_season(season.folder)
    for name in audit.trials:
        assert "not a verification" in text_of(trial_report(audit, name))


def test_the_first_page_answers_with_its_picture(audited_demo):
    # The trial with most entries is the one whose picture could be too tall for it.
    most = max(audited_demo.trials, key=lambda t: len(audited_demo.plots_of(t)))
    pdf = typeset(trial_report(audited_demo, most))
    first = pypdf.PdfReader(io.BytesIO(pdf)).pages[0].extract_text()
    assert "Figure 1" in first


@pytest.mark.parametrize(
    ("name", "most"), [("maize-05", 5), ("maize-03", 5), ("maize-04", 6)]
)
def test_a_report_is_short_enough_to_be_read(audited_demo, name, most):
    pdf = typeset(trial_report(audited_demo, name))
    assert len(pypdf.PdfReader(io.BytesIO(pdf)).pages) <= most


def test_a_trials_report_holds_no_remark_on_another_trial(audited_demo):
    for name in audited_demo.trials:
        for found in audited_demo.trial(name).findings:
            assert found.trial in ("", name)
