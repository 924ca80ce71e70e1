"""The explorer's panel without a browser: set a value, read a value, click."""

from io import BytesIO

import ipywidgets as widgets
import numpy as np
import pandas as pd
import pytest
from PIL import Image
from pypdf import PdfReader
from pytest import approx

from kitlib.explorer.live_pictures import NOT_THE_AUDIT
from kitlib.explorer.panel_parts import SentencePanel
from kitlib.explorer.panels import ExplorerPanel, explorer_panel
from kitlib.intake.outputs import sole_use

CURVE = "wheat-S1"


@pytest.fixture(scope="module")
def shared(audited_demo, tmp_path_factory):
    return ExplorerPanel(audited_demo, tmp_path_factory.mktemp("reports"))


@pytest.fixture
def panel(shared):
    """Return the panel as it stands after a click on reset."""
    shared.controls.curve.value = CURVE
    shared.reset.click()
    shared.status.value = ""
    return shared


@pytest.fixture(autouse=True)
def no_click_fails_unseen(caplog):
    """Fail where a button's callback raised: ipywidgets only logs that."""
    yield
    said = [record.getMessage() for record in caplog.get_records("call")]
    assert not [line for line in said if "Exception in callback" in line]


def row_of(panel, case):
    """Return the cells of one row of the figures shown."""
    [row] = [row for row in panel.tables[0].rows if row[0].startswith(case)]
    return row


def written(panel):
    return pd.read_csv(panel.folder / "what_if.csv", dtype={"samples_left_out": str})


# ---- controls and what follows -----------------------------------------------------


def test_the_panel_starts_as_the_audit_advises(panel):
    choice, advice = panel.controls.choice(), panel.explorer.advice
    assert choice == panel.explorer.start()
    assert choice.offset == approx(advice.offset, abs=1e-12)
    assert row_of(panel, "what if")[1:] == row_of(panel, "audit: shift")[1:]
    assert panel.controls.offset.label.endswith("= −bias")


def test_moving_the_offset_moves_numbers_words_and_pictures(panel):
    before = [panel.errors.value, panel.sensitivity.value, panel.figures.value]
    panel.controls.offset.value = -0.6
    bias = panel.explorer.audit.bias.value
    assert panel.look.outlook.bias[panel.look.at] == approx(bias - 0.6)
    assert row_of(panel, "what if")[3] == "+0.29"
    assert "−0.60 points were added" in panel.said.value
    assert "would be −0.30 in place of +0.30" in panel.said.value
    after = [panel.errors.value, panel.sensitivity.value, panel.figures.value]
    assert all(one != other for one, other in zip(before, after, strict=True))


def test_a_message_from_the_page_does_what_setting_the_value_does(panel):
    at = panel.controls.offset.index
    panel.controls.offset.set_state({"index": at + 1})
    assert panel.look.choice.offset == panel.explorer.stops[at + 1]


def test_in_sample_and_trials_left_out_stand_side_by_side(panel):
    heads = [column.label for column in panel.tables[0].columns]
    at = heads.index("RMSEP in-sample")
    assert heads[at + 1] == "RMSEP on trials left out"
    assert row_of(panel, "what if")[at : at + 2] == ("0.50", "0.52")


def test_switching_the_slope_on_takes_the_samples_own_tilt(panel):
    assert panel.controls.tilt.disabled
    panel.controls.slope.value = True
    assert not panel.controls.tilt.disabled
    line = panel.explorer.audit.line
    assert panel.look.choice.tilt == approx(line.tilt.value, rel=1e-9)
    assert f"{line.slope.value:.4f} × reading" in panel.said.value
    panel.controls.tilt.value = 0.1
    assert panel.look.choice.tilt == 0.1
    panel.controls.slope.value = False
    assert panel.look.choice.tilt == 0.0


def test_samples_left_out_are_named_with_their_errors_and_change_the_advice(panel):
    label, first = panel.controls.left_out.options[0]
    errors = np.abs(panel.explorer.samples.error)
    assert first == np.argmax(errors)
    assert panel.explorer.samples.sample[first] in label
    panel.controls.left_out.value = (first,)
    assert row_of(panel, "what if")[1] == "39 / 5"
    assert row_of(panel, "audit")[1] == "40 / 5"
    assert "All 40 samples: shift" in panel.advice.value
    assert "Without 1 sample: shift" in panel.advice.value


def test_a_band_leaves_out_the_samples_beyond_it(panel):
    panel.controls.band.value = (15.0, 17.0)
    inside = panel.explorer.samples.reference
    n = int(((inside >= 15) & (inside <= 17)).sum())
    assert panel.look.samples.n == n
    assert f"Without {40 - n} samples" in panel.advice.value


def test_leaving_out_every_sample_is_said_in_words(panel):
    panel.controls.left_out.value = tuple(range(40))
    assert "no sample is left" in panel.advice.value
    assert row_of(panel, "what if")[3:6] == ("not known",) * 3
    panel.controls.slope.value = True
    assert panel.look.choice.tilt == 0.0


def test_standard_moisture_changes_yields_and_no_rank(panel):
    before, ranks = panel.look.trial.after, panel.look.trial.ranks.rank_after
    panel.controls.standard.value = 14.5
    assert panel.look.trial.after == approx(before * (100 - 13.5) / (100 - 14.5))
    assert panel.look.trial.ranks.rank_after.tolist() == ranks.tolist()
    assert "at 14.5 % moisture" in panel.entries.value


def test_the_share_selected_and_the_trial_are_what_is_shown(panel):
    panel.controls.select.value = 50
    assert panel.look.trial.count == 12
    panel.controls.trial.value = "wheat-11"
    assert panel.look.trial.lines.trial == "wheat-11"
    assert "Trial wheat-11" in panel.entries.value


def test_one_click_brings_the_audits_own_choice_back(panel):
    controls = panel.controls
    controls.offset.index = 3
    controls.slope.value = True
    controls.band.value = (14.0, 20.0)
    controls.left_out.value = (1, 2, 3)
    controls.standard.value, controls.select.value = 20, 70
    controls.trial.value = "wheat-12"
    assert controls.choice() != panel.explorer.start()
    panel.reset.click()
    assert controls.choice() == panel.explorer.start()
    assert panel.look.choice == panel.explorer.start()


def test_every_curve_can_be_opened(panel):
    for _, curve in panel.controls.curve.options:
        panel.controls.curve.value = curve
        assert panel.explorer.audit.curve == curve
        assert curve in panel.said.value
        assert panel.body.layout.display == ""


def test_the_line_advised_is_taken_up_as_it_is(panel):
    panel.controls.curve.value = "maize-S2"
    line = panel.explorer.audit.line
    assert panel.controls.slope.value
    assert f"{line.slope.value:.4f} × reading" in panel.said.value
    audit, chosen = row_of(panel, "audit: reslope"), row_of(panel, "what if")
    assert audit[1:] == chosen[1:]


def test_a_curve_that_served_no_plot_shows_no_trial(panel):
    panel.controls.curve.value = "maize-S1-new"
    assert panel.controls.trial.disabled and panel.controls.select.disabled
    assert panel.ranks.layout.display == "none"
    assert "served no plot that can be ranked" in panel.entries.value
    assert row_of(panel, "what if")[-1] == "–"


# ---- looks -------------------------------------------------------------------------


def test_panel_and_every_picture_say_that_this_is_not_the_audit(panel):
    assert NOT_THE_AUDIT in panel.label.value
    assert len(panel.pictures) == 4
    for picture in panel.pictures:
        assert NOT_THE_AUDIT in [text.get_text() for text in picture.figure.texts]


def test_pictures_bring_their_own_white_ground(panel):
    for place in (panel.errors, panel.sensitivity, panel.agreement, panel.ranks):
        with Image.open(BytesIO(place.value)) as image:
            ends = (0, image.width - 1), (0, image.height - 1)
            corners = [image.getpixel((x, y)) for x in ends[0] for y in ends[1]]
        assert set(corners) == {(255, 255, 255)}


def test_a_kept_background_gives_the_picture_drawn_anew(panel, audited_demo, tmp_path):
    for index in (3, 9, 15):
        panel.controls.offset.index = index
    fresh = ExplorerPanel(audited_demo, tmp_path)
    fresh.controls.curve.value = CURVE
    fresh.controls.offset.index = 15
    for name in ("errors", "sensitivity", "agreement", "ranks"):
        assert getattr(panel, name).value == getattr(fresh, name).value


def test_every_control_has_a_name_and_is_reached_by_keyboard(panel):
    controls = [*panel.controls.choosing, panel.controls.curve]
    for control in [*controls, panel.reset, panel.reason, panel.write]:
        assert control.description
        assert control.tabbable in (None, True)


# ---- on record ---------------------------------------------------------------------


def test_without_a_reason_nothing_is_put_on_record(panel):
    kept = sorted(panel.folder.glob("*")) if panel.folder.exists() else []
    for reason in ("", "   \n "):
        panel.reason.value = reason
        panel.write.click()
        assert "Not put on record: the reason is empty" in panel.status.value
    panel.reason.value = "x" * 401
    panel.write.click()
    assert "the reason has 401 letters" in panel.status.value
    assert (sorted(panel.folder.glob("*")) if panel.folder.exists() else []) == kept


def test_a_reason_puts_a_row_and_one_page_on_record(panel, audited_demo):
    advice = audited_demo.advice[CURVE]
    panel.controls.offset.value = -0.6
    panel.controls.left_out.value = (0, 1)
    panel.reason.value = "=the breeder asked"
    panel.write.click()
    assert "Put on record" in panel.status.value and panel.reason.value == ""
    row = written(panel).iloc[-1]
    assert (row["curve"], row["offset"], row["n"]) == (CURVE, -0.6, 38)
    assert row["rmsep"] == panel.look.outlook.rmsep[panel.look.at]
    assert row["rmsep_left_out"] == panel.look.outlook.rmsep_left_out[panel.look.at]
    assert row["samples_left_out"] == "; ".join(panel.explorer.samples.sample[[0, 1]])
    assert row["audit_action"] == "shift"
    assert row["reason"] == "'=the breeder asked"
    pages = PdfReader(panel.folder / row["page"]).pages
    text = pages[0].extract_text()
    assert len(pages) == 1
    assert NOT_THE_AUDIT in text and "=the breeder asked" in text
    assert audited_demo.advice[CURVE] is advice


def test_rows_on_record_stay_byte_for_byte(panel):
    panel.reason.value = 'first, with a "quote" and a comma'
    panel.write.click()
    before = (panel.folder / "what_if.csv").read_bytes()
    panel.controls.offset.value = 0.5
    panel.reason.value = "second"
    panel.write.click()
    after = (panel.folder / "what_if.csv").read_bytes()
    assert after.startswith(before) and after.count(b"\n") == before.count(b"\n") + 1
    numbers = written(panel)["what_if"].tolist()
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(set(written(panel)["page"])) == len(numbers)


def test_a_table_of_someone_elses_is_left_alone(audited_demo, tmp_path):
    panel = ExplorerPanel(audited_demo, tmp_path)
    panel.folder.mkdir(parents=True)
    (panel.folder / "what_if.csv").write_text("a,b\n1,2\n")
    panel.reason.value = "why not"
    panel.write.click()
    assert "its columns are not those of a what-if" in panel.status.value
    assert (panel.folder / "what_if.csv").read_text() == "a,b\n1,2\n"
    assert not list(panel.folder.glob("*.pdf"))


def test_a_folder_in_use_or_no_folder_is_said_in_words(audited_demo, tmp_path):
    panel = ExplorerPanel(audited_demo, tmp_path / "reports")
    panel.reason.value = "why not"
    with sole_use(panel.folder):
        panel.write.click()
    assert "another run is writing here" in panel.status.value
    (tmp_path / "file").write_text("")
    panel = ExplorerPanel(audited_demo, tmp_path / "file")
    panel.reason.value = "why not"
    panel.write.click()
    assert "Not put on record: Not a directory" in panel.status.value


# ---- bad input ---------------------------------------------------------------------


def keep_samples(season, n):
    """Leave the first n samples of the small season in its oven table."""
    head, *rows = season.text("oven.csv").splitlines()
    season.write("oven.csv", "\n".join([head, *rows[: 2 * n]]) + "\n")


def test_a_curve_with_two_samples_shows_what_they_say(season):
    keep_samples(season, 2)
    panel = explorer_panel(season.folder, season.folder / "out")
    assert row_of(panel, "what if")[1] == "2 / 1"
    assert row_of(panel, "what if")[5] == "not known"
    assert "all samples are of one trial" in panel.figures.value
    assert panel.controls.slope.disabled
    panel.controls.offset.index = 2
    panel.controls.left_out.value = (0,)
    assert row_of(panel, "what if")[1] == "1 / 1"
    panel.reason.value = "two samples"
    panel.write.click()
    assert "Put on record" in panel.status.value


def test_a_curve_with_one_sample_shows_what_it_says(season):
    keep_samples(season, 1)
    panel = explorer_panel(season.folder, season.folder / "out")
    assert row_of(panel, "what if")[1] == "1 / 1"
    assert "unresolved" in panel.advice.value


def test_a_curve_without_samples_is_said_in_a_sentence(season):
    keep_samples(season, 0)
    panel = explorer_panel(season.folder, season.folder / "out")
    assert "no sample taken blind to the reading speaks for it" in panel.said.value
    assert panel.body.layout.display == "none"
    assert panel.reset.disabled and panel.tables == []
    panel.reset.click()
    panel.write.click()


def test_going_from_a_curve_without_samples_to_one_with_and_back(season):
    season.append("curves.csv", "X,wheat,0.0")
    panel = explorer_panel(season.folder, season.folder / "out")
    assert panel.body.layout.display == ""
    panel.controls.curve.value = "X"
    assert "Curve X: no sample" in panel.said.value and panel.explorer is None
    panel.controls.curve.value = "W"
    assert panel.body.layout.display == "" and panel.tables


def test_a_season_that_cannot_be_audited_is_a_sentence(season, tmp_path):
    season.write("season.toml", 'name = "Small season"\nconfidence = 95\n')
    panel = explorer_panel(season.folder, tmp_path / "out")
    assert type(panel) is SentencePanel and panel.tables == []
    assert "season.toml" in panel.said.value and "confidence" in panel.said.value
    nowhere = explorer_panel(tmp_path / "nowhere", tmp_path / "out")
    assert "not found" in nowhere.said.value
    assert "Traceback" not in nowhere.said.value


def test_names_are_never_read_as_markup(season):
    for name in ("plots.csv", "curves.csv"):
        season.write(name, season.text(name).replace(",W,", ",<b>W</b>,"))
    season.replace("curves.csv", "W,wheat", "<b>W</b>,wheat")
    panel = explorer_panel(season.folder, season.folder / "out")
    shown = panel.said.value + panel.figures.value + panel.entries.value
    assert "<b>" not in shown and "&lt;b&gt;W" in shown


def test_a_season_that_selects_a_number_is_asked_for_a_number(season):
    season.append("season.toml", "selection_count = 1")
    panel = explorer_panel(season.folder, season.folder / "out")
    assert isinstance(panel.controls.select, widgets.BoundedIntText)
    assert panel.look.trial.count == 1
    panel.controls.select.value = 2
    assert panel.look.trial.count == 2


def test_an_unknown_standard_moisture_leaves_yields_unknown(season):
    for name in ("plots.csv", "curves.csv"):
        season.write(name, season.text(name).replace("wheat", "millet"))
    panel = explorer_panel(season.folder, season.folder / "out")
    assert panel.controls.standard.disabled
    assert "standard moisture of millet is not known" in panel.entries.value
    panel.controls.offset.index = 1
    assert row_of(panel, "what if")[-1] == "–"
