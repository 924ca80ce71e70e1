"""The season's report answers on its first pages and gives each curve one page."""

import re
from shutil import copytree

import pandas as pd
import pytest
from whole_reports import pages_of, season_report

from kitlib.reports.blocks import Paragraph, Report, Table
from kitlib.reports.curve_sections import (
    answer_of,
    chance_in_words,
    curve_section,
    evidence,
    findings_of,
)
from kitlib.reports.season_sections import (
    season_accounts,
    season_answer,
    season_findings,
    settings_table,
)
from kitlib.reports.trial_sections import to_do
from kitlib.reports.typeset import page_count
from kitlib.season.season import audit_season, curves_table
from kitlib.words.findings import Finding
from kitlib.words.terms import columns_of, show

CAUTIONS = (
    "not a verification",
    "not for buying, selling or settling grain",
    "ovens run at 103 to 133",
    "dust can burn and explode",
    "Never enter a bin",
    "Local codes",
)
# What says how the kit was made has no place in a report.
PROCESS_TALK = ("from memory", "own choice", "data read", "[read]", "[method]")
PROCESS_TALK += ("own arithmetic", "set by the user", "no source")

ACCOUNTS = ["Every row accounted for", "Is the reference good enough?"]


@pytest.fixture(scope="module")
def report(audited_demo):
    return season_report(audited_demo)


@pytest.fixture(scope="module")
def pages(report):
    return pages_of(report)


@pytest.fixture(scope="module")
def text(pages):
    return " ".join(pages)


@pytest.mark.parametrize("caution", CAUTIONS)
def test_the_report_carries_every_caution(text, caution):
    assert caution in text


@pytest.mark.parametrize("talk", PROCESS_TALK)
def test_the_report_does_not_say_how_the_kit_was_made(text, talk):
    assert talk not in text


def test_the_first_page_says_what_to_load(audited_demo, pages):
    for curve, advice in audited_demo.advice.items():
        assert re.search(rf"{curve} \w+ \w+ {advice.action}", pages[0])
    assert "Which trials to re-examine" in pages[0]


def test_the_two_pages_that_answer_name_every_trial(audited_demo, pages):
    table = " ".join(pages[:2]).partition("What the errors did to each trial")[2]
    assert all(name in table for name in audited_demo.trials)


def test_each_curve_has_a_page_of_its_own(audited_demo, pages):
    for page, (curve, audit) in zip(
        pages[2:], audited_demo.audits.items(), strict=False
    ):
        assert f"Curve {curve}, {audit.crop}" in page
        assert show(audit.bias.value, 2, sign=True) in page


def test_the_report_is_as_long_as_promised(audited_demo, pages):
    assert len(pages) <= 2 + len(audited_demo.audits) + 6


def test_pages_are_counted_as_a_reader_of_the_pdf_counts_them(report, pages):
    assert page_count(report) == len(pages)


@pytest.mark.parametrize("account", ACCOUNTS)
def test_each_account_stands_once(account, text):
    assert text.count(account) == 1


def test_page_two_holds_the_accounts_that_fit_it(audited_demo, pages):
    assert ACCOUNTS[0] in pages[1]
    assert f"Curve {next(iter(audited_demo.audits))}, " in pages[2]


def test_accounts_follow_where_page_two_is_full(audited_demo):
    report = Report(kind="Season report", title="full")
    report.blocks += [Paragraph("A line of its own.")] * 82
    assert page_count(report) == 2
    found = season_findings(audited_demo, [], report)
    assert not set(ACCOUNTS) & {getattr(block, "words", "") for block in found}
    left = season_accounts(audited_demo, report)
    assert set(ACCOUNTS) <= {getattr(block, "words", "") for block in left}


def test_what_to_confirm_stands_once(text):
    assert text.count("Values to confirm") == 1


def test_every_input_is_named_with_its_hash(audited_demo, text):
    for name, digest in audited_demo.inputs.items():
        assert name in text
        assert digest[:20] in text.replace(" ", "")


def test_nothing_the_kit_says_itself_is_cut_short(text):
    assert not re.search(r"\(\d+ letters\)", text)


def test_a_curve_has_eight_rows_of_evidence_at_most(audited_demo):
    for curve, audit in audited_demo.audits.items():
        found = evidence(audit, audited_demo.advice[curve])
        assert 4 <= len(found.rows) <= 8


def test_a_curve_says_which_share_of_its_plots_are_estimates_only(audited_demo):
    told = 0
    declared = columns_of("curves")["share_beyond_estimates"]
    for row in curves_table(audited_demo).itertuples():
        audit = audited_demo.audits.get(row.curve)
        if audit and audit.coverage:
            found = evidence(audit, audited_demo.advice[row.curve])
            # Figures are padded so that they stand below each other.
            values = {label: value.strip() for label, value, *_ in found.rows}
            # A share of none is not worth a row.
            beyond = row.share_beyond_estimates
            said = show(beyond) if beyond else None
            assert values.get(declared.label) == said
            told += beyond > 0
    assert told


def test_settings_to_load_are_those_of_the_advice(audited_demo):
    in_words = {"reslope": "a line", "unresolved": "as now", "rebuild": "new curve"}
    found = settings_table(audited_demo).frame.set_index("curve")["load"]
    for curve, advice in audited_demo.advice.items():
        setting = show(advice.new_setting, 2, sign=True)
        assert found[curve] == in_words.get(advice.action, setting)


def test_a_curve_without_samples_leaves_no_question_to_print(season):
    season.append("curves.csv", "V,wheat,0.1")
    found = settings_table(audit_season(season.folder)).frame.set_index("curve")
    assert found.at["V", "action"] == "unresolved"


@pytest.fixture(scope="module")
def mixed(demo, tmp_path_factory):
    """Return the demo season whose register shows two offsets for two curves."""
    folder = copytree(demo, tmp_path_factory.mktemp("mixed") / "season")
    table = folder / "curves.csv"
    earlier = "maize-S1,maize,0.9,S1,standard,2023-11-20,11,34,0.65,50,\n"
    earlier += "wheat-S1,wheat,0.9,S1,reduced,2023-11-20,9,24,0.55,50,\n"
    table.write_text(table.read_text(encoding="utf-8") + earlier, encoding="utf-8")
    found = audit_season(folder)
    assert found.advice["maize-S1"].action == "keep"
    assert found.advice["wheat-S1"].action == "shift"
    return found


def test_no_new_curve_is_asked_for_where_the_offset_loaded_is_not_known(mixed):
    load = settings_table(mixed).frame.set_index("curve")["load"]
    offset = show(mixed.advice["wheat-S1"].offset, 2, sign=True)
    assert (load["maize-S1"], load["wheat-S1"]) == ("as now", f"{offset} more")
    assert load["wheat-S2"] == "new curve"


def test_a_trial_has_no_curve_rebuilt_whose_offset_loaded_is_not_known(mixed):
    said = to_do(mixed, mixed.trial("maize-04"))[1].text()
    assert "Leave curve maize-S1 as it is; which offset is loaded is not on" in said
    said = to_do(mixed, mixed.trial("wheat-10"))[1].text()
    offset = show(mixed.advice["wheat-S1"].offset, 2, sign=True)
    assert f"Add {offset} to the offset loaded for curve wheat-S1, which is not" in said
    assert "wheat-S1 rebuilt" not in said


def test_no_offset_is_said_to_be_in_use_where_the_register_shows_several(mixed):
    for curve in ("maize-S1", "wheat-S1"):
        detail = answer_of(mixed.audits[curve], mixed.advice[curve]).detail
        assert "which one is loaded is not on record" in detail
        assert "in use" not in detail
    found = answer_of(mixed.audits["wheat-S2"], mixed.advice["wheat-S2"])
    assert found.detail == "Offset in use: +0.00."


def test_the_offset_in_use_is_that_of_the_last_readings(demo, tmp_path):
    folder = copytree(demo, tmp_path / "season")
    plots = pd.read_csv(folder / "plots.csv", dtype=str)
    last = plots["curve"].isin(["maize-S1", "maize-S2"])
    last &= plots["harvested_at"] == plots.groupby("curve")["harvested_at"].transform(
        "max"
    )
    plots.loc[last, "offset_in_force"] = "0.5"
    plots.to_csv(folder / "plots.csv", index=False)
    season = audit_season(folder)
    told = settings_table(season)
    in_use = told.frame.set_index("curve")["offset_in_use"]
    assert in_use["maize-S1"] == in_use["maize-S2"] == 0.5
    assert "maize-S2 with −0.10 loaded: corrected = " in told.note
    trials = season.pairing.pairs.groupby("curve")["trial"].first()
    said = to_do(season, season.trial(trials["maize-S1"]))[1].text()
    assert "Load +0.20 for curve maize-S1 next season (in use: +0.50)." in said
    said = to_do(season, season.trial(trials["maize-S2"]))[1].text()
    assert "Correct curve maize-S2 with −0.10 loaded: corrected = " in said
    assert "Load −0.10 and correct after" in season.advice["maize-S2"].reason
    kept = answer_of(season.audits["maize-S1"], season.advice["maize-S1"])
    assert kept.detail.startswith("Load +0.20 next season (in use: +0.50).")


def test_no_chance_is_called_certain():
    assert chance_in_words(0.999) == ">99 %"
    assert chance_in_words(0.001) == "<1 %"
    assert chance_in_words(float("nan")) == "not known"


def test_what_points_at_two_tables_is_said_once():
    said = {"code": "sample-apart", "message": "sample S1 is far off.", "curve": "W"}
    found = [Finding(table=name, **said) for name in ("oven", "plots", "oven")]
    [block] = findings_of([*found, Finding(**said | {"message": "So is all."})], 9)
    assert [line for _, line, _ in block.findings] == [
        "oven and plots: sample S1 is far off.",
        "So is all.",
    ]


def test_findings_beyond_the_most_are_counted():
    said = [f"sample S{k} is far off." for k in range(5)]
    found = [Finding(code="sample-apart", message=message) for message in said]
    block, more = findings_of(found, 3)
    assert len(block.findings) == 3
    assert more.text() == "2 more findings in findings.csv."


@pytest.mark.slow
@pytest.mark.parametrize(
    "spoil",
    [
        lambda s: (s.folder / "oven.csv").unlink(),
        lambda s: s.write("plots.csv", s.text("plots.csv").splitlines()[0] + "\n"),
        lambda s: s.write("oven.csv", "\n".join(s.text("oven.csv").splitlines()[:3])),
        lambda s: s.replace("plots.csv", "5.0,10", "0,10"),
        lambda s: s.replace("plots.csv", "14.2", "100"),
    ],
    ids=["no oven", "no plots", "one sample", "no mass", "all water"],
)
def test_a_report_comes_out_of_any_season_that_can_be_read(season, spoil):
    spoil(season)
    text = " ".join(pages_of(season_report(audit_season(season.folder))))
    assert "not a verification" in text


def test_a_season_without_a_date_is_undated(season):
    season.replace("season.toml", "report_date = 2026-01-15\n", "")
    text = " ".join(pages_of(season_report(audit_season(season.folder))))
    assert "undated" in text
    assert "set report_date in season.toml" in text


def test_a_season_without_a_curve_says_so(season):
    (season.folder / "oven.csv").unlink()
    headline, *_ = season_answer(audit_season(season.folder))
    assert headline.word == "Nothing could be audited"


def test_sections_of_a_curve_are_numbered_blocks(audited_demo):
    curve = next(iter(audited_demo.audits))
    blocks = curve_section(audited_demo, curve)
    assert [b.table for b in blocks if isinstance(b, Table)] == [
        "report: evidence",
        "bands",
    ]


def test_selections_that_move_within_error_are_counted_apart(audited_demo):
    facts = season_answer(audited_demo)[1].facts
    [note] = [note for name, _, note in facts if name == "Selections that change"]
    assert note == "0 entries newly selected; within error, 4 more"
